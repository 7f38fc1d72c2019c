"""The other way a circle may lean: seen at a slant, its outline is that of one circle in either of two planes."""

from dataclasses import replace

import numpy as np

from features.camera import rotation_taking_z_to
from features.circle_fit import fit_circle
from features.circle_in_space import CircleInSpace
from features.ellipse import Ellipse
from features.parts.own_slant import circle_normals


def leaning_other_way(circle: CircleInSpace) -> CircleInSpace | None:
    """The circle of the same size and outline in the other plane; None where it is seen squarely and there is none."""
    outline_px = circle.outline_px(48)
    ellipse = Ellipse.fit(outline_px)
    normals = circle_normals(ellipse, circle.camera) if ellipse else []
    if len(normals) < 2:
        return None
    normal = min(normals, key=lambda one: float(one @ circle.axis_in_camera))
    frame = rotation_taking_z_to(normal)
    sight = circle.camera.rays(outline_px) @ frame
    middle, radius = fit_circle(sight[:, :2] / sight[:, 2:])
    center_mm = 0.5 * circle.length.value_mm / radius * (frame @ np.array([*middle, 1.0]))
    turned_back = circle.rotation.T
    return replace(circle, normal=turned_back @ normal, center_mm=turned_back @ (center_mm - circle.translation_mm))
