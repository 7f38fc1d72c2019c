"""A pump seen from the front, as the part map draws it: its manifolds' center lines, its outermost places, its feet."""

from dataclasses import dataclass

import numpy as np

from features.parts.center_lines import CenterLine, line_in_photo, run_lines, with_port
from features.parts.outermost import Outermost, Side, cut_sides, evened, lowest_foot, outermost, stand_apart
from features.parts.part_model import PartMaps
from features.parts.upright_map import NoOutline, UprightMap

TURNS, LEAST_TURN_DEG, MOST_TURN_DEG = 2, 2.0, 40.0
"""A map is turned where the phone was tilted by more than the first; by more than the second it was on its side."""


@dataclass(frozen=True, eq=False)
class FrontOutline:
    """A pump seen from the front.

    Attributes:
        upper, lower: center lines of the manifolds: of the pipe, and of a port that faces the viewer.
        top, left, right: outermost places; None where the picture cuts the pump off, or something hides the place.
        feet: lowest places of the feet to the left and to the right of the middle; feet_apart: whether each stands on
            a pad of its own.
        cut: sides where the picture cuts the pump off.
    """

    upper: tuple[CenterLine, ...]
    lower: tuple[CenterLine, ...]
    top: Outermost | None
    left: Outermost | None
    right: Outermost | None
    feet: tuple[Outermost, ...]
    feet_apart: bool
    cut: frozenset[Side]

    @property
    def is_close_up(self) -> bool:
        """Whether so little of the pump is in the picture that its front was not what was meant to be shown."""
        return len(self.cut) > 1


def front_outline(maps: PartMaps, photo_size: tuple[int, int]) -> FrontOutline | NoOutline:
    """Read a part map as a pump seen from the front.

    Args:
        maps: of a window that holds the whole pump, or all of it that the photo shows.
        photo_size: width and height of the photo.
    """
    view = UprightMap.of(maps, 0.0)
    for _ in range(TURNS):
        if isinstance(view, NoOutline):
            return view
        turn = _turn_deg(view)
        if abs(turn) < LEAST_TURN_DEG or abs(view.turn_deg + turn) > MOST_TURN_DEG:
            break
        view = UprightMap.of(maps, view.turn_deg + turn)
    return view if isinstance(view, NoOutline) else _told(view, photo_size)


def _turn_deg(view: UprightMap) -> float:
    """How far the manifolds lie out of the level."""
    slopes = [line.slope for line in run_lines(view) if line is not None]
    return float(np.degrees(np.arctan(np.mean(slopes)))) if slopes else 0.0


def _told(view: UprightMap, photo_size: tuple[int, int]) -> FrontOutline:
    """What is read, in the photo."""
    above, below = run_lines(view)
    upper = tuple(line_in_photo(view, one) for one in with_port(view, above, "upper"))
    lower = tuple(line_in_photo(view, one) for one in with_port(view, below, "lower"))
    cut = cut_sides(view, photo_size)
    sides: dict[Side, Outermost | None] = {
        side: None if side in cut else outermost(view, side) for side in ("top", "left", "right")
    }
    sides = evened(sides, view)
    feet = () if "bottom" in cut else tuple(
        foot for foot in (lowest_foot(view, sign) for sign in (-1, 1)) if foot is not None
    )  # fmt: skip
    return FrontOutline(
        upper, lower, sides["top"], sides["left"], sides["right"], feet, stand_apart(view, feet), frozenset(cut)
    )
