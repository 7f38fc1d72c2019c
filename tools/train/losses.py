"""How wrong the part model is on a batch: one number per output, all differentiable."""

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from features.parts.part_vocabulary import (
    CENTER_UNIT_PX,
    PART_STRIDE,
    POINT_CLASSES,
    POINT_STRIDE,
    ROUND_CLASSES,
    ROUND_STRIDE,
    SHAPE_NUMBERS,
    SIZE_UNIT_PX,
    attribute_slices,
)
from tools.train.batches import Batch
from tools.train.network import PartOutputs

WEIGHTS = {"parts": 2.0, "overlap": 1.0, "points": 0.6, "centers": 0.4, "shapes": 1.0, "attributes": 0.5}
SMOOTHING = 0.05
"""How far from certain the attributes' truth is taken to be, which keeps them from being learned by heart."""
UNSEEN_WEIGHT = 0.25
"""Weight of an attribute whose parts are out of sight: the model shall learn how little it knows then."""


@dataclass(frozen=True, eq=False)
class Losses:
    """One scalar per output."""

    by_name: dict[str, Tensor]

    def total(self) -> Tensor:
        """Their weighted sum."""
        return torch.stack([WEIGHTS[name] * value for name, value in self.by_name.items()]).sum()


def losses_of(outputs: PartOutputs, batch: Batch) -> Losses:
    """Compare outputs of the batch's pictures with the truth.

    The part map's classes all weigh the same: weighing rare ones more made clamp bands half again too large
    (measured on 100 photos); that they are not forgotten is the overlap's business.
    """
    parts = outputs.parts.float()
    truth = cell_shares(batch.classes, parts.shape[1])
    point_heat, point_care = heat_map(batch.points[..., :3], batch.points[..., 3], len(POINT_CLASSES), POINT_STRIDE,
                                      outputs.points.shape[-2:])  # fmt: skip
    rows = torch.cat([batch.rounds[..., :2], batch.rounds[..., 5:6]], dim=2)
    center_heat, center_care = heat_map(rows, batch.rounds[..., 6], len(ROUND_CLASSES), ROUND_STRIDE,
                                        outputs.centers.shape[-2:])  # fmt: skip
    return Losses(
        {
            "parts": functional.cross_entropy(parts, truth),
            "overlap": overlap_loss(parts, truth),
            "points": focal_loss(outputs.points.float(), point_heat, point_care),
            "centers": focal_loss(outputs.centers.float(), center_heat, center_care),
            "shapes": shape_loss(outputs.shapes.float(), batch.rounds),
            "attributes": attribute_loss(outputs.logits.float(), batch),
        }
    )


def cell_shares(classes: Tensor, count: int) -> Tensor:
    """(B, count, h, w) share of each class in the cells of the part map, from (B, H, W) classes of pixels.

    One pixel of a cell would not do: none lies in its middle, and the map would come out half a pixel aside.
    """
    total = classes.new_zeros((len(classes), count, *(side // PART_STRIDE for side in classes.shape[1:]))).float()
    one = total.new_full((), 1.0 / PART_STRIDE**2).expand(len(classes), 1, *total.shape[2:])
    for k in range(PART_STRIDE**2):
        pixel = classes[:, k // PART_STRIDE :: PART_STRIDE, k % PART_STRIDE :: PART_STRIDE]
        total.scatter_add_(1, pixel[:, None], one)
    return total


def overlap_loss(logits: Tensor, truth: Tensor) -> Tensor:
    """One minus the soft Dice overlap, averaged over the classes that occur in the batch; both (B, C, h, w)."""
    share = logits.softmax(dim=1)
    both, all_ = (share * truth).sum(dim=(0, 2, 3)), (share + truth).sum(dim=(0, 2, 3))
    occurs = truth.sum(dim=(0, 2, 3)) > 0
    return 1 - (2 * both[occurs] / (all_[occurs] + 1.0)).mean()


def heat_map(rows: Tensor, asked: Tensor, count: int, stride: int, shape: tuple[int, int]) -> tuple[Tensor, Tensor]:
    """Heat maps of points: 1 at a point's cell, falling off round it; and where the map counts at all.

    Args:
        rows: (B, N, 3) x, y, class (-1: no row); asked: (B, N) 0 where the model may say what it likes.
        count: number of classes; stride: pixels a cell; shape: height and width of the map.

    Returns:
        Two (B, count, height, width) maps.
    """
    height, width = shape
    heat = rows.new_zeros(len(rows), count, height, width)
    care = torch.ones_like(heat)
    cell = (rows[..., :2] + 0.5) / stride - 0.5
    near = torch.arange(-4, 5, device=rows.device)
    dy, dx = torch.meshgrid(near, near, indexing="ij")
    at = cell.round()[..., None, :] + torch.stack([dx, dy], -1).reshape(-1, 2)
    distance = ((at - cell[..., None, :]) ** 2).sum(-1)
    value = torch.exp(-distance / (2 * 1.4**2))
    value = torch.where((near.repeat(9) == 0) & (near.repeat_interleave(9) == 0), torch.ones_like(value), value)
    x, y = at[..., 0].long(), at[..., 1].long()
    kind = rows[..., 2].long()[..., None].expand_as(x)
    good = (kind >= 0) & (x >= 0) & (x < width) & (y >= 0) & (y < height)
    index = ((torch.arange(len(rows), device=rows.device)[:, None, None] * count + kind) * height + y) * width + x
    wanted = good & (asked[..., None] > 0.5)
    heat.view(-1).scatter_reduce_(0, index[wanted], value[wanted], "amax")
    ignored = good & (asked[..., None] <= 0.5)
    care.view(-1)[index[ignored]] = 0
    return heat, torch.maximum(care, (heat > 0.05).float())


def focal_loss(logits: Tensor, heat: Tensor, care: Tensor) -> Tensor:
    """Penalty-reduced focal loss of heat maps (Law & Deng 2018, arXiv 1808.01244, eq. 1)."""
    chance = logits.sigmoid().clamp(1e-5, 1 - 1e-5)
    peak = (heat > 0.999).float()
    hit = peak * (1 - chance) ** 2 * chance.log()
    miss = (1 - peak) * (1 - heat) ** 4 * chance**2 * (1 - chance).log()
    return -((hit + miss) * care).sum() / (peak.sum() + 1)


def log_shape(rounds: Tensor) -> Tensor:
    """(..., 3) logarithm (xx, yy, xy) of the root of shape matrices (..., xx, yy, xy in px^2), in `SIZE_UNIT_PX`."""
    xx, yy, xy = rounds.clamp(min=-1e9).unbind(-1)
    half, spread = (xx + yy) / 2, torch.sqrt(((xx - yy) / 2) ** 2 + xy**2 + 1e-12)
    large, small = (half + spread).clamp(min=1e-3), (half - spread).clamp(min=1e-3)
    log_large, log_small = 0.5 * large.log(), 0.5 * small.log()
    middle, difference = (log_large + log_small) / 2, (log_large - log_small) / 2
    cos, sin = (xx - yy) / 2 / spread, xy / spread
    unit = math.log(SIZE_UNIT_PX)
    return torch.stack([middle - unit + difference * cos, middle - unit - difference * cos, difference * sin], -1)


def shape_loss(shapes: Tensor, rounds: Tensor) -> Tensor:
    """Smooth distance of told ellipses from true ones, at the 5 x 5 cells round each true center."""
    count, _, height, width = shapes.shape
    near = torch.arange(-2, 3, device=shapes.device)
    dy, dx = torch.meshgrid(near, near, indexing="ij")
    middle = ((rounds[..., :2] + 0.5) / ROUND_STRIDE - 0.5).round()
    cell = middle[..., None, :] + torch.stack([dx, dy], -1).reshape(-1, 2)
    x, y = cell[..., 0].long(), cell[..., 1].long()
    good = (x >= 0) & (x < width) & (y >= 0) & (y < height) & (rounds[..., 5:6] >= 0) & (rounds[..., 6:7] > 0.5)
    wide = shapes.view(count, len(ROUND_CLASSES), SHAPE_NUMBERS, height, width)
    picture = torch.arange(count, device=shapes.device)[:, None, None].expand_as(x)
    kind = rounds[..., 5:6].long().clamp(min=0).expand_as(x)
    told = wide[picture[good], kind[good], :, y[good], x[good]]
    cell_px = (cell + 0.5) * ROUND_STRIDE - 0.5
    beside = (rounds[..., None, :2] - cell_px) / CENTER_UNIT_PX
    truth = torch.cat([beside, log_shape(rounds[..., 2:5])[..., None, :].expand(*beside.shape[:-1], 3)], -1)[good]
    if not len(truth):
        return shapes.sum() * 0
    scale = shapes.new_tensor([1.0, 1.0, 4.0, 4.0, 4.0])
    return functional.smooth_l1_loss(told * scale, truth * scale, beta=0.2)


def attribute_loss(logits: Tensor, batch: Batch) -> Tensor:
    """Cross entropy of all attributes; those whose parts are out of sight count little."""
    total = logits.new_zeros(())
    for k, (name, place) in enumerate(attribute_slices().items()):
        truth = batch.attributes[:, k]
        known = truth >= 0
        weight = known * torch.where(batch.seen[:, k], 1.0, UNSEEN_WEIGHT)
        smoothing = 0.0 if name == "pump" else SMOOTHING
        each = functional.cross_entropy(
            logits[:, place], truth.clamp(min=0), reduction="none", label_smoothing=smoothing
        )
        total = total + (weight * each).sum() / (weight.sum() + 1)
    return total
