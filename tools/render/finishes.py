"""What the surfaces of a pump can be made of and how they age: tables, and the draw of one pump's look.

Colors are linear-light RGB reflectances. Values come from common sense and comparison with everyday things, not from a
measured set; they are spread widely on purpose.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from tools.render.pump_model import MaterialSlot
from tools.render.splits import Kind, Split, draw
from tools.render.textures import Rgb


@dataclass(frozen=True)
class Finish:
    """One surface as made, and what covers part of it.

    Attributes:
        name: kind of the finish.
        color: reflectance of the clean surface.
        roughness, metallic: of the principled model.
        mottle: relative color variation over decimeters and centimeters.
        bump: kind of the surface relief (see weathering.py); bump_mm: its height.
        overlay: what covers part of it (see weathering.py); overlay_amount: share of the area, 0 to 1.
        overlay_color, overlay_roughness, overlay_metallic: of that cover.
    """

    name: str
    color: Rgb
    roughness: float
    metallic: float = 0.0
    mottle: float = 0.06
    bump: str = "grain"
    bump_mm: float = 0.05
    overlay: str = "none"
    overlay_amount: float = 0.0
    overlay_color: Rgb = (0.1, 0.1, 0.1)
    overlay_roughness: float = 0.6
    overlay_metallic: float = 0.0


@dataclass(frozen=True)
class Wear:
    """How a pump has aged, shared by all its parts.

    Attributes:
        dust: how much lies on surfaces facing up, 0 to 1; dust_color: its color.
        splash: dirt thrown up from the floor, 0 to 1.
        streaks: marks of running liquid, 0 to 1; streak_color: its color.
        fade: bleaching and chalking of plastics and paint, 0 to 1.
        grime: dirt in corners, 0 to 1; grime_color: its color.
    """

    dust: float
    dust_color: Rgb
    splash: float
    streaks: float
    streak_color: Rgb
    fade: float
    grime: float
    grime_color: Rgb


@dataclass(frozen=True)
class PumpLook:
    """The finish of each material slot of one pump, and its wear."""

    finishes: Mapping[MaterialSlot, Finish]
    wear: Wear
    wetted_kind: str
    wear_kind: str


PLASTICS = (
    Kind("natural_plastic", 3),
    Kind("black_plastic", 2),
    Kind("gray_plastic", 1.5),
    Kind("white_plastic", 1.5),
    Kind("colored_plastic", 1),
    Kind("chalky_plastic", 1),
    Kind("stained_plastic", 1),
    Kind("yellowed_plastic", 1, held_out=True),
    Kind("marbled_plastic", 1, held_out=True),
    Kind("conductive_plastic", 1, held_out=True),
)
METALS = (
    Kind("bare_aluminum", 2.5),
    Kind("painted_casting", 3),
    Kind("chipped_casting", 2),
    Kind("bead_blasted_stainless", 1.5),
    Kind("polished_stainless", 0.7),
    Kind("rusty_iron", 1),
    Kind("corroded_aluminum", 1),
    Kind("hammered_paint", 1, held_out=True),
    Kind("heavy_rust", 1, held_out=True),
    Kind("ground_stainless", 1, held_out=True),
    Kind("overpainted_casting", 1, held_out=True),
)
WEARS = (
    Kind("new", 2.5),
    Kind("used", 3),
    Kind("dusty", 1.5),
    Kind("dripped", 1.5),
    Kind("salted", 1),
    Kind("oily", 1.2),
    Kind("cement", 1, held_out=True),
    Kind("mud", 1, held_out=True),
    Kind("overspray", 1, held_out=True),
)

_PAINTS: tuple[Rgb, ...] = (
    (0.02, 0.07, 0.26), (0.015, 0.12, 0.2), (0.02, 0.16, 0.07), (0.28, 0.025, 0.02), (0.33, 0.13, 0.01),
    (0.25, 0.26, 0.27), (0.12, 0.13, 0.14), (0.5, 0.5, 0.48), (0.02, 0.02, 0.022), (0.42, 0.3, 0.03),
    (0.05, 0.22, 0.3), (0.16, 0.2, 0.13), (0.1, 0.04, 0.03), (0.35, 0.36, 0.3),
)  # fmt: skip
_TEST_PAINTS: tuple[Rgb, ...] = ((0.09, 0.05, 0.1), (0.24, 0.18, 0.11), (0.05, 0.2, 0.19), (0.3, 0.17, 0.14), (0.14, 0.16, 0.24))
_RUST: Rgb = (0.17, 0.06, 0.022)
_RAW_ALUMINUM: Rgb = (0.62, 0.62, 0.61)
_STEEL: Rgb = (0.5, 0.5, 0.49)


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
    wear = _draw_wear(wear_kind, rng)
    wetted_kind, paint = BODY_COLORS.get(body_color, (wetted_kind, None))
    made = _made_of(wetted_kind, split, rng)
    wetted = _spoil(made if paint is None else replace(made, color=paint), wear_kind, rng)
    air_kind = _air_section_kind(split, rng)
    air = _spoil(_made_of(air_kind, split, rng), wear_kind, rng)
    if rng.random() < 0.25 and wetted_material == "metal":
        air = wetted
    finishes: dict[MaterialSlot, Finish] = {
        "wetted": wetted,
        "air_section": air,
        "band": _hardware(rng, painted_like=wetted if rng.random() < 0.15 else None),
        "fastener": _hardware(rng, painted_like=wetted if rng.random() < 0.12 else None),
        "rubber": Finish("rubber", _gray(rng, 0.012, 0.05), rng.uniform(0.5, 0.8), bump="grain", bump_mm=0.03),
        "nameplate": _nameplate(rng),
        "companion": _companion(split, rng),
        "muffler": _muffler(rng),
        "inside": _inside(wetted, rng),
        "accessory": _accessory(rng),
    }
    return PumpLook(finishes, wear, wetted_kind, wear_kind)


def _gray(rng: np.random.Generator, low: float, high: float) -> Rgb:
    value = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    tone = rng.uniform(0.95, 1.05, 3)
    return (value * float(tone[0]), value * float(tone[1]), value * float(tone[2]))


def _scaled(color: Rgb, factor: float) -> Rgb:
    return (color[0] * factor, color[1] * factor, color[2] * factor)


def _paint(split: Split, rng: np.random.Generator) -> Rgb:
    paints = _TEST_PAINTS if split == "test" else _PAINTS
    color = np.array(paints[rng.integers(len(paints))]) * rng.uniform(0.7, 1.4) * rng.uniform(0.88, 1.14, 3)
    red, green, blue = color + (color.mean() - color) * rng.uniform(0.0, 0.35)
    return (float(red), float(green), float(blue))


def _air_section_kind(split: Split, rng: np.random.Generator) -> str:
    table = METALS if rng.random() < 0.6 else PLASTICS
    return draw(table, split, rng)


def _made_of(kind: str, split: Split, rng: np.random.Generator) -> Finish:
    """The clean or self-aged surface of one kind."""
    rough = float(rng.uniform(0.8, 1.25))
    plastic = Finish(kind, (0.6, 0.58, 0.52), 0.42 * rough, bump="molded", bump_mm=0.03)
    cast = Finish(kind, _RAW_ALUMINUM, 0.48 * rough, metallic=0.9, mottle=0.12, bump="cast", bump_mm=0.16)
    coat = replace(cast, color=_paint(split, rng), metallic=0.0, roughness=0.35 * rough, bump_mm=0.1)
    match kind:
        case "natural_plastic":
            color = (
                np.array([0.66, 0.64, 0.58]) * rng.uniform(0.85, 1.1) * [1, rng.uniform(0.96, 1), rng.uniform(0.88, 1)]
            )
            return replace(plastic, color=(float(color[0]), float(color[1]), float(color[2])))
        case "black_plastic":
            return replace(plastic, color=_gray(rng, 0.012, 0.04), roughness=0.38 * rough)
        case "conductive_plastic":
            return replace(plastic, color=_gray(rng, 0.02, 0.06), roughness=0.55 * rough, mottle=0.3)
        case "gray_plastic":
            return replace(plastic, color=_gray(rng, 0.12, 0.35))
        case "white_plastic":
            return replace(plastic, color=_gray(rng, 0.68, 0.82), roughness=0.3 * rough)
        case "colored_plastic":
            return replace(plastic, color=_paint(split, rng), roughness=0.36 * rough)
        case "chalky_plastic":
            return replace(plastic, color=_gray(rng, 0.3, 0.7), roughness=0.75 * rough, mottle=0.25)
        case "stained_plastic":
            return replace(plastic, overlay="clouds", overlay_amount=rng.uniform(0.1, 0.5),
                           overlay_color=_stain(rng), overlay_roughness=0.5)  # fmt: skip
        case "yellowed_plastic":
            return replace(plastic, color=(0.55, 0.45, 0.24), mottle=0.25)
        case "marbled_plastic":
            return replace(plastic, color=_gray(rng, 0.2, 0.5), overlay="clouds", overlay_amount=0.5,
                           overlay_color=_gray(rng, 0.03, 0.12), overlay_roughness=0.4)  # fmt: skip
        case "bare_aluminum":
            return replace(cast, color=_scaled(_RAW_ALUMINUM, rng.uniform(0.55, 1.0)), metallic=rng.uniform(0.6, 1.0))
        case "corroded_aluminum":
            return replace(cast, metallic=0.6, roughness=0.62 * rough, overlay="patches", overlay_roughness=0.9,
                           overlay_amount=rng.uniform(0.1, 0.5), overlay_color=_gray(rng, 0.35, 0.6))  # fmt: skip
        case "painted_casting":
            return coat
        case "chipped_casting":
            under = _RUST if rng.random() < 0.5 else _scaled(_RAW_ALUMINUM, 0.7)
            return replace(coat, overlay="chips", overlay_amount=rng.uniform(0.05, 0.3), overlay_color=under,
                           overlay_roughness=0.6, overlay_metallic=0.0 if under == _RUST else 0.8)  # fmt: skip
        case "hammered_paint":
            return replace(coat, color=_gray(rng, 0.15, 0.45), metallic=0.5, bump="hammered", bump_mm=0.5)
        case "overpainted_casting":
            return replace(coat, overlay="chips", overlay_amount=rng.uniform(0.2, 0.5),
                           overlay_color=_paint("train", rng), overlay_roughness=0.4)  # fmt: skip
        case "bead_blasted_stainless":
            return replace(cast, color=_scaled(_STEEL, rng.uniform(0.9, 1.2)), roughness=0.42 * rough, mottle=0.05,
                           metallic=1.0, bump="grain", bump_mm=0.05)  # fmt: skip
        case "polished_stainless":
            return replace(cast, color=_scaled(_STEEL, 1.2), roughness=0.16 * rough, mottle=0.04, metallic=1.0,
                           bump="grain", bump_mm=0.01, overlay="scratches", overlay_amount=0.3,
                           overlay_color=_scaled(_STEEL, 0.9), overlay_metallic=1.0, overlay_roughness=0.4)  # fmt: skip
        case "ground_stainless":
            return replace(cast, color=_STEEL, roughness=0.3 * rough, metallic=1.0, bump="brushed", bump_mm=0.02)
        case "rusty_iron":
            return replace(cast, color=_gray(rng, 0.05, 0.16), metallic=0.2, roughness=0.7, overlay="patches",
                           overlay_amount=rng.uniform(0.2, 0.6), overlay_color=_RUST, overlay_roughness=0.9)  # fmt: skip
        case "heavy_rust":
            return replace(cast, color=(0.11, 0.04, 0.02), metallic=0.0, roughness=0.9, mottle=0.4, bump_mm=0.35,
                           overlay="patches", overlay_amount=0.4, overlay_color=(0.27, 0.1, 0.03),
                           overlay_roughness=0.95)  # fmt: skip
    raise ValueError(f"unknown finish {kind!r}")


def _stain(rng: np.random.Generator) -> Rgb:
    stains: tuple[Rgb, ...] = (
        (0.25, 0.14, 0.05),
        (0.3, 0.22, 0.1),
        (0.08, 0.1, 0.16),
        (0.12, 0.05, 0.04),
        (0.2, 0.25, 0.1),
    )
    return stains[rng.integers(len(stains))]


def _spoil(finish: Finish, wear_kind: str, rng: np.random.Generator) -> Finish:
    """Lay the cover of a wear kind over a finish that has none of its own."""
    if finish.overlay != "none" and wear_kind not in ("cement", "mud", "overspray"):
        return finish
    amount = float(rng.uniform(0.05, 0.35))
    covers: dict[str, tuple[str, Rgb, float]] = {
        "used": (
            "scratches",
            _scaled(finish.color, 1.35) if max(finish.color) < 0.5 else (0.35, 0.33, 0.3),
            0.5,
        ),
        "dusty": ("clouds", (0.3, 0.26, 0.2), 0.95),
        "dripped": ("drips", _stain(rng), 0.4),
        "salted": ("crust", (0.6, 0.6, 0.57), 0.95),
        "oily": ("clouds", (0.03, 0.025, 0.018), 0.2),
        "cement": ("crust", (0.36, 0.35, 0.33), 0.95),
        "mud": ("patches", (0.12, 0.075, 0.04), 0.9),
        "overspray": ("spray", _paint("test", rng), 0.4),
    }
    if wear_kind not in covers:
        return finish
    overlay, color, roughness = covers[wear_kind]
    return replace(finish, overlay=overlay, overlay_amount=amount, overlay_color=color,
                   overlay_roughness=roughness, overlay_metallic=0.0)  # fmt: skip


def _draw_wear(kind: str, rng: np.random.Generator) -> Wear:
    dust: tuple[Rgb, ...] = ((0.32, 0.28, 0.22), (0.4, 0.39, 0.37), (0.2, 0.17, 0.14), (0.08, 0.075, 0.07))
    level = {"new": 0.08, "dusty": 0.95, "cement": 0.85, "mud": 0.75}.get(kind, 0.5)
    grime: tuple[Rgb, ...] = (
        (0.02, 0.017, 0.013),
        (0.07, 0.055, 0.04),
        (0.05, 0.05, 0.05),
        (0.14, 0.11, 0.08),
    )
    return Wear(
        dust=float(level * rng.uniform(0.4, 1.1)),
        dust_color=dust[rng.integers(len(dust))],
        splash=float(level * rng.uniform(0, 1) * (1.5 if kind == "mud" else 1)),
        streaks=float(level * rng.uniform(0.2, 1) * (2.0 if kind in ("dripped", "oily", "salted") else 1.0)),
        streak_color=(0.6, 0.6, 0.56) if kind == "salted" else _stain(rng),
        fade=float(rng.uniform(0, 0.5) if kind != "new" else 0.0),
        grime=float(rng.beta(1.6, 1.6) if kind != "new" else rng.uniform(0, 0.15)),
        grime_color=grime[rng.integers(len(grime))],
    )


def _hardware(rng: np.random.Generator, painted_like: Finish | None) -> Finish:
    """Bolts, nuts and bands: stainless, zinc-plated, black oxide or rusty."""
    if painted_like is not None:
        return painted_like
    steel = Finish(
        "stainless",
        _scaled(_STEEL, rng.uniform(0.9, 1.25)),
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
                       overlay_color=_RUST, overlay_roughness=0.9)  # fmt: skip
    return steel


def _nameplate(rng: np.random.Generator) -> Finish:
    """Blank, eaten or painted-over plate: nothing on it can be read."""
    plate = Finish("eaten_plate", (0.6, 0.6, 0.58), 0.4, 0.9, bump="grain", bump_mm=0.03, overlay="patches",
                   overlay_amount=rng.uniform(0.2, 0.7), overlay_color=_gray(rng, 0.05, 0.4), overlay_roughness=0.8)  # fmt: skip
    if rng.random() < 0.4:
        return replace(plate, name="faded_sticker", color=_gray(rng, 0.4, 0.8), metallic=0.0, roughness=0.6)
    return plate


def _companion(split: Split, rng: np.random.Generator) -> Finish:
    """Mated flange, pipe, fitting: plastic pipe, galvanized, painted or stainless."""
    choice = rng.integers(5)
    if choice == 0:
        return Finish("pvc_gray", _gray(rng, 0.12, 0.25), 0.4, bump="molded", bump_mm=0.02)
    if choice == 1:
        return Finish("pvc_white", _gray(rng, 0.6, 0.8), 0.35, bump="molded", bump_mm=0.02)
    if choice == 2:
        return Finish("galvanized", (0.48, 0.49, 0.5), 0.45, 0.85, mottle=0.25, bump="grain", bump_mm=0.03)
    if choice == 3:
        return _spoil(Finish("painted_pipe", _paint(split, rng), 0.4, bump="cast", bump_mm=0.06), "used", rng)
    return Finish("stainless_pipe", _STEEL, 0.3, 1.0, bump="brushed", bump_mm=0.01)


def _muffler(rng: np.random.Generator) -> Finish:
    color: Rgb = ((0.02, 0.02, 0.02), (0.5, 0.38, 0.15), (0.5, 0.5, 0.48))[rng.integers(3)]
    return Finish("muffler", color, 0.6, 0.8 if color[0] == 0.5 else 0.0, mottle=0.2, bump="cast", bump_mm=0.2)


def _inside(wetted: Finish, rng: np.random.Generator) -> Finish:
    """Bores and port insides: the wetted material, darker and dirtier."""
    return replace(wetted, name="inside", color=_scaled(wetted.color, rng.uniform(0.35, 0.8)),
                   roughness=min(0.9, wetted.roughness + 0.15), overlay="patches",
                   overlay_amount=rng.uniform(0.2, 0.6), overlay_color=_scaled(_stain(rng), 0.5))  # fmt: skip


def _accessory(rng: np.random.Generator) -> Finish:
    """Hoses, air fittings, gauges."""
    kinds = (
        Finish("brass", (0.55, 0.4, 0.16), 0.3, 1.0, bump="grain", bump_mm=0.01),
        Finish("blue_hose", (0.02, 0.08, 0.35), 0.4, bump="molded", bump_mm=0.02),
        Finish("black_hose", (0.02, 0.02, 0.02), 0.5, bump="molded", bump_mm=0.02),
        Finish("yellow_hose", (0.5, 0.33, 0.03), 0.45, bump="molded", bump_mm=0.02),
    )
    return kinds[rng.integers(len(kinds))]
