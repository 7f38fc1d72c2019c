"""Colors, dashes and sizes of overlay pictures, chosen so that color-blind users can tell the lines apart.

The seven colors keep a CIEDE2000 distance of at least 12 from each other in normal sight and under full
protanopia, deuteranopia and tritanopia (simulated after Machado, Oliveira and Fernandes 2009; a test computes
it). Dashes and written names say the same once more, so that color is never the only sign.
"""

from dataclasses import dataclass

Rgb = tuple[int, int, int]


@dataclass(frozen=True)
class LineStyle:
    """How the outline of one feature is drawn.

    Attributes:
        rgb: line color.
        dash: lengths of drawn and skipped stretches in line widths; empty for a solid line.
    """

    rgb: Rgb
    dash: tuple[float, ...] = ()


SCALE_STYLE = LineStyle((0xFF, 0xFF, 0xFF), (4.0, 2.5))
BOLT_STYLE = LineStyle((0xF0, 0x78, 0x18))
OTHER_STYLE = LineStyle((0xCD, 0xBD, 0xFF), (8.0, 3.0))

FEATURE_STYLES = {
    "chamber_diameter": LineStyle((0xFF, 0xD2, 0x1F)),
    "flange_diameter": LineStyle((0x2F, 0x74, 0xFF)),
    "bolt_circle_diameter": LineStyle((0xD6, 0x24, 0x7F), (6.0, 3.0)),
    "port_bore": LineStyle((0x5E, 0xE0, 0xA0), (10.0, 3.0, 2.0, 3.0)),
    "bolt_hole_diameter": BOLT_STYLE,
    "thread_major_diameter": OTHER_STYLE,
}

DARK: Rgb = (14, 18, 24)
"""Halo round lines and text, and ground of labels: keeps light lines readable on a light floor."""

PAPER: Rgb = (244, 245, 247)
INK: Rgb = (30, 34, 40)
"""Ground and text of the legend under the picture."""


def style_of(name: str) -> LineStyle:
    """The line style of a feature named in the words of the design."""
    return FEATURE_STYLES.get(name, OTHER_STYLE)


def all_styles() -> dict[str, LineStyle]:
    """Every style by what it stands for, one entry a color."""
    named = {"scale": SCALE_STYLE, "bolt": BOLT_STYLE, "other": OTHER_STYLE, **FEATURE_STYLES}
    twins = ("bolt_hole_diameter", "thread_major_diameter")
    return {name: style for name, style in named.items() if name not in twins}


@dataclass(frozen=True)
class PictureSizes:
    """Sizes in pixels of one overlay picture, all in proportion to its shorter side.

    On a phone the picture is shown about 390 points wide; text of 3 % of the shorter side is then about as
    tall as the phone's own small text.
    """

    line: float
    halo: float
    text: int
    gap: int

    @classmethod
    def for_picture(cls, width: int, height: int) -> "PictureSizes":
        """Sizes for a picture of this many pixels."""
        short = min(width, height)
        return cls(
            line=max(2.0, 0.0035 * short),
            halo=max(1.5, 0.0022 * short),
            text=max(12, round(0.03 * short)),
            gap=max(4, round(0.010 * short)),
        )
