"""Judges by the truth of a thumbnail whether a demo photo is what a user takes who has read the capture rules."""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tools.render.cameras import Camera, View, circle_points
from tools.render.demo_list import Demo
from tools.render.first_hits import first_hits
from tools.render.photo import MadeScene, label_mask
from tools.render.pump_model import TrueCircle
from tools.render.truth import truth_record

THUMBNAIL_PX = 640
SUBJECTS: dict[View, tuple[str, ...]] = {
    "chamber": ("chamber_diameter",),
    "port": ("flange_diameter", "thread_major_diameter"),
    "front": ("chamber_diameter", "flange_diameter"),
    "three_quarter": ("chamber_diameter",),
}
"""Circles of which one must be well in view."""
EXTENTS: dict[View, tuple[float, float]] = {
    "chamber": (0.52, 0.86), "port": (0.25, 0.7), "front": (0.2, 0.8), "three_quarter": (0.36, 0.8),
}  # fmt: skip
"""Least and largest diameter of that circle, as a part of the photo's shorter side."""
LEAST_COIN_PX = 80.0
"""Least diameter of a coin in the full photo."""
MOST_TILT_DEG: dict[View, float] = {"chamber": 24.0, "port": 28.0, "front": 35.0, "three_quarter": 62.0}
LEAST_CIRCLE_SEEN, LEAST_DISK_CLEAR, LEAST_CARD_SEEN = 0.4, 0.99, 0.99
MARGIN = 0.02
"""A reference keeps this part of the picture's width and height free round it."""


def faults_of(made: MadeScene, demo: Demo) -> list[str]:
    """What is wrong with the scene's first camera, in words; empty when the photo is worth taking."""
    camera = made.cameras[0]
    scale = THUMBNAIL_PX / max(camera.width_px, camera.height_px)
    small = camera.resized(round(camera.width_px * scale), round(camera.height_px * scale))
    hits = first_hits(made.built.scene, small)
    mask = label_mask(made.built, hits)
    truth = truth_record(made.model, made.references, small, hits, mask, None)
    faults = _reference_faults(truth, demo, small, max(demo.size_px) / THUMBNAIL_PX)
    names = SUBJECTS[demo.view]
    seen = [f for f in truth["features"] if f["name"] in names and f["visible_fraction"] > LEAST_CIRCLE_SEEN]
    if not seen:
        return [*faults, "subject hidden"]
    feature = min(seen, key=lambda f: (tilt_deg(f), f["center_mm"][2]))
    if tilt_deg(feature) > MOST_TILT_DEG[demo.view]:
        faults.append(f"tilted {tilt_deg(feature):.0f} deg")
    circle = next(c for c in made.model.circles if (c.name, c.instance) == (feature["name"], feature["instance"]))
    low, high = EXTENTS[demo.view]
    px, _ = small.project(circle_points(circle))
    extent = float(np.ptp(px, axis=0).max()) / min(small.width_px, small.height_px)
    if not low < extent < high:
        faults.append(f"extent {extent:.2f}")
    if ((px < 0) | (px > [small.width_px - 1, small.height_px - 1])).any():
        faults.append("cut off")
    if _clear_part(circle, small, mask) < LEAST_DISK_CLEAR:
        faults.append("something before the subject")
    return faults


def _reference_faults(truth: dict[str, Any], demo: Demo, camera: Camera, enlarge: float) -> list[str]:
    """The reference is where it was wanted, wholly in the picture with a margin, and nothing covers it."""
    found = truth["scale_references"]
    if len(found) != len(demo.references) or any(r["card_at"] != demo.card_at for r in found):
        return ["reference not where wanted"]
    size = np.array([camera.width_px, camera.height_px])
    for reference in found:
        outline = np.array(reference["outline_px"])
        if (outline < MARGIN * size).any() or (outline > (1 - MARGIN) * size).any():
            return ["reference cut off"]
        if reference["visible_fraction"] < LEAST_CARD_SEEN:
            return ["reference covered"]
        if reference["kind"] == "coin" and float(np.ptp(outline, axis=0).min()) * enlarge < LEAST_COIN_PX:
            return ["coin too small"]
    return []


def tilt_deg(feature: dict[str, Any]) -> float:
    """Angle between a true circle's axis and the line of sight to its middle."""
    center, normal = np.array(feature["center_mm"]), np.array(feature["normal"])
    return float(np.degrees(np.arccos(np.clip(-normal @ center / np.linalg.norm(center), -1, 1))))


def _clear_part(circle: TrueCircle, camera: Camera, mask: NDArray[np.uint16]) -> float:
    """Part of a disk that shows pump or reference, and nothing that stands before them."""
    # The rim of a chamber may be scalloped; a flange has holes, so only its edge and its collar are looked at.
    parts = (0.2, 0.4, 0.6, 0.75, 0.88) if circle.name == "chamber_diameter" else (0.62, 0.95)
    rings = [replace(circle, diameter_mm=circle.diameter_mm * part) for part in parts]
    px = np.rint(np.concatenate([camera.project(circle_points(ring))[0] for ring in rings])).astype(np.int64)
    column, row = np.clip(px, 0, [camera.width_px - 1, camera.height_px - 1]).T
    return float((mask[row, column] > 0).mean())
