"""The first look at an uploaded photo: is it sharp, which scale is seen? What it took is remembered for the keeping.

Runs in a worker process. A printed card is found quickly and leaves no doubt, so the word on such a photo waits for
nothing else; without one the other scales are looked for at once, so that "none" is said as soon as it is known. A coin
takes longer to find than anybody should wait for a word: it is left to the measuring, and nothing is said of it here.
"""

from collections import OrderedDict
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

from features.decode_process import DecodedPixels, DecodeFailure, DecodePool, shared_pool
from features.parts.learned import best_finder
from features.photo import Photo, PhotoRefused, load_photo
from features.problems import NO_SCALE, Problem
from features.scale.charuco_card import CardFinding, find_cards
from features.scale.find import find_scales
from features.scale.reference import ScaleFinding, ScaleRequest
from features.sharpness import blur_problems

if TYPE_CHECKING:
    from features.decode_pixels import PictureFormat

REMEMBERED_BYTES = 300 << 20
"""Pixels of photos that were looked at and not kept yet: eight of 12 megapixels."""


@dataclass(frozen=True)
class Glance:
    """The word on a photo, within two seconds.

    Attributes:
        scale_label: the scale that is seen, "" where none is.
        problems: (code, particulars) of what was noticed.
    """

    scale_label: str
    problems: tuple[tuple[str, str], ...]


@dataclass(frozen=True, eq=False)
class LookedAt:
    """A photo that was looked at.

    Attributes:
        photo: its pixels.
        source: the file's bytes and what the decoder told of them.
        blur: what is to be said of its sharpness.
        request: what was said about the scale.
        cards: printed cards.
        scales: all scales but coins; None where a printed card is seen and the others were not looked for yet.
    """

    photo: Photo
    source: "RememberingPool"
    blur: tuple[Problem, ...]
    request: ScaleRequest
    cards: CardFinding
    scales: ScaleFinding | None


class RememberingPool(DecodePool):
    """The program's own decoders, with the last answer kept: the loader passes on no facts of the camera.

    Attributes:
        data, picture_format: the file's bytes, and what they are.
        last: what the decoder made of them.
    """

    def __init__(self) -> None:  # it starts no decoder of its own
        self.data, self.picture_format = b"", ""
        self.last: DecodedPixels | DecodeFailure | None = None

    def decode(self, data: bytes, picture_format: "PictureFormat") -> DecodedPixels | DecodeFailure:
        """Decode one picture."""
        self.data, self.picture_format = data, picture_format
        self.last = shared_pool().decode(data, picture_format)
        return self.last


class _Lately:
    """Photos that were looked at and not kept yet; the oldest go where there are too many."""

    def __init__(self) -> None:
        self._seen: OrderedDict[tuple[object, ...], LookedAt] = OrderedDict()

    def remember(self, upload: Path, looked: LookedAt) -> None:
        self._seen[self._key(upload, looked.request)] = looked
        while len(self._seen) > 1 and sum(seen.photo.pixels_rgb.nbytes for seen in self._seen.values()) > (
            REMEMBERED_BYTES
        ):
            self._seen.popitem(last=False)

    def taken(self, upload: Path, scale: ScaleRequest) -> LookedAt | None:
        return self._seen.pop(self._key(upload, scale), None)

    def _key(self, upload: Path, scale: ScaleRequest) -> tuple[object, ...]:
        try:
            stored = upload.stat()
        except OSError:
            return (upload,)
        return upload, stored.st_mtime_ns, stored.st_size, scale


_lately = _Lately()


def glance(upload: Path, scale: ScaleRequest) -> Glance | Problem:
    """The word on an uploaded photo: is it sharp, which scale is seen?

    Args:
        upload: file as it came.
        scale: what was said about the scale.

    Returns:
        The glance, or why the file is no usable photo.
    """
    looked = look(upload, scale)
    if isinstance(looked, Problem):
        return looked
    _lately.remember(upload, looked)
    if looked.scales is not None:
        return glance_of(looked, looked.scales)
    own = [problem for card in looked.cards.references for problem in card.problems]
    return glance_of(looked, ScaleFinding(looked.cards.references, (*looked.cards.problems, *own)))


def looked_at(upload: Path, scale: ScaleRequest) -> LookedAt | Problem:
    """A photo with all its scales but coins looked for; what a glance took is not done again.

    Args:
        upload: file as it came.
        scale: what was said about the scale.

    Returns:
        `scales` is never None in it. Or why the file is no usable photo.
    """
    looked = _lately.taken(upload, scale) or look(upload, scale)
    if isinstance(looked, Problem) or looked.scales is not None:
        return looked
    return replace(looked, scales=_all_scales(looked.photo, scale, looked.cards))


def look(upload: Path, scale: ScaleRequest) -> LookedAt | Problem:
    """Look at a photo as far as its first word needs."""
    source = RememberingPool()
    photo = load_photo(upload, source)
    if isinstance(photo, PhotoRefused):
        return photo.problem
    with ThreadPoolExecutor(1) as thread:
        blur = thread.submit(blur_problems, photo.pixels_rgb)
        cards = find_cards(np.asarray(cv2.cvtColor(photo.pixels_rgb, cv2.COLOR_RGB2GRAY), np.uint8), photo.focal)
        scales = None if cards.references else _all_scales(photo, scale, cards)
        return LookedAt(photo, source, blur.result(), scale, cards, scales)


def glance_of(looked: LookedAt, scales: ScaleFinding) -> Glance:
    """What is to be said of a photo by the scales that were found in it."""
    problems = [*looked.photo.problems, *looked.blur, *scales.problems]
    if not scales.references and looked.request.coin_diameter_mm is None:
        problems.append(Problem(NO_SCALE))
    return Glance(scales.references[0].label if scales.references else "", _codes(problems))


def _all_scales(photo: Photo, scale: ScaleRequest, cards: CardFinding) -> ScaleFinding:
    without_coin = replace(scale, coin_diameter_mm=None)
    return find_scales(photo, without_coin, best_finder(), cards)


def _codes(problems: Sequence[Problem]) -> tuple[tuple[str, str], ...]:
    return tuple((problem.kind.code, problem.detail) for problem in problems)
