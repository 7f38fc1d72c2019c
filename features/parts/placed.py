"""A told outline in squared-up pictures: one made from the outline itself, others from the scale reference's slant."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from features.camera import Camera
from features.circle_fit import fit_circle
from features.parts.border_circles import is_same_circle, robust_circles
from features.parts.finder import PartQuestion
from features.parts.front_on import FaceFrame, FrontOn, Mapped, face_frame
from features.parts.part_maps import RoundPart
from features.plane_pose import PlanePose
from features.reduced import halved, halvings_of, matrix_from_halved

Array = NDArray[np.float64]

UNIT_PX = 400.0
"""Radius that an ellipse is given in the picture made from it."""
ROUND_ENOUGH = 0.12
"""Spread of the radius, relative, up to which a told outline may be a circle in the squared-up picture."""
LONGEST_REACH = 0.15
"""Scan lines longer than this meet too much that is not the part."""
OTHER_SHAPE = 0.004
"""A longer lens is asked too where under it a circle of the part's size lies this far off a circle, relative: edges
must lie as near to count."""
AZIMUTHS, AS_ROUND, MOST_AZIMUTHS = np.radians(np.arange(-72.0, 73.0, 3.0)), 0.02, 10
"""Ways that an upright plane may face, how much less round than at best an outline may be under one, which is what told
outlines are off, and how many are looked at."""
MARGIN = 1.25
"""A printed card is larger than its pattern; what is this much larger than a reference is not looked at."""
SAME_NORMAL = float(np.cos(np.radians(1.5)))
"""Cosine of the angle within which two poses square a photo up alike."""


@dataclass(frozen=True, eq=False)
class EllipseFrame(Mapped):
    """A picture in which an ellipse of the photo is a circle of radius `UNIT_PX` about the origin."""

    part: RoundPart

    @property
    def px_per_px(self) -> float:
        """Its pixels per photo pixel."""
        return UNIT_PX / float(self.part.semi_axes_px.mean())

    @cached_property
    def photo_from_front(self) -> Array:  # type: ignore[override]
        """(3, 3) its pixels to the photo's, an affine map."""
        return np.block([[self.part.shape_px / UNIT_PX, self.part.center_px[:, None]], [np.array([[0.0, 0.0, 1.0]])]])


@dataclass(frozen=True, eq=False)
class Placed:
    """A told outline as a circle of a squared-up picture.

    Attributes:
        frame: the picture; center, radius: of the circle there; measured_slant: whether a reference gave that picture.
        reach: half length of the scan lines that look for its edge, as a share of the radius.
        border_share: share of the map's border that the circle lies on, 0 where it was not fitted to it.
        by_edges: whether the directions of edges all round agreed on its middle.
    """

    frame: EllipseFrame | FaceFrame
    center: Array
    radius: float
    measured_slant: bool
    reach: float
    border_share: float = 0.0
    by_edges: bool = False

    def about(self, outline_px: Array) -> "Placed":
        """The same picture about another outline (N, 2) of the photo, one that was traced."""
        center, radius = fit_circle(self.frame.from_photo(outline_px))
        return replace(self, center=center, radius=radius)

    def slope(self, focal_px: float) -> Array:
        """(2,) how far aside, in the picture, a place moves for each unit that it lies before the circle's plane.

        It is the tangent of the angle between plane and line of sight; made from an outline, the picture does not know
        to which side, so its sign means nothing.

        Args:
            focal_px: of the photo.
        """
        if isinstance(self.frame, FaceFrame):
            return np.asarray((self.center - self.frame.foot) / (focal_px * self.frame.px_per_px))
        values, axes = np.linalg.eigh(self.frame.part.shape_px)
        return np.asarray(np.sqrt(max((values[1] / values[0]) ** 2 - 1.0, 0.0)) * axes[:, 0])

    def away_with_cover(self, outline_px: Array, lead: float, focal_px: float) -> float:
        """How far an outline (N, 2) of the photo lies from the circle with a cover before it, over its radius.

        A cover is seen shifted along the slope by as much as it stands out: on that side the outline may lie further
        out by up to a whole cover, nowhere further in.

        Args:
            outline_px: of both; lead: how far the cover may stand out, over the radius; focal_px: of the photo.
        """
        outline = (self.frame.from_photo(outline_px) - self.center) / self.radius
        aside = lead * self.slope(focal_px)
        share = np.clip(outline @ aside / max(float(aside @ aside), 1e-12), 0.0, 1.0)
        beyond = np.linalg.norm(outline - share[:, None] * aside, axis=1) - 1.0
        return float(np.maximum(beyond, 1.0 - np.linalg.norm(outline, axis=1)).max())

    def picture(self, gray: NDArray[np.uint8], radius_px: float, room: float, covered_px: Sequence[Array]) -> FrontOn:
        """The circle alone, squared up and `radius_px` large, with what lies round it up to `room` radii.

        Args:
            gray: (H, W) photo.
            radius_px: of the circle in the picture.
            room: half the picture's size over the radius.
            covered_px: outlines (M, 2) of what lies over it, not valid there.
        """
        scale, half = self.radius / radius_px, room * radius_px
        shift = self.center - scale * half
        small = np.array([[scale, 0.0, shift[0]], [0.0, scale, shift[1]], [0.0, 0.0, 1.0]])
        photo_from_front = self.frame.photo_from_front @ small
        warp, size = np.linalg.inv(photo_from_front), (int(2 * half), int(2 * half))
        times = halvings_of(gray.shape)
        coarse = warp @ matrix_from_halved(times)
        picture = cv2.warpPerspective(halved(gray, times), coarse, size, flags=cv2.INTER_LINEAR)
        free = np.full(gray.shape, 255, np.uint8)
        for outline in covered_px:
            cv2.fillPoly(free, [np.rint(outline).astype(np.int32)], 0)
        valid = cv2.warpPerspective(free, warp, size) > 250
        px_per_px = self.frame.px_per_px / scale
        return FrontOn(np.asarray(picture, np.uint8), valid, photo_from_front, px_per_px, 0.0, np.full(2, half))


def places_of(question: PartQuestion, part: RoundPart, reach: float, border_px: Array | None = None) -> list[Placed]:
    """The told outline in a picture squared up to it, and in those squared up to the reference.

    A reference tells the slant better than the model does, but not every part lies parallel to it; where the outline is
    far from round under its slant, either is wrong, so edges are looked for further off. Under a slant that is known
    a short piece of the part's border tells its whole circle, also where a card hides the rest.

    Args:
        question: the photo with the poses of its reference.
        part: the told outline.
        reach: half length of scan lines, as a share of its size, that its usual error asks for.
        border_px: (N, 2) where the part map shows the part's own border.
    """
    places = [Placed(EllipseFrame(part), np.zeros(2), UNIT_PX, False, reach)]
    outline = part.outline_px()
    if question.tilt_known:
        nominal = reference_frames(question)
        frames = [*nominal, *_by_longer_lenses(question, nominal, outline)]
    else:
        frames = upright_frames(question, outline) if question.on_floor and part.name == "chamber" else []
    for frame in frames:
        center, radius, spread = _circle_in(frame, outline)
        by_border = [] if border_px is None else robust_circles(frame.from_photo(border_px), radius)
        places += [Placed(frame, middle, size, True, reach, share) for middle, size, share in by_border]
        if any(is_same_circle(one[:2], (center, radius)) for one in by_border):
            continue
        if spread < ROUND_ENOUGH:
            places.append(Placed(frame, center, radius, True, max(reach, min(2 * spread, LONGEST_REACH))))
    return places


def _by_longer_lenses(question: PartQuestion, nominal: Sequence[FaceFrame], outline_px: Array) -> list[FaceFrame]:
    """Pictures squared up as longer lenses would have it, where a circle of the part's size would be seen otherwise."""
    kept: list[FaceFrame] = list(nominal)
    for frame in _frames(question, question.longer):
        if all(_bent_apart(frame, known, outline_px) > OTHER_SHAPE for known in kept):
            kept.append(frame)
    return kept[len(nominal) :]


def _bent_apart(one: FaceFrame, other: FaceFrame, outline_px: Array) -> float:
    """How far from round, relative, a circle of the outline's place and size in one picture is in another."""
    center, radius = fit_circle(one.from_photo(outline_px))
    angle = np.linspace(0, 2 * np.pi, 36, endpoint=False)
    there = other.from_photo(one.to_photo(center + radius * np.stack([np.cos(angle), np.sin(angle)], 1)))
    center, radius = fit_circle(there)
    return float(np.abs(np.linalg.norm(there - center, axis=1) / radius - 1.0).max())


def upright_frames(question: PartQuestion, outline_px: Array) -> list[FaceFrame]:
    """Pictures squared up to planes that stand upright on the reference's and in which an outline is about a circle.

    An outline tells only roughly which way its plane faces: all ways under which it is as round are looked at.
    """
    pose = question.poses[0]
    camera = Camera.of_shape(question.gray.shape, pose.focal_px)
    up = pose.rotation[:, 2]
    away = camera.rays(outline_px.mean(axis=0)[None])[0]
    away = away - (away @ up) * up
    away, aside = away / np.linalg.norm(away), np.cross(up, away / np.linalg.norm(away))
    frames = [face_frame(question.gray.shape, camera, np.cos(a) * away + np.sin(a) * aside) for a in AZIMUTHS]
    spread = np.array([_circle_in(frame, outline_px)[2] for frame in frames])
    enough = min(ROUND_ENOUGH, float(spread.min()) + AS_ROUND)
    kept = [at for at in np.argsort(spread)[:MOST_AZIMUTHS].tolist() if spread[at] < enough]
    return [frames[at] for at in kept]


def _circle_in(frame: FaceFrame, outline_px: Array) -> tuple[Array, float, float]:
    """Center and radius of the circle that an outline is about in a picture, and its radius' spread, relative."""
    there = frame.from_photo(outline_px)
    center, radius = fit_circle(there)
    return center, radius, float(np.std(np.linalg.norm(there - center, axis=1))) / max(radius, 1e-9)


def reference_frames(question: PartQuestion) -> list[FaceFrame]:
    """Pictures squared up to the reference, one for each of its poses that differ."""
    return _frames(question, question.poses)


def _frames(question: PartQuestion, poses: Sequence[PlanePose]) -> list[FaceFrame]:
    normals: list[Array] = []
    frames = []
    for pose in poses:
        normal = pose.rotation[:, 2] * np.sign(pose.rotation[2, 2])
        if not any(float(normal @ known) > SAME_NORMAL for known in normals):
            normals.append(normal)
            frames.append(face_frame(question.gray.shape, Camera.of_shape(question.gray.shape, pose.focal_px), normal))
    return frames


def uncovered(question: PartQuestion, rim_px: Array) -> NDArray[np.bool_]:
    """(N,) whether the places lie in the picture and no scale reference at them."""
    rows, columns = question.gray.shape
    free = np.asarray(((rim_px >= 0) & (rim_px <= [columns - 1, rows - 1])).all(axis=1))
    for outline in question.keep_out_px:
        middle = np.mean(outline, axis=0)
        polygon = np.asarray(middle + MARGIN * (outline - middle), np.float32).reshape(-1, 1, 2)
        low, high = polygon.min(axis=(0, 1)), polygon.max(axis=(0, 1))
        for place in np.flatnonzero(free & ((rim_px >= low) & (rim_px <= high)).all(axis=1)).tolist():
            free[place] = cv2.pointPolygonTest(polygon, rim_px[place].tolist(), False) < 0
    return free
