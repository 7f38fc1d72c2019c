"""A camera in the words of the other renderer: a pose that looks along -z with y up, and a lens on a 36 mm film."""

import numpy as np
from numpy.typing import NDArray

from tools.cross_render.scene_file import HandedCamera

METERS = 0.001
FILM_MM = 36.0
"""Width of the film that the focal length refers to, whatever the picture's aspect."""


def pose(camera: HandedCamera) -> NDArray[np.float64]:
    """(4, 4) from the camera's frame (x right, y up, z towards the viewer) to the pump's, in meters."""
    matrix = np.eye(4)
    matrix[:3, :3] = camera.rotation.T * [1.0, -1.0, -1.0]
    matrix[:3, 3] = camera.position_mm * METERS
    return matrix


def focal_length_mm(camera: HandedCamera) -> float:
    """Focal length on the 36 mm film."""
    return FILM_MM * camera.focal_px / camera.width_px


def f_number(camera: HandedCamera) -> float:
    """F-number that gives that focal length the aperture of the real lens."""
    return focal_length_mm(camera) / (2 * camera.aperture_radius_mm)
