"""How often a photo shows one value of an attribute for another, as measured on photos never trained on.

Evidence of photos arrives as likelihoods that hold these errors already, so nothing here is multiplied into it. The
table serves to foresee what a further photo would tell, and to simulate photos. It is read from the records beside the
part finder.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

RECORDS = ("part_model.json", "body_color.json")
"""Beside the part finder: {"confusion": {attribute: {"values": [..], "matrix": [[..], ..]}}}, a row a true value, its
columns what was seen in the same order; counts or shares."""

_PSEUDO_COUNT = 0.5
"""Added to every count: an error not met among a few hundred photos is not impossible."""

_SHARE_WEIGHT = 200.0
"""Photos a row of shares counts for where the record does not say how many there were."""


@dataclass(frozen=True, eq=False)
class PhotoConfusion:
    """One attribute.

    Attributes:
        values: what it may be.
        chances: (V, V) probability of seeing column j when row i is true; rows sum to 1, none is 0.
    """

    values: tuple[str, ...]
    chances: Array

    def seen(self, truth: str) -> dict[str, float]:
        """Probability of each value being seen; even where the truth is a value the table lacks."""
        if truth not in self.values:
            return {value: 1.0 / len(self.values) for value in self.values}
        return dict(zip(self.values, self.chances[self.values.index(truth)].tolist(), strict=True))

    def likelihood(self, seen: str) -> dict[str, float]:
        """Likelihood of each true value given what was seen, normalized to sum 1."""
        column = self.chances[:, self.values.index(seen)]
        return dict(zip(self.values, (column / column.sum()).tolist(), strict=True))


def read_confusion(record: Mapping[str, object]) -> dict[str, PhotoConfusion]:
    """The confusion tables of a part model's record by attribute; empty where it holds none.

    Raises:
        ValueError: a table is not square, has a negative entry or an empty row.
    """
    tables = record.get("confusion")
    if not isinstance(tables, Mapping):
        return {}
    return {name: _table(name, table["values"], table["matrix"]) for name, table in tables.items()}


def _table(name: str, values: Sequence[object], matrix: Sequence[Sequence[float]]) -> PhotoConfusion:
    counts = np.asarray(matrix, dtype=float)
    if counts.shape != (len(values), len(values)) or (counts < 0.0).any() or (counts.sum(axis=1) <= 0.0).any():
        raise ValueError(f"the confusion table of {name} is no square of counts with a row a value")
    totals = counts.sum(axis=1, keepdims=True)
    if np.allclose(totals, 1.0, atol=0.02):
        counts = counts * _SHARE_WEIGHT
    counts = counts + _PSEUDO_COUNT
    return PhotoConfusion(tuple(map(str, values)), counts / counts.sum(axis=1, keepdims=True))


@cache
def packaged_confusion() -> Mapping[str, PhotoConfusion]:
    """The packaged tables; empty while there is no record."""
    files = [resources.files("features.parts").joinpath(name) for name in RECORDS]
    tables = [read_confusion(json.loads(file.read_text(encoding="utf-8"))) for file in files if file.is_file()]
    return {name: table for one in tables for name, table in one.items()}
