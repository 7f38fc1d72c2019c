"""What is kept of an uploaded photo: its pixels, upright, and the numbers of its lens; nothing personal.

Runs in a worker process. Whatever the format was, a JPEG of our own is written from the decoded pixels, so that no
position, serial number, name, thumbnail, second picture or film hidden behind the first can be carried along. What is
printed on a bank card is made unreadable before the first byte is kept.
"""

import hashlib
import io
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image

from features.decode_input import printable_name
from features.decode_process import DecodedPixels, DecodeFailure, DecodePool, shared_pool
from features.decode_tags import CameraFacts
from features.photo import Photo, PhotoRefused, load_photo
from features.problems import NO_SCALE, Problem
from features.scale.find import find_scales
from features.scale.privacy import blur_inside
from features.scale.reference import ScaleReference, ScaleRequest
from identify.output_files import write_atomically

if TYPE_CHECKING:
    from features.decode_pixels import PictureFormat

QUALITY = 95
"""Together with full color resolution: what it changes of a diameter is far below what a photo can tell."""

_EXIF_IFD = 0x8769
_TAGS = {"focal_mm": 0x920A, "focal_35mm": 0xA405, "width_px": 0xA002, "height_px": 0xA003, "digital_zoom": 0xA404}
_PLANE_X, _PLANE_UNIT, _MILLIMETER = 0xA20E, 0xA210, 4


@dataclass(frozen=True)
class FirstLook:
    """What the first look at a photo gave, a second or two after it came.

    Attributes:
        width_px, height_px: size of the upright picture.
        digest: SHA-256 of the kept file.
        scale_label: the scale that was found, "" when none.
        problems: (code, particulars) of everything noticed.
    """

    width_px: int
    height_px: int
    digest: str
    scale_label: str
    problems: tuple[tuple[str, str], ...]


def keep_photo(upload: Path, target: Path, scale: ScaleRequest) -> FirstLook | Problem:
    """Look at an uploaded photo and keep what may be kept of it.

    Args:
        upload: file as it came.
        target: JPEG to write, whole or not at all.
        scale: what was said about the scale.

    Returns:
        The first look, or why the file is no usable photo (nothing is written then).
    """
    decoder = _Remembering()
    photo = load_photo(upload, decoder)
    if isinstance(photo, PhotoRefused):
        return photo.problem
    found = find_scales(photo, scale)
    data = _jpeg(_private(photo, found.references), decoder.facts())
    write_atomically(target, data)
    problems = [*photo.problems, *found.problems]
    if not found.references:
        problems.append(Problem(NO_SCALE))
    return FirstLook(
        width_px=photo.width_px,
        height_px=photo.height_px,
        digest=hashlib.sha256(data).hexdigest(),
        scale_label=found.references[0].label if found.references else "",
        problems=tuple((problem.kind.code, problem.detail) for problem in problems),
    )


def _private(photo: Photo, references: tuple[ScaleReference, ...]) -> Image.Image:
    pixels = photo.pixels_rgb
    for reference in references:
        if reference.kind == "bank_card":
            pixels = blur_inside(pixels, reference.outline_px)
    return Image.fromarray(np.ascontiguousarray(pixels))


class _Remembering(DecodePool):
    """The program's own decoders, with the last answer kept: the loader passes on no facts of the camera."""

    def __init__(self) -> None:  # it starts no decoder of its own
        self._last: DecodedPixels | DecodeFailure | None = None

    def decode(self, data: bytes, picture_format: "PictureFormat") -> DecodedPixels | DecodeFailure:
        """Decode one picture."""
        self._last = shared_pool().decode(data, picture_format)
        return self._last

    def facts(self) -> CameraFacts:
        """The numbers of the lens, turned with the picture where that was stored lying on its side."""
        decoded = self._last
        if not isinstance(decoded, DecodedPixels):
            return CameraFacts()
        facts = decoded.facts
        if decoded.pixels_rgb.shape[1] != decoded.stored_width_px:
            facts = replace(facts, width_px=facts.height_px, height_px=facts.width_px)
        return facts


def _jpeg(picture: Image.Image, facts: CameraFacts) -> bytes:
    exif = Image.Exif()
    tags = exif.get_ifd(_EXIF_IFD)
    for name, tag in _TAGS.items():
        value = getattr(facts, name)
        if value is not None and 0 <= value < 65536:
            tags[tag] = value if name in ("focal_mm", "digital_zoom") else round(value)
    if facts.focal_plane_px_per_mm:
        tags[_PLANE_X], tags[_PLANE_UNIT] = facts.focal_plane_px_per_mm, _MILLIMETER
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=QUALITY, subsampling=0, exif=exif)
    return out.getvalue()


def shown_name(name: str, taken: set[str]) -> str:
    """A customer's file name fit for people, told apart from those the case has already."""
    short = printable_name(Path(name).name)[:60] or "photo"
    return next(n for n in (short, *(f"{short} ({i})" for i in range(2, 1000))) if n not in taken)
