"""Draws flat references through a known camera, with exact truth: for tests and benchmarks, not for looks.

The scene is drawn in linear light, blurred by the lens, then given noise, the sRGB curve and JPEG, in the
order a camera does it, so that edges move the way they move in a real photo.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from features.camera import Camera
from features.scale.card_boards import CardBoard, opencv_board
from features.srgb import coded_of

_SUPERSAMPLE = 3
_STRIP_PX = 128


@dataclass(frozen=True, eq=False)
class FlatThing:
    """A flat thing with a picture on it.

    Attributes:
        texture: (h, w, 4) float in 0..1, linear light, the fourth channel is coverage.
        width_mm, height_mm: its size; the texture spans it exactly.
        bend_per_mm: curvature of a bend round an axis parallel to its y; bulging to the reader if > 0.
    """

    texture: NDArray[np.float32]
    width_mm: float
    height_mm: float
    bend_per_mm: float = 0.0

    def to_space(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """(N, 2) points on the flat sheet to (N, 3) on the bent one: arc length becomes an angle."""
        x, y = points_mm[:, 0] - self.width_mm / 2, points_mm[:, 1]
        if self.bend_per_mm == 0.0:
            return np.column_stack([points_mm, np.zeros(len(x))])
        angle = x * self.bend_per_mm
        bulge = (1.0 - np.cos(angle)) / self.bend_per_mm
        return np.column_stack([np.sin(angle) / self.bend_per_mm + self.width_mm / 2, y, bulge])


@dataclass(frozen=True, eq=False)
class Pose:
    """Where a flat thing stands: x_camera = rotation @ x_thing + translation, in mm.

    Attributes:
        rotation: (3, 3); translation_mm: (3,).
    """

    rotation: NDArray[np.float64]
    translation_mm: NDArray[np.float64]

    def to_camera(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """(N, 3) points of the thing to the camera frame."""
        return points @ self.rotation.T + self.translation_mm


def pose_of(
    thing: FlatThing,
    distance_mm: float,
    tilt_deg: float = 0.0,
    tilt_axis_deg: float = 0.0,
    roll_deg: float = 0.0,
    aim_mm: tuple[float, float] = (0.0, 0.0),
) -> Pose:
    """Pose of a thing whose middle lies at `distance_mm`, `aim_mm` beside the camera's axis.

    Args:
        thing: what to place.
        distance_mm: depth of its middle.
        tilt_deg: angle between its normal and the camera's axis.
        tilt_axis_deg: direction of the axis it is tilted about, in its own plane.
        roll_deg: turn about the camera's axis.
        aim_mm: offset of its middle, right and down.
    """
    axis = np.deg2rad(tilt_axis_deg)
    tilt, _ = cv2.Rodrigues(np.deg2rad(tilt_deg) * np.array([np.cos(axis), np.sin(axis), 0.0]))
    roll, _ = cv2.Rodrigues(np.array([0.0, 0.0, np.deg2rad(roll_deg)]))
    rotation = np.asarray(roll @ tilt, np.float64)
    middle = np.array([thing.width_mm / 2, thing.height_mm / 2, 0.0])
    translation = np.array([aim_mm[0], aim_mm[1], distance_mm]) - rotation @ middle
    return Pose(rotation, translation)


def project_onto(camera: Camera, thing: FlatThing, pose: Pose, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """The truth: (N, 2) points on the thing to (N, 2) pixels."""
    return camera.project(pose.to_camera(thing.to_space(points_mm)))


def paint(canvas: NDArray[np.float32], camera: Camera, thing: FlatThing, pose: Pose) -> NDArray[np.float32]:
    """Paint a thing over a picture in linear light.

    Args:
        canvas: (height, width, 3) float linear light; left untouched.
        camera: who looks.
        thing: what is painted.
        pose: where it stands.

    Returns:
        (height, width, 3) a new picture.
    """
    edge = np.linspace(0.0, 1.0, 33)
    rim = np.concatenate([np.column_stack([edge, edge * 0 + k]) for k in (0, 1)])
    rim = np.concatenate([rim, rim[:, ::-1]]) * (thing.width_mm, thing.height_mm)
    px = project_onto(camera, thing, pose, rim)
    size = canvas.shape[1::-1]
    x0, y0 = np.clip(np.floor(px.min(0)).astype(int) - 2, 0, size)
    x1, y1 = np.clip(np.ceil(px.max(0)).astype(int) + 3, 0, size)
    if x1 <= x0 or y1 <= y0:
        return canvas.copy()
    out = canvas.copy()
    for top in range(int(y0), int(y1), _STRIP_PX):
        bottom = min(top + _STRIP_PX, int(y1))
        layer = _layer(camera, thing, pose, (int(x0), int(x1)), (top, bottom))
        part = out[top:bottom, x0:x1]
        out[top:bottom, x0:x1] = part * (1 - layer[..., 3:]) + layer[..., :3]
    return out


def _layer(
    camera: Camera, thing: FlatThing, pose: Pose, columns: tuple[int, int], rows: tuple[int, int]
) -> NDArray[np.float32]:
    """(h, w, 4) what a thing puts into a part of the picture, color already multiplied by coverage."""
    n = _SUPERSAMPLE
    xs = columns[0] + (np.arange((columns[1] - columns[0]) * n) + 0.5) / n - 0.5
    ys = rows[0] + (np.arange((rows[1] - rows[0]) * n) + 0.5) / n - 0.5
    grid = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    mm = _where_rays_meet(thing, pose, camera.rays(grid)).reshape(len(ys), len(xs), 2)
    height, width = thing.texture.shape[:2]
    map_x = (mm[..., 0] / thing.width_mm * width - 0.5).astype(np.float32)
    map_y = (mm[..., 1] / thing.height_mm * height - 0.5).astype(np.float32)
    seen = cv2.remap(thing.texture, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    inside = np.all((mm >= 0) & (mm <= (thing.width_mm, thing.height_mm)), axis=-1, keepdims=True)
    coverage = seen[..., 3:] * inside
    layer = np.concatenate([seen[..., :3] * coverage, coverage], axis=-1).astype(np.float32)
    size = (columns[1] - columns[0], rows[1] - rows[0])
    return np.asarray(cv2.resize(layer, size, interpolation=cv2.INTER_AREA), np.float32)


def _where_rays_meet(thing: FlatThing, pose: Pose, rays: NDArray[np.float64]) -> NDArray[np.float64]:
    """(N, 3) camera rays to (N, 2) mm on the thing's sheet."""
    origin = -pose.rotation.T @ pose.translation_mm
    direction = rays @ pose.rotation
    t = -origin[2] / direction[:, 2]
    if thing.bend_per_mm == 0.0:
        return np.asarray(origin[:2] + t[:, None] * direction[:, :2])
    c = thing.bend_per_mm
    middle = thing.width_mm / 2
    for _ in range(12):  # Newton's method on the circle's equation; the flat hit is a close start
        x = origin[0] + t * direction[:, 0] - middle
        z = origin[2] + t * direction[:, 2]
        value = x * x + (z - 1 / c) ** 2 - 1 / c**2
        slope = 2 * (x * direction[:, 0] + (z - 1 / c) * direction[:, 2])
        t = t - value / np.where(np.abs(slope) < 1e-9, 1e-9, slope)
    x = origin[0] + t * direction[:, 0] - middle
    y = origin[1] + t * direction[:, 1]
    return np.column_stack([np.arcsin(np.clip(x * c, -1, 1)) / c + middle, y])


def expose(
    linear: NDArray[np.float32],
    blur_px: float = 0.8,
    noise: float = 0.01,
    jpeg_quality: int | None = 90,
    seed: int = 0,
) -> NDArray[np.uint8]:
    """A linear-light picture as a camera would store it.

    Args:
        linear: (height, width, 3) in 0..1.
        blur_px: standard deviation of the lens blur.
        noise: standard deviation of the noise at full light, 0..1 (it grows with the root of light).
        jpeg_quality: None leaves JPEG out.
        seed: of the noise.

    Returns:
        (height, width, 3) uint8, sRGB.
    """
    picture = cv2.GaussianBlur(linear, (0, 0), blur_px) if blur_px > 0 else linear
    if noise > 0:
        random = np.random.default_rng(seed).standard_normal(picture.shape, np.float32)
        picture = picture + noise * np.sqrt(np.clip(picture, 0.01, 1)) * random
    picture = np.clip(picture, 0, 1)
    curve = coded_of(picture)
    pixels = np.asarray(np.rint(curve * 255), np.uint8)
    if jpeg_quality is None:
        return pixels
    ok, data = cv2.imencode(".jpg", pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, jpeg_quality])
    if not ok:
        raise RuntimeError("OpenCV could not write a JPEG")
    return np.asarray(cv2.cvtColor(np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR)), cv2.COLOR_BGR2RGB), np.uint8)


def scale_card(card: CardBoard, px_per_mm: float = 10.0, margin_mm: float = 4.0) -> FlatThing:
    """A printed scale card with white paper round it; its pattern starts at (margin_mm, margin_mm)."""
    size = (round(card.width_mm * px_per_mm), round(card.height_mm * px_per_mm))
    pattern = np.asarray(opencv_board(card.size).generateImage(size, marginSize=0), np.float32) / 255
    margin = round(margin_mm * px_per_mm)
    sheet = np.pad(0.04 + 0.80 * pattern, margin, constant_values=0.84)
    texture = np.stack([sheet, sheet, sheet * 0.96, np.ones_like(sheet)], axis=-1).astype(np.float32)
    return FlatThing(texture, card.width_mm + 2 * margin_mm, card.height_mm + 2 * margin_mm)


def rounded_rectangle(
    width_mm: float,
    height_mm: float,
    radius_mm: float,
    color: tuple[float, float, float],
    px_per_mm: float = 10.0,
) -> FlatThing:
    """A plain rectangle with rounded corners (a bank card, a plate, a sheet) of one linear-light color."""
    size = (round(height_mm * px_per_mm), round(width_mm * px_per_mm))
    y, x = (np.indices(size, np.float32) + 0.5) / px_per_mm
    from_side = np.stack([width_mm / 2 - np.abs(x - width_mm / 2), height_mm / 2 - np.abs(y - height_mm / 2)])
    into_corner = np.maximum(radius_mm - from_side, 0)
    into_px = (radius_mm - np.hypot(into_corner[0], into_corner[1])) * px_per_mm
    texture = np.empty((*size, 4), np.float32)
    texture[..., :3] = color
    texture[..., 3] = np.clip(into_px + 0.5, 0, 1) if radius_mm > 0 else 1.0
    return FlatThing(texture, width_mm, height_mm)


def disk(diameter_mm: float, color: tuple[float, float, float], px_per_mm: float = 20.0) -> FlatThing:
    """A plain disk: the simplest coin."""
    return rounded_rectangle(diameter_mm, diameter_mm, diameter_mm / 2, color, px_per_mm)
