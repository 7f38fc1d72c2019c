"""The look of one pump: the finish of each material slot, and how it has aged."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from tools.render.finish_kinds import METALS, PLASTICS, RUST, STEEL, Finish, gray_near, made_of, paint, scaled, stain
from tools.render.pump_model import MaterialSlot
from tools.render.splits import Split, draw
from tools.render.textures import Rgb
from tools.render.wear_kinds import WEARS, Wear, draw_wear, spoil


@dataclass(frozen=True)
class PumpLook:
    """The finish of each material slot of one pump, and its wear."""

    finishes: Mapping[MaterialSlot, Finish]
    wear: Wear
    wetted_kind: str
    wear_kind: str


BODY_COLORS: dict[str, tuple[str, Rgb | None]] = {
    "natural": ("natural_plastic", None),
    "black": ("black_plastic", None),
    "white": ("white_plastic", None),
    "gray": ("gray_plastic", None),
    "bare_metal": ("bare_aluminum", None),
    "red": ("painted_casting", (0.27, 0.025, 0.02)),
    "blue": ("painted_casting", (0.015, 0.075, 0.27)),
}
"""A family's word for its body's color -> kind of finish, and the paint's color."""


def draw_look(
    wetted_material: str,
    split: Split,
    rng: np.random.Generator,
    body_color: str = "",
    wear_kind: str | None = None,
) -> PumpLook:
    """Draw the look of one pump.

    Args:
        wetted_material: "plastic" or "metal".
        split: whose kinds may be used.
        rng: random source.
        body_color: a family's word for its color; "" leaves it to chance.
        wear_kind: how it has aged, None leaves it to chance.
    """
    wetted_kind = draw(METALS if wetted_material == "metal" else PLASTICS, split, rng)
    wear_kind = wear_kind or draw(WEARS, split, rng)
    wear = draw_wear(wear_kind, rng)
    wetted_kind, color = BODY_COLORS.get(body_color, (wetted_kind, None))
    made = made_of(wetted_kind, split, rng)
    wetted = spoil(made if color is None else replace(made, color=color), wear_kind, split, rng)
    air_kind = _air_section_kind(split, rng)
    air = spoil(made_of(air_kind, split, rng), wear_kind, split, rng)
    if rng.random() < 0.25 and wetted_material == "metal":
        air = wetted
    finishes: dict[MaterialSlot, Finish] = {
        "wetted": wetted,
        "air_section": air,
        "band": _hardware(rng, painted_like=wetted if rng.random() < 0.15 else None),
        "fastener": _hardware(rng, painted_like=wetted if rng.random() < 0.12 else None),
        "rubber": Finish("rubber", gray_near(rng, 0.012, 0.05), rng.uniform(0.5, 0.8), bump="grain", bump_mm=0.03),
        "nameplate": _nameplate(rng),
        "companion": _companion(split, rng),
        "muffler": _muffler(rng),
        "inside": _inside(wetted, rng),
        "accessory": _accessory(rng),
    }
    return PumpLook(finishes, wear, wetted_kind, wear_kind)


def _air_section_kind(split: Split, rng: np.random.Generator) -> str:
    table = METALS if rng.random() < 0.6 else PLASTICS
    return draw(table, split, rng)


def _hardware(rng: np.random.Generator, painted_like: Finish | None) -> Finish:
    """Bolts, nuts and bands: stainless, zinc-plated, black oxide or rusty."""
    if painted_like is not None:
        return painted_like
    steel = Finish(
        "stainless",
        scaled(STEEL, rng.uniform(0.9, 1.25)),
        rng.uniform(0.2, 0.4),
        1.0,
        bump="grain",
        bump_mm=0.01,
    )
    kind = rng.choice(["stainless", "zinc", "black", "rusty"], p=[0.5, 0.25, 0.1, 0.15])
    if kind == "zinc":
        return replace(
            steel,
            name="zinc",
            color=(0.45, 0.45, 0.43) if rng.random() < 0.7 else (0.5, 0.42, 0.2),
            roughness=0.45,
        )
    if kind == "black":
        return replace(steel, name="black_oxide", color=(0.025, 0.025, 0.028), metallic=0.5, roughness=0.4)
    if kind == "rusty":
        return replace(steel, name="rusty", overlay="patches", overlay_amount=rng.uniform(0.15, 0.6),
                       overlay_color=RUST, overlay_roughness=0.9)  # fmt: skip
    return steel


def _nameplate(rng: np.random.Generator) -> Finish:
    """Blank, eaten or painted-over plate: nothing on it can be read."""
    plate = Finish("eaten_plate", (0.6, 0.6, 0.58), 0.4, 0.9, bump="grain", bump_mm=0.03, overlay="patches",
                   overlay_amount=rng.uniform(0.2, 0.7), overlay_color=gray_near(rng, 0.05, 0.4),
                   overlay_roughness=0.8)  # fmt: skip
    if rng.random() < 0.4:
        return replace(plate, name="faded_sticker", color=gray_near(rng, 0.4, 0.8), metallic=0.0, roughness=0.6)
    return plate


def _companion(split: Split, rng: np.random.Generator) -> Finish:
    """Mated flange, pipe, fitting: plastic pipe, galvanized, painted or stainless."""
    choice = rng.integers(5)
    if choice == 0:
        return Finish("pvc_gray", gray_near(rng, 0.12, 0.25), 0.4, bump="molded", bump_mm=0.02)
    if choice == 1:
        return Finish("pvc_white", gray_near(rng, 0.6, 0.8), 0.35, bump="molded", bump_mm=0.02)
    if choice == 2:
        return Finish("galvanized", (0.48, 0.49, 0.5), 0.45, 0.85, mottle=0.25, bump="grain", bump_mm=0.03)
    if choice == 3:
        return spoil(Finish("painted_pipe", paint(split, rng), 0.4, bump="cast", bump_mm=0.06), "used", split, rng)
    return Finish("stainless_pipe", STEEL, 0.3, 1.0, bump="brushed", bump_mm=0.01)


def _muffler(rng: np.random.Generator) -> Finish:
    color: Rgb = ((0.02, 0.02, 0.02), (0.5, 0.38, 0.15), (0.5, 0.5, 0.48))[rng.integers(3)]
    return Finish("muffler", color, 0.6, 0.8 if color[0] == 0.5 else 0.0, mottle=0.2, bump="cast", bump_mm=0.2)


def _inside(wetted: Finish, rng: np.random.Generator) -> Finish:
    """Bores and port insides: the wetted material, darker and dirtier."""
    return replace(wetted, name="inside", color=scaled(wetted.color, rng.uniform(0.35, 0.8)),
                   roughness=min(0.9, wetted.roughness + 0.15), overlay="patches",
                   overlay_amount=rng.uniform(0.2, 0.6), overlay_color=scaled(stain(rng), 0.5))  # fmt: skip


def _accessory(rng: np.random.Generator) -> Finish:
    """Hoses, air fittings, gauges."""
    kinds = (
        Finish("brass", (0.55, 0.4, 0.16), 0.3, 1.0, bump="grain", bump_mm=0.01),
        Finish("blue_hose", (0.02, 0.08, 0.35), 0.4, bump="molded", bump_mm=0.02),
        Finish("black_hose", (0.02, 0.02, 0.02), 0.5, bump="molded", bump_mm=0.02),
        Finish("yellow_hose", (0.5, 0.33, 0.03), 0.45, bump="molded", bump_mm=0.02),
    )
    return kinds[rng.integers(len(kinds))]
