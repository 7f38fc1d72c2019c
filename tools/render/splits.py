"""Which choices belong to which split: whole kinds are held out, not just seeds.

Every table of the renderer (floors, finishes, lights, ...) is a tuple of `Kind`. The kinds marked `held_out` occur in
`test` only; `train` and `val` share the others. So nothing a model saw in training repeats in the test photos.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

Split = Literal["train", "val", "test"]
SPLITS: tuple[Split, ...] = ("train", "val", "test")


@dataclass(frozen=True)
class Kind:
    """One choice of a table.

    Attributes:
        name: what it is.
        weight: how often it is drawn, relative to the others of its split.
        held_out: True when it occurs in the `test` split only.
    """

    name: str
    weight: float = 1.0
    held_out: bool = False


def kinds_of(table: Sequence[Kind], split: Split) -> tuple[Kind, ...]:
    """The kinds of a table that a split may draw.

    Raises:
        ValueError: the table has none for that split.
    """
    chosen = tuple(kind for kind in table if kind.held_out == (split == "test"))
    if not chosen:
        raise ValueError(f"no kind for split {split!r} among {[kind.name for kind in table]}")
    return chosen


def draw(table: Sequence[Kind], split: Split, rng: np.random.Generator) -> str:
    """Draw the name of one kind that the split may show."""
    kinds = kinds_of(table, split)
    weights = np.array([kind.weight for kind in kinds])
    return kinds[int(rng.choice(len(kinds), p=weights / weights.sum()))].name
