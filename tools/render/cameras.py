"""Phone cameras: where a hand holds them, what their lenses do, and how points project.

Camera frame (OpenCV): x right, y down, z forward. Pixel centers lie at integers. A world point X is seen at
R X + t. Distortion is (k1, k2, p1, p2, k3) of OpenCV, here with p1 = p2 = k3 = 0.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tools.render.build_pump import own_bounds
from tools.render.pump_model import PumpModel, TrueCircle

Floats = NDArray[np.float64]
View = Literal["chamber", "port", "front", "three_quarter"]
VIEWS: tuple[View, ...] = ("chamber", "port", "front", "three_quarter")
FULL_FRAME_DIAGONAL_MM = 43.27
"""Diagonal of the 36 x 24 mm frame that 35 mm-equivalent focal lengths refer to."""
MAIN_LENSES_MM = (23.0, 24.0, 25.0, 26.0, 27.0, 28.0)
TELE_LENSES_MM = (35.0, 47.0, 48.0, 50.0, 52.0, 65.0, 70.0, 77.0, 80.0)


@dataclass(frozen=True)
class Lens:
    """One phone lens as built (the true values; EXIF only says them roughly).

    Attributes:
        equivalent_mm: true 35 mm-equivalent focal length on the diagonal.
        focal_mm: real focal length; f_number: aperture.
        k1, k2: radial distortion.
        center_shift: principal point against the picture's middle, parts of the long side.
    """

    equivalent_mm: float
    focal_mm: float
    f_number: float
    k1: float
    k2: float
    center_shift: tuple[float, float]

    @property
    def aperture_radius_mm(self) -> float:
        """Radius of the entrance pupil."""
        return self.focal_mm / self.f_number / 2


@dataclass(frozen=True, eq=False)
class Camera:
    """One camera in one place.

    Attributes:
        width_px, height_px: upright photo.
        focal_px: focal length in x; aspect: that in y over that in x (1 unless a resize rounded the size).
        center_px: principal point.
        k1, k2: radial distortion.
        rotation: (3, 3) world to camera; translation_mm: (3,).
        lens: what it was made from.
        focus_mm: distance of the sharp plane along the axis.
    """

    width_px: int
    height_px: int
    focal_px: float
    center_px: tuple[float, float]
    k1: float
    k2: float
    rotation: Floats
    translation_mm: Floats
    lens: Lens
    focus_mm: float
    aspect: float = 1.0

    @property
    def focal_xy_px(self) -> Floats:
        """(2,) focal lengths in x and y."""
        return np.array([self.focal_px, self.focal_px * self.aspect])

    def resized(self, width_px: int, height_px: int) -> "Camera":
        """The camera of the same photo after it was resized."""
        sx, sy = width_px / self.width_px, height_px / self.height_px
        center = ((self.center_px[0] + 0.5) * sx - 0.5, (self.center_px[1] + 0.5) * sy - 0.5)
        return replace(
            self, width_px=width_px, height_px=height_px, focal_px=self.focal_px * sx, center_px=center,
            aspect=self.aspect * sy / sx,
        )  # fmt: skip

    @property
    def position_mm(self) -> Floats:
        """(3,) lens center in the world."""
        return np.asarray(-self.rotation.T @ self.translation_mm)

    @property
    def forward(self) -> Floats:
        """(3,) viewing direction in the world."""
        return np.asarray(self.rotation[2])

    def to_camera(self, points_mm: Floats) -> Floats:
        """(N, 3) world points in the camera frame."""
        return np.asarray(points_mm @ self.rotation.T + self.translation_mm)

    def project(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """(N, 3) world points to (N, 2) pixels and (N,) depths; points behind the camera get NaN."""
        local = self.to_camera(np.atleast_2d(points_mm))
        depth = local[:, 2]
        with np.errstate(divide="ignore", invalid="ignore"):
            xy = np.where(depth[:, None] > 1.0, local[:, :2] / depth[:, None], np.nan)
        return self.pixels_of(xy), depth

    def pixels_of(self, xy: Floats) -> Floats:
        """(..., 2) normalized undistorted coordinates to pixels."""
        r2 = (xy**2).sum(axis=-1, keepdims=True)
        bent = xy * (1 + self.k1 * r2 + self.k2 * r2**2)
        return np.asarray(bent * self.focal_xy_px + np.asarray(self.center_px))

    def normalized(self, px: Floats) -> Floats:
        """(..., 2) pixels to normalized undistorted coordinates (inverse of `pixels_of`)."""
        bent = (px - np.asarray(self.center_px)) / self.focal_xy_px
        radius = np.sqrt((bent**2).sum(axis=-1, keepdims=True))
        straight = np.linspace(0, 1.6 * max(float(radius.max()), 0.1), 4000)
        table = straight * (1 + self.k1 * straight**2 + self.k2 * straight**4)
        rising = int(np.argmax(np.diff(table) <= 0)) or len(table)
        true_radius = np.interp(radius, table[:rising], straight[:rising])
        return np.asarray(bent * np.where(radius > 1e-12, true_radius / np.maximum(radius, 1e-12), 1.0))

    def pixel_grid(self) -> Floats:
        """(height, width, 2) normalized coordinates of every pixel center."""
        x, y = np.meshgrid(np.arange(self.width_px, dtype=np.float64), np.arange(self.height_px, dtype=np.float64))
        return self.normalized(np.stack([x, y], axis=-1))


def draw_lens(rng: np.random.Generator, tele: bool) -> Lens:
    """A main or tele lens of a phone that does not exist."""
    nominal = float(rng.choice(TELE_LENSES_MM if tele else MAIN_LENSES_MM))
    true = nominal * float(np.exp(rng.normal(0, 0.012)))
    crop = rng.uniform(3.4, 5.2) if not tele else rng.uniform(4.5, 8.0)
    strength = 0.035 if not tele else 0.012
    k1 = float(np.clip(rng.normal(0, strength), -0.07, 0.07))
    k2 = float(np.clip(rng.normal(-0.3 * k1, strength * 0.6), -0.06, 0.06))
    shift = rng.normal(0, 0.003, 2)
    f_number = float(rng.choice([1.5, 1.6, 1.8, 1.9, 2.2] if not tele else [2.0, 2.4, 2.8, 3.4]))
    return Lens(true, true / crop, f_number, k1, k2, (float(shift[0]), float(shift[1])))


def draw_frame(rng: np.random.Generator, long_side_px: int) -> tuple[int, int]:
    """Width and height: 4:3 mostly, 16:9 or square at times, held either way."""
    ratio = float(rng.choice([4 / 3, 16 / 9, 1.0], p=[0.86, 0.1, 0.04]))
    short = round(long_side_px / ratio / 2) * 2
    return (long_side_px, short) if rng.random() < 0.55 else (short, long_side_px)


@dataclass(frozen=True, eq=False)
class Subject:
    """What a view shows: points to keep in frame, and the direction from which it is looked at.

    Attributes:
        points_mm: (N, 3) to frame.
        toward: (3,) unit vector from the subject to an unhurried observer.
        tilt_sd_deg: how far hands stray from it.
        fill: (low, high) part of the frame that the points fill.
    """

    points_mm: Floats
    toward: Floats
    tilt_sd_deg: float
    fill: tuple[float, float]


def circle_points(circle: TrueCircle, count: int = 72) -> Floats:
    """(count, 3) points on a true circle, in the pump frame."""
    a, b = plane_axes(circle.normal)
    t = np.arange(count) * 2 * np.pi / count
    return np.asarray(circle.center_mm + circle.diameter_mm / 2 * (np.outer(np.cos(t), a) + np.outer(np.sin(t), b)))


def plane_axes(normal: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors spanning the plane across a normal, the second as upright as can be."""
    up = np.array([0.0, 0.0, 1.0]) if abs(normal[2]) < 0.9 else np.array([0.0, 1.0, 0.0])
    a = np.cross(up, normal)
    a = a / np.linalg.norm(a)
    return a, np.cross(normal, a)


def subject_of(model: PumpModel, view: View, instance: int, rng: np.random.Generator) -> Subject:
    """The subject of a view of a pump (`instance`: which chamber or port)."""
    low, high = own_bounds(model.parts)
    corners = np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])])
    if view in ("chamber", "port"):
        names = (
            ("chamber_diameter",) if view == "chamber" else ("flange_diameter", "port_bore", "thread_major_diameter")
        )
        for name in names:
            found = [c for c in model.circles if c.name == name]
            if found:
                circle = next((c for c in found if c.instance == instance), found[0])
                spread = rng.uniform(1.0, 1.5) if view == "chamber" else rng.uniform(1.2, 3.0)
                center = circle.center_mm
                points = center + spread * (circle_points(circle, 24) - center)
                points[:, 2] = np.maximum(points[:, 2], -20)
                toward = circle.normal
                mated = model.attributes.get("mated" if circle.instance == 0 else "mated_inlet")
                if view == "port" and mated == "yes":
                    # A mated flange is looked at past its pipe.
                    toward = _turned_aside(toward, rng.uniform(35, 65), rng)
                return Subject(points, toward, 15.0, (0.6, 0.98))
    if view == "front":
        toward = np.array([0.0, -1.0, 0.18])
        return Subject(corners, toward / np.linalg.norm(toward), 11.0, (0.6, 1.0))
    side = 1.0 if instance == 0 else -1.0
    toward = np.array([side * rng.uniform(0.6, 1.4), -rng.uniform(0.6, 1.3), rng.uniform(0.15, 0.9)])
    return Subject(corners, toward / np.linalg.norm(toward), 8.0, (0.6, 1.0))


def from_higher(subject: Subject, rng: np.random.Generator) -> Subject:
    """The same subject looked at from 20 to 40 deg above the horizon, as one does to show a card on the floor."""
    flat = subject.toward * [1.0, 1.0, 0.0]
    length = float(np.linalg.norm(flat))
    elevation = np.radians(rng.uniform(20, 40))
    if length < 0.2 or np.arcsin(subject.toward[2]) > elevation:
        return subject
    toward = np.cos(elevation) * flat / length + np.array([0.0, 0.0, np.sin(elevation)])
    return replace(subject, toward=toward, tilt_sd_deg=min(subject.tilt_sd_deg, 6.0))


def hold_camera(
    subject: Subject, extra_points_mm: Floats, size_px: tuple[int, int], lens: Lens, rng: np.random.Generator,
    reach_mm: tuple[float, float] = (380.0, 3000.0), lowest_mm: float = 60.0,
) -> Camera:  # fmt: skip
    """Aim by hand: a direction near the subject's own, then step back until everything wanted is in frame.

    Args:
        subject: what to show.
        extra_points_mm: (M, 3) further points wanted in frame (the scale reference).
        size_px: width and height.
        lens: the lens.
        rng: random source.
        reach_mm: nearest and farthest distance.
        lowest_mm: the camera stays above this height.
    """
    width, height = size_px
    focal_px = lens.equivalent_mm / FULL_FRAME_DIAGONAL_MM * float(np.hypot(width, height))
    points = np.concatenate([subject.points_mm, extra_points_mm.reshape(-1, 3)])
    toward = _stray(subject.toward, subject.tilt_sd_deg, rng)
    fill = rng.uniform(*subject.fill)
    roll = np.radians(rng.normal(0, 3.5))
    aim = (points.min(axis=0) + points.max(axis=0)) / 2
    aim_shift = rng.normal(0, 0.05, 2)
    distance = 1000.0
    for _ in range(12):
        position = aim + toward * distance
        position[2] = max(position[2], lowest_mm)
        rotation = _looking(aim - position, roll)
        local = (points - position) @ rotation.T
        xy = local[:, :2] / np.maximum(local[:, 2:], 50.0)
        low, high = xy.min(axis=0), xy.max(axis=0)
        needed = float(((high - low) * focal_px / (fill * np.array([width, height]))).max())
        offset = (low + high) / 2 + aim_shift * (high - low)
        aim = aim + rotation.T @ np.array([offset[0], offset[1], 0.0]) * distance * 0.7
        distance = float(np.clip(distance * needed**0.8, *reach_mm))
    position = aim + toward * distance
    position[2] = max(position[2], lowest_mm)
    rotation = _looking(aim - position, roll)
    shift = np.array(lens.center_shift) * max(width, height)
    focus = float((subject.points_mm.mean(axis=0) - position) @ rotation[2])
    miss = rng.normal(0, 0.02) if rng.random() < 0.88 else rng.normal(0, 0.16)
    return Camera(
        width, height, focal_px, ((width - 1) / 2 + float(shift[0]), (height - 1) / 2 + float(shift[1])),
        lens.k1, lens.k2, rotation, np.asarray(-rotation @ position), lens, max(120.0, focus * float(np.exp(miss))),
    )  # fmt: skip


def _stray(toward: Floats, sd_deg: float, rng: np.random.Generator) -> Floats:
    """Turn a direction by a hand's random tilt (at most 40 deg), more often from above than from below."""
    tilt = np.radians(min(40.0, abs(rng.normal(0, sd_deg))))
    a, b = plane_axes(toward)
    turn = rng.uniform(0, np.pi) if rng.random() < 0.75 else rng.uniform(np.pi, 2 * np.pi)
    sideways = np.cos(turn) * a + np.sin(turn) * b
    return np.asarray(np.cos(tilt) * toward + np.sin(tilt) * sideways)


def _turned_aside(toward: Floats, angle_deg: float, rng: np.random.Generator) -> Floats:
    a, b = plane_axes(toward)
    turn = rng.uniform(0, np.pi)
    tilt = np.radians(angle_deg)
    return np.asarray(np.cos(tilt) * toward + np.sin(tilt) * (np.cos(turn) * a + np.sin(turn) * b))


def _looking(direction: Floats, roll: float) -> Floats:
    """(3, 3) world-to-camera rotation looking along a direction, rolled about it."""
    z = direction / np.linalg.norm(direction)
    up = np.array([0.0, 0.0, 1.0]) if abs(z[2]) < 0.97 else np.array([0.0, 1.0, 0.0])
    x = np.cross(z, up)
    x /= np.linalg.norm(x)
    y = np.cross(z, x)
    c, s = np.cos(roll), np.sin(roll)
    return np.stack([c * x + s * y, -s * x + c * y, z])
