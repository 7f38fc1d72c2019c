"""A coin or a card without a pattern may be another thing of its shape: then all lengths of its photo are off alike.

A printed scale card names itself; something round or oblong does not. Each photo whose scale rests on such a thing is
doubted in turn: in that case its lengths keep their ratios, and their common scale is hardly known. The likelihoods of
the cases are added.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from features.measured import Contribution, MeasuredLength
from identify.matching.settings import MatchSettings

WITHOUT_A_PATTERN = ("coin:", "standard:")
"""Beginnings of the sources of a reference's size where nothing on it says which thing it is."""


def reference_cases(
    lengths: Sequence[MeasuredLength], settings: MatchSettings
) -> Iterator[tuple[tuple[MeasuredLength, ...], float]]:
    """All cases with their log chances; a single one of chance 1 where nothing is to be doubted."""
    doubted = tuple(dict.fromkeys(photo for length in lengths if _is_doubted(length) for photo in length.photos))
    chance = settings.wrong_reference
    if not doubted or chance <= 0.0:
        yield tuple(lengths), 0.0
        return
    yield tuple(lengths), float(np.log1p(-min(0.5, len(doubted) * chance)))
    for photo in doubted:
        yield tuple(_doubted(length, photo, settings) for length in lengths), float(np.log(chance))


def _is_doubted(length: MeasuredLength) -> bool:
    return any(
        part.name == "print_scale" and part.source.startswith(WITHOUT_A_PATTERN) for part in length.contributions
    )


def _doubted(length: MeasuredLength, photo: str, settings: MatchSettings) -> MeasuredLength:
    """The length with its share of a scale that is another one; of several photos each told an equal part of it."""
    if photo not in length.photos or not _is_doubted(length):
        return length
    part = Contribution("scale", f"doubted:{photo}", settings.wrong_reference_sd / len(length.photos))
    return replace(length, contributions=(*length.contributions, part))
