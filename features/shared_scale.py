"""A photo's lengths by one that other photos measured better: what two photos show alike carries the scale over.

A close look at a port without a card tells its drilling in flange diameters; another photo that measured the flange
makes millimeters of them. So does one with a card far off, where two lengths of it are surer over each other than
either is.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from features.combine import combine_lengths, summed
from features.measured import MeasuredLength

_MUCH_BETTER = 0.67
"""A length that has a scale of its own is left with it, unless another's makes it this much surer."""


def by_length_of_others(length: MeasuredLength, own: MeasuredLength, best: MeasuredLength) -> MeasuredLength:
    """A length of one photo as so many times another length of it, of which more is known than that photo tells.

    The errors that both have in that photo cancel, those of the better knowledge come in.

    Args:
        length: of the photo.
        own: the other length as the photo tells it; best: as it is known.
    """
    instead = tuple(replace(part, relative=-part.relative) for part in own.contributions)
    value_mm = length.value_mm * best.value_mm / own.value_mm
    return replace(
        length,
        value_mm=value_mm,
        contributions=summed((*length.contributions, *instead, *best.contributions)),
        offset_mm=best.offset_mm,
        per_offset_mm=best.per_offset_mm * value_mm / best.value_mm,
    )


def with_scale_of_others(photos: Sequence[Sequence[MeasuredLength]]) -> list[MeasuredLength]:
    """All lengths of all photos, those of a photo by what the other photos tell where that is much surer.

    Args:
        photos: the lengths of each.
    """
    out = []
    for number, lengths in enumerate(photos):
        elsewhere = [one for other, group in enumerate(photos) if other != number for one in group]
        known = {one.name: one for one in combine_lengths(elsewhere).lengths if not one.is_ratio_only}
        own = {one.name: one for one in lengths if one.name in known}
        out += [_surest(length, own, known) for length in lengths]
    return out


def _surest(
    length: MeasuredLength, own: Mapping[str, MeasuredLength], known: Mapping[str, MeasuredLength]
) -> MeasuredLength:
    others = (by_length_of_others(length, own[name], known[name]) for name in own if name != length.name)
    best = min(others, key=lambda other: other.relative_sd, default=length)
    return best if best.relative_sd < _MUCH_BETTER * length.relative_sd else length
