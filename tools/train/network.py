"""The part model as a PyTorch network: an EfficientNet-Lite0 encoder, a slim decoder, maps and logits.

Encoder: Tan & Le 2019 (arXiv 1905.11946) in its "lite" form, taken from timm; decoder after U-Net (Ronneberger et al.
2015, arXiv 1505.04597); ellipses at their centers after "Objects as Points" (Zhou et al. 2019, arXiv 1904.07850).
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import timm
import torch
from torch import Tensor, nn

from features.parts.part_vocabulary import ATTRIBUTES, PART_CLASSES, POINT_CLASSES, ROUND_CLASSES, SHAPE_NUMBERS

DECODER_WIDTHS = (112, 64, 48, 24)
"""Channels of the decoder at strides 16, 8, 4, 2."""
POOLED_GROUPS: tuple[tuple[str, ...], ...] = (
    ("chamber_cover", "clamp_band", "bolted_rim"),
    ("clamp_band", "bolted_rim", "bolt"),
    ("flange", "threaded_boss", "port_opening", "companion"),
    ("manifold",),
    ("air_section", "air_valve"),
)
"""Parts whose features are averaged where they are seen, so that small parts can decide an attribute."""
RARE = -4.0
"""Starting bias of the point and center maps: nearly every cell is none."""


class PartOutputs(NamedTuple):
    """What the network gives for (B, 3, H, W) pictures; s is `ROUND_STRIDE`, t `PART_STRIDE` and `POINT_STRIDE`.

    Attributes:
        parts: (B, classes, H/t, W/t) logits.
        points: (B, point classes, H/t, W/t) logits of the heat map.
        centers: (B, round classes, H/s, W/s) logits of the heat map.
        shapes: (B, round classes * SHAPE_NUMBERS, H/s, W/s).
        logits: (B, attribute values) in the order of `attribute_slices`.
    """

    parts: Tensor
    points: Tensor
    centers: Tensor
    shapes: Tensor
    logits: Tensor


class PartNetwork(nn.Module):
    """See the module's first lines. Pictures are RGB, 0..255."""

    def __init__(self) -> None:
        super().__init__()
        self.encoder = timm.create_model("tf_efficientnet_lite0", features_only=True, pretrained=False)
        two, four, eight, sixteen, deep = self.encoder.feature_info.channels()
        wide16, wide8, wide4, wide2 = DECODER_WIDTHS
        self.up16 = Up(deep, sixteen, wide16)
        self.up8 = Up(wide16, eight, wide8)
        self.up4 = Up(wide8, four, wide4)
        self.up2 = Up(wide4, two, wide2)
        classes, rounds = len(PART_CLASSES), len(ROUND_CLASSES)
        self.parts_head = nn.Conv2d(wide4, classes, 1)
        self.edges_head = nn.Conv2d(wide2, classes, 1)
        self.center_head = nn.Sequential(conv(wide4, 48), nn.Conv2d(48, rounds, 1))
        self.shape_head = nn.Sequential(conv(wide8, 96), conv(96, 96), nn.Conv2d(96, rounds * SHAPE_NUMBERS, 1))
        self.point_head = nn.Conv2d(wide2, len(POINT_CLASSES), 1)
        for head in (self.center_head[-1], self.point_head):
            nn.init.constant_(head.bias, RARE)
        # What part a place shows is seen on the coarser map; the finer one only draws the borders.
        nn.init.zeros_(self.edges_head.weight)
        nn.init.zeros_(self.edges_head.bias)
        groups = torch.zeros(len(POOLED_GROUPS), classes)
        for k, names in enumerate(POOLED_GROUPS):
            groups[k, [PART_CLASSES.index(name) for name in names]] = 1
        self.register_buffer("groups", groups)
        pooled = 2 * deep + len(POOLED_GROUPS) * (wide8 + 1) + 2 * (len(POOLED_GROUPS) + 1) * (four + 3)
        values = sum(len(names) for names in ATTRIBUTES.values())
        self.judge = nn.Sequential(
            nn.Dropout(0.4), nn.Linear(pooled, 256), nn.ReLU(), nn.Dropout(0.4), nn.Linear(256, values)
        )

    def forward(self, pictures: Tensor) -> PartOutputs:
        """Maps and logits of (B, 3, H, W) pictures, H and W multiples of 32."""
        plain = pictures / 127.5 - 1.0
        two, four, eight, sixteen, deep = self.encoder(plain)
        at16 = self.up16(deep, sixteen)
        at8 = self.up8(at16, eight)
        at4 = self.up4(at8, four)
        at2 = self.up2(at4, two)
        coarse = self.parts_head(at4)
        parts = _twice(coarse) + self.edges_head(at2)
        shapes = _twice(self.shape_head(at8))
        logits = self.judge(torch.cat([self._pooled(deep, at8, coarse), self._surfaces(plain, four, coarse)], dim=1))
        return PartOutputs(parts, self.point_head(at2), self.center_head(at4), shapes, logits)

    def _pooled(self, deep: Tensor, at8: Tensor, parts: Tensor) -> Tensor:
        """Features averaged over the photo, its maximum, and averages over groups of parts where they are seen."""
        # The maps serve the attributes but are not bent by them.
        share = nn.functional.avg_pool2d(parts.detach().softmax(dim=1), 2)
        weight = torch.einsum("gc,bchw->bghw", self.groups.to(share.dtype), share)
        total = weight.sum(dim=(2, 3))
        means = torch.einsum("bghw,bfhw->bgf", weight, at8) / (total[..., None] + 1.0)
        sizes = torch.log(total / (weight.shape[2] * weight.shape[3]) + 1e-3)
        return torch.cat([deep.mean(dim=(2, 3)), deep.amax(dim=(2, 3)), means.flatten(1), sizes], dim=1)

    def _surfaces(self, plain: Tensor, four: Tensor, parts: Tensor) -> Tensor:
        """Mean and spread of color and of the early map over groups of parts and over what is no pump.

        What a pump is made of shows in color, gloss and grain, which the deep maps have forgotten; the
        surroundings tell the light.
        """
        look = torch.cat([nn.functional.avg_pool2d(plain, 4), four], dim=1).float()
        share = parts.detach().float().softmax(dim=1)
        weight = torch.cat([torch.einsum("gc,bchw->bghw", self.groups, share), share[:, :1]], dim=1)
        total = weight.sum(dim=(2, 3))[..., None] + 1.0
        mean = torch.einsum("bghw,bfhw->bgf", weight, look) / total
        square = torch.einsum("bghw,bfhw->bgf", weight, look * look) / total
        spread = torch.sqrt((square - mean * mean).clamp(min=0.0) + 1e-4)
        return torch.cat([mean.flatten(1), spread.flatten(1)], dim=1)


class Up(nn.Module):
    """Doubles a map and joins it with the encoder's map of that size."""

    def __init__(self, deep: int, skip: int, wide: int) -> None:
        super().__init__()
        self.reduce = nn.Conv2d(deep, wide, 1, bias=False)
        self.join = nn.Sequential(conv(wide + skip, wide, 1), separable(wide), separable(wide))

    def forward(self, deep: Tensor, skip: Tensor) -> Tensor:
        """(B, wide, 2h, 2w) from (B, deep, h, w) and (B, skip, 2h, 2w)."""
        return self.join(torch.cat([_twice(self.reduce(deep)), skip], dim=1))


def _twice(maps: Tensor) -> Tensor:
    """(B, C, 2h, 2w) from (B, C, h, w)."""
    return nn.functional.interpolate(maps, scale_factor=2, mode="bilinear", align_corners=False)


def conv(inward: int, outward: int, size: int = 3) -> nn.Sequential:
    """Convolution, batch norm, ReLU6."""
    layer = nn.Conv2d(inward, outward, size, padding=size // 2, bias=False)
    return nn.Sequential(layer, nn.BatchNorm2d(outward), nn.ReLU6())


def separable(wide: int) -> nn.Sequential:
    """A 5 x 5 depthwise convolution and a 1 x 1 one: a wide view for few operations."""
    depthwise = nn.Conv2d(wide, wide, 5, padding=2, groups=wide, bias=False)
    return nn.Sequential(depthwise, nn.BatchNorm2d(wide), nn.ReLU6(), conv(wide, wide, 1))


def load_imagenet_weights(network: PartNetwork, path: Path) -> int:
    """Fill the encoder with ImageNet weights of another implementation of the same network.

    The file's names differ, its order is the same: tensors are matched by order and checked by shape.

    Returns:
        How many tensors were taken.

    Raises:
        ValueError: shapes do not match.
    """
    theirs = [(name, value) for name, value in _tensors(path).items() if not name.endswith("num_batches_tracked")]
    ours = [(n, v) for n, v in network.encoder.state_dict().items() if not n.endswith("num_batches_tracked")]
    for (mine, old), (name, new) in zip(ours, theirs, strict=False):
        if old.shape != new.shape:
            raise ValueError(f"{name} {tuple(new.shape)} does not fit {mine} {tuple(old.shape)}")
    filled = {mine: new for (mine, _), (_, new) in zip(ours, theirs, strict=False)}
    network.encoder.load_state_dict(filled, strict=False)
    return len(filled)


def load_start(network: PartNetwork, path: Path) -> str:
    """Start from weights of tools.train, whole, or from ImageNet's, the encoder only; says which.

    Raises:
        ValueError: neither fits.
    """
    kept = _tensors(path)
    if "network" not in kept:
        return f"{load_imagenet_weights(network, path)} tensors of ImageNet weights"
    network.load_state_dict(_grown(kept["network"], network.state_dict()))
    return f"goes on from a network trained on {kept['photos']} photos"


def _grown(theirs: Mapping[str, Tensor], ours: Mapping[str, Tensor]) -> dict[str, Tensor]:
    """Weights of an earlier form of the network.

    What a layer takes in beyond that starts at zero; what it tells beyond that, and layers it lacks, start as in a new
    network.

    Raises:
        ValueError: a tensor has another shape in any other way.
    """
    grown = {}
    for name, mine in ours.items():
        old = theirs.get(name, mine)
        if old.shape != mine.shape:
            if old.dim() != mine.dim() or any(a > b for a, b in zip(old.shape, mine.shape, strict=True)):
                raise ValueError(f"{name} {tuple(old.shape)} does not fit {tuple(mine.shape)}")
            grown[name] = mine.clone()
            grown[name][: len(old)] = 0
            grown[name][tuple(slice(0, size) for size in old.shape)] = old
            continue
        grown[name] = old
    return grown


def _tensors(path: Path) -> Mapping[str, Any]:
    return torch.load(path, map_location="cpu", weights_only=True)
