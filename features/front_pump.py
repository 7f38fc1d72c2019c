"""A pump seen from the front, solved together with the scale reference: how it stands, how large it is.

Pump frame: x to the right and y away from the viewer of a front that is squarely seen, z up; the origin lies between
the ports. Every place that the photo shows is a point on a line of the pump: a manifold's center line, the highest
place, the edge of a foot, the outermost place to a side. How far in front of the manifolds' plane each lies is not
seen, only believed, as a share of the port spacing; a card on the floor tells how the pump leans to the line of sight,
without one that is believed too.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from features.camera import rotations_from_vectors
from features.front_view import (
    BEND,
    COUNT,
    FEET_AT,
    FOCAL,
    FOOT_AT,
    INLET_AT,
    LEFT_AT,
    LENS,
    PLACE,
    PRINT,
    REACH_AT,
    REF_MOVE,
    REF_TURN,
    RIGHT_AT,
    ROUND_AT,
    SIZE,
    TOP_AT,
    TURN,
    PumpView,
    oval_of,
)
from features.least_squares import Solution, solve
from features.parts.center_lines import CenterLine
from features.parts.front_outline import FrontOutline
from features.parts.outermost import Outermost
from features.parts.upright_map import PORT
from features.photo import FocalPrior
from features.plane_pose import PlanePose
from features.reference_fit import AboutReference, cameras_near, reference_residuals, translations_of
from features.scale.reference import ScaleReference

Array = NDArray[np.float64]

TURN_SD_DEG, ROLL_SD_DEG = 8.0, 6.0
"""How squarely people face a pump, and how level they hold a phone (common practice)."""
ELEVATION_DEG, ELEVATION_SD_DEG = 19.0, 12.0
"""From how far above a pump is looked at: it stands on the floor or on a skid, its viewer stands (common practice)."""
FROM_ABOVE_DEG, FROM_ABOVE_SD_DEG = 29.0, 10.0
"""The same where a reference lies on the floor before it, measured by or not."""
LEAN_SD_DEG = 1.5
"""How far a pump leans out of the upright of the floor it stands on."""
COIN_LEAN_SD_DEG = 6.0
"""How far a coin's slant, as its rim tells it, is off its own (`features.circle_scale`)."""
UPRIGHT_SD_DEG = 5.0
"""How far a face that a reference lies on, if not the floor, leans out of the upright."""
OVAL_SD = 0.05
"""Error of a port's outline, as the model tells it, in the difference of its squared axes over their sum."""
INLET, INLET_SD = 0.21, 0.06
"""Height of the lower center line above the floor. This and all shares below are of the port spacing (common practice;
inlet and feet are 0.21 +/- 0.05 and 0.20 +/- 0.04 of the project's invented pumps, which prove nothing)."""
FOOT, FOOT_SD = 0.25, 0.05
"""How far the feet's near edge stands in front of the manifolds' plane."""
REACH, REACH_SD = 0.20, 0.045
"""How far in front of it a port opens that faces the viewer."""
IN_A_FOOT = 0.3
"""Where in a foot its hole lies, over half of the foot's width."""
HOLDS_SD = 0.35
"""Relative doubt about how round a part is that bounds the pump to a side."""
ROUND: Mapping[str, tuple[float, float]] = {"chamber": (0.17, 0.33), "manifold": (0.03, 0.07), "feet": (0.02, 0.20)}
"""Half axes, along x and y, of the ellipse that such a part is seen as from above."""
DISK = 0.01
"""The first of a flange's."""
MIDDLE_SD = 0.04
"""How far the chambers' middle as seen lies beside the pump's."""
UNSEEN_SD = 1.0
AMID = 0.15
"""How far beside the pump's middle a port in its middle may be highest, in port spacings."""
FLOOR_SD_MM, FLOOR_SHARE_SD = 3.0, 0.01
"""How far the floor under the pump lies off the plane of a reference on it."""

SHAPE_BELIEFS = (
    "inlet",
    "feet",
    "ports",
    "top",
    "left",
    "right",
    "foot_left",
    "foot_right",
    "left_round",
    "right_round",
)
"""What is believed of a pump's shape: the same errors in all photos of one pump."""


@dataclass(frozen=True)
class Standing:
    """What is believed of where the reference lies.

    Attributes:
        on_floor: it lies on the floor that the pump stands on.
        lean_sd_deg: how far its slant, as seen, may be off that of the floor or of an upright face.
        behind, behind_sd: how far behind it the pump's middle lies, in port spacings, where it does not.
    """

    on_floor: bool
    lean_sd_deg: float
    behind: float = 0.0
    behind_sd: float = 0.2


@dataclass(frozen=True, eq=False)
class FrontProblem(AboutReference):
    """The residuals of a pump seen from the front.

    Attributes:
        outline: what is seen.
        focal, image_center_px: belief about the camera.
        reference: None for ratios only; start: pose of its plane to start from; standing: where it lies.
    """

    outline: FrontOutline
    focal: FocalPrior
    image_center_px: tuple[float, float]
    reference: ScaleReference | None
    start: PlanePose
    standing: Standing

    @cached_property
    def guess(self) -> Array:
        """(29,) parameters to start from."""
        outline, f = self.outline, self.start.focal_px
        upper, lower = outline.upper[0], outline.lower[0]
        middle = 0.5 * (upper.place_px + lower.place_px)
        span_px = float(np.linalg.norm(upper.place_px - lower.place_px))
        along = upper.along + lower.along
        x = np.zeros(COUNT)
        x[TURN] = 0.0, np.radians(ELEVATION_DEG), np.arctan2(along[1], along[0])
        if self.reference is not None and self.standing.on_floor:
            up = -self.start.rotation[:, 2]
            x[1] = np.arcsin(np.clip(-up[2], -0.9, 0.9))
            x[2] = np.arctan2(up[0], -up[1])
        ray = np.array([*((middle - self.image_center_px) / f), 1.0])
        away = self._away(ray, span_px)
        x[PLACE] = *(middle - self.image_center_px), np.log(away)
        x[SIZE] = np.log(away * span_px / f / np.cos(x[1]))
        x[[INLET_AT, FOOT_AT, REACH_AT]] = INLET, FOOT, REACH
        x[[TOP_AT, LEFT_AT, RIGHT_AT]] = 0.12, 0.5, 0.5
        x[ROUND_AT] = 1.0
        x[FEET_AT] = -0.3, 0.3
        x[FOCAL] = np.log(f / self.focal.focal_px)
        x[REF_MOVE] = self.seen_start
        return x

    def _away(self, ray: Array, span_px: float) -> float:
        """About how far away the pump stands along the camera's axis."""
        if self.reference is None:
            return self.focal.focal_px
        middle = self.start.rotation @ self.pivot_mm + self.start.translation_mm
        if not self.standing.on_floor:
            return float(middle[2])
        # The middle between the ports is about 0.7 port spacings above the floor.
        down = self.start.rotation[:, 2]
        falls = float(down @ ray) + (0.5 + INLET) * span_px / self.start.focal_px
        away = float(down @ self.start.translation_mm) / falls if falls > 0 else np.inf
        return away if 0.2 * middle[2] < away < 5.0 * middle[2] else float(middle[2])

    def residuals(self, xs: Array) -> dict[str, Array]:
        """Whitened residuals of (K, 29) guesses by their cause."""
        zero = np.zeros((len(xs), 2))
        cameras = cameras_near(self.focal, self.image_center_px, xs[:, FOCAL], xs[:, LENS], zero)
        pump = PumpView(xs, cameras)
        out = {
            "edge": np.stack(list(self._seen(pump)), axis=1),
            "shape": self._shape(xs),
            "tilt": self._held(xs),
            "camera": xs[:, [FOCAL]] / self.focal.relative_sd,
            "lens": xs[:, [LENS]] / self.focal.k1_sd,
        }
        if self.reference is None:
            held = (xs[:, [5]] - np.log(self.focal.focal_px)) / 1e-6
            rest = [xs[:, REF_TURN], xs[:, REF_MOVE] - self.seen_start, xs[:, [PRINT]], xs[:, BEND]]
            out["pin"] = np.concatenate([held, *rest], axis=1)
            return out
        rotations = rotations_from_vectors(xs[:, REF_TURN]) @ self.start.rotation
        focal_px = self.focal.focal_px * np.exp(xs[:, FOCAL])
        translations = translations_of(xs[:, REF_MOVE], zero, focal_px, rotations, self.pivot_mm)
        out |= reference_residuals(self.reference, cameras, rotations, translations, xs[:, PRINT], xs[:, BEND])
        out["print_scale"] = xs[:, [PRINT]] / self.reference.size_relative_sd
        lean_sd = np.radians(self.standing.lean_sd_deg)
        if self.standing.on_floor:
            up = np.swapaxes(rotations, 1, 2) @ pump.rotations[:, :, 2:]
            out["tilt"] = np.concatenate([out["tilt"], up[:, :2, 0] / lean_sd], axis=1)
            ground = pump.in_camera(np.stack([0 * pump.size, 0 * pump.size, pump.floor], axis=1)[:, None])[:, 0]
            deep = np.einsum("ki,ki->k", rotations[:, :, 2], ground - translations) - self.reference.thickness_mm
            sd = np.hypot(FLOOR_SD_MM, FLOOR_SHARE_SD * pump.size)
            out["offset"] = (deep / sd)[:, None]
        else:
            card = np.einsum("kij,j->ki", rotations, self.pivot_mm) + translations
            leans = np.einsum("ki,ki->k", rotations[:, :, 2], pump.rotations[:, :, 2])[:, None]
            out["tilt"] = np.concatenate([out["tilt"], leans / lean_sd], axis=1)
            before = np.einsum("ki,ki->k", pump.rotations[:, :, 1], pump.middles - card)
            behind = before / pump.size - self.standing.behind
            out["offset"] = behind[:, None] / self.standing.behind_sd
        return out

    def _seen(self, pump: PumpView) -> list[Array]:
        """Distances of what is seen from where it should be, whitened."""
        outline, size = self.outline, pump.size
        out = []
        for lines, height in ((outline.upper, 0.5), (outline.lower, -0.5)):
            for line in lines:
                depth = -pump.xs[:, REACH_AT] * size if line.is_port else 0.0 * size
                out += self._line(pump, line, depth, height * size)
        out += [self._top(pump, outline.top)] if outline.top is not None else []
        for foot in outline.feet:
            x = pump.xs[:, FEET_AT][:, 0 if foot is outline.feet[0] else 1] * size
            away, _, aside = pump.off_line(foot.place_px, (x, -pump.xs[:, FOOT_AT] * size, pump.floor), 0)
            out += [away / foot.sd_px, aside / np.hypot(foot.sd_px, IN_A_FOOT * foot.half_px)]
        for side, place in ((-1.0, outline.left), (1.0, outline.right)):
            if place is not None:
                out.append(self._side(pump, place, side))
        return out

    def _line(self, pump: PumpView, line: CenterLine, depth: Array, height: Array) -> list[Array]:
        away, turn, aside = pump.off_line(line.place_px, (0.0 * depth, depth, height), 0, line.along)
        spacing_px = float(np.linalg.norm(self.outline.upper[0].place_px - self.outline.lower[0].place_px))
        if line.port is None:
            return [away / line.sd_px, turn / np.hypot(line.turn_sd, 0.01), aside / (MIDDLE_SD * spacing_px)]
        oval = pump.oval(np.stack([0.0 * depth, depth, height], axis=1), 0.5 * line.thickness_px)
        seen = oval_of(line.port.shape_px @ line.port.shape_px.T)
        return [away / line.sd_px, *((oval - seen[:, None]) / OVAL_SD)]

    def _top(self, pump: PumpView, top: Outermost) -> Array:
        """A pipe's or a flange's round back is highest, as seen, where the line of sight touches it."""
        size, rise = pump.size, pump.xs[:, TOP_AT] * pump.size
        if self.top_way:
            point = 0.0 * size, self.top_way * pump.xs[:, REACH_AT] * size, 0.5 * size + rise
        else:
            slope = pump.sight(np.stack([0.0 * size, 0.0 * size, 0.5 * size + rise], axis=1))
            falls = np.arctan2(-slope[:, 2], np.hypot(slope[:, 0], slope[:, 1]))
            point = 0.0 * size, rise * np.sin(falls), 0.5 * size + rise * np.cos(falls)
        return np.asarray(pump.off_line(top.place_px, point, 0)[0] / top.sd_px)

    @cached_property
    def top_way(self) -> int:
        """-1 where the highest place is that of a port that faces the viewer, 1 of one that faces away, else 0."""
        top, line = self.outline.top, self.outline.upper[0]
        if top is None or top.part not in PORT:
            return 0
        port = next((line for line in self.outline.upper if line.port is not None), None)
        if port is not None and abs(float((top.place_px - port.place_px) @ port.along)) < port.thickness_px:
            return -1
        spacing_px = float(np.linalg.norm(line.place_px - self.outline.lower[0].place_px))
        return 1 if abs(float((top.place_px - line.place_px) @ line.along)) < AMID * spacing_px else 0

    def _side(self, pump: PumpView, place: Outermost, side: float) -> Array:
        """The outermost place as seen is where the line of sight touches a round part, before or behind its middle."""
        size = pump.size
        reach = pump.xs[:, RIGHT_AT if side > 0 else LEFT_AT] * size
        holds = pump.xs[:, ROUND_AT][:, 1 if side > 0 else 0]
        deep, wide = self._round(place, size)
        wide = wide * holds
        sight = pump.sight(np.stack([side * reach, 0.0 * size, 0.0 * size], axis=1))
        slope = side * sight[:, 0] / np.maximum(sight[:, 1], 1e-6)
        touch = np.sqrt(deep**2 + (wide * slope) ** 2)
        x = side * (reach - deep + deep**2 / touch)
        y = -(wide**2) * slope / touch
        return np.asarray(pump.off_line(place.place_px, (x, y, 0.0 * size), 2)[0] / place.sd_px)

    def _round(self, place: Outermost, size: Array) -> tuple[Array, Array]:
        """Half axes of the part there, mm."""
        if place.part in PORT:
            spacing_px = float(np.linalg.norm(self.outline.upper[0].place_px - self.outline.lower[0].place_px))
            wide = float(np.clip(place.half_px / spacing_px, 0.03, 0.3))
            return DISK * size, 0.9 * wide * size
        kind = place.part if place.part in ("manifold", "feet") else "chamber"
        deep, wide = ROUND[kind]
        return deep * size, wide * size

    def _shape(self, xs: Array) -> Array:
        """Beliefs about the pump's own shape, in the order of `SHAPE_BELIEFS`."""
        believed = [
            (xs[:, INLET_AT] - INLET) / INLET_SD,
            (xs[:, FOOT_AT] - FOOT) / FOOT_SD,
            (xs[:, REACH_AT] - REACH) / REACH_SD,
            (xs[:, TOP_AT] - 0.12) / UNSEEN_SD,
            (xs[:, LEFT_AT] - 0.5) / UNSEEN_SD,
            (xs[:, RIGHT_AT] - 0.5) / UNSEEN_SD,
            (xs[:, FEET_AT.start] + 0.3) / UNSEEN_SD,
            (xs[:, FEET_AT.stop - 1] - 0.3) / UNSEEN_SD,
        ]
        return np.concatenate([np.stack(believed, axis=1), (xs[:, ROUND_AT] - 1.0) / HOLDS_SD], axis=1)

    def _held(self, xs: Array) -> Array:
        """Beliefs about how the pump is faced and the phone held; a floor that is seen tells most of it better."""
        rise, rise_sd = ELEVATION_DEG, ELEVATION_SD_DEG
        if self.standing.on_floor:
            rise, rise_sd = FROM_ABOVE_DEG, FROM_ABOVE_SD_DEG
        sd = np.radians([TURN_SD_DEG, rise_sd, ROLL_SD_DEG])
        return np.asarray((xs[:, TURN] - [0.0, np.radians(rise), 0.0]) / sd)


STEPS = np.array([1e-5] * 3 + [0.01, 0.01, 1e-5] + [1e-5] * 13 + [1e-5] * 3 + [0.01, 0.01, 1e-5] + [1e-5] + [1e-3] * 3)


def solve_front(problem: FrontProblem) -> Solution:
    """Solve what is seen of one pump."""
    return solve(problem.residuals, problem.guess, STEPS)


def camera_mm(problem: FrontProblem, x: Array, shares: Array) -> Array:
    """(N, 3) where places of the pump told in port spacings (N, 3) lie, in mm along the camera's axes.

    Args:
        problem: what was solved; x: (29,) its solution.
        shares: in pump axes, from the middle between the ports.
    """
    pump = _view(problem, x)
    return np.asarray(pump.in_camera((shares * pump.size[0])[None])[0])


def places_px(problem: FrontProblem, x: Array, shares: Array) -> Array:
    """(N, 2) where the photo shows such places."""
    return np.asarray(_view(problem, x).cameras.project(camera_mm(problem, x, shares)[None])[0])


def _view(problem: FrontProblem, x: Array) -> PumpView:
    xs = x[None]
    zero = np.zeros((1, 2))
    return PumpView(xs, cameras_near(problem.focal, problem.image_center_px, xs[:, FOCAL], xs[:, LENS], zero))
