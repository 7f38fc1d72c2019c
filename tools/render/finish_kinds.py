"""What the surfaces of a pump can be made of: tables of plastics and metals, and the clean surface of each kind.

Colors are linear-light RGB reflectances. Values come from common sense and comparison with everyday things, not from a
measured set; they are spread widely on purpose.
"""

from dataclasses import dataclass, replace

import numpy as np

from tools.render.splits import Kind, Split
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


PLASTICS = (
    Kind("natural_plastic", 3),
    Kind("black_plastic", 2.5),
    Kind("gray_plastic", 1),
    Kind("white_plastic", 2),
    Kind("colored_plastic", 0.3),
    Kind("chalky_plastic", 1),
    Kind("stained_plastic", 1),
    Kind("any_plastic", 3),
    Kind("yellowed_plastic", 1, held_out=True),
    Kind("marbled_plastic", 1, held_out=True),
    Kind("conductive_plastic", 1, held_out=True),
    Kind("cream_plastic", 1.5, held_out=True),
)
METALS = (
    Kind("bare_aluminum", 2.5),
    Kind("painted_casting", 2.5),
    Kind("chipped_casting", 2.5),
    Kind("bead_blasted_stainless", 1.5),
    Kind("polished_stainless", 0.7),
    Kind("rusty_iron", 1),
    Kind("corroded_aluminum", 1),
    Kind("any_metal", 2),
    Kind("hammered_paint", 1, held_out=True),
    Kind("heavy_rust", 1, held_out=True),
    Kind("ground_stainless", 1, held_out=True),
    Kind("overpainted_casting", 1, held_out=True),
    Kind("powder_coated", 2, held_out=True),
)

_PAINTS: tuple[Rgb, ...] = (
    (0.02, 0.07, 0.26), (0.015, 0.12, 0.2), (0.02, 0.16, 0.07), (0.28, 0.025, 0.02), (0.33, 0.13, 0.01),
    (0.25, 0.26, 0.27), (0.12, 0.13, 0.14), (0.5, 0.5, 0.48), (0.02, 0.02, 0.022), (0.42, 0.3, 0.03),
    (0.05, 0.22, 0.3), (0.16, 0.2, 0.13), (0.1, 0.04, 0.03), (0.35, 0.36, 0.3),
)  # fmt: skip
_TEST_PAINTS: tuple[Rgb, ...] = (
    (0.075, 0.05, 0.07), (0.24, 0.18, 0.11), (0.05, 0.2, 0.19), (0.3, 0.17, 0.14), (0.13, 0.155, 0.19),
)  # fmt: skip
RUST: Rgb = (0.17, 0.06, 0.022)
RAW_ALUMINUM: Rgb = (0.62, 0.62, 0.61)
STEEL: Rgb = (0.5, 0.5, 0.49)


def gray_near(rng: np.random.Generator, low: float, high: float) -> Rgb:
    """A gray between two reflectances, a little warm or cold."""
    value = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    tone = rng.uniform(0.95, 1.05, 3)
    return (value * float(tone[0]), value * float(tone[1]), value * float(tone[2]))


def scaled(color: Rgb, factor: float) -> Rgb:
    """A color made lighter or darker."""
    return (color[0] * factor, color[1] * factor, color[2] * factor)


def any_color(rng: np.random.Generator) -> Rgb:
    """Any color at all, dark to bright and gray to strong."""
    light, strength = float(np.exp(rng.uniform(np.log(0.02), np.log(0.5)))), rng.uniform(0, 1)
    tone = rng.dirichlet([0.7, 0.7, 0.7]) * 3 * strength + (1 - strength)
    red, green, blue = np.clip(light * tone, 0.004, 0.8)
    return (float(red), float(green), float(blue))


def paint(split: Split, rng: np.random.Generator) -> Rgb:
    """A paint of a split, each can a little different, more or less faded; a third of those to learn from are any."""
    if split != "test" and rng.random() < 1 / 3:
        return any_color(rng)
    paints = _TEST_PAINTS if split == "test" else _PAINTS
    color = np.array(paints[rng.integers(len(paints))]) * rng.uniform(0.7, 1.4) * rng.uniform(0.88, 1.14, 3)
    red, green, blue = color + (color.mean() - color) * rng.uniform(0.0, 0.35)
    return (float(red), float(green), float(blue))


def stain(rng: np.random.Generator) -> Rgb:
    """What liquids leave behind: browns, a blue, a green."""
    stains: tuple[Rgb, ...] = (
        (0.25, 0.14, 0.05),
        (0.3, 0.22, 0.1),
        (0.08, 0.1, 0.16),
        (0.12, 0.05, 0.04),
        (0.2, 0.25, 0.1),
    )
    return stains[rng.integers(len(stains))]


def _worn_to_the_metal(coat: Finish, rng: np.random.Generator) -> Finish:
    """Paint that edges and knocks have taken off: rust or bright metal shows, as it never does on plastic.

    Gray, white and black paint looks like plastic where it is whole; castings in such paint are seldom whole (common
    sense, not measured), so those have lost more of it.
    """
    under = RUST if rng.random() < 0.5 else scaled(RAW_ALUMINUM, 0.8)
    colorless = max(coat.color) < 1.35 * min(coat.color)
    amount = float(rng.uniform(0.12, 0.3)) if colorless else float(rng.uniform(0.02, 0.15))
    return replace(coat, overlay="chips", overlay_amount=amount, overlay_color=under, overlay_roughness=0.6,
                   overlay_metallic=0.0 if under == RUST else 0.9)  # fmt: skip


def made_of(kind: str, split: Split, rng: np.random.Generator) -> Finish:
    """The clean or self-aged surface of one kind."""
    rough = float(rng.uniform(0.8, 1.25))
    plastic = Finish(kind, (0.6, 0.58, 0.52), 0.42 * rough, bump="molded", bump_mm=0.03)
    cast = Finish(kind, RAW_ALUMINUM, 0.48 * rough, metallic=0.9, mottle=0.12, bump="cast", bump_mm=0.16)
    whole = replace(cast, color=paint(split, rng), metallic=0.0, roughness=0.35 * rough, bump_mm=0.1)
    coat = _worn_to_the_metal(whole, rng)
    match kind:
        case "natural_plastic":
            color = (
                np.array([0.66, 0.64, 0.58]) * rng.uniform(0.85, 1.1) * [1, rng.uniform(0.96, 1), rng.uniform(0.88, 1)]
            )
            return replace(plastic, color=(float(color[0]), float(color[1]), float(color[2])))
        case "black_plastic":
            return replace(plastic, color=gray_near(rng, 0.012, 0.04), roughness=0.38 * rough)
        case "conductive_plastic":
            return replace(plastic, color=gray_near(rng, 0.02, 0.06), roughness=0.55 * rough, mottle=0.3)
        case "gray_plastic":
            return replace(plastic, color=gray_near(rng, 0.12, 0.35))
        case "white_plastic":
            return replace(plastic, color=gray_near(rng, 0.68, 0.82), roughness=0.3 * rough)
        case "colored_plastic":
            return replace(plastic, color=paint(split, rng), roughness=0.36 * rough)
        case "chalky_plastic":
            return replace(plastic, color=gray_near(rng, 0.3, 0.7), roughness=0.75 * rough, mottle=0.25)
        case "stained_plastic":
            return replace(plastic, overlay="clouds", overlay_amount=rng.uniform(0.1, 0.5),
                           overlay_color=stain(rng), overlay_roughness=0.5)  # fmt: skip
        case "yellowed_plastic":
            return replace(plastic, color=(0.55, 0.45, 0.24), mottle=0.25)
        case "cream_plastic":
            return replace(plastic, color=(0.62, 0.56, 0.44), roughness=0.34 * rough, mottle=0.1)
        case "marbled_plastic":
            return replace(plastic, color=gray_near(rng, 0.2, 0.5), overlay="clouds", overlay_amount=0.5,
                           overlay_color=gray_near(rng, 0.03, 0.12), overlay_roughness=0.4)  # fmt: skip
        case "any_plastic":
            tint = np.array([1.0, rng.uniform(0.85, 1.0), rng.uniform(0.5, 1.0)])
            red, green, blue = np.array(gray_near(rng, 0.012, 0.8)) * (tint if rng.random() < 0.6 else tint[::-1])
            return replace(plastic, color=(float(red), float(green), float(blue)), roughness=rng.uniform(0.22, 0.85),
                           mottle=rng.uniform(0.03, 0.4), bump_mm=rng.uniform(0.01, 0.08))  # fmt: skip
        case "any_metal":
            return replace(cast, color=gray_near(rng, 0.25, 0.72), roughness=rng.uniform(0.15, 0.75),
                           metallic=rng.uniform(0.7, 1.0), mottle=rng.uniform(0.03, 0.35),
                           bump_mm=rng.uniform(0.02, 0.25))  # fmt: skip
        case "bare_aluminum":
            return replace(cast, color=scaled(RAW_ALUMINUM, rng.uniform(0.7, 1.1)), metallic=rng.uniform(0.85, 1.0),
                           roughness=0.42 * rough)  # fmt: skip
        case "corroded_aluminum":
            return replace(cast, metallic=0.85, roughness=0.5 * rough, overlay="patches", overlay_roughness=0.9,
                           overlay_amount=rng.uniform(0.1, 0.5), overlay_color=gray_near(rng, 0.35, 0.6))  # fmt: skip
        case "painted_casting":
            return coat
        case "chipped_casting":
            return replace(coat, overlay_amount=rng.uniform(0.15, 0.35))
        case "hammered_paint":
            return replace(coat, color=gray_near(rng, 0.15, 0.45), metallic=0.6, bump="hammered", bump_mm=0.5)
        case "powder_coated":
            return replace(coat, roughness=0.3 * rough, bump="grain", bump_mm=0.06)
        case "overpainted_casting":
            return replace(coat, overlay="chips", overlay_amount=rng.uniform(0.2, 0.5),
                           overlay_color=paint("train", rng), overlay_roughness=0.4)  # fmt: skip
        case "bead_blasted_stainless":
            return replace(cast, color=scaled(STEEL, rng.uniform(0.9, 1.2)), roughness=0.42 * rough, mottle=0.05,
                           metallic=1.0, bump="grain", bump_mm=0.05)  # fmt: skip
        case "polished_stainless":
            return replace(cast, color=scaled(STEEL, 1.2), roughness=0.16 * rough, mottle=0.04, metallic=1.0,
                           bump="grain", bump_mm=0.01, overlay="scratches", overlay_amount=0.3,
                           overlay_color=scaled(STEEL, 0.9), overlay_metallic=1.0, overlay_roughness=0.4)  # fmt: skip
        case "ground_stainless":
            return replace(cast, color=STEEL, roughness=0.3 * rough, metallic=1.0, bump="brushed", bump_mm=0.02)
        case "rusty_iron":
            return replace(cast, color=gray_near(rng, 0.05, 0.16), metallic=0.2, roughness=0.7, overlay="patches",
                           overlay_amount=rng.uniform(0.2, 0.6), overlay_color=RUST, overlay_roughness=0.9)  # fmt: skip
        case "heavy_rust":
            return replace(cast, color=(0.11, 0.04, 0.02), metallic=0.0, roughness=0.9, mottle=0.4, bump_mm=0.35,
                           overlay="patches", overlay_amount=0.4, overlay_color=(0.27, 0.1, 0.03),
                           overlay_roughness=0.95)  # fmt: skip
    raise ValueError(f"unknown finish {kind!r}")
