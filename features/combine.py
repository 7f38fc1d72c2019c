"""Several estimates of one length become one; a length of known size becomes the scale of the others."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from features.measured import Contribution, MeasuredLength, log_covariance
from reference_geometry.plausible import LENGTH_BOUNDS_MM

SAYS_NOTHING = 0.35
"""A size this open, half or twice, is told by the look of any pump."""


def says_something(length: MeasuredLength) -> bool:
    """Not so open that any pump would fit, nor of a size that no pump has: then another thing was traced."""
    if length.is_ratio_only or length.name not in LENGTH_BOUNDS_MM:
        return True
    return length.relative_sd < SAYS_NOTHING and _may_be(length)


def tells_ratio(length: MeasuredLength, others: Sequence[MeasuredLength]) -> bool:
    """Whether a length, however open its size, tells with another one of them how large it is over that.

    Of a port that lies at a depth nobody knows, the ratios name the flange, and with it the size.
    """
    return _may_be(length) and any(
        other.name != length.name and _may_be(other) and _ratio_sd(length, other) < SAYS_NOTHING for other in others
    )


def _ratio_sd(one: MeasuredLength, other: MeasuredLength) -> float:
    (a, both), (_, b) = log_covariance([one, other])
    return float(np.sqrt(max(a + b - 2.0 * both, 0.0)))


def _may_be(length: MeasuredLength) -> bool:
    """Whether a pump may have such a size."""
    (low, high), (least, most) = length.interval_mm, LENGTH_BOUNDS_MM.get(length.name, (0.0, np.inf))
    return low < most and high > least


@dataclass(frozen=True, eq=False)
class Combined:
    """The combined lengths and how well the photos agreed.

    Attributes:
        lengths: one a name.
        disagreements: name -> largest difference between two photos in units of its standard uncertainty,
            only where it exceeds 3.
    """

    lengths: tuple[MeasuredLength, ...]
    disagreements: dict[str, float]


def combine_lengths(
    estimates: Sequence[MeasuredLength], joined: Mapping[str, MeasuredLength] | None = None
) -> Combined:
    """Best linear unbiased combination in log space of all estimates of each length.

    Weights follow from the full covariance, so photos that share an error (one print of one card) do not
    pretend to be independent (JCGM 100:2008, 5.2; Aitken's generalized least squares). Contributions are
    combined with the same weights, source by source, which keeps the covariance with every other length
    exact.

    Args:
        estimates: of single photos.
        joined: by name, lengths already solved by several photos at once; they take the place of the estimates of
            the photos they were solved by.
    """
    by_name: dict[str, list[MeasuredLength]] = {}
    for estimate in estimates:
        by_name.setdefault(estimate.name, []).append(estimate)
    lengths, disagreements = [], {}
    for name, group in by_name.items():
        scaled = [e for e in group if not e.is_ratio_only] or group
        together = (joined or {}).get(name)
        counted = scaled
        if together is not None:
            counted = [together, *(e for e in scaled if not set(e.photos) <= set(together.photos))]
        lengths.append(counted[0] if len(counted) == 1 else _blend(counted))
        worst = _worst_difference(scaled)
        if worst > 3.0:
            disagreements[name] = worst
    return Combined(tuple(lengths), disagreements)


def _blend(group: list[MeasuredLength]) -> MeasuredLength:
    covariance = log_covariance(group)
    logs = np.log([e.value_mm for e in group])
    inverse = np.linalg.inv(covariance + 1e-12 * np.eye(len(group)))
    weights = inverse.sum(axis=1) / inverse.sum()
    # Strongly shared errors can ask for negative weights; those are fragile, so only averaging is allowed.
    weights = np.clip(weights, 0.0, None)
    weights /= weights.sum()
    parts: dict[tuple[str, str], Contribution] = {}
    for weight, estimate in zip(weights, group, strict=True):
        for c in estimate.contributions:
            before = parts.get((c.name, c.source), replace(c, relative=0.0))
            parts[c.name, c.source] = replace(before, relative=before.relative + weight * c.relative)
    return MeasuredLength(
        name=group[0].name,
        value_mm=float(np.exp(weights @ logs)),
        contributions=tuple(parts.values()),
        photos=tuple(dict.fromkeys(photo for e in group for photo in e.photos)),
        offset_mm=float(weights @ [e.offset_mm or 0.0 for e in group]),
        per_offset_mm=float(weights @ [e.per_offset_mm for e in group]),
    )


def _worst_difference(group: list[MeasuredLength]) -> float:
    worst = 0.0
    for i, a in enumerate(group):
        for b in group[i + 1 :]:
            worst = max(worst, abs(np.log(a.value_mm / b.value_mm)) / max(_ratio_sd(a, b), 1e-6))
    return float(worst)


def scaled_by_ruler(
    lengths: Sequence[MeasuredLength], ruler: str, ruler_mm: float, ruler_relative_sd: float, source: str
) -> tuple[MeasuredLength, ...]:
    """Turn ratios into millimeters with one length whose size is known.

    Every length becomes (length / ruler) x ruler_mm, so the ruler's own errors enter with opposite sign and
    whatever both share (the unknown scale, the focal length) cancels.

    Args:
        lengths: lengths of one scale, the ruler among them; those of another scale pass through unchanged.
        ruler: name of the known length.
        ruler_mm: its true size.
        ruler_relative_sd: its relative standard uncertainty.
        source: name of that error.

    Returns:
        The lengths, in millimeters.
    """
    measured = next(length for length in lengths if length.name == ruler)
    shared_scale = {c.source for c in measured.contributions if c.name == "scale"}
    inverse = tuple(replace(c, relative=-c.relative) for c in measured.contributions)
    known = Contribution("reference", source, ruler_relative_sd)
    out = []
    for length in lengths:
        if length.name == ruler:
            told = replace(length, value_mm=ruler_mm, contributions=(known,))
            out.append(replace(told, offset_mm=None, per_offset_mm=0.0))
        elif shared_scale & {c.source for c in length.contributions}:
            ratio = length.value_mm / measured.value_mm
            parts = summed((*length.contributions, *inverse, known))
            # Distances to a reference mean nothing: there was none.
            scaled = replace(length, value_mm=ratio * ruler_mm, contributions=parts)
            out.append(replace(scaled, offset_mm=None, per_offset_mm=0.0))
        else:
            out.append(length)
    return tuple(out)


def given_length(
    lengths: Sequence[MeasuredLength], name: str, value_mm: float, relative_sd: float, source: str
) -> tuple[MeasuredLength, ...]:
    """Lengths after one of them became known otherwise: Gaussian conditioning of the errors that they share.

    With unit errors e and log lengths m + L e, the known length says that its own row a of L has a e = r +- sd n. The
    errors become e - a (a e - r - sd n) / s with s = |a|^2 + sd^2: sources keep their names, every loading on them
    shrinks by what was learned, and the known size's own error n is one more source (Kalman 1960 in Joseph's form).

    Args:
        lengths: of one pump, the known one among them.
        name: of the known length.
        value_mm: what it is; relative_sd: standard uncertainty of that, independent of all else.
        source: name of that error.
    """
    known = next(length for length in lengths if length.name == name)
    own: dict[str, float] = {}
    for part in known.contributions:
        own[part.source] = own.get(part.source, 0.0) + part.relative
    heading = {part.source: part.name for part in known.contributions}
    total = sum(load**2 for load in own.values()) + relative_sd**2
    off = float(np.log(value_mm / known.value_mm))
    out = []
    for length in lengths:
        gain = sum(part.relative * own.get(part.source, 0.0) for part in length.contributions) / total
        if gain == 0.0:
            out.append(length)
            continue
        learned = [Contribution(heading[s], s, -gain * load) for s, load in own.items()]
        learned.append(Contribution("reference", source, gain * relative_sd))
        moved = length.value_mm * float(np.exp(off * gain))
        out.append(replace(length, value_mm=moved, contributions=summed((*length.contributions, *learned))))
    return tuple(out)


def summed(contributions: Sequence[Contribution]) -> tuple[Contribution, ...]:
    """Contributions of one name and source made one, with their signs."""
    total: dict[tuple[str, str], Contribution] = {}
    for c in contributions:
        before = total.get((c.name, c.source))
        total[c.name, c.source] = c if before is None else replace(c, relative=before.relative + c.relative)
    return tuple(c for c in total.values() if abs(c.relative) > 1e-12)
