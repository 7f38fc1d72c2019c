"""The EXIF block of an invented phone: honest about the lens in the rough way real phones are."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from tools.render.cameras import FULL_FRAME_DIAGONAL_MM, Camera
from tools.render.develop import Development

MAKE, MODEL = "Invented Phone", "IP-1 (rendered)"
_EXIF_IFD, _MAKE, _MODEL, _ORIENTATION, _SOFTWARE = 0x8769, 0x010F, 0x0110, 0x0112, 0x0131
_EXPOSURE, _F_NUMBER, _ISO, _FOCAL, _FOCAL_35MM = 0x829A, 0x829D, 0x8827, 0x920A, 0xA405
_DATE = 0x9003


@dataclass(frozen=True)
class ExifAsWritten:
    """What the file says; None where the tag is left out."""

    orientation: int | None
    focal_length_mm: float | None
    focal_length_35mm: int | None
    f_number: float | None
    iso: int | None

    def as_json(self) -> dict[str, Any]:
        """Plain values for the truth file."""
        return {k: v for k, v in vars(self).items() if v is not None}


def draw_exif(camera: Camera, how: Development, rng: np.random.Generator) -> tuple[ExifAsWritten | None, bytes]:
    """EXIF of a photo: None and no bytes for a messaging copy.

    The 35 mm-equivalent value is a whole number, by some makers on the diagonal and by others on the long side.
    """
    if how.is_message:
        return None, b""
    long_side = max(camera.width_px, camera.height_px)
    diagonal = float(np.hypot(camera.width_px, camera.height_px))
    on_diagonal = camera.focal_px / diagonal * FULL_FRAME_DIAGONAL_MM
    on_long_side = camera.focal_px / long_side * 36.0
    equivalent = round(on_diagonal if rng.random() < 0.75 else on_long_side)
    says_35mm, says_focal, says_orientation = rng.random(3) < [0.93, 0.95, 0.9]
    written = ExifAsWritten(
        how.orientation if says_orientation or how.orientation != 1 else None,
        round(camera.lens.focal_mm, 2) if says_focal else None,
        int(equivalent) if says_35mm else None,
        camera.lens.f_number,
        int(np.clip(40 * 2 ** (how.noise * 6), 40, 3200)),
    )
    return written, _block(written, rng)


def _block(written: ExifAsWritten, rng: np.random.Generator) -> bytes:
    exif = Image.Exif()
    exif[_MAKE], exif[_MODEL], exif[_SOFTWARE] = MAKE, MODEL, "rendered picture, no real camera"
    if written.orientation is not None:
        exif[_ORIENTATION] = written.orientation
    inner = exif.get_ifd(_EXIF_IFD)
    if written.focal_length_mm is not None:
        inner[_FOCAL] = IFDRational(round(written.focal_length_mm * 100), 100)
    if written.focal_length_35mm is not None:
        inner[_FOCAL_35MM] = written.focal_length_35mm
    if written.f_number is not None:
        inner[_F_NUMBER] = IFDRational(round(written.f_number * 10), 10)
    if written.iso is not None:
        inner[_ISO] = written.iso
    inner[_EXPOSURE] = IFDRational(1, int(rng.integers(20, 400)))
    inner[_DATE] = (
        f"2024:{rng.integers(1, 13):02d}:{rng.integers(1, 29):02d} {rng.integers(7, 18):02d}:{rng.integers(60):02d}:00"
    )
    return exif.tobytes()
