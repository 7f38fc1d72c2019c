"""A sheet of paper the user named (A4, A5, Letter) as a scale reference, told by its four sides."""

import numpy as np
from numpy.typing import NDArray

from features.photo import FocalPrior
from features.problems import SHEET_NOT_FOUND, Problem
from features.scale.known_rectangle import (
    LEAST_CORNER_SD_PX,
    RectangleFit,
    fit_known_rectangle,
    rough_misfit,
)
from features.scale.line_quads import find_quads
from features.scale.rectangle import Rectangle, lines_running_on, measure_rectangle
from features.scale.reference import ScaleReference

SHEETS_MM: dict[str, tuple[float, float]] = {
    "a4": (297.0, 210.0),
    "a5": (210.0, 148.0),
    "letter": (279.4, 215.9),
}
"""Longer and shorter side: ISO 216, and ANSI/ASME Y14.1 (8.5 x 11 in)."""

SIZE_RELATIVE_SD = 0.002
"""Office paper is cut to about half a millimeter (common practice); ISO 216 allows 1.5 to 2 mm."""

THICKNESS_MM = 0.1

_MAX_OFF = 0.008
"""Largest corner misfit as part of the diagonal; paper is seldom quite flat."""

_MAX_RATIO_OFF = 0.06
_LEAST_SUPPORT = 0.6
_LEAST_CONTRAST = 8.0
_LEAST_SIDE_PX = 150.0
_ROUGH = 0.25
_CANDIDATES = 16


def find_sheet(pixels_rgb: NDArray[np.uint8], focal: FocalPrior, names: tuple[str, ...]) -> ScaleReference | Problem:
    """Find one of the named sheets.

    A4 and A5 have the same ratio of sides: when both are named the first is taken.

    Args:
        pixels_rgb: (H, W, 3) full resolution.
        focal: focal length prior.
        names: keys of `SHEETS_MM`, in any case.
    """
    unknown = [name for name in names if name.lower() not in SHEETS_MM]
    if unknown or not names:
        known = ", ".join(SHEETS_MM)
        return Problem(SHEET_NOT_FOUND, f"{unknown[0] if unknown else 'none'} named; sheets known are {known}")
    best: tuple[float, str, Rectangle, RectangleFit] | None = None
    quads = find_quads(pixels_rgb, _LEAST_SIDE_PX)
    for name in names:
        width, height = SHEETS_MM[name.lower()]
        likely = quads[rough_misfit(quads, width / height, focal, pixels_rgb.shape) < _ROUGH]
        for quad in likely[:_CANDIDATES]:
            match = _tested(pixels_rgb, quad, (width, height), focal)
            if match is None:
                continue
            rectangle, fit = match
            # The larger and the better fitting: a picture printed on a sheet is a rectangle, too.
            score = rectangle.support * fit.diagonal_px * float(np.exp(-abs(fit.ratio_off) / 0.02))
            if best is None or score > 1.02 * best[0]:
                best = (score, name.lower(), rectangle, fit)
    if best is None:
        return Problem(SHEET_NOT_FOUND, ", ".join(names))
    _, name, rectangle, fit = best
    return ScaleReference(
        kind="sheet",
        label=f"{name.upper() if name != 'letter' else 'Letter'} sheet",
        points_mm=fit.points_mm,
        points_px=fit.points_px,
        point_sd_px=max(rectangle.corner_sd_px, 0.5 * fit.residual_px, LEAST_CORNER_SD_PX),
        outline_px=fit.points_px,
        size_relative_sd=SIZE_RELATIVE_SD,
        size_source=f"standard:{name}",
        thickness_mm=THICKNESS_MM,
    )


def _tested(
    pixels_rgb: NDArray[np.uint8], quad: NDArray[np.float64], size_mm: tuple[float, float], focal: FocalPrior
) -> tuple[Rectangle, RectangleFit] | None:
    rectangle = measure_rectangle(pixels_rgb, quad)
    if rectangle is None or rectangle.support < _LEAST_SUPPORT:
        return None
    if min(side.contrast for side in rectangle.sides) < _LEAST_CONTRAST:
        return None
    fit = fit_known_rectangle(rectangle.corners_px, rectangle.corner_sd_px, size_mm, focal, pixels_rgb.shape)
    if fit is None or fit.residual_px > _MAX_OFF * fit.diagonal_px:
        return None
    if abs(fit.ratio_off) > max(3.0 * fit.ratio_sd, 0.01) or abs(fit.ratio_off) > _MAX_RATIO_OFF:
        return None
    return None if lines_running_on(pixels_rgb, rectangle) > 3 else (rectangle, fit)
