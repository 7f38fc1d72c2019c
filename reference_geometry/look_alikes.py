"""Which families of a set cannot be told apart yet, by which view, and what would separate them.

Two families are compared by how far their lengths lie apart in logarithms, measured in standard deviations of
what a photo can tell: an error common to all lengths of the photo (its scale), one of each length, and the
families' own spread. With d such standard deviations between them a photo of one is taken for the other in a
share Phi(-d / 2) of the cases; from d = 3.29 on that is 1 in 20 or less, and they count as told apart.
Attributes that a view shows and that differ tell families apart outright.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from reference_geometry.families import LENGTH_NAMES, Family

View = Literal["chamber", "port", "both"]

TOLD_APART_SD = 3.29
"""Twice 1.645: an error rate of 5 % between two normal populations of equal spread."""

COMMON_SHARE = 0.8
"""Share of a photo's standard uncertainty common to all its lengths; the rest, by squares, is each one's."""

DEFAULT_SPREAD = 0.005
"""Relative spread within a family where the set gives none (common practice)."""

CALIPER_SD_MM = 0.2
TAPE_SD_MM = 2.0
TAPE_FROM_MM = 350.0
"""Reading uncertainty of hand tools, and from which length on a tape is used (common practice)."""

_PORT_LENGTHS = ("flange_diameter", "bolt_circle_diameter", "port_bore", "thread_major_diameter")
LENGTHS_OF_VIEW: Mapping[View, tuple[str, ...]] = {
    "chamber": ("chamber_diameter",),
    "port": _PORT_LENGTHS,
    "both": ("chamber_diameter", *_PORT_LENGTHS),
}
"""What a photo can be trusted to give; a thread pitch it seldom can, a thread gauge does."""

_SEEN_AT_CHAMBER = ("housing_joint", "chamber_bolt_count", "wetted_material")
ATTRIBUTES_OF_VIEW: Mapping[View, tuple[str, ...]] = {
    "chamber": _SEEN_AT_CHAMBER,
    "port": ("connection", "bolt_hole_count", "wetted_material"),
    "both": (*_SEEN_AT_CHAMBER, "connection", "bolt_hole_count", "port_position"),
}
ATTRIBUTES_TO_ASK = (
    "connection", "port_standard", "port_nominal_in", "port_position", "housing_joint", "chamber_bolt_count",
    "bolt_hole_count", "wetted_material", "air_valve_side",
)  # fmt: skip


@dataclass(frozen=True)
class Separator:
    """One thing that would tell two families apart.

    Attributes:
        name: length or attribute.
        first, second: what it is for either family, in words.
        separation_sd: for a length, how far apart in standard deviations of a hand measurement; None for an
            attribute.
        tool: the hand tool it is read with, "" for an attribute.
    """

    name: str
    first: str
    second: str
    separation_sd: float | None
    tool: str = ""


@dataclass(frozen=True)
class LookAlikes:
    """Two families that a view cannot tell apart.

    Attributes:
        first, second: family ids.
        separation_sd: what the view's lengths give.
        same_kits: both take the same kits, so mixing them up orders nothing wrong.
        attribute: an attribute that differs, None when none is known to.
        measurement: the length that a hand tool separates best, None when none known does.
    """

    first: str
    second: str
    separation_sd: float
    same_kits: bool
    attribute: Separator | None
    measurement: Separator | None


@dataclass(frozen=True)
class ViewCheck:
    """What one view can tell.

    Attributes:
        view: which.
        pairs: number of pairs not told apart.
        kit_pairs: those of them that take different kits, where a mix-up costs something.
        families: number of families in at least one such pair.
        largest_crowd: most families that one family cannot be told from.
        look_alikes: the pairs, those with different kits first, then most alike first; capped.
    """

    view: View
    pairs: int
    kit_pairs: int
    families: int
    largest_crowd: int
    look_alikes: tuple[LookAlikes, ...]


@dataclass(frozen=True, eq=False)
class _Columns:
    """A set as arrays: (n, k) log lengths (nan unknown) and spreads, (n, m) attribute codes (-1 unknown)."""

    log_mean: NDArray[np.float64]
    spread: NDArray[np.float64]
    codes: NDArray[np.int64]


def check_view(
    families: Sequence[Family],
    kits_of: Mapping[str, frozenset[str]],
    view: View,
    relative_sd: float = 0.015,
    most_pairs: int = 200,
) -> ViewCheck:
    """Compare every family with every other as one view shows them.

    Args:
        families: the set.
        kits_of: kit numbers by family id.
        view: which lengths and attributes are seen.
        relative_sd: standard uncertainty of a length measured in a photo.
        most_pairs: how many pairs to describe.
    """
    columns = _columns(families, view)
    kit_codes = _kit_codes(families, kits_of)
    crowd = np.zeros(len(families), dtype=np.int64)
    found: list[tuple[bool, float, int, int]] = []
    pairs = kit_pairs = 0
    for i in range(len(families) - 1):
        separation = _separations(columns, i, relative_sd)
        alike = i + 1 + np.flatnonzero(separation < TOLD_APART_SD)
        same_kits = (kit_codes[alike] == kit_codes[i]) & (kit_codes[i] >= 0)
        crowd[i] += alike.size
        crowd[alike] += 1
        pairs += alike.size
        kit_pairs += int(np.count_nonzero(~same_kits))
        found += [
            (bool(same), float(separation[j - i - 1]), i, int(j)) for j, same in zip(alike, same_kits, strict=True)
        ]
        if len(found) > 20 * most_pairs:
            found = sorted(found)[:most_pairs]
    described = tuple(
        _describe(families[i], families[j], apart, same) for same, apart, i, j in sorted(found)[:most_pairs]
    )
    return ViewCheck(view, pairs, kit_pairs, int(np.count_nonzero(crowd)), int(crowd.max(initial=0)), described)


def _kit_codes(families: Sequence[Family], kits_of: Mapping[str, frozenset[str]]) -> NDArray[np.int64]:
    """Equal numbers where families take the same kits, -1 where none is known."""
    codes: dict[frozenset[str], int] = {}
    sets = (kits_of.get(family.family_id, frozenset()) for family in families)
    return np.array([codes.setdefault(kits, len(codes)) if kits else -1 for kits in sets], dtype=np.int64)


def _columns(families: Sequence[Family], view: View) -> _Columns:
    names, attributes = LENGTHS_OF_VIEW[view], ATTRIBUTES_OF_VIEW[view]
    log_mean = np.full((len(families), len(names)), np.nan)
    spread = np.full_like(log_mean, DEFAULT_SPREAD)
    codes = np.full((len(families), len(attributes)), -1, dtype=np.int64)
    words: dict[object, int] = {}
    for row, family in enumerate(families):
        for column, name in enumerate(names):
            known = family.lengths.get(name)
            if known is not None:
                log_mean[row, column] = np.log(known.mean_mm)
                spread[row, column] = known.sd_mm / known.mean_mm if known.sd_mm else DEFAULT_SPREAD
        for column, attribute in enumerate(attributes):
            value = getattr(family, attribute)
            if value is not None:
                codes[row, column] = words.setdefault(value, len(words))
    return _Columns(log_mean, spread, codes)


def _separations(columns: _Columns, i: int, relative_sd: float) -> NDArray[np.float64]:
    """Standard deviations between family i and each later one; infinite where an attribute differs.

    The covariance of a pair's log differences is diag(own) + common^2 11^T; its inverse is Sherman and
    Morrison's.
    """
    difference = columns.log_mean[i + 1 :] - columns.log_mean[i]
    both = np.isfinite(difference)
    common = (COMMON_SHARE * relative_sd) ** 2
    own = relative_sd**2 - common + (columns.spread[i + 1 :] ** 2 + columns.spread[i] ** 2) / 2.0
    weight = np.where(both, 1.0 / own, 0.0)
    difference = np.where(both, difference, 0.0)
    squares = (weight * difference**2).sum(axis=1)
    sums = (weight * difference).sum(axis=1)
    separation = np.sqrt(np.maximum(squares - sums**2 / (1.0 / common + weight.sum(axis=1)), 0.0))
    here, there = columns.codes[i], columns.codes[i + 1 :]
    differs = ((here != there) & (here >= 0) & (there >= 0)).any(axis=1)
    return np.where(differs, np.inf, separation)


def _describe(first: Family, second: Family, separation_sd: float, same_kits: bool) -> LookAlikes:
    return LookAlikes(
        first.family_id,
        second.family_id,
        separation_sd,
        same_kits,
        differing_attribute(first, second),
        best_measurement(first, second),
    )


def differing_attribute(first: Family, second: Family) -> Separator | None:
    """The easiest attribute to ask for that differs, None when none is known to."""
    for name in ATTRIBUTES_TO_ASK:
        here, there = getattr(first, name), getattr(second, name)
        if here is not None and there is not None and here != there:
            return Separator(name, str(here), str(there), None)
    return None


def best_measurement(first: Family, second: Family) -> Separator | None:
    """The length that a hand tool separates best, None when it separates none well enough."""
    found = [separator for name in LENGTH_NAMES if (separator := _length_separator(first, second, name))]
    best = max(found, key=lambda separator: separator.separation_sd or 0.0, default=None)
    return best if best and (best.separation_sd or 0.0) >= TOLD_APART_SD else None


def _length_separator(first: Family, second: Family, name: str) -> Separator | None:
    here, there = first.lengths.get(name), second.lengths.get(name)
    if here is None or there is None:
        return None
    by_tape = max(here.mean_mm, there.mean_mm) >= TAPE_FROM_MM
    reading = TAPE_SD_MM if by_tape else CALIPER_SD_MM
    spreads = [known.sd_mm or DEFAULT_SPREAD * known.mean_mm for known in (here, there)]
    sd = float(np.sqrt(reading**2 + (spreads[0] ** 2 + spreads[1] ** 2) / 2.0))
    apart = abs(here.mean_mm - there.mean_mm) / sd
    return Separator(name, f"{here.mean_mm:g} mm", f"{there.mean_mm:g} mm", apart, "tape" if by_tape else "caliper")
