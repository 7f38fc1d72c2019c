"""The few EXIF numbers that may leave the decoder; position, serial numbers, names and dates never do.

Runs in the decoder process (`features.decode_worker`), so it imports the standard library only.
"""

import math
from dataclasses import dataclass
from typing import Any, Protocol

TAG_ORIENTATION = 0x0112
_IFD_EXIF = 0x8769
_TAG_FOCAL_LENGTH = 0x920A
_TAG_FOCAL_LENGTH_35MM = 0xA405
_TAG_PIXEL_X, _TAG_PIXEL_Y = 0xA002, 0xA003
_TAG_FOCAL_PLANE_X, _TAG_FOCAL_PLANE_UNIT = 0xA20E, 0xA210
_TAG_DIGITAL_ZOOM = 0xA404

_MM_PER_UNIT = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}
"""FocalPlaneResolutionUnit: inch and centimeter by the EXIF standard; millimeter and micrometer as some
cameras write them (common practice)."""


@dataclass(frozen=True)
class CameraFacts:
    """What a file says of its camera's geometry, unchecked. None where it says nothing.

    Attributes:
        focal_mm: FocalLength.
        focal_35mm: FocalLengthIn35mmFilm.
        width_px, height_px: PixelXDimension, PixelYDimension: the size the camera wrote, kept by many
            editors.
        focal_plane_px_per_mm: FocalPlaneXResolution in its unit.
        digital_zoom: DigitalZoomRatio.
    """

    focal_mm: float | None = None
    focal_35mm: float | None = None
    width_px: float | None = None
    height_px: float | None = None
    focal_plane_px_per_mm: float | None = None
    digital_zoom: float | None = None


class ExifLike(Protocol):
    """The part of `PIL.Image.Exif` that is used here."""

    def get_ifd(self, tag: int) -> dict[int, Any]:
        """Tags of a directory inside the file."""


def read_camera_facts(exif: ExifLike) -> CameraFacts:
    """Pick the numbers of the camera's geometry out of a file's EXIF and leave everything else behind."""
    tags = exif.get_ifd(_IFD_EXIF)
    mm_per_unit = _MM_PER_UNIT.get(tags.get(_TAG_FOCAL_PLANE_UNIT, 2))
    per_unit = finite(tags.get(_TAG_FOCAL_PLANE_X))
    return CameraFacts(
        focal_mm=finite(tags.get(_TAG_FOCAL_LENGTH)),
        focal_35mm=finite(tags.get(_TAG_FOCAL_LENGTH_35MM)),
        width_px=finite(tags.get(_TAG_PIXEL_X)),
        height_px=finite(tags.get(_TAG_PIXEL_Y)),
        focal_plane_px_per_mm=per_unit / mm_per_unit if per_unit and mm_per_unit else None,
        digital_zoom=finite(tags.get(_TAG_DIGITAL_ZOOM)),
    )


def finite(value: Any) -> float | None:
    """A tag's value as a finite number, or None: rationals n/0, texts, tuples and bytes are junk here."""
    if isinstance(value, (str, bytes, bool, tuple, list)) or value is None:
        return None
    try:
        number = float(value)
    except (TypeError, ValueError, ArithmeticError):
        return None
    return number if math.isfinite(number) else None
