"""A thing of known size found in a photo, as matched points in millimeters and pixels."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from features.problems import Problem

ScaleKind = Literal["scale_card", "bank_card", "coin", "sheet", "points", "port_flange"]


@dataclass(frozen=True, eq=False)
class ScaleReference:
    """One scale reference seen in one photo.

    The plane frame lies in the reference's own face: x to the right, y down as a reader of the card sees it,
    z away from the reader into the card. So a feature `d` mm behind the card's face has z = +d.

    Attributes:
        kind: first column of the design's section 4.
        label: what it is in a user's words, e.g. "pocket scale card", "bank card", "US 25 cents".
        points_mm: (N, 2) matched points in the plane frame. For a coin: N points on its rim, not matched in
            angle (see `is_circle`).
        points_px: (N, 2) the same points in the photo.
        point_sd_px: standard uncertainty of one point coordinate.
        outline_px: (M, 2) the outline to draw on an overlay (4 corners of a card, a polygon round a coin).
        size_relative_sd: standard uncertainty of the true size against nominal (print scale, card tolerance).
        size_source: name of the shared error source of that size; two references of one print share it.
        is_circle: points lie anywhere on a circle of `circle_diameter_mm`, unmatched in angle (a coin's rim).
        circle_diameter_mm: the circle's diameter, 0 when not a circle.
        thickness_mm: how far the face stands above what the reference lies on.
        bend_sd_per_mm: standard uncertainty of its curvatures, 1/mm; 0 where it is stiff.
        problems: what was noticed (bent, partly covered, small, oblique).
    """

    kind: ScaleKind
    label: str
    points_mm: NDArray[np.float64]
    points_px: NDArray[np.float64]
    point_sd_px: float
    outline_px: NDArray[np.float64]
    size_relative_sd: float
    size_source: str
    is_circle: bool = False
    circle_diameter_mm: float = 0.0
    thickness_mm: float = 0.0
    bend_sd_per_mm: float = 0.0
    problems: tuple[Problem, ...] = field(default=())


@dataclass(frozen=True)
class ScaleRequest:
    """What the user said about the scale.

    Attributes:
        coin_diameter_mm: diameter of the coin named by the user, or None when no coin was named.
        coin_label: its name in words.
        coin_relative_sd: tolerance of that diameter.
        two_points_px: ((x1, y1), (x2, y2)) in pixels of the upright photo, or None.
        two_points_mm: the length between them.
        two_points_head: thread size of the bolt head or nut across whose flats they lie, "" where a length was read.
        sheets: names of sheets to look for ("a4", "a5", "letter"); empty means only if asked.
        coin_near_px: (x, y, radius) of the upright photo, where the user says the coin is, or None.
    """

    coin_diameter_mm: float | None = None
    coin_label: str = ""
    coin_relative_sd: float = 0.002
    two_points_px: tuple[tuple[float, float], tuple[float, float]] | None = None
    two_points_mm: float = 0.0
    two_points_head: str = ""
    sheets: tuple[str, ...] = ()
    coin_near_px: tuple[float, float, float] | None = None

    @property
    def looks_for_coin(self) -> bool:
        """Whether there is a coin that nobody said the place of."""
        return self.coin_diameter_mm is not None and self.coin_near_px is None


@dataclass(frozen=True)
class ScaleFinding:
    """All references found in one photo, best first, and what was refused or noticed.

    Attributes:
        references: best first.
        problems: what was refused or noticed.
        private_px: (M, 2) outlines of all that is or may be a bank card, used as scale or not.
    """

    references: tuple[ScaleReference, ...]
    problems: tuple[Problem, ...] = ()
    private_px: tuple[NDArray[np.float64], ...] = ()


@dataclass(frozen=True, eq=False)
class ReferenceSight:
    """Where a photo shows scale references of any kind, roughly, to one who knows them by their looks.

    Attributes:
        filled: of an outline (M, 2) how much of it a scale reference fills, 0..1.
        outlines_px: (M, 2) rough outlines of the places that references fill.
    """

    filled: Callable[[NDArray[np.float64]], float]
    outlines_px: tuple[NDArray[np.float64], ...] = ()


ReferenceLook = Callable[[NDArray[np.uint8]], ReferenceSight | None]
"""A look at an upright photo's pixels; None from one who does not know scale references from other things."""


class ReferenceEyes(Protocol):
    """Somebody who knows scale references by their looks, or does not: then both looks give None."""

    def references_in(self, pixels_rgb: NDArray[np.uint8]) -> ReferenceSight | None:
        """Where an upright photo shows scale references."""
        ...

    def closer_references_in(self, pixels_rgb: NDArray[np.uint8]) -> ReferenceSight | None:
        """Where an upright photo shows scale references larger than a coin, with sharper outlines."""
        ...
