"""Loads packed photos and draws training pictures from them: moved, covered, emptied and recolored."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import torch
import typer

from features.parts.part_vocabulary import ATTRIBUTES, PICTURE_PX
from tools.train.batches import Batch, PhotoStore, cut, emptied, random_moves
from tools.train.clutter import covered, with_round_things
from tools.train.empty import beside_pumps, load_squares
from tools.train.pack import Packed
from tools.train.recolor import recolored

EMPTY_SHARE = 0.1
"""Share of training pictures without a pump."""
COVERED_SHARE = 0.4
"""Share of training pictures with something before the pump."""


def load_store(packed: list[Path], empty: Path | None, device: torch.device, seed: int) -> PhotoStore:
    """All photos and pictures without pumps, on the device."""
    parts = [Packed.load(path) for path in packed]
    whole = Packed(**{name: np.concatenate([getattr(p, name) for p in parts]) for name in parts[0].__dict__})
    rng = np.random.default_rng(seed)
    squares = [beside_pumps(whole, len(whole.names) // 5 + 1, rng)]
    if empty is not None:
        squares.append(load_squares(empty))
    typer.echo(f"{len(whole.names)} photos, {sum(map(len, squares))} pictures without a pump")
    return PhotoStore.of(whole, torch.from_numpy(np.concatenate(squares)), device)


def draw_batch(store: PhotoStore, count: int, side_px: int = PICTURE_PX) -> Batch:
    """Random square pictures with truth."""
    device = store.photos.device
    index = torch.randint(len(store), (count,), device=device)
    pictures = cut(store, index, random_moves(store.size[index], side_px), side_px)
    if not len(store.empty):
        return pictures
    chosen = store.empty[torch.randint(len(store.empty), (count,), device=device)]
    squares = torch.nn.functional.interpolate(chosen.permute(0, 3, 1, 2).float(), (side_px, side_px), mode="area")
    backgrounds = with_round_things(squares, 0.12)
    pictures = covered(pictures, backgrounds.roll(1, 0), COVERED_SHARE)
    which = torch.rand(count, device=device) < EMPTY_SHARE
    pictures = emptied(pictures, which, backgrounds)
    changed, repainted = recolored(pictures.pictures, pictures.classes, backgrounds.roll(3, 0))
    attributes = pictures.attributes.clone()
    attributes[repainted, list(ATTRIBUTES).index("wetted_material")] = -1
    return replace(pictures, pictures=changed, attributes=attributes)
