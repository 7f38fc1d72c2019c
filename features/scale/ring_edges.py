"""Edges across the rim of a round thing, with how strong and how sharp each is.

Everything is told in the frame of a rough ellipse: an angle along it, and a relative radius that is 1 on it.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from features.ellipse import Ellipse
from features.scale.strip_edges import BORDER, PITCH_PX, is_inside, sample, strip_edges

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

LINES = 180
"""Rays cast from the middle."""

_GRAY_MIX = np.array([0.299, 0.587, 0.114])


@dataclass(frozen=True, eq=False)
class RingEdges:
    """Edges met along rays, sorted by ray.

    Attributes:
        line: (E,) ray of each edge.
        angle: (E,) angle in the frame where the rough ellipse is the unit circle, rad.
        radius: (E,) relative radius, 1 on the rough ellipse.
        step: (E,) change of gray outward, signed.
        sharpness: (E,) as `StripEdges` has it.
    """

    line: NDArray[np.int64]
    angle: Array
    radius: Array
    step: Array
    sharpness: Array

    def points_px(self, ellipse: Ellipse) -> Array:
        """(E, 2) places in the picture, given the rough ellipse they were found with."""
        unit = np.column_stack([np.cos(self.angle), np.sin(self.angle)])
        back = np.linalg.inv(to_round(ellipse))
        return np.asarray(ellipse.center_px + (self.radius[:, None] * unit) @ back.T)

    def only(self, keep: NDArray[np.int64] | NDArray[np.bool_]) -> "RingEdges":
        """Some of the edges."""
        return RingEdges(self.line[keep], self.angle[keep], self.radius[keep], self.step[keep], self.sharpness[keep])


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
    pitch = PITCH_PX / float(ellipse.semi_axes_px[1])
    half = int(np.ceil(reach / pitch)) + BORDER
    radii = 1.0 + np.arange(-half, half + 1) * pitch
    angles = np.linspace(0, 2 * np.pi, LINES, endpoint=False)
    rim = ellipse.at(angles) - ellipse.center_px
    at_px = ellipse.center_px + rim[:, None, :] * radii[None, :, None]
    strip = sample(picture, at_px)
    # Averaged along the rim, which calms texture.
    turn = np.concatenate([strip[-1:], strip, strip[:1]])
    strip = np.asarray((turn[:-2] + strip + turn[2:]) / np.float32(3), np.float32)
    found = strip_edges(strip, least_step, is_inside(picture.shape, at_px))
    radius = 1.0 + (found.at - half) * pitch
    return RingEdges(found.line, angles[found.line], radius, found.step, found.sharpness)


def contrast_pictures(pixels: NDArray[np.uint8], ellipse: Ellipse) -> list[tuple[Picture, float]]:
    """The gray picture, and the mixture of colors that best tells a round thing from what it lies on.

    The mixture is Fisher's linear discriminant between the colors inside and outside the rough ellipse. One that
    does not see shadows is preferred: a shadow scales the color of the ground, so the mixture must answer 0 to that
    color. A coin's edge shows in both pictures, a ring on it or a shadow beside it mostly in the gray one alone.

    Args:
        pixels: (H, W) gray or (H, W, 3) RGB.
        ellipse: rough ellipse.

    Returns:
        Pictures (H, W), scaled so that steps compare with gray steps, and the trust in each, 0..1. The gray one
        comes first with trust 1.
    """
    if pixels.ndim == 2:
        return [(pixels.astype(np.float32), 1.0)]
    gray = (_mixed(pixels, _GRAY_MIX), 1.0)
    angles = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    rim = ellipse.at(angles) - ellipse.center_px
    colors = []
    for radii in (np.linspace(0.70, 0.93, 10), np.linspace(1.06, 1.30, 10)):
        at = np.rint(ellipse.center_px + rim[:, None, :] * radii[None, :, None]).astype(int).reshape(-1, 2)
        ok = (at >= 0).all(1) & (at < np.array(pixels.shape[1::-1])).all(1)
        colors.append(pixels[at[ok, 1], at[ok, 0]].astype(float))
    inner, outer = colors
    if min(len(inner), len(outer)) < 100:
        return [gray]
    within = np.cov(inner.T) + np.cov(outer.T)
    apart = inner.mean(0) - outer.mean(0)
    free = np.linalg.svd(outer.mean(0)[None])[2][1:]  # the two directions a shadow does not move along
    shadowless = np.linalg.solve(free @ within @ free.T + 16.0 * np.eye(2), free @ apart) @ free
    best = np.linalg.solve(within + 16.0 * np.eye(3), apart)
    trust = float(np.clip((_separation(shadowless, apart, within) - 1.2) / 1.3, 0, 1))
    mix = shadowless
    if trust < 0.3 and _separation(best, apart, within) > 1.4 * _separation(_GRAY_MIX, apart, within):
        mix, trust = best, 0.7
    if trust < 0.1:
        return [gray]
    scale = np.sqrt(_GRAY_MIX @ within @ _GRAY_MIX / max(mix @ within @ mix, 1e-12))
    return [gray, (_mixed(pixels, mix * min(scale, 3.0 / np.abs(mix).sum())), trust)]


def _separation(mix: Array, apart: Array, within: Array) -> float:
    return float(abs(mix @ apart) / np.sqrt(mix @ (within + 4.0 * np.eye(3)) @ mix))


def _mixed(pixels: NDArray[np.uint8], mix: Array) -> Picture:
    return np.asarray(cv2.transform(pixels.astype(np.float32), mix[None].astype(np.float32)), np.float32)
