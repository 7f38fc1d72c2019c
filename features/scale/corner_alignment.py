"""Chessboard corners of a card moved to where the print round them lies on the photo best (Lucas and Kanade 1981).

A corner's own crossing is a few pixels of a small or noisy card. The print for half a square about it, its markers'
edges too, is known and shows the same shift many times over, so the shift that fits all of it is less noisy.
"""

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from features.scale.card_boards import COLUMNS, ROWS, CardBoard, CardSize, opencv_board
from features.scale.homography import apply_homography, fit_homography, homography_jacobian, local_scale_px_per_mm

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

WINDOW_SQUARES = 0.15
"""Half side of the corner refinement's window; of 0.10 to 0.26 this left the least error on drawn cards."""
STRAY_SQUARES = 0.12
"""A crossing found further from where its neighborhood was seen is another edge's."""
CELL_PX = 56
"""Side of a square in the picture of the print: a marker of 3/4 of it has 7 modules of 6 whole pixels."""
HALF_SQUARES = 0.48
"""Half side of the neighborhood: it ends before the next corners' own crossings."""
MOST_SAMPLES = 41
BLURS_OF_SQUARE = (0.012, 0.02, 0.03, 0.045, 0.065, 0.09, 0.12, 0.16, 0.21)
"""Softnesses of the print tried, as a part of a square: the photo's own lies near one of them."""
INK, PAPER, GAMMA = 0.04, 0.85, 2.2
"""Share of light that laser print and paper reflect (common practice), and a photo's curve (sRGB, IEC 61966-2-1)."""
ROUNDS, ASKED_OF_BLUR = 4, 8
FARTHEST_SQUARES = 0.13
"""A corner that would move further stays: something else than the print lies there."""
ALIKE = 0.8
"""Least correlation of a neighborhood with the print for its shift to count."""


@dataclass(frozen=True, eq=False)
class _Print:
    """The print, softened, with its slopes along x and y per square."""

    gray: Picture
    along_x: Picture
    along_y: Picture

    def values_at(self, squares: Array) -> Array:
        """(K, N) values at (K, N, 2) places, in squares from the pattern's corner."""
        return self._of(squares, self.gray)[0]

    def at(self, squares: Array) -> tuple[Array, Array, Array]:
        """Values and slopes at such places."""
        values, along_x, along_y = self._of(squares, self.gray, self.along_x, self.along_y)
        return values, along_x, along_y

    @staticmethod
    def _of(squares: Array, *pictures: Picture) -> list[Array]:
        at = (squares * CELL_PX + CELL_PX - 0.5).astype(np.float32)
        x, y = np.ascontiguousarray(at[..., 0]), np.ascontiguousarray(at[..., 1])
        return [np.asarray(cv2.remap(one, x, y, cv2.INTER_LINEAR), float) for one in pictures]


def cross_corners(
    crop: NDArray[np.uint8],
    start: NDArray[np.float64],
    card: CardBoard,
    px_from_mm: NDArray[np.float64],
    ids: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Sub-pixel crossings at full resolution, the first step before `align_corners`.

    The window follows the square as seen there and ends at the marker's black border: its bits would pull.

    Args:
        crop: (H, W) picture; start: (N, 2) where corners are seen, roughly.
        card: which card; ids: (N,) of its corners.
        px_from_mm: (3, 3) rough homography from the card to the picture.
    """
    square = card.square_mm
    out = start.copy()
    # Very sharp edges lock the result to the pixel grid (0.1 px); some softness of our own takes that away.
    typical = local_scale_px_per_mm(px_from_mm, card.outline_mm.mean(0)) * square
    crop = np.asarray(cv2.GaussianBlur(crop, (0, 0), float(np.clip(0.02 * typical, 0.3, 1.2))), np.uint8)
    at = card.corners_mm[ids]
    for i, (point, mm) in enumerate(zip(start, at, strict=True)):
        steps = apply_homography(px_from_mm, mm + np.array([[0, 0], [square, 0], [0, square]]))
        sides = (steps[1:] - steps[0]).T
        # Of a square seen at a slant its lesser height counts: a marker's border lies so much nearer to the corner.
        height = abs(float(np.linalg.det(sides))) / float(np.linalg.norm(sides, axis=0).max())
        half = int(np.clip(WINDOW_SQUARES * height, 3, 14))
        room = np.minimum(point, np.array(crop.shape[::-1]) - 1 - point)
        if room.min() > half + 1:
            found = point.astype(np.float32).reshape(1, 1, 2).copy()
            stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 40, 1e-3)
            found = np.asarray(cv2.cornerSubPix(crop, found, (half, half), (-1, -1), stop)).reshape(2)
            if np.abs(np.linalg.solve(sides, found - point)).max() < STRAY_SQUARES:
                out[i] = found
    return out


def align_corners(gray: NDArray[np.uint8], card: CardBoard, ids: NDArray[np.int64], px: Array) -> Array:
    """Move corners to where the print about them fits.

    Args:
        gray: (H, W) full-resolution picture.
        card: which card.
        ids: (N >= 4,) ChArUco ids of its corners; px: (N, 2) where they are seen, to a tenth of a square.

    Returns:
        (N, 2) moved corners; those that the print does not fit stay.
    """
    return aligned_corners(gray, card, ids, px)[0]


def aligned_corners(
    gray: NDArray[np.uint8], card: CardBoard, ids: NDArray[np.int64], px: Array
) -> tuple[Array, NDArray[np.bool_]]:
    """As `align_corners`, and (N,) which of them the print fits."""
    at = card.corners_mm[ids]
    fit = fit_homography(at, px, robust=True)
    if not fit:
        return px, np.zeros(len(px), bool)
    square_px = local_scale_px_per_mm(fit.px_from_mm, at.mean(0)) * card.square_mm
    count = int(np.clip(2 * round(HALF_SQUARES * square_px) + 1, 9, MOST_SAMPLES))
    line = np.linspace(-HALF_SQUARES, HALF_SQUARES, count)
    around = np.stack(np.meshgrid(line, line), axis=-1).reshape(-1, 2)
    soft = np.asarray(cv2.GaussianBlur(gray, (0, 0), 0.6), np.float32)
    seen = _seen(soft, fit.px_from_mm, card, at, px, around)
    squares = at / card.square_mm
    few = slice(0, None, max(1, len(px) // ASKED_OF_BLUR))
    places = squares[few, None] + around
    blur = max(
        BLURS_OF_SQUARE,
        key=lambda blur: float(np.median(_alike(_print(card.size, blur).values_at(places), seen[few]))),
    )
    shifts, likeness = _shifts(seen, _print(card.size, blur), squares, around)
    fits = (likeness > ALIKE) & (np.abs(shifts).max(axis=1) < FARTHEST_SQUARES)
    moved = px.copy()
    for i in np.flatnonzero(fits).tolist():
        moved[i] += homography_jacobian(fit.px_from_mm, at[i]) @ shifts[i] * card.square_mm
    return moved, np.asarray(fits)


def _seen(soft: Picture, px_from_mm: Array, card: CardBoard, at: Array, px: Array, around: Array) -> Array:
    """(K, S) values of a picture about K corners, by the card's homography moved to each corner as seen."""
    near = apply_homography(px_from_mm, (at[:, None] + card.square_mm * around).reshape(-1, 2))
    places = near.reshape(len(at), -1, 2) + (px - apply_homography(px_from_mm, at))[:, None]
    x, y = (np.ascontiguousarray(places[..., k], np.float32) for k in (0, 1))
    return np.asarray(cv2.remap(soft, x, y, cv2.INTER_LINEAR, None, cv2.BORDER_REPLICATE), float)


def _alike(values: Array, seen: Array) -> Array:
    """(K,) correlations of two neighborhoods (K, S) each, 0 for an empty one."""
    one, other = (v - v.mean(axis=1, keepdims=True) for v in (values, seen))
    size = np.sqrt((one**2).sum(axis=1) * (other**2).sum(axis=1))
    return np.asarray(np.where(size > 0, (one * other).sum(axis=1) / np.maximum(size, 1e-300), 0.0))


def _shifts(seen: Array, printed: _Print, squares: Array, around: Array) -> tuple[Array, Array]:
    """(K, 2) shifts of corners in squares, and (K,) how alike print and photo are about each.

    Args:
        seen: (K, S) the photo about each.
        printed: the print; squares: (K, 2) the corners' places on it; around: (S, 2) places about each.
    """
    shifts, likeness = np.zeros((len(seen), 2)), np.zeros(len(seen))
    left = np.arange(len(seen))
    for _ in range(ROUNDS):
        values, slope_x, slope_y = printed.at((squares - shifts)[left, None] + around)
        likeness[left] = _alike(values, seen[left])
        # Light that falls off across the card is no print: gain, level and a slope of the light are free.
        light = [np.broadcast_to(part, values.shape) for part in (1.0, *around.T)]
        found = _steady_fit(np.stack([values, *light, -slope_x, -slope_y], axis=1), seen[left])
        fits = found[:, 0] > 1e-6
        shifts[left[~fits]], likeness[left[~fits]] = 0.0, 0.0
        left, step = left[fits], found[fits, 4:] / found[fits, :1]
        shifts[left] += np.clip(step, -0.05, 0.05)
        left = left[np.abs(step).max(axis=1) >= 1e-4]
        if not len(left):
            break
    return shifts, likeness


def _steady_fit(known: Array, seen: Array) -> Array:
    """(K, P) weights of (K, P, S) known parts whose sum is nearest to what is seen (K, S), strays counted little."""
    weighted = known
    for turn in range(2):
        products = weighted @ np.swapaxes(known, 1, 2) + 1e-9 * np.eye(known.shape[1])
        found = np.linalg.solve(products, weighted @ seen[..., None])
        if turn == 0:
            off = np.abs(seen - (np.swapaxes(found, 1, 2) @ known)[:, 0])
            usual = 2.0 * np.median(off, axis=1, keepdims=True) + 1e-6
            weighted = known / np.square(np.maximum(1.0, off / usual))[:, None]
    return np.asarray(found[..., 0])


@cache
def _print(size: CardSize, blur_of_square: float) -> _Print:
    """A card as printed, a square of white round it, as soft as a photo shows it."""
    shape = (COLUMNS * CELL_PX, ROWS * CELL_PX)
    pattern = opencv_board(size).generateImage(shape, marginSize=0)
    framed = cv2.copyMakeBorder(pattern, CELL_PX, CELL_PX, CELL_PX, CELL_PX, cv2.BORDER_CONSTANT, value=255)
    light = INK + (PAPER - INK) * framed.astype(np.float32) / 255.0
    # A lens blurs light, and the photo's curve then makes more of the bright side: edges move into the black.
    gray = 255.0 * cv2.pow(cv2.GaussianBlur(light, (0, 0), blur_of_square * CELL_PX), 1.0 / GAMMA)
    along_x, along_y = (cv2.Sobel(gray, cv2.CV_32F, *way, ksize=3) * (CELL_PX / 8.0) for way in ((1, 0), (0, 1)))
    return _Print(np.asarray(gray), np.asarray(along_x), np.asarray(along_y))
