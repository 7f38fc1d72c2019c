"""How a face with circles about one middle leans, where no reference tells: under its slant their edges point at it.

A rim, a raised face and an opening are seen as ellipses with different middles; squared up they are circles about one.
The edges are found once, in the photo, and only they are squared up, to every slant that may be.
"""

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from features.camera import Camera, rotation_taking_z_to
from features.circle_fit import fit_circle
from features.ellipse import Ellipse
from features.parts.concentric import EdgeField, edge_field, settled_set
from features.parts.finder import PartQuestion
from features.parts.front_on import FaceFrame, FrontOn, face_frame
from features.parts.own_slant import circle_normals
from features.parts.part_maps import RoundPart

Array = NDArray[np.float64]

RADIUS_PX, ROOM = 110.0, 1.5
"""How large the told outline is drawn, and how much round it is looked at."""
MOST_EDGES = 5000
INNER, OUTER = 0.2, 1.4
"""The circles that count, the told outline being 1."""
ASIDE = 0.5
"""How far their middle may lie from the told one."""
RINGS_DEG = (0.0, 12.0, 24.0, 36.0, 48.0)
SPACING_DEG, FINEST_DEG = 13.0, 1.5
STEEP_DEG, ABOUT_TOLD_DEG = 42.0, 8.0
"""An outline told as flat as one seen at this slant is looked at from about its own two slants too, so far to each
side: the even grid ends near there."""
STARTS, KEPT, APART_DEG = 4, 3, 6.0
"""How many slants are made better, how many are kept, and how far apart they lie."""


@dataclass(frozen=True, eq=False)
class _Edges:
    """Edges of the photo about a part: (N, 2) places, (N, 2) unit gradients, (N,) strengths."""

    places_px: Array
    gradients: Array
    strengths: Array


def frames_by_circles(question: PartQuestion, part: RoundPart) -> list[FaceFrame]:
    """Pictures squared up to the slants under which circles about a told outline's middle agree best."""
    camera = Camera.of_shape(question.gray.shape, question.poses[0].focal_px)
    sight = camera.rays(part.center_px[None])[0]
    toward = rotation_taking_z_to(sight / np.linalg.norm(sight))
    edges = _edges_about(question, part)
    if len(edges.places_px) < 100:
        return []

    def merit(lean: Array) -> float:
        return _agreement(edges, camera, toward @ _leaning(lean), part)

    grid = np.concatenate([_grid(), _steep_leans(part, camera, toward)])
    tried = sorted(((merit(lean), tuple(lean)) for lean in grid), reverse=True)[:STARTS]
    better = sorted((_climbed(merit, value, np.array(lean)) for value, lean in tried), key=lambda one: -one[0])
    kept: list[Array] = []
    for value, lean in better:
        if value > 0.0 and all(np.linalg.norm(lean - other) > APART_DEG for other in kept):
            kept.append(lean)
    return [face_frame(question.gray.shape, camera, toward @ _leaning(lean)) for lean in kept[:KEPT]]


def _grid() -> Array:
    """(G, 2) leans in degrees, evenly over the half sphere as far as faces are measured."""
    leans = [np.zeros((1, 2))]
    for tilt in RINGS_DEG[1:]:
        count = max(6, round(2 * np.pi * np.sin(np.radians(tilt)) / np.radians(SPACING_DEG)))
        angle = 2 * np.pi * np.arange(count) / count
        leans.append(tilt * np.stack([np.cos(angle), np.sin(angle)], 1))
    return np.concatenate(leans)


def _steep_leans(part: RoundPart, camera: Camera, toward: Array) -> Array:
    """(S, 2) leans in degrees about those in which a flat told outline is a circle; none where it is told as round."""
    ellipse = Ellipse.fit(part.outline_px(60))
    normals = circle_normals(ellipse, camera) if ellipse else []
    leans = [np.zeros((0, 2))]
    for x, y, z in (toward.T @ normal for normal in normals):
        tilt = np.degrees(np.arccos(np.clip(z, -1.0, 1.0)))
        if tilt > STEEP_DEG:
            lean = tilt * np.array([x, y]) / np.hypot(x, y)
            leans.append(lean + ABOUT_TOLD_DEG * np.array([(0, 0), (1, 0), (0, 1), (-1, 0), (0, -1)]))
    return np.concatenate(leans)


def _leaning(lean_deg: Array) -> Array:
    """(3,) unit vector that leans from the z axis by a length of degrees, toward a direction."""
    tilt = np.radians(max(float(np.linalg.norm(lean_deg)), 1e-9))
    aside = np.sin(tilt) * np.radians(lean_deg) / tilt
    return np.array([aside[0], aside[1], np.cos(tilt)])


def _climbed(merit: Callable[[Array], float], value: float, lean: Array) -> tuple[float, Array]:
    """The best lean near one, by smaller and smaller steps along both axes."""
    step = SPACING_DEG / 2
    while step > FINEST_DEG:
        around = [lean + step * np.array(way) for way in ((1, 0), (-1, 0), (0, 1), (0, -1))]
        values = [merit(one) for one in around]
        best = int(np.argmax(values))
        if values[best] > value:
            value, lean = values[best], around[best]
        else:
            step /= 2
    return value, lean


def _edges_about(question: PartQuestion, part: RoundPart) -> _Edges:
    scale = max(float(part.semi_axes_px[0]) / RADIUS_PX, 0.5)
    half = round(ROOM * float(part.semi_axes_px[0]) / scale)
    corner = part.center_px - scale * half
    to_small = np.array([[1 / scale, 0.0, -corner[0] / scale], [0.0, 1 / scale, -corner[1] / scale]])
    smooth = cv2.GaussianBlur(question.gray, (0, 0), 0.4 * scale) if scale > 1.4 else question.gray
    size = (2 * half, 2 * half)
    free = np.full(question.gray.shape, 255, np.uint8)
    for outline in question.keep_out_px:
        cv2.fillPoly(free, [np.rint(outline).astype(np.int32)], 0)
    picture = np.asarray(cv2.warpAffine(smooth, to_small, size, flags=cv2.INTER_LINEAR), np.uint8)
    valid = cv2.warpAffine(free, to_small, size) > 250
    front = FrontOn(picture, valid, np.eye(3), 1.0, 0.0, np.zeros(2))
    field = edge_field(front, MOST_EDGES)
    return _Edges(field.places * scale + corner, field.gradients, field.strengths)


def _agreement(edges: _Edges, camera: Camera, normal: Array, part: RoundPart) -> float:
    """How much of up to four circles about one middle is seen, squared up to a plane; 0 where it lies elsewhere."""
    turn = camera.matrix @ rotation_taking_z_to(normal).T @ np.linalg.inv(camera.matrix)
    center, radius = fit_circle(_mapped(turn, part.outline_px(40)))
    mapped = _mapped(turn, edges.places_px)
    places = (mapped - center) * RADIUS_PX / radius
    # Gradients are covectors: they map by the inverse transpose of the map's Jacobian, up to length and sign.
    (xx, xy), (yx, yy) = (turn[k, :2, None] - mapped[:, k] * turn[2, :2, None] for k in (0, 1))
    across, down = edges.gradients.T
    gradients = np.stack([yy * across - yx * down, xx * down - xy * across], axis=1)
    gradients /= np.linalg.norm(gradients, axis=1, keepdims=True)
    found = settled_set(
        EdgeField(places, gradients, edges.strengths), np.zeros(2), INNER * RADIUS_PX, OUTER * RADIUS_PX
    )
    if found is None or float(np.linalg.norm(found.center)) > ASIDE * RADIUS_PX:
        return 0.0
    return float((np.sort(found.supports)[::-1][:4] ** 2).sum())


def _mapped(turn: Array, points: Array) -> Array:
    lifted = points @ turn[:, :2].T + turn[:, 2]
    return np.asarray(lifted[:, :2] / lifted[:, 2:])
