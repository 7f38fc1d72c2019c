"""One circle of the pump seen in several photos between which the scale reference was left where it was.

Each photo has its own camera and its own pose of the reference; the circle and the print are one. Two directions of
sight tell how far the circle lies behind the reference, which one photo has to believe. What else both photos show ties
their cameras together (`features.landmarks`), and the side of a rim that hides its wall counts for more than the one
that shows it (`features.near_side`). Whether the reference was left in place is not asked: photos between which it was
moved fit no common circle, and are then not joined.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from features.camera import Cameras, rotations_from_vectors
from features.circle_sighting import CirclePrior
from features.landmarks import NoTies, Ties, View, off_lines, ties_of
from features.least_squares import Solution, lighter_by_tail, solve
from features.measured import Contribution, ContributionName, MeasuredLength
from features.near_side import rim_from_aside
from features.one_circle import DEPTH_DEGREES, JOINT, ONE_CIRCLE, edges_err_more, worse_as_one
from features.placement import FACE_FLATNESS_DEG, FACE_STEP_MM, FLANGE_FACE_LENGTHS, RIM
from features.reference_fit import (
    cameras_near,
    distances_in_planes_mm,
    middle_of,
    normal_of_tilt,
    origins_of,
    places_in_planes_mm,
    reference_residuals,
    seen_place,
    translations_of,
)
from features.rim_shape import RimShape
from features.seen_circle import SeenCircle, may_be_one
from features.standing_circle import HEIGHT_SOURCE, height_belief, upright_belief, upright_frame

Array = NDArray[np.float64]

_OF_VIEW = 11
"""Parameters of a view: rotation vector increment (3), seen place (3), log focal, k1, principal point (2), log error
of the rim's size that this view alone has. After all views what they have in common: log print scale, center (3),
tilt (2), log radius, the reference's bend (3)."""
_MOVED_SQUARES = 15.5
"""Twice the cost that photos of one place may lose by being joined: what a chi-square of 8 degrees passes once in 20.
Of 51 pairs of renders three joined at 16 to 18 were off by 0.9 to 1.1 %: a view had followed another edge aside."""
_MOVED_TIED = 22.4
"""The same where ties hold the cameras: of 13 degrees. Where they hold, nothing was moved, and more is lost by lenses
and cards that are not what they are believed to be: the edges alone are asked then."""
_DEPTH_TURNS = 2
"""So often the weight of the depth believed in is set by how far off it was."""
_TIED_TO = 2
"""So many photos before it are looked at for each one's ties: all of all would take long, and tell little more."""
_TIE_HOLDS, _TIES_HOLD = 2.5, 0.75
"""Standard uncertainties that a tie may be off its line, and what share of them must hold for any to be believed."""
_Known = dict[tuple[int, int], Ties | NoTies]
"""What ties two photos, by the identities of their landmarks: asked once for all circles."""


@dataclass(frozen=True, eq=False)
class _Joint:
    """The residuals of all views of one circle."""

    views: Sequence[SeenCircle]
    rims: Sequence[RimShape]
    shared: Sequence[float]
    ties: dict[tuple[int, int], Ties]
    depth_wider: float = 1.0
    """By how much less the depth believed in counts than a normal belief has it."""

    @property
    def common(self) -> slice:
        """Where the parameters lie that all views have in common."""
        first = _OF_VIEW * len(self.views)
        return slice(first, first + 10)

    @cached_property
    def frame(self) -> Array:
        """(3, 3) frame, in the reference's, from whose third axis the circle's normal leans a little."""
        if not self.views[0].prior.stands:
            return np.eye(3)
        return upright_frame(np.mean([view.solved.normal for view in self.views], axis=0))

    def start(self) -> tuple[Array, Array]:
        """First guess and difference steps: each view as solved alone, the circle as their mean."""
        solved = [view.solved for view in self.views]
        parts: list[float] = []
        steps: list[float] = []
        for view, one in zip(self.views, solved, strict=True):
            camera, focal = one.camera, view.focal.focal_px
            middle = (np.array([camera.center_x_px, camera.center_y_px]) - view.image_center_px) / focal
            place = seen_place(one.rotation, one.translation_mm, camera.focal_px, middle_of(view.reference))
            place[:2] += middle * focal
            parts += [0, 0, 0, *place, float(np.log(camera.focal_px / focal)), camera.k1, *middle, 0]
            away = 1e-5 * float(np.linalg.norm(one.translation_mm))
            steps += [1e-5] * 3 + [0.01, 0.01] + [1e-5] * 6
        center = np.mean([one.center_mm for one in solved], axis=0)
        normal = np.mean([one.normal for one in solved], axis=0) @ self.frame
        tilt = np.arcsin(np.clip(normal[:2], -0.9, 0.9))
        radius = np.mean([np.log(one.length.value_mm / 2) for one in solved])
        parts += [0, *center, *tilt, float(radius), 0, 0, 0]
        steps += [1e-5, away, away, away, 1e-5, 1e-5, 1e-5, 1e-3, 1e-3, 1e-3]
        return np.array(parts, float), np.array(steps, float)

    def residuals(self, xs: Array) -> dict[str, Array]:
        size, center, tilt, radius, bend = np.split(xs[:, self.common], [1, 4, 6, 7], axis=1)
        normal, prior = normal_of_tilt(tilt) @ self.frame.T, self.views[0].prior
        near = (center[:, 2:] - prior.offset_mm) / (self.depth_wider * prior.offset_sd_mm)
        out = {
            "print_scale": size / self.views[0].reference.size_relative_sd,
            "offset": height_belief(center, radius[:, 0]) if prior.stands else near,
            "tilt": upright_belief(tilt) if prior.stands else prior.lean_belief(tilt),
            "bend": bend,
        }
        placed: list[tuple[Cameras, Array, Array]] = []
        for i, (view, rim, shared) in enumerate(zip(self.views, self.rims, self.shared, strict=True)):
            own = xs[:, _OF_VIEW * i : _OF_VIEW * (i + 1)]
            rotations = rotations_from_vectors(own[:, :3]) @ view.solved.rotation
            cameras = cameras_near(view.focal, view.image_center_px, own[:, 6], own[:, 7], own[:, 8:10])
            axes_px = view.focal.focal_px * own[:, 8:10]
            moves = translations_of(own[:, 3:6], axes_px, cameras.focal_px, rotations, middle_of(view.reference))
            directions, origins = cameras.rays(rim.points_px) @ rotations, origins_of(rotations, moves)
            radial = distances_in_planes_mm(directions, origins, center, normal)
            middle = view.sighting.middle
            if middle is not None:
                to_middle = cameras.rays(middle.place_px[None]) @ rotations
                aside_mm = places_in_planes_mm(to_middle, origins, center, normal)[:, 0]
                out[f"middle{i}"] = middle.pulls(aside_mm, radius, rim)
            out[f"edge{i}"] = (np.log(radial) - radius - own[:, 10:]) @ rim.whitening.T
            out[f"shared{i}"] = own[:, 10:] / shared
            out[f"camera{i}"] = own[:, 6:7] / view.focal.relative_sd
            out[f"lens{i}"] = own[:, 7:8] / view.focal.k1_sd
            out[f"center{i}"] = own[:, 8:10] / view.focal.center_sd
            told = reference_residuals(view.reference, cameras, rotations, moves, size[:, 0], bend)
            out[f"reference{i}"] = told["reference"]
            placed.append((cameras, rotations, moves))
        for (i, j), ties in self.ties.items():
            out[f"ties{i}{j}"] = off_lines(ties, placed[i], placed[j])
        return out


@dataclass(frozen=True, eq=False)
class _Joined:
    """A circle solved by several photos: its length and where its plane lies in the reference's frame."""

    length: MeasuredLength
    depth_mm: float
    depth_sd_mm: float
    normal: Array
    tilt_sd_deg: float


def circles_of_photos(seen: Mapping[str, Sequence[SeenCircle]]) -> dict[str, MeasuredLength]:
    """Solve each circle with all photos that saw it, what lies in a face after the face's rim.

    A rim is seen all round, a ring of holes in a few places: the rim tells where the face lies and how it leans.

    Args:
        seen: by name, every sighting with a reference that may have been left in place.

    Returns:
        By name, the lengths of those that two photos or more fit.
    """
    known: _Known = {}
    rim = _joined(seen.get(RIM, ()), known)
    lengths = {RIM: rim.length} if rim else {}
    for name, views in seen.items():
        if name == RIM:
            continue
        if rim and name in FLANGE_FACE_LENGTHS:
            views = [replace(view, prior=_in_the_face_of(rim, view.prior)) for view in views]
        one = _joined(views, known)
        if one is not None:
            lengths[name] = one.length
    return lengths


def _in_the_face_of(rim: _Joined, prior: CirclePrior) -> CirclePrior:
    """What is believed of a circle's plane once its face's rim is solved."""
    if prior.stands:
        return prior
    lean = (float(rim.normal[0]), float(rim.normal[1]))
    tilt_sd_deg = float(np.hypot(rim.tilt_sd_deg, FACE_FLATNESS_DEG))
    depth_sd_mm = float(np.hypot(rim.depth_sd_mm, FACE_STEP_MM))
    return replace(prior, offset_mm=rim.depth_mm, offset_sd_mm=depth_sd_mm, lean=lean, tilt_sd_deg=tilt_sd_deg)


def circle_of_photos(seen: Sequence[SeenCircle]) -> MeasuredLength | None:
    """Solve one circle with all photos that saw it.

    Args:
        seen: the circle in two or more photos, by references of one kind.

    Returns:
        Its diameter with its budget; None where the photos fit no common circle: the reference was moved between
        them, or they saw different circles.
    """
    joined = _joined(seen, {})
    return joined.length if joined else None


def _joined(seen: Sequence[SeenCircle], known: _Known) -> _Joined | None:
    if len(seen) < 2 or not may_be_one(seen):
        return None
    rims = [rim_from_aside(view.sighting, view.prior, view.solved) for view in seen]
    kept = [rim for rim in rims if rim]
    if len(kept) < len(seen):
        return None
    shared = [max(view.prior.edge_shared_px / rim.radius_px, 1e-5) for view, rim in zip(seen, kept, strict=True)]
    joint = _Joint(seen, kept, shared, _ties_of(seen, known))
    solution = solve(joint.residuals, *joint.start(), iterations=25)
    held = _holding(joint.ties, solution)
    if held is not joint.ties:
        joint = replace(joint, ties=held)
        solution = solve(joint.residuals, *joint.start(), iterations=25)
    alone = sum(view.solved.cost for view in seen)
    cost = solution.cost - 0.5 * sum(float(np.sum(left**2)) for left in _of_ties(solution).values())
    cost -= 0.0 if seen[0].prior.stands else lighter_by_tail(float(solution.residuals["offset"][0]), DEPTH_DEGREES)
    if not np.isfinite(cost):
        return None
    pairs = [(view.solved, rim) for view, rim in zip(seen, kept, strict=True)]
    worse = worse_as_one(solution.residuals, pairs, seen[0].prior.stands)
    fits = 2 * (cost - alone) <= (_MOVED_TIED if joint.ties else _MOVED_SQUARES)
    if not fits and not (joint.ties and worse < ONE_CIRCLE):
        return None
    edges_more = edges_err_more(worse) if seen[0].sighting.name == JOINT else 1.0
    joint, solution = _by_tail(joint, solution)
    depth, tilts = joint.common.start + 3, slice(joint.common.start + 4, joint.common.start + 6)
    tilt_sd = np.sqrt(np.linalg.eigvalsh(solution.covariance[tilts, tilts])[-1])
    length = _length(seen, joint, solution, edges_more)
    return _Joined(
        length, float(solution.x[depth]), float(np.sqrt(solution.covariance[depth, depth])),
        normal_of_tilt(solution.x[tilts]) @ joint.frame.T, float(np.degrees(tilt_sd)),
    )  # fmt: skip


def _by_tail(joint: _Joint, solution: Solution) -> tuple[_Joint, Solution]:
    """The same with the depth believed in by Student's t, not a normal belief: the further off, the less it counts.

    Its weight at a place is that of a normal belief wider by the root of (degrees + squares) / (degrees + 1).
    """
    if joint.views[0].prior.stands:
        return joint, solution
    for _ in range(_DEPTH_TURNS):
        off = joint.depth_wider * float(solution.residuals["offset"][0])
        joint = replace(joint, depth_wider=float(np.sqrt((DEPTH_DEGREES + off**2) / (DEPTH_DEGREES + 1.0))))
        solution = solve(joint.residuals, solution.x, joint.start()[1], iterations=25)
    return joint, solution


def _ties_of(seen: Sequence[SeenCircle], known: _Known) -> dict[tuple[int, int], Ties]:
    """What ties each photo to the ones before it, by their numbers."""
    out = {}
    for j, second in enumerate(seen):
        for i in range(max(0, j - _TIED_TO), j):
            first = seen[i]
            if first.landmarks is None or second.landmarks is None:
                continue
            photos = id(first.landmarks), id(second.landmarks)
            if photos not in known:
                known[photos] = ties_of(first.landmarks, second.landmarks, (_view_of(first), _view_of(second)))
            ties = known[photos]
            if ties:
                out[i, j] = ties
    return out


def _view_of(seen: SeenCircle) -> View:
    return seen.solved.camera, seen.solved.rotation, seen.solved.translation_mm


def _of_ties(solution: Solution) -> dict[str, Array]:
    return {name: left for name, left in solution.residuals.items() if name.startswith("ties")}


def _holding(ties: dict[tuple[int, int], Ties], solution: Solution) -> dict[tuple[int, int], Ties]:
    """The ties that fit the cameras as the references have them, the same where all do.

    Few that do not are chance; many tell of things that were moved with the reference or without it, or of a reference
    that was: none is believed then.
    """
    left = _of_ties(solution).values()
    holds = {pair: np.abs(off) < _TIE_HOLDS for pair, off in zip(ties, left, strict=True)}
    if all(one.all() for one in holds.values()):
        return ties
    return {pair: ties[pair].some(one) for pair, one in holds.items() if one.mean() > _TIES_HOLD}


def _length(seen: Sequence[SeenCircle], joint: _Joint, solution: Solution, edges_more: float) -> MeasuredLength:
    row = joint.common.start + 6
    center_z, log_radius = float(solution.x[joint.common.start + 3]), float(solution.x[row])
    name, prior = seen[0].sighting.name, seen[0].prior
    photos = tuple(dict.fromkeys(photo for view in seen for photo in view.solved.length.photos))
    all_photos = "+".join(view.sighting.photo for view in seen)

    def size(group: str) -> float:
        return float(np.linalg.norm(solution.loadings[group][row])) if group in solution.loadings else 0.0

    def signed(group: str) -> float:
        return float(solution.loadings[group][row, 0])

    depth = HEIGHT_SOURCE if prior.stands else f"offset:{all_photos}:{prior.plane or name}"
    parts: list[tuple[ContributionName, str, float]] = [
        ("offset", depth, signed("offset")),
        ("tilt", f"tilt:{all_photos}:{name}", size("tilt")),
        ("print_scale", seen[0].reference.size_source, signed("print_scale")),
        ("reference", f"bend:{all_photos}", size("bend")),
        # Where a rounded rim is seen is much the same from everywhere: the views' errors of size are added up.
        ("edge", f"rim:{all_photos}:{name}", edges_more * sum(signed(f"shared{i}") for i in range(len(seen)))),
    ]
    for i, view in enumerate(seen):
        photo = view.sighting.photo
        parts += [
            ("edge", f"edge:{photo}:{name}", edges_more * np.hypot(size(f"edge{i}"), size(f"middle{i}")).item()),
            ("camera", f"camera:{photo}", signed(f"camera{i}")),
            ("camera", f"center:{photo}", size(f"center{i}")),
            ("lens", f"lens:{photo}", signed(f"lens{i}")),
            ("reference", f"reference:{photo}", size(f"reference{i}")),
        ]
    parts += [("reference", f"{tie}:{all_photos}", size(tie)) for tie in _of_ties(solution)]
    diameter = 2 * float(np.exp(log_radius))
    contributions = tuple(Contribution(*part) for part in parts)
    if prior.stands:
        return MeasuredLength(name, diameter, contributions, photos)
    per_offset = signed("offset") * diameter / -(joint.depth_wider * prior.offset_sd_mm)
    return MeasuredLength(name, diameter, contributions, photos, center_z, per_offset)
