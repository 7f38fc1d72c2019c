"""Things drawn over pictures: occluders before a pump, and round things that are no pump.

Drawn flat and cheaply on the GPU: what matters is that they hide parts or are round, not that they look real.
"""

from dataclasses import replace

import torch
from torch import Tensor

from tools.train.batches import Batch

OCCLUDERS = 3


def ellipses(count: int, size: int, device: torch.device, low: float, high: float) -> Tensor:
    """(count, size, size) squared distance from random ellipses' centers in units of their radii."""
    step = torch.arange(size, device=device, dtype=torch.float32) / size
    x = step[None, None, :] - torch.rand(count, 1, 1, device=device)
    y = step[None, :, None] - torch.rand(count, 1, 1, device=device)
    turn = torch.rand(count, 1, 1, device=device) * torch.pi
    a = torch.rand(count, 1, 1, device=device) * (high - low) + low
    b = a * (0.35 + 0.65 * torch.rand(count, 1, 1, device=device))
    u, v = x * turn.cos() + y * turn.sin(), y * turn.cos() - x * turn.sin()
    return (u / a) ** 2 + (v / b) ** 2


def covered(batch: Batch, textures: Tensor, probability: float) -> Batch:
    """Hide parts of some pictures behind blobs and bars; what is hidden is background and not asked for.

    Args:
        batch: the pictures.
        textures: (B, 3, P, P) what the occluders look like; every third is of one color instead.
        probability: share of pictures.
    """
    count, size = len(batch.pictures), batch.pictures.shape[-1]
    device = batch.pictures.device
    hidden = torch.zeros(count, size, size, dtype=torch.bool, device=device)
    for _ in range(OCCLUDERS):
        blob = ellipses(count, size, device, 0.05, 0.3) < 1
        step = torch.arange(size, device=device, dtype=torch.float32) / size
        turn = torch.rand(count, 1, 1, device=device) * torch.pi
        across = step[None, None, :] * turn.cos() + step[None, :, None] * turn.sin()
        bar = (across - torch.rand(count, 1, 1, device=device)).abs() < 0.06 * torch.rand(count, 1, 1, device=device)
        kind = torch.rand(count, 1, 1, device=device)
        hidden |= torch.where(kind < 0.45, blob, torch.where(kind < 0.8, bar, torch.zeros_like(bar)))
    hidden &= torch.rand(count, 1, 1, device=device) < probability
    flat = torch.rand(count, 3, 1, 1, device=device) * 255
    textures = torch.where(torch.rand(count, 1, 1, 1, device=device) < 1 / 3, flat, textures)
    points = batch.points.clone()
    x, y = points[..., 0].round().long(), points[..., 1].round().long()
    inside = (x >= 0) & (x < size) & (y >= 0) & (y < size)
    rows = torch.arange(count, device=device)[:, None].expand_as(x)
    under = hidden[rows, y.clamp(0, size - 1), x.clamp(0, size - 1)] & inside
    points[..., 3] = torch.where(under, torch.zeros_like(points[..., 3]), points[..., 3])
    return replace(
        batch,
        pictures=torch.where(hidden[:, None], textures, batch.pictures),
        classes=torch.where(hidden, torch.zeros_like(batch.classes), batch.classes),
        points=points,
    )


def with_round_things(pictures: Tensor, probability: float) -> Tensor:
    """Coins, lids, wheels: a few ringed discs drawn over pictures that hold no pump. (N, 3, P, P)."""
    count, size = len(pictures), pictures.shape[-1]
    for _ in range(4):
        distance = ellipses(count, size, pictures.device, 0.03, 0.35).sqrt()[:, None]
        rings = torch.rand(count, 1, 1, 1, device=pictures.device) * 6
        color = torch.rand(count, 3, 1, 1, device=pictures.device) * 255
        shade = 1 + 0.25 * torch.sin(distance * rings * torch.pi * 2)
        disc = 0.7 * color * shade + 0.3 * pictures
        drawn = torch.rand(count, 1, 1, 1, device=pictures.device) < probability
        pictures = torch.where((distance < 1) & drawn, disc.clamp(0, 255), pictures)
    return pictures
