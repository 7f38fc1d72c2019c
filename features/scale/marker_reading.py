"""Reads the markers of scale cards in a photo, at several sizes of it in turn."""

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from features.reduced import resized
from features.scale.card_boards import marker_reader
from features.scale.marker_groups import Marker

_FIRST_LOOK_PX, _UPSAMPLE_BELOW_PX = 1536, 2100
_WINDOW_PX, _SMALL_MARKERS_PX = 33, 13
"""Widest surroundings that a marker is darker than, and the same of small ones (48 renders: 1 % fewer are read so)."""
_SHARPEN, _SHARPEN_PX = 1.5, 1.2
_MIN_MARKER_PX = 11
"""Fewer pixels a side do not resolve a marker's 7 x 7 cells."""


def read_in_turn(gray: NDArray[np.uint8]) -> Iterator[list[Marker]]:
    """Markers of a photo (H, W) as one look after the other reads them; whoever has what is needed stops asking."""
    for scale, sharpened, window_px in _looks(gray.shape):
        picture = resized(gray, scale)
        yield read_markers(_sharpened(picture, scale) if sharpened else picture, scale, window_px=window_px)


def _looks(shape: tuple[int, ...]) -> tuple[tuple[float, bool, int], ...]:
    """Scales to look at, in turn, whether sharpened, and the widest window; a reduced look leaves small markers.

    A messaging app's 1600 px are at last looked at with the blur taken back that closes a marker's smallest cells.
    """
    longest = max(shape)
    looks = [(1.0, False, _WINDOW_PX)]
    if longest > 1.2 * _FIRST_LOOK_PX:
        looks = [(_FIRST_LOOK_PX / longest, False, _WINDOW_PX), (1.0, False, _SMALL_MARKERS_PX)]
    if longest <= _UPSAMPLE_BELOW_PX:
        looks += [(2.0, False, _WINDOW_PX), (2.0, True, _WINDOW_PX)]
    return tuple(looks)


def _sharpened(picture: NDArray[np.uint8], scale: float) -> NDArray[np.uint8]:
    """The picture less its own blur, a photo pixel and a bit wide."""
    soft = cv2.GaussianBlur(picture, (0, 0), _SHARPEN_PX * scale)
    return np.asarray(cv2.addWeighted(picture, 1.0 + _SHARPEN, soft, -_SHARPEN, 0.0), np.uint8)


def read_markers(
    picture: NDArray[np.uint8], scale: float, origin_px: tuple[float, float] = (0.0, 0.0), window_px: int = _WINDOW_PX
) -> list[Marker]:
    """Read all markers of the 5x5_100 dictionary, and mirrored ones of ours.

    Args:
        picture: (h, w) part of the photo, resized by `scale`.
        scale: picture pixels a photo pixel; origin_px: photo pixel of the part's first pixel.
        window_px: widest surroundings that a marker is darker than, in the picture.

    Returns:
        Markers with their corners in photo pixels (pixel centers at integers).
    """
    dictionary, meant = marker_reader()
    parameters = cv2.aruco.DetectorParameters()
    parameters.errorCorrectionRate = 1.0  # of the reader's two correctable bits
    parameters.perspectiveRemovePixelPerCell = 8
    parameters.minMarkerPerimeterRate = 4 * _MIN_MARKER_PX / max(picture.shape)
    parameters.adaptiveThreshWinSizeMax = window_px
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(picture)
    if ids is None:
        return []
    px = np.asarray(corners, np.float64).reshape(-1, 4, 2)
    px = (px + 0.5) / scale - 0.5 + np.asarray(origin_px)
    return [Marker(int(meant[int(i)]), c) for i, c in zip(np.ravel(ids), px, strict=True)]
