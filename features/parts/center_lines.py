"""The center lines of a pump's manifolds, read off the part map of its front.

Between the joints a manifold is a pipe, or a bar, seen from the side: the middle of its two edges is its center line.
A port that faces the viewer tells its own middle.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from features.parts.part_maps import RoundPart, round_parts, share_inside
from features.parts.upright_map import PORT, Array, Floats, UprightMap

Which = Literal["upper", "lower"]

RUN = ("manifold", "flange", "port_opening", "threaded_boss", "bolt")
HIDES = ("companion", "scale_reference", "other")
MIDDLE = 0.5
"""Columns up to this share of half the chambers' breadth from their middle show the manifolds between the joints."""
LEAST_COLUMNS = 5
PORT_COLUMN = 0.25
"""A column is a port's where a port fills more than this share of its run."""
SAME_THICKNESS = 0.12
"""Both pipes of a pump are this much alike, as seen."""
MOSTLY = 0.6
ONE_EDGE = 0.07
"""Error of a pipe's middle told by one edge and the other pipe's thickness, over the thickness."""
OWN_LINE = 0.05
"""How far the middle of a run lies off the line of its port, over its thickness: castings swell to one side."""
FEW_COLUMNS, FEW_SD = 0.4, 0.3
"""Where less than this share of the columns shows the pipe, elbows may have been taken for it."""
HIDDEN_MIDDLE_SD, AMID = 0.2, 0.15
"""Where something hides the middle, up to this share of half the breadth, a run may rise there unseen."""
LEAST_SURE, BESIDE_PORT = 0.6, 0.12
"""A line more open than this share of its thickness is none, nor is one beside a port's middle more open than that."""
TENT, RIDGE_SD = 0.12, 0.08
"""A run that falls to both sides by more than this share of its thickness is a tent: its ridge is the port's line."""
LEAST_ROUND, PORT_ASIDE = 0.6, 0.3
"""A port that faces the viewer is this round, and lies this near to the pump's middle (of half the breadth)."""
PORT_FILLS, PORT_MIDDLE = 0.6, 0.07
"""How much of its outline the map must fill, and the error of its middle over its radius."""


@dataclass(frozen=True, eq=False)
class CenterLine:
    """A manifold's center line where it passes the pump's middle.

    Attributes:
        place_px: (2,) of it in the photo; sd_px: its standard uncertainty across the line.
        along: (2,) unit direction of the line, to the right; turn_sd: standard uncertainty of that, rad.
        thickness_px: of the manifold there.
        port: the port that faces the viewer, where this is its middle and not that of the pipe behind it.
    """

    place_px: Array
    sd_px: float
    along: Array
    turn_sd: float
    thickness_px: float
    port: RoundPart | None = None

    @property
    def is_port(self) -> bool:
        """Whether it is the middle of a port that faces the viewer, not of the pipe behind it."""
        return self.port is not None


@dataclass(frozen=True, eq=False)
class RunLine:
    """A center line in upright cells: row = at_middle + slope * (column - the pump's middle).

    Attributes:
        at_middle: row; at_sd: its standard uncertainty.
        slope: rows a column; slope_sd: its standard uncertainty.
        thickness: of the run, cells; port: the port whose middle it is instead.
    """

    at_middle: float
    at_sd: float
    slope: float
    slope_sd: float
    thickness: float
    port: RoundPart | None = None


@dataclass(frozen=True, eq=False)
class _Runs:
    """A manifold's run in the columns that show its pipe alone.

    Attributes:
        places: (N,) columns from the middle; first, last: (N,) rows of its edges.
        first_free, last_free: (N,) whether nothing of the pump lies beside the edge, so that it is the pipe's own.
        share: of the columns between the joints; shows_middle: whether those in the pump's middle are among them.
    """

    places: Array
    first: Array
    last: Array
    first_free: NDArray[np.bool_]
    last_free: NDArray[np.bool_]
    share: float
    shows_middle: bool

    @property
    def few_sd(self) -> float:
        few = FEW_SD if self.share < FEW_COLUMNS else 0.0
        return float(np.hypot(few, 0.0 if self.shows_middle else HIDDEN_MIDDLE_SD)) * self.thickness

    @property
    def thickness(self) -> float:
        return float(np.median(self.last - self.first))


def run_lines(view: UprightMap) -> tuple[RunLine | None, RunLine | None]:
    """The middle lines of the upper and the lower manifold between the joints.

    Of the lower one the air section may hide the upper edge, and feet the lower one: both pipes being alike, the edge
    that is free and the upper pipe's thickness tell its middle then. Of a pump nothing lies above the upper one; where
    something does the manifold is out of the picture, and what looked like one is another part.
    """
    upper, lower = _runs(view, "upper"), _runs(view, "lower")
    if upper is not None and float(upper.first_free.mean()) <= MOSTLY:
        upper = None
    upper_line = None
    if upper is not None:
        upper_line = _fitted(upper, 0.5 * (upper.first + upper.last), upper.thickness, 0.0, view.half)
    return upper_line, None if lower is None else _lower_line(upper, lower, view.half)


def _lower_line(upper: _Runs | None, lower: _Runs, half: float) -> RunLine | None:
    own, middle = lower.thickness, 0.5 * (lower.first + lower.last)
    usual = own if upper is None else upper.thickness
    free = float(lower.first_free.mean()) > MOSTLY, float(lower.last_free.mean()) > MOSTLY
    if all(free):
        return _fitted(lower, middle, own, 0.15 * abs(own - usual), half)
    if upper is None:
        return _fitted(lower, middle, own, 0.25 * own, half)
    if abs(own / usual - 1.0) < SAME_THICKNESS:
        return _fitted(lower, middle, own, 0.5 * ONE_EDGE * own, half)
    if free[1]:
        return _fitted(lower, lower.last - 0.5 * usual, usual, ONE_EDGE * usual, half, lower.last_free)
    if free[0]:
        return _fitted(lower, lower.first + 0.5 * usual, usual, ONE_EDGE * usual, half, lower.first_free)
    return _fitted(lower, middle, usual, 0.4 * abs(own - usual) + ONE_EDGE * usual, half)


def _runs(view: UprightMap, which: Which) -> _Runs | None:
    """The runs of a manifold in the columns between the joints, those of its port left out where others are enough."""
    run, port, hides = view.share(RUN), view.share(PORT), view.share(HIDES)
    free = view.share(("background",))
    start = max(0, int(np.ceil(view.middle - MIDDLE * view.half)))
    stop = min(run.shape[1] - 1, int(view.middle + MIDDLE * view.half))
    axis = round(view.axis_row)
    rows, ports = [], []
    for column in range(start, stop + 1):
        span = _outer_run(run[:, column], hides[:, column], axis, which)
        if span is None:
            continue
        first, last = span
        beside = free[max(int(first) - 2, 0) : int(first) + 1, column], free[int(last) + 1 : int(last) + 4, column]
        rows.append((column - view.middle, first, last, *(float(one.max(initial=0.0)) > 0.5 for one in beside)))
        ports.append(float(port[int(np.ceil(first)) : int(last) + 1, column].mean()) > PORT_COLUMN)
    table, is_port = np.array(rows, float).reshape(-1, 5), np.array(ports, bool)
    if (~is_port).sum() >= LEAST_COLUMNS:
        table = table[~is_port]
    thickness = table[:, 2] - table[:, 1]
    table = table[np.abs(thickness / np.median(thickness) - 1.0) < 2 * SAME_THICKNESS] if len(table) else table
    if len(table) < LEAST_COLUMNS:
        return None
    return _Runs(
        table[:, 0], table[:, 1], table[:, 2], table[:, 3] > 0, table[:, 4] > 0,
        len(table) / (stop - start + 1), bool((np.abs(table[:, 0]) < AMID * view.half).any()),
    )  # fmt: skip


def _outer_run(run: Floats, hides: Floats, axis: int, which: Which) -> tuple[float, float] | None:
    """First and last row of the largest stretch of a manifold above or below the axis; None where it is hidden."""
    rows = np.arange(len(run))
    mine = (run > 0.5) & ((rows < axis) if which == "upper" else (rows > axis))
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mine.astype(np.int8), [0]])))
    if not len(edges):
        return None
    starts, ends = edges[::2], edges[1::2] - 1
    best = int(np.argmax(ends - starts))
    start, end = int(starts[best]), int(ends[best])
    if start == 0 or end == len(run) - 1 or end - start < 2:
        return None
    if max(float(hides[max(start - 2, 0) : start].max()), float(hides[end + 1 : end + 3].max())) > 0.4:
        return None
    low = start - (run[start] - 0.5) / max(float(run[start] - run[start - 1]), 1e-3)
    high = end + (run[end] - 0.5) / max(float(run[end] - run[end + 1]), 1e-3)
    return float(low), float(high)


def _fitted(
    runs: _Runs, middles: Array, thickness: float, shared_sd: float, half: float,
    use: NDArray[np.bool_] | None = None,
) -> RunLine | None:  # fmt: skip
    """A line through middles (N,) of runs; a run that falls to both sides of its middle is a tent's ridge."""
    places, shared_sd = runs.places, float(np.hypot(shared_sd, runs.few_sd))
    if use is not None:
        places, middles = places[use], middles[use]
    if len(places) < LEAST_COLUMNS:
        return None
    base = np.stack([np.ones_like(places), places / half, np.abs(places) / half], axis=1)
    straight = _robust(base[:, :2], middles)
    tent = _robust(base, middles)
    falls = abs(tent[0][2]) * MIDDLE * half
    # The ridge is told by both flanks: where only one is seen its height is a guess.
    both = min(float((places < 0).mean()), float((places > 0).mean())) > 0.2
    if both and falls > TENT * thickness and abs(tent[0][2]) > 3.0 * np.sqrt(tent[1][2, 2]):
        solution, covariance = tent
        shared_sd = float(np.hypot(shared_sd, RIDGE_SD * thickness))
    else:
        solution, covariance = straight
    at_sd = float(np.sqrt(covariance[0, 0] + shared_sd**2 + (OWN_LINE * thickness) ** 2))
    if at_sd > LEAST_SURE * thickness:
        return None
    return RunLine(
        float(solution[0]), at_sd, float(solution[1]) / half, float(np.sqrt(covariance[1, 1])) / half, thickness
    )


def _robust(base: Array, values: Array) -> tuple[Array, Array]:
    """Least squares with Huber's weights; neighboring columns err alike, one in five is a witness of its own."""
    weights, scale = np.ones(len(values)), 0.2
    for _ in range(10):
        solution = np.linalg.lstsq(base * weights[:, None], values * weights, rcond=None)[0]
        away = np.abs(values - base @ solution)
        scale = max(1.48 * float(np.median(away)), 0.2)
        weights = np.sqrt(1.0 / np.maximum(1.0, away / (1.5 * scale)))
    information = (base * weights[:, None] ** 2).T @ base / 5.0
    return np.asarray(solution, float), np.asarray(
        np.linalg.inv(information + 1e-6 * np.eye(base.shape[1])) * scale**2, float
    )


def with_port(view: UprightMap, line: RunLine | None, which: Which) -> list[RunLine]:
    """The pipe's line and that of the port before it, those that are there; a port before most of a pipe hides it."""
    port = _port_line(view, line, which)
    if line is not None and port is not None and line.at_sd > BESIDE_PORT * line.thickness:
        line = None
    return [one for one in (line, port) if one is not None]


def _port_line(view: UprightMap, line: RunLine | None, which: Which) -> RunLine | None:
    """The middle of a port that faces the viewer."""
    port = _facing_port(view, which)
    if port is None:
        return None
    column, row = view.from_photo(port.center_px[None])[0]
    slope = line.slope if line is not None else 0.0
    radius = float(port.semi_axes_px.mean()) / view.cell_px
    at_middle = float(row - slope * (column - view.middle))
    return RunLine(at_middle, max(0.5, PORT_MIDDLE * radius), slope, 1.0, 2.0 * radius, port)


def _facing_port(view: UprightMap, which: Which) -> RoundPart | None:
    ports = []
    for part in round_parts(view.maps):
        if part.name not in ("flange", "mouth") or part.semi_axes_px[1] < LEAST_ROUND * part.semi_axes_px[0]:
            continue
        column, row = view.from_photo(part.center_px[None])[0]
        beyond = row < view.axis_row if which == "upper" else row > view.axis_row
        filled = sum(share_inside(view.maps, name, part.outline_px()) for name in (*PORT, "bolt"))
        if beyond and abs(column - view.middle) < PORT_ASIDE * view.half and filled > PORT_FILLS:
            ports.append(part)
    return max(ports, key=lambda part: part.score, default=None)


def line_in_photo(view: UprightMap, line: RunLine) -> CenterLine:
    """A line in the photo."""
    cell_px = view.cell_px
    ends = view.to_photo(np.array([[view.middle, line.at_middle], [view.middle + 1.0, line.at_middle + line.slope]]))
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    return CenterLine(ends[0], line.at_sd * cell_px, along, line.slope_sd, line.thickness * cell_px, line.port)
