"""The slant of a round part by its own outline: pictures squared up to the two planes in which it may be a circle.

A circle seen at a slant is an ellipse, and every ellipse may be a circle that leans one way or the other (the cone over
it has two families of circular sections; Chen, Q., Wu, H., Wada, T.: Camera calibration with two arbitrary coplanar
circles, ECCV 2004, from memory). What else lies about the part's middle tells which.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from features.camera import Camera
from features.ellipse import Ellipse
from features.parts.finder import PartQuestion
from features.parts.front_on import FaceFrame, face_frame

Array = NDArray[np.float64]
SAME_NORMAL = float(np.cos(np.radians(1.5)))
"""Cosine of the angle within which two planes square a photo up alike."""


def faces_of_ellipse(question: PartQuestion, ellipse: Ellipse) -> list[FaceFrame]:
    """Pictures squared up to the planes in which an ellipse of the photo is a circle: two, or one seen squarely."""
    return faces_of_ellipses(question, [ellipse], SAME_NORMAL)


def faces_of_ellipses(question: PartQuestion, ellipses: Sequence[Ellipse], alike: float) -> list[FaceFrame]:
    """The same for several ellipses, planes left out whose normal has this cosine or more with one before."""
    camera = Camera.of_shape(question.gray.shape, question.poses[0].focal_px)
    kept: list[Array] = []
    for ellipse in ellipses:
        for normal in circle_normals(ellipse, camera):
            if not any(float(normal @ other) > alike for other in kept):
                kept.append(normal)
    return [face_frame(question.gray.shape, camera, normal) for normal in kept]


def circle_normals(ellipse: Ellipse, camera: Camera) -> list[Array]:
    """(3,) unit normals, away from the camera, of the planes in which an ellipse of the picture is a circle."""
    cone = camera.matrix.T @ ellipse.conic_matrix @ camera.matrix
    values, axes = np.linalg.eigh(cone if np.linalg.det(cone) < 0 else -cone)
    lowest, middle, highest = values  # of a cone two have one sign: the lowest has the other
    aside = np.sqrt(max(highest - middle, 0.0) / (highest - lowest))
    along = np.sqrt(max(middle - lowest, 0.0) / (highest - lowest))
    normals = [along * axes[:, 0] + way * aside * axes[:, 2] for way in (1.0, -1.0)]
    normals = [normal * (1.0 if normal[2] > 0 else -1.0) for normal in normals]
    return normals[:1] if float(normals[0] @ normals[1]) > SAME_NORMAL else normals
