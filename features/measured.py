"""Measured lengths with an uncertainty budget that keeps what is shared between them.

Every uncertainty is a named contribution. Contributions with the same `source` are one and the same error
seen by several lengths (the print scale of one card, the pose of one photo), so they correlate fully; the
covariance of many lengths follows by adding outer products (JCGM 100:2008, 5.2). Contributions are relative
(log) values, signed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

ContributionName = Literal["edge", "reference", "camera", "offset", "tilt", "lens", "print_scale", "scale", "reading"]

COVERAGE_95 = 1.96
"""Coverage factor of a 95 % interval of a normal quantity (JCGM 100:2008, table G.1)."""
_TAILS = (0.025, 0.975)
_ANYTHING = 100.0
"""Logarithms beyond this say that a length may be anything; their exponentials overflow."""

NO_SCALE_RELATIVE_SD = 3.0
"""Relative standard uncertainty of the shared `scale` source without a scale: only ratios survive."""


@dataclass(frozen=True)
class Contribution:
    """One cause of uncertainty of one length.

    Attributes:
        name: heading in the budget.
        source: identity of the error; equal sources are fully correlated.
        relative: signed relative standard uncertainty (of log length).
        first_chance: of an error that can only be one of two (`features.two_values`), how often it is the first; the
            first lies below the mean by the odds' root times `relative`. None of a normal one.
    """

    name: ContributionName
    source: str
    relative: float
    first_chance: float | None = None

    def both(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Of an error that can only be one of two, each: how far off the mean, and how often."""
        first = self.first_chance or 0.5
        root = float(np.sqrt((1 - first) / first))
        return (-self.relative * root, first), (self.relative / root, 1 - first)


@dataclass(frozen=True)
class MeasuredLength:
    """One length of the pump.

    Attributes:
        name: word of the design's section 3, e.g. `chamber_diameter`.
        value_mm: best value.
        contributions: the budget.
        photos: names of the photos it came from; empty for a value typed in.
        offset_mm: assumed distance behind the reference plane (None where none is involved).
        per_offset_mm: change of value per mm of that distance.
    """

    name: str
    value_mm: float
    contributions: tuple[Contribution, ...]
    photos: tuple[str, ...] = ()
    offset_mm: float | None = None
    per_offset_mm: float = 0.0

    @property
    def relative_sd(self) -> float:
        """Combined relative standard uncertainty."""
        return float(np.sqrt(log_covariance([self])[0, 0]))

    @property
    def standard_uncertainty_mm(self) -> float:
        """Combined standard uncertainty in mm."""
        return self.value_mm * self.relative_sd

    @property
    def interval_mm(self) -> tuple[float, float]:
        """95 % interval in mm, taken in log space so that it never reaches below zero."""
        low, high = np.clip(self.log_interval, -_ANYTHING, _ANYTHING)
        return self.value_mm * float(np.exp(low)), self.value_mm * float(np.exp(high))

    @property
    def log_interval(self) -> tuple[float, float]:
        """The same about the value, in logarithms, as often missed on one side as on the other.

        Errors that can only be one of two make no normal quantity, and are taken as what they are (JCGM 101:2008, 7.7).
        """
        either = [part for part in by_source(self.contributions) if part.first_chance is not None]
        normal = [part.relative for part in by_source(self.contributions) if part.first_chance is None]
        normal_sd = float(np.linalg.norm(normal))
        if not either or normal_sd <= 0.0:
            half = COVERAGE_95 * self.relative_sd
            return -half, half
        cases = [tuple(zip(*case, strict=True)) for case in product(*(part.both() for part in either))]
        offs = np.array([sum(off) for off, _ in cases])
        chances = np.array([np.prod(chance) for _, chance in cases])

        def too_low(log: float, share: float) -> float:
            return float(chances @ ndtr((log - offs) / normal_sd)) - share

        reach = float(np.abs(offs).max()) + 4.0 * normal_sd
        low, high = (float(brentq(too_low, -reach, reach, args=(share,))) for share in _TAILS)
        return low, high

    @property
    def is_ratio_only(self) -> bool:
        """True when no scale was known: the value is in arbitrary units and only ratios mean anything."""
        return any(c.name == "scale" and abs(c.relative) >= 1.0 for c in self.contributions)

    def budget_mm(self) -> dict[str, float]:
        """Contributions in mm by name, same-source parts added with sign, then root sum of squares."""
        by_source: dict[tuple[str, str], float] = {}
        for part in self.contributions:
            key = (part.name, part.source)
            by_source[key] = by_source.get(key, 0.0) + part.relative
        squares: dict[str, float] = {}
        for (name, _), relative in by_source.items():
            squares[name] = squares.get(name, 0.0) + relative**2
        return {name: self.value_mm * float(np.sqrt(square)) for name, square in squares.items()}


def by_source(parts: Sequence[Contribution]) -> list[Contribution]:
    """One a source, with their signs."""
    total: dict[str, Contribution] = {}
    for part in parts:
        before = total.get(part.source)
        total[part.source] = part if before is None else replace(before, relative=before.relative + part.relative)
    return list(total.values())


def log_covariance(lengths: Sequence[MeasuredLength]) -> NDArray[np.float64]:
    """Covariance of the logarithms of several lengths, shared sources included.

    Returns:
        (n, n) covariance of log(value_mm).
    """
    sources = sorted({c.source for length in lengths for c in length.contributions})
    column = {source: i for i, source in enumerate(sources)}
    loadings = np.zeros((len(lengths), len(sources)))
    for row, length in enumerate(lengths):
        for c in length.contributions:
            loadings[row, column[c.source]] += c.relative
    covariance: NDArray[np.float64] = loadings @ loadings.T
    return covariance


@dataclass(frozen=True, eq=False)
class AttributeEvidence:
    """What the photos say of one attribute, as likelihoods normalized to sum 1 (a flat prior's posterior).

    The matcher multiplies a family's score by the value its attribute has here. Never exactly 0 or 1.
    """

    name: str
    likelihood: Mapping[str, float]
    photos: tuple[str, ...] = field(default=())
