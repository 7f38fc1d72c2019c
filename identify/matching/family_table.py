"""The reference set as columns of numbers, built once, so that a million families compare in one sweep.

After the families' own rows come the rows of "not in the set": pumps of which no more is known than that
their port follows some standard, or not even that, or that they were built after some family of the set. They are
compared by the same formula and their probabilities are added up.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import hypot, log, sqrt

import numpy as np
from numpy.typing import NDArray

from identify.matching.broad_lengths import BroadLengths, fit_broad_lengths
from identify.matching.port_dimensions import PortDimensions, all_standard_ports, standard_port
from identify.matching.settings import ATTRIBUTE_NAMES, MatchSettings
from reference_geometry.families import LENGTH_NAMES, PORT_LENGTHS, Family, KnownLength

Array = NDArray[np.float64]

_OVERALL = frozenset({"overall_height", "overall_width"})
_EXTRA_ATTRIBUTES = ("body_color", "slotted_holes", "air_valve_screw_count")

OTHER_MAKER = "another maker"
"""Maker of half of the pumps that are in no family of the set; the other half may be by any maker."""

UNSPECIFIED_PORT_SHARE = 0.25
"""Share of unknown pumps taken to have a port of no listed standard and size (our own choice)."""

NEAR_SHARE, NEAR_SPREAD = 0.1, 0.07
"""Share of unknown pumps taken to be built after a family of the set, with its port, joint, bolts and body, and how far
their other lengths are from that family's: makers follow each other's designs (a mild belief). Without them nothing
unknown would look like a family, and a kit would be named on a joint that is only known to 5 %."""
_NEAR_ATTRIBUTES = (
    "connection",
    "port_standard",
    "port_nominal_in",
    "port_position",
    "swivel_flange",
    "housing_joint",
    "chamber_bolt_count",
    "bolt_hole_count",
    "wetted_material",
    "port",
)
_MOST_NEAR = 2000
"""Of how many families at most such unknown pumps are thought of; of a larger set they are the smaller a share."""


@dataclass(frozen=True, eq=False)
class FamilyTable:
    """Families as columns; R = `count` families and then the rows of "not in the set".

    Attributes:
        family_ids: of the first `count` rows.
        log_mean: (12, R) log of mean lengths in mm, in the order of LENGTH_NAMES; 0 where not known.
        log_variance: (12, R) own variance of those logs; 1 where not known.
        known_bits: (R,) bit i set where LENGTH_NAMES[i] is known.
        standard_bits: (R,) bit i set where that came from a port standard, not from the family's record.
        codes: attribute -> (R,) 0 where not known, else 1 + index into `words`.
        words: attribute -> values met in the set.
        log_prior: (R,) log prior probabilities, exp sums to 1.
        broad: density of lengths nobody knows.
        frequencies: attribute -> value -> number of families with it.
        joint_rise_mm: (R,) how far the chamber joint's band or bolt heads stand before its edge, NaN where
            not known.
        cover_depth_mm: (R,) how far the cover's highest spot stands before the joint's edge, NaN where not known.
    """

    family_ids: Sequence[str]
    log_mean: Array
    log_variance: Array
    known_bits: NDArray[np.uint16]
    standard_bits: NDArray[np.uint16]
    codes: Mapping[str, NDArray[np.int16]]
    words: Mapping[str, tuple[str, ...]]
    log_prior: Array
    broad: BroadLengths
    frequencies: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    joint_rise_mm: Array = field(default_factory=lambda: np.full(1, np.nan))
    cover_depth_mm: Array = field(default_factory=lambda: np.full(1, np.nan))

    @cached_property
    def spread_classes(self) -> "SpreadClasses":
        """Rows by the size of their own variances, for quick bounds."""
        return SpreadClasses.of(self.log_variance, self.known_bits)

    @property
    def count(self) -> int:
        """Number of families; later rows are "not in the set"."""
        return len(self.family_ids)

    @property
    def rows(self) -> int:
        """Number of rows, "not in the set" included."""
        return int(self.log_mean.shape[1])

    def value_of(self, attribute: str, row: int) -> str | None:
        """The attribute's value in this row, None when not known."""
        code = int(self.codes[attribute][row])
        return self.words[attribute][code - 1] if code else None

    def length_mm(self, name: str, row: int) -> tuple[float, float] | None:
        """Mean and own standard deviation of a length in mm, None when not known."""
        index = LENGTH_NAMES.index(name)
        if not int(self.known_bits[row]) >> index & 1:
            return None
        mean = float(np.exp(self.log_mean[index, row]))
        return mean, mean * sqrt(float(self.log_variance[index, row]))


@dataclass(frozen=True, eq=False)
class SpreadClasses:
    """Rows sorted by the size of their own variances, so that a bound over a class is tight.

    Attributes:
        of_row: (R,) class of each row, 0 to 7.
        least, most: (8, 12) smallest and largest own variance of the log lengths known within each class.
    """

    of_row: NDArray[np.uint8]
    least: Array
    most: Array

    @classmethod
    def of(cls, log_variance: Array, known_bits: NDArray[np.uint16]) -> "SpreadClasses":
        """Sort rows into eight classes, two octaves of variance each, from 1e-6 up."""
        known = bit_mask(known_bits)
        count = np.maximum(known.sum(axis=0), 1)
        typical = np.where(known, np.log2(log_variance), 0.0).sum(axis=0) / count
        of_row = np.clip((typical + 20.0) / 2.0, 0, 7).astype(np.uint8)
        least, most = np.ones((8, len(log_variance))), np.ones((8, len(log_variance)))
        for number in np.unique(of_row):
            members = of_row == number
            inside = np.where(known[:, members], log_variance[:, members], np.nan)
            for i in np.flatnonzero(known[:, members].any(axis=1)):
                least[number, i], most[number, i] = np.nanmin(inside[i]), np.nanmax(inside[i])
        return cls(of_row, least, most)


def attributes_of(family: Family) -> dict[str, str]:
    """A family's known attributes as words."""
    values: dict[str, str] = {}
    for name in ATTRIBUTE_NAMES:
        value = family.extras.get(name) if name in _EXTRA_ATTRIBUTES else getattr(family, name, None)
        if isinstance(value, bool):
            values[name] = "yes" if value else "no"
        elif value not in (None, ""):
            values[name] = str(value).strip()
    return _with_port(values)


def port_word(standard: str, nominal_in: str) -> str:
    """Standard and nominal size together as one value."""
    return f"{standard}, {nominal_in} in."


def _with_port(values: dict[str, str]) -> dict[str, str]:
    if "port_standard" in values and "port_nominal_in" in values:
        values["port"] = port_word(values["port_standard"], values["port_nominal_in"])
    return values


def own_relative_sd(family: Family, name: str, known: KnownLength, settings: MatchSettings) -> float:
    """Relative spread to expect of the next pump of a family: tolerance and shop measurements pooled.

    With n measurements of standard deviation s and a stated tolerance t that counts for w of them, the pooled
    variance is (w t^2 + (n - 1) s^2) / (w + n - 1); the mean of n adds a part 1/n of it.
    """
    if name in _OVERALL:
        tolerance = settings.overall_tolerance
    elif family.wetted_material == "metal":
        tolerance = settings.metal_tolerance
    else:
        tolerance = settings.plastic_tolerance
    if known.sd_mm is None:
        return tolerance * sqrt(1.0 + 1.0 / known.count) if known.count else tolerance
    relative = known.sd_mm / known.mean_mm
    if known.count < 2:
        return max(relative, 1e-4)
    weight, freedom = settings.tolerance_weight, known.count - 1
    pooled = (weight * tolerance**2 + freedom * relative**2) / (weight + freedom)
    return sqrt(pooled * (1.0 + 1.0 / known.count))


@dataclass(frozen=True)
class _Row:
    """One row before it is written into columns: name -> (mm, relative sd), and what came from a standard."""

    lengths: Mapping[str, tuple[float, float]]
    from_standard: frozenset[str]
    attributes: Mapping[str, str]


def _family_row(family: Family, settings: MatchSettings) -> _Row:
    lengths = {
        name: (known.mean_mm, own_relative_sd(family, name, known, settings))
        for name, known in family.lengths.items()
        if name in LENGTH_NAMES
    }
    attributes = attributes_of(family)
    port = standard_port(family.port_standard, family.port_nominal_in)
    filled: set[str] = set()
    if port:
        loose = settings.loose_flange_factor if _is_loose(family) else 1.0
        for name, (value_mm, extra) in port.lengths.items():
            if name not in lengths:
                lengths[name] = (value_mm, sqrt((settings.standard_tolerance * loose) ** 2 + extra**2))
                filled.add(name)
        _fill_from_port(attributes, port)
    return _Row(lengths, frozenset(filled), attributes)


def _is_loose(family: Family) -> bool:
    slotted = family.extras.get("slotted_holes", "").strip().lower()
    return bool(family.swivel_flange) or slotted in {"yes", "true", "1"}


def _fill_from_port(attributes: dict[str, str], port: PortDimensions) -> None:
    attributes.setdefault("connection", port.connection)
    if port.bolt_hole_count is not None:
        attributes.setdefault("bolt_hole_count", str(port.bolt_hole_count))


def _unknown_rows(families: Sequence[Family], settings: MatchSettings) -> list[tuple[_Row, float]]:
    """Rows of "not in the set" with their shares: a few as families are, of the others half as the set's ports are."""
    met = Counter((f.port_standard, f.port_nominal_in) for f in families if f.port_standard and f.port_nominal_in)
    ports = all_standard_ports()
    known = {(p.standard, p.nominal_in) for p in ports}
    total_met = sum(count for key, count in met.items() if key in known)
    rows: list[tuple[_Row, float]] = []
    for port in ports:
        share = 1.0 / len(ports)
        if total_met:
            share = 0.5 * share + 0.5 * met[(port.standard, port.nominal_in)] / total_met
        spread = settings.standard_tolerance * settings.loose_flange_factor
        lengths = {name: (mm, sqrt(spread**2 + extra**2)) for name, (mm, extra) in port.lengths.items()}
        attributes = _with_port({"port_standard": port.standard, "port_nominal_in": port.nominal_in})
        _fill_from_port(attributes, port)
        rows.append((_Row(lengths, frozenset(lengths), attributes), share * (1.0 - UNSPECIFIED_PORT_SHARE)))
    rows.append((_Row({}, frozenset(), {}), UNSPECIFIED_PORT_SHARE if ports else 1.0))
    near = _near_rows(families, settings)
    rows = [*((row, part * (1.0 - sum(share for _, share in near))) for row, part in rows), *near]
    if not any(family.maker for family in families):
        return rows
    other = [(replace(row, attributes={**row.attributes, "maker": OTHER_MAKER}), part) for row, part in rows]
    return [(row, 0.5 * part) for row, part in (*rows, *other)]


def _near_rows(families: Sequence[Family], settings: MatchSettings) -> list[tuple[_Row, float]]:
    """Unknown pumps built after a family, with their shares of all unknown pumps."""
    chosen = families[:: max(1, -(-len(families) // _MOST_NEAR))]
    rows: list[tuple[_Row, float]] = []
    for family in chosen:
        own = _family_row(family, settings)
        lengths = {
            name: (
                mm,
                relative * settings.loose_flange_factor if name in PORT_LENGTHS else hypot(relative, NEAR_SPREAD),
            )
            for name, (mm, relative) in own.lengths.items()
        }
        attributes = {name: value for name, value in own.attributes.items() if name in _NEAR_ATTRIBUTES}
        rows.append((_Row(lengths, own.from_standard, attributes), NEAR_SHARE / len(families)))
    return rows


def build_family_table(families: Sequence[Family], settings: MatchSettings | None = None) -> FamilyTable:
    """Turn families into columns and add the rows of "not in the set"."""
    settings = settings or MatchSettings()
    own = [_family_row(family, settings) for family in families]
    unknown = _unknown_rows(families, settings)
    rows = own + [row for row, _ in unknown]
    log_mean, log_variance, known_bits, standard_bits = _length_columns(rows)
    words, codes = _attribute_columns(rows)
    frequencies = {name: Counter(row.attributes[name] for row in own if name in row.attributes) for name in words}
    missing = settings.not_in_set_prior if own else 1.0
    prior = [(1.0 - missing) / len(own) for _ in own] + [missing * share for _, share in unknown]
    recorded = np.where(bit_mask(known_bits & ~standard_bits), log_mean, np.nan)[:, : len(own)]
    return FamilyTable(
        family_ids=tuple(family.family_id for family in families),
        log_mean=log_mean,
        log_variance=log_variance,
        known_bits=known_bits,
        standard_bits=standard_bits,
        codes=codes,
        words=words,
        log_prior=np.array([log(max(p, 1e-300)) for p in prior]),
        broad=fit_broad_lengths(recorded, settings.broad_inflation),
        frequencies=frequencies,
        joint_rise_mm=_extra_column(families, "joint_rise_mm", len(unknown)),
        cover_depth_mm=_extra_column(families, "cover_depth_mm", len(unknown)),
    )


def _extra_column(families: Sequence[Family], name: str, unknown: int) -> Array:
    """(R,) an extra number of each family, NaN where it has none and for the unknown pumps."""
    return np.array([family.extra_number(name) for family in families] + [None] * unknown, float)


def bit_mask(bits: NDArray[np.uint16]) -> NDArray[np.bool_]:
    """(12, n) True where LENGTH_NAMES[i] is known."""
    shifts = np.arange(len(LENGTH_NAMES), dtype=np.uint16)[:, None]
    mask: NDArray[np.bool_] = (bits[None, :] >> shifts & 1).astype(bool)
    return mask


def _length_columns(rows: Sequence[_Row]) -> tuple[Array, Array, NDArray[np.uint16], NDArray[np.uint16]]:
    log_mean = np.zeros((len(LENGTH_NAMES), len(rows)))
    log_variance = np.ones((len(LENGTH_NAMES), len(rows)))
    known = np.zeros(len(rows), dtype=np.uint16)
    standard = np.zeros(len(rows), dtype=np.uint16)
    for r, row in enumerate(rows):
        for i, name in enumerate(LENGTH_NAMES):
            if name in row.lengths:
                value_mm, relative = row.lengths[name]
                log_mean[i, r] = log(value_mm)
                log_variance[i, r] = relative**2
                known[r] |= 1 << i
                standard[r] |= (name in row.from_standard) << i
    return log_mean, log_variance, known, standard


def _attribute_columns(
    rows: Sequence[_Row],
) -> tuple[dict[str, tuple[str, ...]], dict[str, NDArray[np.int16]]]:
    words: dict[str, tuple[str, ...]] = {}
    codes: dict[str, NDArray[np.int16]] = {}
    for name in ATTRIBUTE_NAMES:
        values = tuple(sorted({row.attributes[name] for row in rows if name in row.attributes}))
        place = {value: i + 1 for i, value in enumerate(values)}
        words[name] = values
        codes[name] = np.array([place.get(row.attributes.get(name, ""), 0) for row in rows], dtype=np.int16)
    return words, codes
