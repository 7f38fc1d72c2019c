"""Edges across the rim of a round thing, with how strong and how sharp each is.

Everything is told in the frame of a rough ellipse: an angle along it, and a relative radius that is 1 on it.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from features.ellipse import Ellipse

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

LINES = 180
"""Rays cast from the middle."""

_FINE_PX, _COARSE_PX = 1.0, 2.5
_PITCH_PX = 0.5
_CLEARLY_APART = 2.5


@dataclass(frozen=True, eq=False)
class RingEdges:
    """Edges met along rays, sorted by ray.

    Attributes:
        line: (E,) ray of each edge.
        angle: (E,) angle in the frame where the rough ellipse is the unit circle, rad.
        radius: (E,) relative radius, 1 on the rough ellipse.
        step: (E,) change of gray outward, signed.
        sharpness: (E,) its height when looked at finely over coarsely: about 0.8 sharp, below 0.5 for a shadow's.
    """

    line: NDArray[np.int64]
    angle: Array
    radius: Array
    step: Array
    sharpness: Array

    def points_px(self, ellipse: Ellipse) -> Array:
        """(E, 2) places in the picture, given the rough ellipse they were found with."""
        unit = np.column_stack([np.cos(self.angle), np.sin(self.angle)])
        return ellipse.center_px + (self.radius[:, None] * unit) @ np.linalg.inv(to_round(ellipse)).T

    def only(self, keep: NDArray[np.int64] | NDArray[np.bool_]) -> "RingEdges":
        """Some of the edges."""
        parts = (self.line, self.angle, self.radius, self.step, self.sharpness)
        return RingEdges(*(part[keep] for part in parts))


def to_round(ellipse: Ellipse) -> Array:
    """(2, 2) map of offsets from its center that turns the ellipse into the unit circle."""
    c, s = np.cos(ellipse.angle_rad), np.sin(ellipse.angle_rad)
    return np.asarray(np.diag(1 / ellipse.semi_axes_px) @ np.array([[c, s], [-s, c]]))


def ring_edges(picture: Picture, ellipse: Ellipse, reach: float, least_step: float = 3.0) -> RingEdges:
    """Find edges along rays that cross an ellipse.

    Args:
        picture: (H, W).
        ellipse: rough ellipse.
        reach: how far inward and outward to look, relative to the ellipse.
        least_step: smallest gray step that counts.
    """
    minor = float(ellipse.semi_axes_px[1])
    pitch = _PITCH_PX / minor
    half = int(np.ceil(reach / pitch))
    border = int(4 * _COARSE_PX / _PITCH_PX)
    radii = 1.0 + np.arange(-half - border, half + border + 1) * pitch
    angles = np.linspace(0, 2 * np.pi, LINES, endpoint=False)
    rim = ellipse.at(angles) - ellipse.center_px
    at = ellipse.center_px + rim[:, None, :] * radii[None, :, None]
    strip = cv2.remap(
        picture,
        at[..., 0].astype(np.float32),
        at[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        None,
        cv2.BORDER_REPLICATE,
    )
    strip = (
        np.roll(strip, 1, axis=0) + strip + np.roll(strip, -1, axis=0)
    ) / 3  # calms texture along the rim
    fine, coarse = _slope(strip, _FINE_PX), _slope(strip, _COARSE_PX)
    size = np.abs(fine)
    peak = (size[:, 1:-1] >= size[:, :-2]) & (size[:, 1:-1] > size[:, 2:]) & (size[:, 1:-1] >= least_step)
    peak[:, :border] = peak[:, -border:] = False
    height, width = picture.shape
    inside = (at[..., 0] > 0) & (at[..., 0] < width - 1) & (at[..., 1] > 0) & (at[..., 1] < height - 1)
    line, index = np.nonzero(peak & inside[:, 1:-1])
    index = index + 1
    left, middle, right = size[line, index - 1], size[line, index], size[line, index + 1]
    bend = np.minimum(left - 2 * middle + right, -1e-6)
    radius = radii[index] + np.clip(0.5 * (left - right) / bend, -0.5, 0.5) * pitch
    step = fine[line, index].astype(float)
    sharpness = middle / np.maximum(np.abs(coarse[line, index]), 0.3 * middle)
    return RingEdges(line.astype(np.int64), angles[line], radius, step, sharpness.astype(float))


def _slope(strip: Picture, sigma_px: float) -> Picture:
    """Derivative of a Gaussian along the rays, scaled so that an ideal step answers with its height."""
    sigma = sigma_px / _PITCH_PX
    taps = np.arange(-int(3.5 * sigma), int(3.5 * sigma) + 1)
    kernel = taps * np.exp(-0.5 * (taps / sigma) ** 2)  # filter2D correlates: positive taps lie outward
    kernel /= np.abs(kernel).sum() / 2
    return np.asarray(
        cv2.filter2D(strip, cv2.CV_32F, kernel[None].astype(np.float32), borderType=cv2.BORDER_REPLICATE)
    )


def contrast_picture(pixels: NDArray[np.uint8], ellipse: Ellipse) -> Picture:
    """The gray, or the mixture of colors that best tells a round thing from what it lies on.

    Fisher's linear discriminant between the colors inside and outside the rough ellipse. First one that does not
    see shadows is tried: a shadow scales the color of the ground, so the mixture must answer 0 to that color. Gray
    is kept where color tells little, since JPEG stores color at half resolution.

    Args:
        pixels: (H, W) gray or (H, W, 3) RGB.
        ellipse: rough ellipse.

    Returns:
        (H, W) scaled so that steps compare with gray steps.
    """
    if pixels.ndim == 2:
        return pixels.astype(np.float32)
    gray_mix = np.array([0.299, 0.587, 0.114])
    angles = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    rim = ellipse.at(angles) - ellipse.center_px
    colors = []
    for radii in (np.linspace(0.70, 0.93, 10), np.linspace(1.06, 1.30, 10)):
        at = np.rint(ellipse.center_px + rim[:, None, :] * radii[None, :, None]).astype(int).reshape(-1, 2)
        ok = (at >= 0).all(1) & (at < np.array(pixels.shape[1::-1])).all(1)
        colors.append(pixels[at[ok, 1], at[ok, 0]].astype(float))
    inner, outer = colors
    if min(len(inner), len(outer)) < 100:
        return _mixed(pixels, gray_mix)
    within = np.cov(inner.T) + np.cov(outer.T)
    apart = inner.mean(0) - outer.mean(0)
    free = np.linalg.svd(outer.mean(0)[None])[2][1:]  # the two directions a shadow does not move along
    shadowless = np.linalg.solve(free @ within @ free.T + 16.0 * np.eye(2), free @ apart) @ free
    best = np.linalg.solve(within + 16.0 * np.eye(3), apart)
    if _separation(shadowless, apart, within) > _CLEARLY_APART:
        mix = shadowless
    elif _separation(best, apart, within) > 1.4 * _separation(gray_mix, apart, within):
        mix = best
    else:
        return _mixed(pixels, gray_mix)
    scale = np.sqrt(gray_mix @ within @ gray_mix / max(mix @ within @ mix, 1e-12))
    return _mixed(pixels, mix * min(scale, 3.0 / np.abs(mix).sum()))


def _separation(mix: Array, apart: Array, within: Array) -> float:
    return float(abs(mix @ apart) / np.sqrt(mix @ (within + 4.0 * np.eye(3)) @ mix))


def _mixed(pixels: NDArray[np.uint8], mix: Array) -> Picture:
    return np.asarray(cv2.transform(pixels.astype(np.float32), mix[None].astype(np.float32)), np.float32)
