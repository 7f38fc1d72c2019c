"""Which of the named views a rendered photo shows, judged by what is in it and not by what the photographer wanted.

A photo taken of a port from so far away that the whole pump is in it is a front view, whatever it was meant to be.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from features.parts.part_vocabulary import PART_CLASSES
from tools.render.check_truth import circle_px

END_ON_DEG, FRONT_ON_DEG = 30.0, 60.0
"""Horizontal angle of the camera from the line through both chambers: up to the first a view of a chamber, from the
second on a front view, between them three-quarter."""
BORDER_DEG = 5.0
"""This near a border both words are right, and neither is asked for."""
HIGH_DEG = 60.0
"""A camera higher above the pump shows none of the named views."""
PUMP_PARTS = [k for k, n in enumerate(PART_CLASSES) if n not in ("background", "companion", "scale_reference", "other")]
CUT_OFF = 0.02
"""Part of the picture's border that a pump fills which is cut off."""
HALF_A_CHAMBER = 0.5
"""A picture with more than this part of a chamber's circle, whichever way that faces, is as well one of the chamber or
of the front: both words are right."""
LEAST_PORT = 0.2
"""Least width of a port's flange or mouth in a view of it, as a part of the picture's shorter side."""


def view_shown(record: dict[str, Any], classes: NDArray[np.uint8]) -> str:
    """One of the views; "" where two names are equally right or none is.

    Args:
        record: a line of truth.jsonl.
        classes: (H, W) class of `PART_CLASSES` of each pixel.
    """
    border = np.concatenate([classes[0], classes[-1], classes[:, 0], classes[:, -1]])
    if record["view"] != "port" or np.isin(border, PUMP_PARTS).mean() < CUT_OFF:
        return _by_direction(record)
    chambers = [f for f in record["features"] if f["name"] == "chamber_diameter"]
    ports = [f for f in record["features"] if f["name"] in ("flange_diameter", "port_bore") and f["faces_camera"]]
    large = any(_width_px(record, f) > LEAST_PORT * min(classes.shape) for f in ports)
    return "port" if large and not any(_shows(record, f) for f in chambers) else ""


def _by_direction(record: dict[str, Any]) -> str:
    """The view of a pump by where the camera stands; pump frame: x along both chambers, -y the front, z up."""
    rotation = np.array(record["camera"]["rotation_pump_to_camera"])
    x, y, _ = -rotation.T @ np.array(record["camera"]["translation_pump_to_camera_mm"])
    around = float(np.degrees(np.arctan2(abs(y), abs(x))))
    height = float(np.degrees(np.arcsin(-rotation[2, 2])))
    if height > HIGH_DEG or min(abs(around - END_ON_DEG), abs(around - FRONT_ON_DEG)) < BORDER_DEG:
        return ""
    if around < END_ON_DEG:
        return "chamber"
    if around < FRONT_ON_DEG:
        return "three_quarter"
    # From behind a pump looks much as from the front, but its valve would be told on the wrong side.
    return "front" if y < 0 else ""


def _width_px(record: dict[str, Any], circle: dict[str, Any]) -> float:
    """Longest extent of a circle in the picture."""
    points = circle_px(record["camera"], circle)
    return float(np.ptp(points, axis=0).max()) if np.isfinite(points).all() else 0.0


def _shows(record: dict[str, Any], chamber: dict[str, Any]) -> bool:
    """Whether half of a chamber's circle and more lies in the picture."""
    points = circle_px(record["camera"], chamber)
    inside = (points >= 0).all(axis=1) & (points[:, 0] < record["width"]) & (points[:, 1] < record["height"])
    return bool(inside.mean() >= HALF_A_CHAMBER)
