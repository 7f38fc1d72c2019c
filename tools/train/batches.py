"""Batches for training: photos moved, turned, cut and recolored on the GPU, together with what is true of them."""

from dataclasses import dataclass, fields, replace

import torch
from torch import Tensor

from features.parts.part_vocabulary import ATTRIBUTES, EVIDENCE_PARTS, GRAY, PART_CLASSES, TELLING_VIEWS
from tools.train.pack import Packed
from tools.train.targets import EVIDENCE_SHARE

LEAST_PUMP = 0.01
"""A picture that shows less of the pump neither must nor must not be called one."""
WHOLE_VIEW = 1.35
"""Pictures zoomed in further than this say little of the view."""
NO_PUMP = {"view": ATTRIBUTES["view"].index("other"), "pump": ATTRIBUTES["pump"].index("no")}


@dataclass(frozen=True, eq=False)
class Batch:
    """B pictures with their truth.

    Attributes:
        pictures: (B, 3, P, P) 0..255; classes: (B, P, P).
        points: (B, M, 4) x, y, class, seen; rounds: (B, R, 7) x, y, xx, yy, xy, class, asked; class -1: no row.
        attributes: (B, A) value index or -1; seen: (B, A).
    """

    pictures: Tensor
    classes: Tensor
    points: Tensor
    rounds: Tensor
    attributes: Tensor
    seen: Tensor


@dataclass(frozen=True, eq=False)
class PhotoStore:
    """All packed photos on one device, and pictures without a pump: (N, 512, 512, 3) uint8, possibly none."""

    photos: Tensor
    classes: Tensor
    size: Tensor
    points: Tensor
    rounds: Tensor
    attributes: Tensor
    empty: Tensor

    @staticmethod
    def of(packed: Packed, empty: Tensor, device: torch.device) -> "PhotoStore":
        """Move everything to the device."""
        names = [f.name for f in fields(PhotoStore) if f.name != "empty"]
        moved = {name: torch.from_numpy(getattr(packed, name)).to(device) for name in names}
        return PhotoStore(**moved, empty=empty.to(device))

    def __len__(self) -> int:
        return len(self.photos)


@dataclass(frozen=True, eq=False)
class Moves:
    """Affine maps from picture to photo pixels: photo = matrix @ picture + shift, one a picture."""

    matrix: Tensor
    shift: Tensor

    def to_picture(self, xy: Tensor) -> Tensor:
        """(B, N, 2) photo pixels to picture pixels."""
        return (xy - self.shift[:, None]) @ torch.linalg.inv(self.matrix).transpose(1, 2)


def random_moves(size: Tensor, side_px: int) -> Moves:
    """Zoomed, turned, stretched, mirrored and shifted square pictures of photos of (B, 2) sizes."""
    count, device = len(size), size.device

    def uniform(low: float, high: float) -> Tensor:
        return torch.rand(count, device=device) * (high - low) + low

    size = size.float()
    zoom = torch.exp(uniform(-0.35, 0.75))
    scale = size.max(dim=1).values / side_px / zoom
    turn = torch.deg2rad(torch.where(uniform(0, 1) < 0.2, uniform(-40, 40), uniform(-9, 9)))
    stretch = torch.exp(uniform(-0.09, 0.09))
    mirror = torch.where(uniform(0, 1) < 0.5, -1.0, 1.0)
    cos, sin = turn.cos(), turn.sin()
    matrix = torch.stack([torch.stack([cos, -sin], 1), torch.stack([sin, cos], 1)], 1)
    matrix = matrix * torch.stack([scale * stretch * mirror, scale / stretch], 1)[:, None, :]
    room = (0.5 * size - 0.5 * side_px * scale[:, None]).clamp(min=0) + 0.08 * size
    middle = 0.5 * size + (torch.rand(count, 2, device=device) * 2 - 1) * room
    corner = torch.full((count, 2), 0.5 * side_px, device=device)
    return Moves(matrix, middle - (matrix @ corner[:, :, None])[:, :, 0])


def cut(store: PhotoStore, index: Tensor, moves: Moves, side_px: int) -> Batch:
    """The square pictures that the moves cut from photos, with truth moved alike; what lies beyond a photo is gray."""
    device = store.photos.device
    step = torch.arange(side_px, device=device, dtype=torch.float32)
    grid = torch.stack(torch.meshgrid(step, step, indexing="xy"), -1).reshape(1, -1, 2)
    places = grid @ moves.matrix.transpose(1, 2) + moves.shift[:, None]
    size = store.size[index].float()
    inside = ((places > -0.5) & (places < size[:, None] - 0.5)).all(dim=2).reshape(-1, side_px, side_px)
    canvas = store.photos.shape[1]
    normal = ((places + 0.5) * 2 / canvas - 1).reshape(-1, side_px, side_px, 2)
    photos = store.photos[index].permute(0, 3, 1, 2).float()
    pictures = _sampled(photos, normal, moves)
    classes = torch.nn.functional.grid_sample(
        store.classes[index][:, None].float(), normal, mode="nearest", align_corners=False
    )[:, 0]
    pictures = torch.where(inside[:, None], pictures, float(GRAY))
    classes = torch.where(inside, classes, 0.0).long()
    points, rounds = store.points[index].clone(), store.rounds[index].clone()
    points[..., :2] = moves.to_picture(points[..., :2])
    inverse = torch.linalg.inv(moves.matrix)[:, None]
    shape = rounds[..., [2, 4, 4, 3]].reshape(*rounds.shape[:2], 2, 2)
    shape = inverse @ shape @ inverse.transpose(2, 3)
    rounds[..., :2] = moves.to_picture(rounds[..., :2])
    rounds[..., 2], rounds[..., 3], rounds[..., 4] = shape[..., 0, 0], shape[..., 1, 1], shape[..., 0, 1]
    attributes = store.attributes[index].clone()
    pump = list(ATTRIBUTES).index("pump")
    barely = ((classes > 0) & (classes != PART_CLASSES.index("scale_reference"))).float().mean(dim=(1, 2)) < LEAST_PUMP
    attributes[barely, pump] = -1
    zoom = size.max(dim=1).values / side_px / torch.linalg.det(moves.matrix).abs().sqrt()
    return Batch(pictures, classes, points, rounds, attributes, _seen(classes, zoom, attributes))


def _seen(classes: Tensor, zoom: Tensor, attributes: Tensor) -> Tensor:
    """(B, A) whether each attribute can be told from what the pictures show."""
    seen = torch.ones(len(classes), len(ATTRIBUTES), dtype=torch.bool, device=classes.device)
    view = attributes[:, list(ATTRIBUTES).index("view")]
    for k, name in enumerate(ATTRIBUTES):
        if name == "view":
            seen[:, k] = zoom < WHOLE_VIEW
        elif name in EVIDENCE_PARTS:
            parts = torch.tensor([PART_CLASSES.index(p) for p in EVIDENCE_PARTS[name]], device=classes.device)
            seen[:, k] = torch.isin(classes, parts).float().mean(dim=(1, 2)) > EVIDENCE_SHARE
        if name in TELLING_VIEWS:
            views = torch.tensor([ATTRIBUTES["view"].index(v) for v in TELLING_VIEWS[name]], device=classes.device)
            seen[:, k] = torch.isin(view, views) & (zoom < WHOLE_VIEW)
    return seen


def _sampled(photos: Tensor, normal: Tensor, moves: Moves) -> Tensor:
    """Bilinear sampling; photos that are made smaller are softened first, so that nothing aliases."""
    shrink = torch.linalg.det(moves.matrix).abs().sqrt().clamp(min=1.0)
    soft = torch.nn.functional.avg_pool2d(photos, 3, 1, 1)
    share = (0.8 * (shrink - 1.0)).clamp(0, 1)[:, None, None, None]
    return torch.nn.functional.grid_sample(photos + share * (soft - photos), normal, align_corners=False)


def emptied(batch: Batch, which: Tensor, empty: Tensor) -> Batch:
    """The batch with the pictures `which` (B,) replaced by those of `empty` (B, 3, P, P), which hold no pump."""
    pictures, classes = batch.pictures.clone(), batch.classes.clone()
    points, rounds = batch.points.clone(), batch.rounds.clone()
    attributes, seen = batch.attributes.clone(), batch.seen.clone()
    pictures[which] = empty[which]
    classes[which], points[which], rounds[which] = 0, -1, -1
    attributes[which], seen[which] = -1, False
    for name, value in NO_PUMP.items():
        place = list(ATTRIBUTES).index(name)
        attributes[which, place], seen[which, place] = value, True
    return replace(
        batch, pictures=pictures, classes=classes, points=points, rounds=rounds, attributes=attributes, seen=seen
    )
