"""Shop measurements: single readings on single pumps, and what they say of a family together."""

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import sqrt

from reference_geometry.families import KnownLength

SURE_DISAGREEMENT = 0.10
"""A reading this far (relative) from what is known of the family is taken for a slip unless insisted on."""


@dataclass(frozen=True)
class Measurement:
    """One reading of one length on one pump.

    Attributes:
        measurement_id: unique, so that the same reading is never counted twice.
        family_id: family of the pump measured.
        name: name of LENGTH_NAMES.
        value_mm: the reading.
        measured_by: who, "" when not said.
        measured_on: day.
        instrument: with what ("caliper 300 mm", "tape"), "" when not said.
    """

    measurement_id: str
    family_id: str
    name: str
    value_mm: float
    measured_by: str
    measured_on: date
    instrument: str


@dataclass(frozen=True)
class Agreement:
    """How repeat readings of one length agree.

    Attributes:
        count: number of readings.
        mean_mm, low_mm, high_mm: their mean and extremes.
        sd_mm: sample standard deviation, None for a single reading.
        mean_uncertainty_mm: standard uncertainty of the mean, sd / sqrt(count) (JCGM 100:2008, 4.2.3).
    """

    count: int
    mean_mm: float
    low_mm: float
    high_mm: float
    sd_mm: float | None
    mean_uncertainty_mm: float | None


def agreement(values_mm: Sequence[float]) -> Agreement:
    """Summary of at least one reading."""
    sd = statistics.stdev(values_mm) if len(values_mm) > 1 else None
    return Agreement(
        count=len(values_mm),
        mean_mm=statistics.fmean(values_mm),
        low_mm=min(values_mm),
        high_mm=max(values_mm),
        sd_mm=sd,
        mean_uncertainty_mm=None if sd is None else sd / sqrt(len(values_mm)),
    )


def with_readings(listed: KnownLength | None, values_mm: Sequence[float]) -> KnownLength | None:
    """What is known of a length once shop readings are added to what the table lists.

    A listed value without a count is published or of unknown origin: readings replace its mean, and its
    spread stays only while a single reading cannot give one. A listed value with a count is a summary of
    readings: both are pooled as if all single readings were known (sums of squares about the common mean).

    Args:
        listed: value of the table, None when it has none.
        values_mm: shop readings, may be empty.
    """
    if not values_mm:
        return listed
    own = agreement(values_mm)
    if listed is None:
        return KnownLength(own.mean_mm, own.sd_mm, own.count)
    if listed.count == 0:
        return KnownLength(own.mean_mm, own.sd_mm if own.sd_mm is not None else listed.sd_mm, own.count)
    count = listed.count + own.count
    mean = (listed.count * listed.mean_mm + own.count * own.mean_mm) / count
    if listed.count > 1 and listed.sd_mm is None:
        return KnownLength(mean, own.sd_mm, count)
    squares = (
        (listed.count - 1) * (listed.sd_mm or 0.0) ** 2
        + (own.count - 1) * (own.sd_mm or 0.0) ** 2
        + listed.count * (listed.mean_mm - mean) ** 2
        + own.count * (own.mean_mm - mean) ** 2
    )
    return KnownLength(mean, sqrt(squares / (count - 1)), count)


def disagreement(listed: KnownLength | None, value_mm: float) -> float:
    """How far a reading lies from what is known, relative to it; 0 when nothing is known."""
    return 0.0 if listed is None else abs(value_mm - listed.mean_mm) / listed.mean_mm
