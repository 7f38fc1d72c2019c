"""Makes photos of the other renderer's light, with tone curves and noise that `tools.render` does not use."""

import pickle
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from features.srgb import coded_of
from tools.cross_render.hand_over import UntakenPhoto
from tools.render.develop import distort, encode
from tools.render.photo_files import append_truth, write_photo

Picture = NDArray[np.float32]
CURVES = ("clipped", "film", "logarithmic")
MIDDLE_GRAY = 0.2


def develop_folder(folder: Path) -> int:
    """Develop every light that is there; photo, mask and truth take its place. Returns how many."""
    lights = sorted(folder.glob("*.light.npy"))
    for path in lights:
        name = path.name.removesuffix(".light.npy")
        untaken: UntakenPhoto = pickle.loads((folder / f"{name}.untaken").read_bytes())
        rng = np.random.default_rng([untaken.record["seed"], untaken.record["index"], 3])
        light = np.maximum(np.nan_to_num(np.load(path).astype(np.float32), posinf=1e3), 0)
        pixels = shown(distort(light, untaken.camera), rng)
        jpeg = encode(pixels, untaken.how, untaken.exif)
        append_truth(folder, write_photo(folder, name, jpeg, untaken.mask, untaken.record))
        for left in (path, folder / f"{name}.npz", folder / f"{name}.untaken"):
            left.unlink()
    return len(lights)


def shown(light: Picture, rng: np.random.Generator) -> NDArray[np.uint8]:
    """(H, W, 3) linear light as an 8-bit picture: exposed on its mean, one of three curves, some blur and noise."""
    luminance = light @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    mean = float(np.minimum(luminance, np.percentile(luminance, 97)).mean())
    gains = MIDDLE_GRAY / max(mean, 1e-6) * 2 ** rng.normal(0, 0.3) * np.exp(rng.normal(0, 0.05, 3))
    coded = _curve(str(rng.choice(CURVES)), light * gains.astype(np.float32))
    blur_px = float(rng.uniform(0, 0.9))
    if blur_px > 0.3:
        coded = np.asarray(cv2.GaussianBlur(coded, (0, 0), blur_px), np.float32)
    noisy = coded + rng.normal(0, rng.uniform(0, 0.02), coded.shape)
    return np.asarray(np.clip(255 * noisy + 0.5, 0, 255), np.uint8)


def _curve(kind: str, light: Picture) -> Picture:
    """Linear light to sRGB values 0 to 1."""
    if kind == "film":  # a toe, a straight part and a shoulder; white at 11 times middle gray's neighborhood
        toe = np.maximum(2.5 * light, 0)
        linear = np.clip(_shoulder(toe) / _shoulder(np.float32(11.2)), 0, 1)
    elif kind == "logarithmic":  # 11.5 stops from 7 below middle gray
        linear = np.clip((np.log2(np.maximum(light, 1e-4) / 0.18) + 7) / 11.5, 0, 1) ** 2
    else:
        linear = np.clip(light, 0, 1)
    coded = coded_of(linear)
    if kind == "logarithmic":
        coded = np.clip(0.35 + 1.2 * (coded - 0.35), 0, 1)
    return np.asarray(coded, np.float32)


def _shoulder(x: Picture | np.float32) -> Picture:
    """A rational curve with toe and shoulder, 0 at 0; constants as John Hable published them for games (2010)."""
    return np.asarray((x * (0.15 * x + 0.05) + 0.004) / (x * (0.15 * x + 0.5) + 0.06) - 0.004 / 0.06, np.float32)
