"""A told outline in squared-up pictures: one made from the outline itself, others from the scale reference's slant."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from features.camera import Camera
from features.circle_fit import circles_through, fit_circle
from features.parts.finder import PartQuestion
from features.parts.front_on import FaceFrame, FrontOn, Mapped, face_frame
from features.parts.part_maps import RoundPart

Array = NDArray[np.float64]

UNIT_PX = 400.0
"""Radius that an ellipse is given in the picture made from it."""
ROUND_ENOUGH = 0.12
"""Spread of the radius, relative, up to which a told outline may be a circle in the squared-up picture."""
LONGEST_REACH = 0.15
"""Scan lines longer than this meet too much that is not the part."""
LEAST_BORDER, BORDER_WIDTH, TRIALS = 32, 0.02, 150
"""Least number of border points (of 180 directions) that must lie on one circle, how near, and circles tried."""
SAME_CIRCLE = 0.03
"""A circle by the border this near to the told one is the same."""
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
        picture = cv2.warpPerspective(gray, warp, size, flags=cv2.INTER_LINEAR)
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
    if not question.tilt_known:
        return places
    outline = part.outline_px()
    for frame in reference_frames(question):
        there = frame.from_photo(outline)
        center, radius = fit_circle(there)
        spread = float(np.std(np.linalg.norm(there - center, axis=1))) / max(radius, 1e-9)
        by_border = None if border_px is None else robust_circle(frame.from_photo(border_px), radius)
        if by_border is not None:
            places.append(Placed(frame, by_border[0], by_border[1], True, reach, by_border[2]))
            moved = float(np.linalg.norm(by_border[0] - center)) + abs(by_border[1] - radius)
            if moved < SAME_CIRCLE * radius:
                continue
        if spread < ROUND_ENOUGH:
            places.append(Placed(frame, center, radius, True, max(reach, min(2 * spread, LONGEST_REACH))))
    return places


def reference_frames(question: PartQuestion) -> list[FaceFrame]:
    """Pictures squared up to the reference, one for each of its poses that differ."""
    normals: list[Array] = []
    frames = []
    for pose in question.poses:
        normal = pose.rotation[:, 2] * np.sign(pose.rotation[2, 2])
        if not any(float(normal @ known) > SAME_NORMAL for known in normals):
            normals.append(normal)
            frames.append(face_frame(question.gray.shape, Camera.of_shape(question.gray.shape, pose.focal_px), normal))
    return frames


def robust_circle(points: Array, radius_guess: float) -> tuple[Array, float, float] | None:
    """The circle most points lie on (RANSAC, Fischler and Bolles 1981): center, radius, share; None where few do."""
    if len(points) < LEAST_BORDER:
        return None
    random = np.random.default_rng(0)
    picks = np.stack([random.choice(len(points), 3, replace=False) for _ in range(TRIALS)])
    centers, radii = circles_through(points[picks])
    away = np.linalg.norm(points - centers[:, None], axis=2)
    agree = np.abs(away - radii[:, None]) < BORDER_WIDTH * radius_guess
    agree &= ((radii > 0.7 * radius_guess) & (radii < 1.45 * radius_guess))[:, None]
    best = agree[int(np.argmax(agree.sum(axis=1)))]
    if best.sum() < LEAST_BORDER:
        return None
    center, radius = fit_circle(points[best])
    return (center, radius, float(best.mean())) if 0.7 < radius / radius_guess < 1.45 else None
