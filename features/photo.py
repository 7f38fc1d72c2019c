"""A photo as every later step sees it: upright pixels, a focal length prior, nothing personal.

Pixel centers lie at integer coordinates, x to the right, y down (OpenCV's convention). The way of a file
is: read its bytes and name what it is (`decode_input`), decode in a process of its own (`decode_process`),
judge the focal length (`exif`). Position, serial numbers and all other metadata stay in the decoder
process.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path, PurePath

import cv2
import numpy as np
from numpy.typing import NDArray

from features.decode_input import printable_name, read_photo_bytes
from features.decode_process import DecodedPixels, DecodeFailure, DecodePool, shared_pool
from features.exif import FocalPrior, focal_prior
from features.photo_problems import (
    COLOR_PROFILE_IGNORED,
    COLORS_APPROXIMATE,
    DECODER_CRASHED,
    DECODER_OUT_OF_MEMORY,
    DECODER_TIMED_OUT,
    DECODER_UNAVAILABLE,
    EXIF_DAMAGED,
    FIRST_FRAME_ONLY,
    HEIC_UNAVAILABLE,
    ORIENTATION_IGNORED,
    PHOTO_DAMAGED,
    PHOTO_LOW_RESOLUTION,
    PHOTO_TOO_MANY_PIXELS,
    PHOTO_TOO_SMALL,
    TRANSPARENCY_FLATTENED,
)
from features.problems import Problem

__all__ = ["FocalPrior", "Photo", "PhotoRefused", "load_photo", "load_photos", "prepare_to_load"]

LOW_RESOLUTION_PX = 1000
"""At a meter's distance 12 mm, a square of the pocket card, then cover fewer than about 9 pixels."""

_REFUSALS = {
    "damaged": PHOTO_DAMAGED,
    "too_many_pixels": PHOTO_TOO_MANY_PIXELS,
    "too_small": PHOTO_TOO_SMALL,
    "heic_unavailable": HEIC_UNAVAILABLE,
    "out_of_memory": DECODER_OUT_OF_MEMORY,
    "timed_out": DECODER_TIMED_OUT,
    "no_decoder": DECODER_UNAVAILABLE,
}
_NOTES = {
    "exif_damaged": EXIF_DAMAGED,
    "orientation_ignored": ORIENTATION_IGNORED,
    "first_frame": FIRST_FRAME_ONLY,
    "profile_ignored": COLOR_PROFILE_IGNORED,
    "transparency": TRANSPARENCY_FLATTENED,
    "cmyk": COLORS_APPROXIMATE,
}


@dataclass(frozen=True, eq=False)
class Photo:
    """One decoded photo.

    Attributes:
        name: file name as given, without folder, safe to print.
        path: where it was read from.
        pixels_rgb: (height, width, 3) uint8, upright, sRGB.
        focal: focal length prior.
        problems: what the loader noticed.
    """

    name: str
    path: Path
    pixels_rgb: NDArray[np.uint8]
    focal: FocalPrior
    problems: tuple[Problem, ...] = field(default=())

    @cached_property
    def gray(self) -> NDArray[np.uint8]:
        """(height, width) the same in gray."""
        return np.asarray(cv2.cvtColor(self.pixels_rgb, cv2.COLOR_RGB2GRAY), np.uint8)

    @property
    def width_px(self) -> int:
        """Width in pixels."""
        return int(self.pixels_rgb.shape[1])

    @property
    def height_px(self) -> int:
        """Height in pixels."""
        return int(self.pixels_rgb.shape[0])


@dataclass(frozen=True)
class PhotoRefused:
    """Why a file is not a usable photo. Falsy, so `if photo:` reads naturally.

    Attributes:
        name: file name as given, without folder, safe to print.
        path: what was to be read.
        problem: the reason.
    """

    name: str
    path: Path
    problem: Problem

    def __bool__(self) -> bool:
        return False

    def __str__(self) -> str:
        """One line for a user: file, what is wrong, what to do."""
        particulars = f" ({self.problem.detail})" if self.problem.detail else ""
        return f"{self.name}: {self.problem.kind.meaning}{particulars} {self.problem.kind.advice}"


def load_photo(path: Path, pool: DecodePool | None = None) -> Photo | PhotoRefused:
    """Read one photo file: JPEG, PNG, WebP or HEIC.

    Args:
        path: the file; links are followed.
        pool: decoder processes; the program's own by default.

    Returns:
        The photo, or the reason why there is none. Nothing a file contains raises an exception.
    """
    name = printable_name(path.name or str(path))
    content = read_photo_bytes(path)
    if isinstance(content, Problem):
        return PhotoRefused(name, path, content)
    decoded = (pool or shared_pool()).decode(content.data, content.picture_format)
    if isinstance(decoded, DecodeFailure):
        return PhotoRefused(name, path, _refusal(decoded))
    prior, focal_problems = focal_prior(decoded.facts, decoded.stored_width_px, decoded.stored_height_px)
    problems = (*_notes(decoded), *focal_problems)
    return Photo(name, path, decoded.pixels_rgb, prior, problems)


def load_photos(paths: Sequence[Path], pool: DecodePool | None = None) -> tuple[Photo | PhotoRefused, ...]:
    """Read several photo files, two at a time, in the order given; files of one name are told apart."""
    if len(paths) < 2:
        return tuple(load_photo(path, pool) for path in paths)
    with ThreadPoolExecutor(2) as threads:
        loaded = tuple(threads.map(lambda path: load_photo(path, pool), paths))
    names = iter(told_apart([photo.name for photo in loaded if photo]))
    return tuple(replace(photo, name=next(names)) if photo else photo for photo in loaded)


def told_apart(names: Sequence[str]) -> tuple[str, ...]:
    """The names, each once: what is measured in two photos must not share the errors of one."""
    told: list[str] = []
    for name in names:
        path, number = PurePath(name), 1
        while name in told or (number > 1 and name in names):
            number += 1
            name = f"{path.stem} ({number}){path.suffix}"
        told.append(name)
    return tuple(told)


def prepare_to_load() -> None:
    """Begin to start the decoder, without waiting, while the program still does other things."""
    shared_pool().start()


def _refusal(failure: DecodeFailure) -> Problem:
    kind = _REFUSALS.get(failure.code, DECODER_CRASHED)
    return Problem(kind, printable_name(failure.detail))


def _notes(decoded: DecodedPixels) -> tuple[Problem, ...]:
    known = ((code, detail) for code, detail in decoded.notes if code in _NOTES)
    notes = [Problem(_NOTES[code], printable_name(detail)) for code, detail in known]
    height, width = decoded.pixels_rgb.shape[:2]
    if max(height, width) < LOW_RESOLUTION_PX:
        notes.append(Problem(PHOTO_LOW_RESOLUTION, f"{width} x {height} pixels"))
    return tuple(notes)
