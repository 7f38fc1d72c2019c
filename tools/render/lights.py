"""Light: environment maps from files or painted here, window and tube panels, a flash at the camera.

Every scene has one environment map and a few rectangle lamps, nothing else, so that all scenes share GPU kernels.
Environment pictures are (H, W, 3) linear float32 in the equal-angle layout of Mitsuba's `envmap` (y up in the picture).
"""

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

from tools.render.cameras import Camera
from tools.render.splits import Kind, Split, draw
from tools.render.textures import fractal_noise

Floats = NDArray[np.float64]
LIGHTS = (
    Kind("environment", 4),
    Kind("windows", 2),
    Kind("tubes", 2.5),
    Kind("bulb", 1),
    Kind("flash", 1.5),
    Kind("overcast", 1.5),
    Kind("sun", 1),
    Kind("test_environment", 4, held_out=True),
    Kind("skylight", 1.5, held_out=True),
    Kind("work_lamp", 1.5, held_out=True),
    Kind("flash_in_the_dark", 1, held_out=True),
    Kind("low_sun", 1, held_out=True),
)
OUTDOOR_LIGHTS = ("overcast", "sun", "low_sun")
LAMPS = 4
ENVIRONMENT_PX = (1024, 512)
"""One size for all environment maps: it is part of the GPU kernel."""
MIDDLE_DEG = 90.0
"""Turn after which the middle of an environment picture lies towards +x (found by trial)."""
TEST_ENVIRONMENTS = ("city", "dawn", "lobby", "studio", "warehouse")
"""File stems (CC0 panoramas, see README) that only the test split may use."""


@dataclass(frozen=True, eq=False)
class Lamp:
    """A glowing rectangle.

    Attributes:
        corners_mm: (4, 3), counterclockwise as seen from the lit side.
        radiance: (3,).
    """

    corners_mm: Floats
    radiance: Floats

    def halves(self) -> "tuple[Lamp, Lamp]":
        """The same light from two rectangles."""
        a, b, c, d = self.corners_mm
        ab, cd = (a + b) / 2, (c + d) / 2
        return Lamp(np.array([a, ab, cd, d]), self.radiance), Lamp(np.array([ab, b, c, cd]), self.radiance)


@dataclass(frozen=True, eq=False)
class Light:
    """The light of one scene: its kind, the plugin dictionary of the sky, and exactly `LAMPS` lamps or none."""

    kind: str
    sky: dict[str, Any]
    lamps: tuple[Lamp, ...] = ()


def environment_files(folder: Path | None) -> tuple[Path, ...]:
    """Panorama files (.exr, .hdr, or .exr.js as the npm package wraps them) in a folder, sorted; empty without one."""
    if folder is None:
        return ()
    return tuple(sorted(p for p in folder.rglob("*") if p.name.endswith((".exr", ".hdr", ".exr.js"))))


@lru_cache(maxsize=32)
def read_environment(path: Path) -> NDArray[np.float32]:
    """Read a panorama as (H, W, 3) linear float32, mean 1."""
    if path.name.endswith(".js"):
        _, _, encoded = path.read_text().partition("base64,")
        data = base64.b64decode(encoded.rstrip().rstrip(";").rstrip("'\""))
        stream = mi.MemoryStream()
        stream.write(data)
        stream.seek(0)
        picture = mi.Bitmap(stream)
    else:
        picture = mi.Bitmap(str(path))
    rgb = np.array(picture.convert(mi.Bitmap.PixelFormat.RGB, mi.Struct.Type.Float32, False))
    rgb = cv2.resize(np.nan_to_num(rgb, posinf=2000.0), ENVIRONMENT_PX, interpolation=cv2.INTER_LINEAR)
    # Small panoramas are blocky when seen directly: soften them as a lens out of focus would.
    rgb = cv2.GaussianBlur(rgb, (0, 0), 2.5, sigmaY=1.7)
    # Colorful evenings and neon signs are rarer than the panoramas make them.
    rgb = 0.75 * rgb + 0.25 * rgb.mean(axis=2, keepdims=True)
    return np.asarray(np.maximum(rgb, 0) / max(float(rgb.mean()), 1e-6), np.float32)


Lit = tuple[dict[str, Any], list[Lamp]]
"""Sky and lamps."""


def draw_light(
    split: Split, environments: Sequence[Path], outdoors: bool, camera: Camera, middle_mm: Floats,
    rng: np.random.Generator, kind: str | None = None,
) -> Light:  # fmt: skip
    """Draw the light of a scene.

    Args:
        split: whose kinds may be used.
        environments: panorama files, may be empty.
        outdoors: the place has open sky.
        camera: for flashes.
        middle_mm: (3,) middle of the pump.
        rng: random source.
        kind: a kind to use instead of drawing one.
    """
    if kind is None:
        kind = draw(LIGHTS, split, rng)
        if outdoors and kind not in (*OUTDOOR_LIGHTS, "environment", "test_environment"):
            kind = "low_sun" if split == "test" else str(rng.choice(["overcast", "sun"]))
    mine = [f for f in environments if (f.name.split(".")[0] in TEST_ENVIRONMENTS) == (split == "test")]
    if kind in ("environment", "test_environment"):
        if mine:
            return Light(kind, _envmap(read_environment(mine[int(rng.integers(len(mine)))]), rng, 1.0))
        kind = "skylight" if split == "test" else "windows"
    maker = {
        "windows": _windows, "tubes": _tubes, "bulb": _bulb, "flash": _flash, "overcast": _overcast, "sun": _sun,
        "skylight": _skylight, "work_lamp": _work_lamp, "flash_in_the_dark": _dark_flash, "low_sun": _low_sun,
    }[kind]  # fmt: skip
    sky, lamps = maker(camera, middle_mm, rng)
    return Light(kind, sky, _as_four(lamps))


def _as_four(lamps: list[Lamp]) -> tuple[Lamp, ...]:
    """Exactly four lamps or none, by halving: the number of lamps is part of the GPU kernel."""
    pieces = lamps[:LAMPS]
    while 0 < len(pieces) < LAMPS:
        pieces = [*pieces[1:], *pieces[0].halves()]
    return tuple(pieces)


def _envmap(
    picture: NDArray[np.float32], rng: np.random.Generator, scale: float, sun_at: float | None = None
) -> dict[str, Any]:  # fmt: skip
    """A sky turned at random, or so that the middle of the picture lies at an azimuth of the pump frame."""
    how = cv2.INTER_CUBIC if picture.shape[0] < ENVIRONMENT_PX[1] else cv2.INTER_AREA
    degrees = float(rng.uniform(0, 360)) if sun_at is None else float(np.degrees(sun_at)) + MIDDLE_DEG
    turn = mi.ScalarTransform4f().rotate([0, 0, 1], degrees)
    upright = mi.ScalarTransform4f().rotate([1, 0, 0], 90.0)
    return {
        "type": "envmap",
        "bitmap": mi.Bitmap(
            np.ascontiguousarray(np.maximum(cv2.resize(picture, ENVIRONMENT_PX, interpolation=how), 0))
        ),
        "scale": scale,
        "to_world": turn @ upright,
    }


def _warmth(rng: np.random.Generator, kelvin: tuple[float, float]) -> Floats:
    """Rough color of a lamp of some color temperature, green = 1."""
    t = float(rng.uniform(*kelvin))
    x = (t - 6500.0) / 3500.0
    return np.array([float(np.clip(1 - 0.55 * x, 0.6, 2.2)), 1.0, float(np.clip(1 + 0.65 * x, 0.25, 1.7))])


def _room(rng: np.random.Generator, level: float) -> NDArray[np.float32]:
    """Dim surroundings of a room: darker floor, lighter ceiling, blotches that make reflections lively."""
    h, w = 64, 128
    up = np.linspace(1, -1, h)[:, None]
    base = level * (0.5 + 0.35 * up) * np.ones((h, w))
    blotch = cv2.resize(fractal_noise(rng, 64, 2.0, 0.25), (w, h))
    warm = float(np.exp(rng.normal(0, 0.12)))
    tone = np.array([warm, rng.uniform(0.96, 1.04), 1 / warm])
    return np.asarray((base * (0.25 + 1.5 * blotch**2))[..., None] * tone, np.float32)


def _panel(
    center: Floats, target: Floats, size_mm: tuple[float, float], radiance: Floats,
    up: tuple[float, float, float] = (0, 0, 1),
) -> Lamp:  # fmt: skip
    """A glowing rectangle facing a target; `size_mm` across and along `up`."""
    ahead = (target - center) / np.linalg.norm(target - center)
    across = np.cross(np.asarray(up, np.float64), ahead)
    across /= np.linalg.norm(across)
    along = np.cross(ahead, across)
    a, b = across * size_mm[0] / 2, along * size_mm[1] / 2
    return Lamp(center + np.array([-a - b, a - b, a + b, -a + b]), radiance)


def _around(middle: Floats, azimuth: float, distance: float, height: float) -> Floats:
    return np.array([middle[0] + distance * np.cos(azimuth), middle[1] + distance * np.sin(azimuth), height])


def _camera_azimuth(camera: Camera) -> float:
    return float(np.arctan2(-camera.forward[1], -camera.forward[0]))


def _windows(camera: Camera, middle: Floats, rng: np.random.Generator) -> Lit:
    lamps: list[Lamp] = []
    sky = _envmap(_room(rng, rng.uniform(0.12, 0.4)), rng, 1.0)
    side = _camera_azimuth(camera) + rng.choice([-1, 1]) * rng.uniform(0.5, 1.9)
    for k in range(int(rng.integers(1, 4))):
        center = _around(middle, side + 0.35 * k, rng.uniform(1500, 3500), rng.uniform(1000, 1900))
        color = _warmth(rng, (5500, 8500)) * rng.uniform(4, 12)
        lamps.append(_panel(center, middle, (rng.uniform(500, 1200), rng.uniform(800, 1600)), color))
    return sky, lamps


def _tubes(camera: Camera, middle: Floats, rng: np.random.Generator) -> Lit:
    lamps: list[Lamp] = []
    sky = _envmap(_room(rng, rng.uniform(0.1, 0.4)), rng, 1.0)
    color = _warmth(rng, (3500, 6800)) * rng.uniform(15, 40)
    heading = rng.uniform(0, np.pi)
    offset = rng.normal(0, 800, 2)
    for k in range(int(rng.integers(2, 5))):
        along = np.array([np.cos(heading), np.sin(heading)])
        across = np.array([-along[1], along[0]])
        xy = middle[:2] + offset + across * (k - 1) * rng.uniform(700, 1400)
        center = np.array([xy[0], xy[1], rng.uniform(2100, 3400)])
        down = center - [0, 0, 1000]
        lamps.append(_panel(center, down, (60, 1200), color, up=(float(along[0]), float(along[1]), 0.0)))
    return sky, lamps


def _bulb(camera: Camera, middle: Floats, rng: np.random.Generator) -> Lit:
    center = _around(middle, rng.uniform(0, 6.28), rng.uniform(300, 1800), rng.uniform(1300, 2400))
    color = _warmth(rng, (2700, 4000)) * rng.uniform(60, 120)
    return _envmap(_room(rng, rng.uniform(0.08, 0.3)), rng, 1.0), [_panel(center, middle, (130, 130), color)]


def _flash_panel(camera: Camera, color: Floats) -> Lamp:
    """The phone's lamp: a few millimeters beside the lens, just behind its plane so that it casts no image."""
    right, down = camera.rotation[0], camera.rotation[1]
    center = camera.position_mm + 14 * right + 4 * down - 4 * camera.forward
    up = (float(down[0]), float(down[1]), float(down[2]))
    return _panel(center, center + camera.forward * 1000, (7, 7), color, up=up)


def _flash(camera: Camera, middle: Floats, rng: np.random.Generator) -> Lit:
    distance = float(np.linalg.norm(middle - camera.position_mm))
    power = 30 * (distance / 7) ** 2 * rng.uniform(0.015, 0.06)
    return _envmap(_room(rng, rng.uniform(0.15, 0.4)), rng, 1.0), [
        _flash_panel(camera, _warmth(rng, (5000, 6500)) * power)
    ]


def _dark_flash(camera: Camera, middle: Floats, rng: np.random.Generator) -> Lit:
    distance = float(np.linalg.norm(middle - camera.position_mm))
    return _envmap(_room(rng, rng.uniform(0.02, 0.06)), rng, 1.0), [
        _flash_panel(camera, _warmth(rng, (5000, 6500)) * 0.9 * (distance / 7) ** 2)
    ]


def _overcast(camera: Camera, middle: Floats, rng: np.random.Generator) -> Lit:
    h, w = 64, 128
    up = np.linspace(1, -1, h)[:, None]
    cloud = cv2.resize(fractal_noise(rng, 64, 1.6, 0.4), (w, h))
    sky = np.where(up > 0, (0.5 + 0.9 * up) * (0.75 + 0.5 * cloud), 0.25 + 0.1 * cloud)
    horizon = np.exp(-((up / 0.12) ** 2)) * (0.2 + 0.3 * (cv2.resize(fractal_noise(rng, 64, 1.0), (w, h)) > 0.5))
    picture = np.clip(sky - horizon * 0.6, 0.05, None)[..., None] * np.array([0.93, 1.0, 1.1])
    return _envmap(np.asarray(picture, np.float32), rng, 1.0), []


SUN_RADIUS = 0.013
"""Radians. The real sun's is 0.0047; this is the least that the map's pixels hold, and thin haze makes it as soft."""


def _sun_sky(rng: np.random.Generator, elevation: float) -> NDArray[np.float32]:
    """A clear or hazy sky with its sun in the picture's middle column."""
    w, h = ENVIRONMENT_PX
    up = np.linspace(np.pi / 2, -np.pi / 2, h)[:, None]
    around = np.linspace(-np.pi, np.pi, w)[None, :]
    cosine = np.clip(np.sin(up) * np.sin(elevation) + np.cos(up) * np.cos(elevation) * np.cos(around), -1, 1)
    angle = np.arccos(cosine)
    cloud = cv2.resize(fractal_noise(rng, 128, 1.6, 0.4), (w, h), interpolation=cv2.INTER_CUBIC)
    cover = np.clip((cloud - rng.uniform(0.3, 1.0)) * 3, 0, 1) * np.clip(np.sin(up) * 4, 0, 1)
    sky = 0.4 + 0.45 * (1 - np.sin(np.maximum(up, 0))) ** 2 + 0.5 * np.exp(-angle / 0.25)
    blue = np.array([0.62, 0.84, 1.2]) if elevation > 0.5 else np.array([0.9, 0.85, 0.95])
    picture = sky[..., None] * blue
    picture = picture * (1 - cover[..., None]) + cover[..., None] * 1.1
    land = 0.22 * (0.8 + 0.4 * cloud[..., None]) * np.array([1.0, 0.95, 0.85])
    picture = np.where(up[..., None] > 0, picture, land)
    warm = np.array([1.12, 1.0, 0.84]) if elevation > 0.5 else np.array([1.35, 1.0, 0.65])
    # Light of the disk on a plane facing it: two to five times that of the whole sky.
    strength = rng.uniform(2.0, 5.0) * np.pi * 0.6 / (np.pi * SUN_RADIUS**2)
    return np.asarray(picture + strength * np.exp(-((angle / SUN_RADIUS) ** 2))[..., None] * warm, np.float32)


def _behind_camera(camera: Camera, rng: np.random.Generator) -> float:
    """Where the sun stands for a photographer: behind or beside, seldom ahead."""
    return _camera_azimuth(camera) + float(np.clip(rng.normal(0, 0.9), -2.2, 2.2))


def _sun(camera: Camera, middle: Floats, rng: np.random.Generator) -> Lit:
    return _sunlit(rng.uniform(0.6, 1.3), camera, rng), []


def _low_sun(camera: Camera, middle: Floats, rng: np.random.Generator) -> Lit:
    return _sunlit(rng.uniform(0.2, 0.5), camera, rng), []


def _sunlit(elevation: float, camera: Camera, rng: np.random.Generator) -> dict[str, Any]:
    return _envmap(_sun_sky(rng, elevation), rng, 1.0, sun_at=_behind_camera(camera, rng))


def _skylight(camera: Camera, middle: Floats, rng: np.random.Generator) -> Lit:
    x, y = middle[:2] + rng.normal(0, 900, 2)
    center = np.array([x, y, 3500.0])
    return _envmap(_room(rng, rng.uniform(0.15, 0.3)), rng, 1.0), [
        _panel(center, center - [0, 0, 1000], (1500, 2500), _warmth(rng, (6000, 9000)) * 6, up=(1, 0, 0))
    ]


def _work_lamp(camera: Camera, middle: Floats, rng: np.random.Generator) -> Lit:
    azimuth = _camera_azimuth(camera) + rng.choice([-1, 1]) * rng.uniform(0.4, 1.3)
    center = _around(middle, azimuth, rng.uniform(700, 1600), rng.uniform(250, 1400))
    return _envmap(_room(rng, rng.uniform(0.06, 0.2)), rng, 1.0), [
        _panel(center, middle, (220, 160), _warmth(rng, (4000, 6500)) * rng.uniform(25, 70))
    ]
