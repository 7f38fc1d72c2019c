"""From linear light to a phone's JPEG: exposure, lens blur, sensor noise, demosaicing, tone, sharpening, compression.

All steps keep edges where the truth says they are: kernels are symmetric, demosaicing is centered.
"""

import io
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from features.srgb import coded_of
from tools.render.cameras import Camera
from tools.render.first_hits import pinhole

Picture = NDArray[np.float32]


@dataclass(frozen=True)
class Development:
    """How one photo is taken and kept.

    Attributes:
        exposure_ev: error of the automatic exposure, in stops.
        white_gains: red and blue gain error against green.
        vignetting: light lost in the corners, 0 to 1.
        motion_px, motion_deg: length and direction of camera shake, for a photo 1600 px long.
        noise: 0 (bright sun) to 1 (dark shop): sets shot and read noise.
        mosaic: go through a Bayer mosaic.
        smoothing: strength of the phone's own noise filter, 0 to 1.
        sharpening: strength of its halos, 0 to 1.5.
        contrast, saturation: of its tone curve, around 1.
        lift: how far shadows are raised, 0 to 1 (night and HDR modes).
        local_tone: how far large bright and dark areas are brought together, 0 to 0.5 (every phone does some of it).
        jpeg_quality: of the camera file.
        message_quality: JPEG quality of a messaging app's copy; 0 = not sent by one.
        orientation: EXIF orientation (1, 3, 6 or 8); pixels are stored turned accordingly.
    """

    exposure_ev: float
    white_gains: tuple[float, float]
    vignetting: float
    motion_px: float
    motion_deg: float
    noise: float
    mosaic: bool
    smoothing: float
    sharpening: float
    contrast: float
    saturation: float
    lift: float
    local_tone: float
    jpeg_quality: int
    message_quality: int
    orientation: int

    @property
    def is_message(self) -> bool:
        """True for a copy that went through a messaging app."""
        return self.message_quality > 0

    @property
    def kept_quality(self) -> int:
        """JPEG quality of the file that is kept."""
        return self.message_quality or self.jpeg_quality

    def with_quality(self, quality: int) -> "Development":
        """The same photo kept at another JPEG quality."""
        return replace(self, message_quality=quality) if self.is_message else replace(self, jpeg_quality=quality)


def draw_development(rng: np.random.Generator, long_side_px: int, dark: bool = False) -> Development:
    """Draw the handling of one photo: most are decent, some are bad.

    A small photo stands for a downsized large one: its pixels have seen no mosaic and little noise filtering.
    """
    downsized = long_side_px < 2000
    bad = rng.random() < 0.12
    message = rng.random() < 0.3
    return Development(
        exposure_ev=float(np.clip(rng.normal(0.0, 0.3 if not bad else 0.8), -1.8, 1.3)),
        white_gains=_white_error(rng),
        vignetting=float(rng.uniform(0.02, 0.3)),
        motion_px=float(rng.exponential(0.4)) if not bad else float(rng.uniform(2, 7)),
        motion_deg=float(rng.uniform(0, 180)),
        noise=float(np.clip(rng.beta(1.3, 3.0) + 0.35 * dark, 0, 1)),
        mosaic=bool(rng.random() < (0.12 if downsized else 0.8)),
        smoothing=float(rng.uniform(0, 0.35 if downsized else 0.9)),
        sharpening=float(rng.uniform(0.1, 1.1)),
        contrast=float(rng.uniform(0.97, 1.55)),
        saturation=float(rng.uniform(0.85, 1.3)),
        lift=float(rng.uniform(0, 0.3)),
        local_tone=float(rng.uniform(0.0, 0.45)),
        jpeg_quality=int(np.clip(rng.normal(86, 9), 40, 95)),
        message_quality=int(rng.integers(55, 85)) if message else 0,
        orientation=1 if message else int(rng.choice([1, 6, 3, 8], p=[0.55, 0.3, 0.05, 0.1])),
    )


def _white_error(rng: np.random.Generator) -> tuple[float, float]:
    """Red and blue gain: phones err between warm and cold, little between green and purple."""
    warmth, tint = rng.normal(0, 0.07), rng.normal(0, 0.02)
    return float(np.exp(warmth + tint)), float(np.exp(tint - warmth))


def distort(linear: Picture, camera: Camera) -> Picture:
    """Warp the pinhole picture through the lens to the photo's own pixels.

    Args:
        linear: (H, W, 3) picture as sized by `first_hits.pinhole`.
        camera: the camera.

    Returns:
        (height_px, width_px, 3).
    """
    width, height, focal_px = pinhole(camera)
    assert linear.shape[:2] == (height, width), "picture is not the camera's pinhole picture"
    xy = camera.pixel_grid() * focal_px + np.array([(width - 1) / 2, (height - 1) / 2])
    grid = xy.astype(np.float32)
    return np.asarray(cv2.remap(linear, grid[..., 0], grid[..., 1], cv2.INTER_CUBIC), np.float32)


def develop(linear: Picture, camera: Camera, how: Development, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Linear light (after `distort`) to an upright 8-bit sRGB photo."""
    long_side = max(linear.shape[:2])
    light = np.maximum(linear, 0) * _exposure(linear) * 2.0**how.exposure_ev
    gains = _white_balance(light) * np.array([how.white_gains[0], 1.0, how.white_gains[1]])
    light = light * gains.astype(np.float32)
    light = light * _vignette(camera, how.vignetting)[..., None]
    light = _bloom(light, long_side)
    light = _shake(light, how.motion_px * long_side / 1600, how.motion_deg)
    light = _sense(light, how, rng)
    if how.smoothing > 0.15:
        light = _denoise(light, how)
    shown = _tone(_level(light, how.local_tone), how)
    shown = _sharpen(shown, how.sharpening, long_side)
    return np.asarray(np.clip(shown * 255 + rng.uniform(0, 1, shown.shape), 0, 255), np.uint8)


def _exposure(linear: Picture) -> float:
    """Gain of a center-weighted meter that protects highlights, but not at any price to what is in the middle."""
    luminance = linear @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    h, w = luminance.shape
    center = luminance[h // 5 : 4 * h // 5, w // 5 : 4 * w // 5]
    mean = 0.65 * float(np.minimum(center, np.percentile(center, 98)).mean()) + 0.35 * float(luminance.mean())
    bright = float(np.percentile(luminance, 97))
    for_middle, for_highlights = 0.23 / max(mean, 1e-6), 1.4 / max(bright, 1e-6)
    return min(for_middle, max(for_highlights, 0.45 * for_middle))


def _white_balance(light: Picture) -> NDArray[np.float64]:
    """Gains of an automatic white balance, from what looks nearly gray in the mean color of the picture.

    Most of a warm or cold cast is taken away, and nearly all of a green or purple one.
    """
    lit = light[::4, ::4].reshape(-1, 3).astype(np.float64)
    lit = np.minimum(lit, np.percentile(lit, 98)) + 1e-6
    relative = lit / lit.mean(axis=0)
    spread = (relative.max(axis=1) - relative.min(axis=1)) / relative.max(axis=1)
    weight = 1 / (0.03 + spread**2)
    nearly_gray = (lit * weight[:, None]).sum(axis=0) / weight.sum()
    mean = nearly_gray**0.6 * lit.mean(axis=0) ** 0.4
    red, blue = np.log(mean[1] / mean[[0, 2]])
    warmth, tint = 0.75 * (red - blue) / 2, 0.95 * (red + blue) / 2
    return np.asarray(np.clip(np.exp([tint + warmth, 0.0, tint - warmth]), 0.4, 2.5))


def _vignette(camera: Camera, strength: float) -> NDArray[np.float32]:
    x = (np.arange(camera.width_px) - camera.center_px[0]) / camera.width_px
    y = (np.arange(camera.height_px) - camera.center_px[1]) / camera.height_px
    r2 = (x[None, :] ** 2 + y[:, None] ** 2) / 0.5
    return np.asarray(1 - strength * r2, np.float32)


def _bloom(light: Picture, long_side: int) -> Picture:
    """Stray light: bright highlights glow a little into their surroundings."""
    over = np.clip(light - 1.0, 0, 6)
    if over.max() <= 0:
        return light
    small = cv2.resize(over, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    glow = cv2.GaussianBlur(small, (0, 0), max(1.0, long_side / 500))
    return np.asarray(light + 0.05 * cv2.resize(glow, (light.shape[1], light.shape[0])), np.float32)


def _shake(light: Picture, length_px: float, angle_deg: float) -> Picture:
    """Straight, even camera shake, centered."""
    if length_px < 0.4:
        return light
    size = 2 * int(np.ceil(length_px / 2 + 1)) + 1
    kernel = np.zeros((size, size), np.float32)
    direction = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    for t in np.linspace(-0.5, 0.5, max(9, int(length_px * 4) | 1)):
        x, y = direction * t * length_px + size // 2
        column, row = int(np.floor(x)), int(np.floor(y))
        fx, fy = x - column, y - row
        kernel[row, column] += (1 - fx) * (1 - fy)
        kernel[row, column + 1] += fx * (1 - fy)
        kernel[row + 1, column] += (1 - fx) * fy
        kernel[row + 1, column + 1] += fx * fy
    return np.asarray(cv2.filter2D(light, -1, kernel / kernel.sum()), np.float32)


def _sense(light: Picture, how: Development, rng: np.random.Generator) -> Picture:
    """Shot and read noise, through a Bayer mosaic or as the finer noise of a downsized photo."""
    full_well = 9000.0 * (1 - how.noise) ** 3 + 130.0
    read = 0.0006 + 0.004 * how.noise
    if not how.mosaic:
        full_well *= 3.0
        read *= 0.6
        noisy = light + rng.standard_normal(light.shape, np.float32) * np.sqrt(light / full_well + read**2)
        return np.asarray(np.clip(noisy, 0, 4.0), np.float32)
    height, width = light.shape[:2]
    raw = light[..., 1].copy()
    raw[0::2, 0::2] = light[0::2, 0::2, 0]
    raw[1::2, 1::2] = light[1::2, 1::2, 2]
    raw = raw + rng.standard_normal(raw.shape, np.float32) * np.sqrt(raw / full_well + read**2)
    levels = np.clip((raw * 0.25 + 0.02) * 65535, 0, 65535).astype(np.uint16)
    # In OpenCV's naming the pattern with red at (0, 0) is "BG".
    mosaic_free = cv2.cvtColor(levels, cv2.COLOR_BayerBG2RGB_EA)
    assert mosaic_free.shape == (height, width, 3)
    return np.asarray(np.clip(mosaic_free.astype(np.float32) / 65535 - 0.02, 0, 1) * 4, np.float32)


def _denoise(light: Picture, how: Development) -> Picture:
    """The smeary noise filter of a phone: stronger on color than on lightness."""
    coded = np.sqrt(np.maximum(light, 0)).astype(np.float32)
    ycc = cv2.cvtColor(coded, cv2.COLOR_RGB2YCrCb)
    strength = how.smoothing * (0.3 + how.noise)
    luma = cv2.bilateralFilter(ycc[..., 0], 5, 0.10 * strength + 0.01, 1.6)
    keep = float(np.clip(1 - strength, 0.25, 1))
    ycc[..., 0] = keep * ycc[..., 0] + (1 - keep) * luma
    for channel in (1, 2):
        ycc[..., channel] = cv2.GaussianBlur(ycc[..., channel], (0, 0), 0.6 + 1.4 * strength)
    return np.asarray(np.maximum(cv2.cvtColor(ycc, cv2.COLOR_YCrCb2RGB), 0) ** 2, np.float32)


def _level(light: Picture, strength: float) -> Picture:
    """Local tone mapping: gains against large bright and dark areas; they vary slowly, so edges stay where they are."""
    luminance = np.log(np.maximum(light @ np.array([0.2126, 0.7152, 0.0722], np.float32), 0) + 0.01)
    size = (160, max(2, round(160 * light.shape[0] / light.shape[1])))
    small = cv2.resize(luminance, size, interpolation=cv2.INTER_AREA)
    wide = cv2.bilateralFilter(np.asarray(small, np.float32), -1, 1.2, 12.0)
    wide = cv2.GaussianBlur(wide, (0, 0), 3.0)
    gain = np.exp(-strength * (wide - float(np.mean(wide))))
    gain = cv2.resize(gain, (light.shape[1], light.shape[0]), interpolation=cv2.INTER_CUBIC)
    return np.asarray(light * gain[..., None], np.float32)


def _tone(light: Picture, how: Development) -> Picture:
    """A film-like curve with raised shadows, then saturation."""
    x = np.maximum(light, 0)
    x = x * (1 + 0.9 * how.lift * np.exp(-x / 0.06))
    linear = np.clip(x * (1 + x / 1.9**2) / (1 + x * 0.55), 0, 1)
    shown = np.asarray(coded_of(linear), np.float32)
    shown = 0.46 + (shown - 0.46) * how.contrast if how.contrast < 1 else _s_curve(shown, how.contrast)
    gray = shown @ np.array([0.299, 0.587, 0.114], np.float32)
    return np.asarray(np.clip(gray[..., None] + (shown - gray[..., None]) * how.saturation, 0, 1), np.float32)


def _s_curve(shown: Picture, contrast: float) -> Picture:
    steep = shown * shown * (3 - 2 * shown)
    share = min(1.0, (contrast - 1) * 1.6)
    return np.asarray(shown * (1 - share) + steep * share, np.float32)


def _sharpen(shown: Picture, strength: float, long_side: int) -> Picture:
    """Unsharp mask with the halo width of a phone picture at this size."""
    radius = float(np.clip(long_side / 2200, 0.7, 1.8))
    blurred = cv2.GaussianBlur(shown, (0, 0), radius)
    return np.asarray(np.clip(shown + strength * (shown - blurred), 0, 1), np.float32)


def turned_for(pixels: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Stored pixels of an upright photo for an EXIF orientation of 1, 3, 6 or 8."""
    quarter_turns = {1: 0, 3: 2, 6: 1, 8: 3}[orientation]
    return np.ascontiguousarray(np.rot90(pixels, quarter_turns))


def message_size(width_px: int, height_px: int) -> tuple[int, int]:
    """Width and height that a messaging app leaves of a photo: at most 1600 px."""
    scale = min(1.0, 1600 / max(width_px, height_px))
    return round(width_px * scale), round(height_px * scale)


def encode(pixels: NDArray[np.uint8], how: Development, exif: bytes) -> bytes:
    """JPEG bytes as stored.

    A messaging copy is decoded from the camera's JPEG, brought to `message_size`, and compressed again without EXIF.
    """
    first = _jpeg(pixels if how.is_message else turned_for(pixels, how.orientation), how.jpeg_quality, exif)
    if not how.is_message:
        return first
    again = Image.open(io.BytesIO(first)).convert("RGB")
    size = message_size(*again.size)
    if size != again.size:
        again = again.resize(size, Image.Resampling.BOX)
    return _jpeg(np.asarray(again), how.message_quality, b"")


def _jpeg(pixels: NDArray[np.uint8], quality: int, exif: bytes) -> bytes:
    out = io.BytesIO()
    options = {"exif": exif} if exif else {}
    Image.fromarray(pixels).save(out, "JPEG", quality=quality, subsampling=2 if quality < 92 else 1, **options)
    return out.getvalue()
