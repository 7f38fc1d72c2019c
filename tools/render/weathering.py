"""Paints a pump: what it is made of, and what years of use did to it, texel by texel in space.

Marks are made of noise volumes looked up at the texel's place on the pump, so they run across edges and parts;
scratches and spatters come from flat pictures. The result is one picture each of color, roughness, metalness and
relief.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from tools.render import textures as tx
from tools.render.atlas import Atlas
from tools.render.finish_kinds import Finish
from tools.render.finishes import PumpLook
from tools.render.pump_model import MaterialSlot
from tools.render.splits import Split
from tools.render.wear_kinds import Wear

Floats = NDArray[np.float64]
Values = NDArray[np.float32]
FLAT_PERIOD_MM = 260.0
_GRID_CELLS = 90
_BLUR_CELLS, _PROBE_CELLS = 1.8, 2.2
_DENSITY_OVER_PLANE = float(np.exp(-0.5 * (_PROBE_CELLS / _BLUR_CELLS) ** 2) / (_BLUR_CELLS * np.sqrt(2 * np.pi)))


@dataclass(frozen=True, eq=False)
class PaintedPump:
    """Pictures of a pump's atlas: color (N, N, 3), the others (N, N); relief in mm."""

    color: Values
    roughness: Values
    metallic: Values
    relief_mm: Values


@dataclass(frozen=True, eq=False)
class _Texels:
    """What marks are made from, for the texels of one material.

    Attributes:
        position, normal, flat_mm: of each texel.
        coarse, middle, fine, streak: noise in 0..1 with marks of decimeters, centimeters, millimeters, and runs.
        corner, edge: how deep in a corner, how far out on an edge, 0..1.
    """

    position: Floats
    normal: Floats
    flat_mm: Floats
    coarse: Values
    middle: Values
    fine: Values
    streak: Values
    corner: Values
    edge: Values


def paint(
    atlas: Atlas, slots: list[MaterialSlot], look: PumpLook, split: Split, rng: np.random.Generator
) -> PaintedPump:
    """Paint all texels of a pump.

    Args:
        atlas: the unwrapped pump; slots: material slot of each of its parts.
        look: finishes and wear.
        split: whose flat pictures may be used.
        rng: random source.
    """
    count = len(atlas.row)
    color, relief = np.zeros((count, 3), np.float32), np.zeros(count, np.float32)
    roughness, metallic = np.full(count, 0.5, np.float32), np.zeros(count, np.float32)
    near = _density(atlas)
    names = sorted(set(slots))
    slot_of_part = np.array([names.index(slot) for slot in slots])
    slot_of_texel = slot_of_part[atlas.part]
    volume = tx.noise_volume(int(rng.integers(8)))
    shift = rng.uniform(0, 2000, 3)
    height = float(atlas.positions[:, 2].max())
    for number, slot in enumerate(names):
        chosen = np.flatnonzero(slot_of_texel == number)
        if not len(chosen):
            continue
        texels = _texels(atlas, chosen, near, volume, shift + 37.0 * number)
        finish = look.finishes[slot]
        base = _base(texels, finish, look.wear)
        color[chosen], roughness[chosen], metallic[chosen] = _worn(
            texels, *base, finish, look.wear, volume, height, split, rng
        )
        relief[chosen] = _relief(texels.position, finish, volume, shift)
    return PaintedPump(
        atlas.picture(np.clip(color, 0.004, 0.9), 0.3), atlas.picture(np.clip(roughness, 0.07, 1.0), 0.5),
        atlas.picture(np.clip(metallic, 0.001, 1.0), 0.001), atlas.picture(relief, 0.0),
    )  # fmt: skip


def _density(atlas: Atlas) -> Values:
    """(T,) how much surface lies in front of each texel, 1 over a plane, more in corners, less on edges."""
    low, high = atlas.mesh.positions.min(axis=0), atlas.mesh.positions.max(axis=0)
    cell = float((high - low).max()) / _GRID_CELLS
    origin = low - 4 * cell
    filled = np.zeros(tuple(int(n) + 9 for n in np.ceil((high - low) / cell)), np.float32)
    for points in (atlas.positions, atlas.mesh.positions):
        index = np.clip(np.rint((points - origin) / cell).astype(np.int64), 0, np.array(filled.shape) - 1)
        filled[index[:, 0], index[:, 1], index[:, 2]] = 1.0
    blurred = gaussian_filter(filled, _BLUR_CELLS, mode="constant")
    probe = (atlas.positions + atlas.normals * (_PROBE_CELLS * cell) - origin) / cell
    return np.asarray(map_coordinates(blurred, probe.T, order=1, prefilter=False) / _DENSITY_OVER_PLANE, np.float32)


def _texels(atlas: Atlas, chosen: NDArray[np.int64], near: Values, volume: Values, shift: Floats) -> _Texels:
    p = atlas.positions[chosen] + shift
    density = near[chosen]
    return _Texels(
        atlas.positions[chosen], atlas.normals[chosen], atlas.flat_mm[chosen],
        coarse=tx.sample_volume(volume, p, 420.0),
        middle=tx.sample_volume(volume, p + 77, 120.0),
        fine=tx.sample_volume(volume, p + 13, 34.0),
        streak=tx.sample_volume(volume, p * [1, 1, 0.09] + 31, 110.0),
        corner=np.clip(density - 1.25, 0, 1),
        edge=np.clip((0.78 - density) * 3, 0, 1),
    )  # fmt: skip


def _base(t: _Texels, finish: Finish, wear: Wear) -> tuple[Values, Values, Values]:
    """Color, roughness and metalness of the surface itself: mottled, and bleached where it is not metal."""
    mottle = 1 + finish.mottle * (1.0 * t.coarse + 0.8 * t.middle + 0.6 * t.fine - 1.2)
    color = np.asarray(finish.color, np.float32) * mottle[:, None]
    pale = wear.fade * t.coarse * (1 - finish.metallic)
    color = _towards(color, color * 0.6 + 0.16, pale * 0.6)
    roughness = finish.roughness * (1 + 0.5 * (t.middle - 0.5) + 0.3 * (t.fine - 0.5))
    return color, np.asarray(roughness, np.float32), np.full(len(color), finish.metallic, np.float32)


def _worn(
    t: _Texels, color: Values, roughness: Values, metallic: Values, finish: Finish, wear: Wear, volume: Values,
    height_mm: float, split: Split, rng: np.random.Generator,
) -> tuple[Values, Values, Values]:  # fmt: skip
    """Lay the finish's own cover, runs, dust, splashes and the grime of corners over the base."""
    cover = _cover(t, finish, volume, split, rng)
    color = _towards(color, np.asarray(finish.overlay_color, np.float32) * (0.8 + 0.4 * t.fine[:, None]), cover)
    roughness = roughness * (1 - cover) + finish.overlay_roughness * cover
    metallic = metallic * (1 - cover) + finish.overlay_metallic * cover
    upright = 1 - 0.7 * np.abs(t.normal[:, 2])
    run = wear.streaks * tx.smooth_threshold(0.75 * t.streak + 0.25 * t.fine, 0.58, 0.3) * upright
    color = _towards(color, np.asarray(wear.streak_color, np.float32), run * 0.6)
    lying = wear.dust * np.clip(t.normal[:, 2] * 1.1, 0, 1) ** 0.7 * (0.3 + 0.5 * t.middle + 0.4 * t.fine)
    film = wear.dust * 0.35 * t.coarse * (0.6 + 0.8 * t.fine)
    low = wear.splash * np.clip(1 - t.position[:, 2] / (0.4 * height_mm), 0, 1) * (t.middle + 0.6 * t.fine)
    dirt = np.clip(np.maximum(lying * 0.9, film) + 0.6 * low, 0, 0.92).astype(np.float32)
    color = _towards(color, np.asarray(wear.dust_color, np.float32), dirt)
    grime = np.clip(0.85 * t.corner * (0.35 + 0.9 * t.fine * t.middle * 2) * wear.grime, 0, 0.85).astype(np.float32)
    color = _towards(color, np.asarray(wear.grime_color, np.float32), grime)
    dull = np.maximum(dirt, 0.8 * grime)
    roughness = roughness * (1 - dull) + 0.85 * dull
    return color, np.asarray(roughness, np.float32), np.asarray(metallic * (1 - dull), np.float32)


def _cover(t: _Texels, finish: Finish, volume: Values, split: Split, rng: np.random.Generator) -> Values:
    """(T,) how much of each texel the finish's cover hides."""
    amount = finish.overlay_amount
    if finish.overlay == "none" or amount <= 0:
        return np.zeros(len(t.coarse), np.float32)
    shift = rng.uniform(0, 1000, 3)
    island = 0.55 * tx.sample_volume(volume, t.position + shift, 190.0) + 0.3 * t.middle + 0.15 * t.fine
    grit = tx.sample_volume(volume, t.position + shift, 13.0) - 0.5
    frayed = island + 0.16 * grit + 0.22 * (t.corner - 0.15)
    spread = np.asarray((frayed - 0.5) / 0.42 + 0.5, np.float32)
    match finish.overlay:
        case "patches":
            cover = tx.smooth_threshold(spread, 1 - amount, 0.45) * np.clip(0.85 + 0.6 * grit, 0, 1)
        case "clouds":
            cover = 0.7 * tx.smooth_threshold(spread, 1 - amount, 0.7)
        case "chips":
            worn_edges = tx.smooth_threshold(t.edge + 0.6 * (t.fine - 0.5), 1.1 - 1.2 * amount, 0.06)
            bare = np.maximum(tx.smooth_threshold(spread, 1 - 0.6 * amount, 0.02), worn_edges)
            cover = np.maximum(bare, _flat("scratches", int(120 * amount), t, split, rng))
        case "scratches":
            cover = 0.7 * _flat("scratches", int(260 * amount), t, split, rng)
        case "drips":
            cover = 0.9 * _flat("drips", int(60 * amount), t, split, rng) * (np.abs(t.normal[:, 2]) < 0.8)
        case "crust":
            crusted = 0.8 * tx.smooth_threshold(spread + 0.5 * t.corner, 1.05 - 0.5 * amount, 0.5)
            cover = np.maximum(crusted, 0.7 * _flat("drips", int(30 * amount), t, split, rng))
        case "spray":
            cover = _flat("speckles", int(900 * amount), t, split, rng)
        case _:
            raise ValueError(f"unknown cover {finish.overlay!r}")
    return np.asarray(cover, np.float32)


def _flat(kind: str, count: int, t: _Texels, split: Split, rng: np.random.Generator) -> Values:
    """Look up a tiling picture at the texels' box-projected places."""
    picture = tx.mark_picture(kind, max(1, count), int(rng.integers(tx.MARK_VARIANTS)), split == "test")
    at = (t.flat_mm / FLAT_PERIOD_MM + rng.uniform(0, 1, 2)) * picture.shape[0]
    return np.asarray(map_coordinates(picture, at[:, ::-1].T, order=1, mode="grid-wrap", prefilter=False), np.float32)


def _relief(position: Floats, finish: Finish, volume: Values, shift: Floats) -> Values:
    """(T,) heights in mm."""

    def noise(period_mm: float, stretch: tuple[float, float, float] = (1, 1, 1)) -> Values:
        return tx.sample_volume(volume, position * stretch + shift, period_mm)

    match finish.bump:
        case "cast":
            height = 0.5 * noise(55.0) + 0.6 * noise(170.0)
        case "molded":
            height = 0.8 * noise(260.0) + 0.15 * noise(45.0)
        case "hammered":
            height = noise(140.0) ** 2
        case "brushed":
            height = noise(60.0, (0.08, 0.08, 1))
        case _:
            height = noise(60.0)
    return np.asarray(finish.bump_mm * height, np.float32)


def _towards(color: Values, other: Values, weight: NDArray[np.floating]) -> Values:
    w = np.asarray(weight, np.float32)[:, None]
    return np.asarray(color * (1 - w) + other * w, np.float32)
