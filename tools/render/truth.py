"""One photo's truth as one JSON object: the schema is documented in this folder's README.

Everything is told in the camera frame (x right, y down, z forward, mm) and in upright pixels (centers at integers).
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tools.render.cameras import Camera, circle_points
from tools.render.exif import ExifAsWritten
from tools.render.first_hits import FirstHits
from tools.render.place_references import PlacedReference
from tools.render.pump_model import PumpModel, TrueCircle
from tools.render.reference_objects import bent
from tools.render.scene import LABELS

Floats = NDArray[np.float64]
SCHEMA = "untagged.render/1"
VISIBLE_DEPTH_MM = 4.0
"""A point counts as seen when the first surface at its pixel, or next to it, is this close to it in depth."""
OWN_PARTS: dict[str, tuple[str, ...]] = {
    "chamber_diameter": ("clamp_band", "bolted_rim", "chamber_cover"),
    "flange_diameter": ("flange", "companion"),
    "bolt_circle_diameter": ("flange", "bolt", "companion"),
    "bolt_hole_diameter": ("flange", "bolt"),
    "port_bore": ("flange", "port_opening", "threaded_boss"),
    "thread_major_diameter": ("threaded_boss", "port_opening"),
}
"""Parts whose edge shows a circle. A joint's circle often lies a little behind the front edge of its own rim: it is
seen where its own part is seen, within the part's thickness."""
OWN_PART_DEPTH = 0.12
"""That thickness, as a part of the circle's diameter."""


def truth_record(
    model: PumpModel, references: Sequence[PlacedReference], camera: Camera, hits: FirstHits,
    mask: NDArray[np.uint16], exif: ExifAsWritten | None,
) -> dict[str, Any]:  # fmt: skip
    """Camera, EXIF, references, features and attributes of one photo.

    Args:
        model: the pump, in the world frame.
        references: as placed.
        camera: of the photo as stored (after any resize), upright.
        hits: first hits of the same camera; mask: its label mask.
        exif: as written, None when stripped.
    """
    features = [_feature(circle, camera, hits, mask) for circle in model.circles]
    return {
        "schema": SCHEMA,
        "width": camera.width_px,
        "height": camera.height_px,
        "camera": _camera(camera),
        "exif": exif.as_json() if exif else {},
        "scale_references": [_reference(placed, model, camera, hits) for placed in references],
        "features": [f for f in features if f["visible_fraction"] > 0],
        "lengths_mm": _rounded(dict(model.lengths_mm), 4),
        "attributes": dict(model.attributes),
        "family_id": model.family_id,
        "shape_kinds": dict(model.shape_kinds),
    }


def _camera(camera: Camera) -> dict[str, Any]:
    fx, fy = camera.focal_xy_px
    return _rounded(
        {
            "fx": fx,
            "fy": fy,
            "cx": camera.center_px[0],
            "cy": camera.center_px[1],
            "distortion": [camera.k1, camera.k2, 0.0, 0.0, 0.0],
            "focal_length_35mm_true": camera.lens.equivalent_mm,
            "aperture_radius_mm": camera.lens.aperture_radius_mm,
            "focus_mm": camera.focus_mm,
            "rotation_pump_to_camera": camera.rotation.tolist(),
            "translation_pump_to_camera_mm": camera.translation_mm.tolist(),
        },
        7,
    )


def _feature(circle: TrueCircle, camera: Camera, hits: FirstHits, mask: NDArray[np.uint16]) -> dict[str, Any]:
    center = camera.to_camera(circle.center_mm[None])[0]
    normal = camera.rotation @ circle.normal
    on_bolt_circle = circle.name == "bolt_circle_diameter" and len(circle.bolts_mm) > 0
    points = circle.bolts_mm if on_bolt_circle else circle_points(circle)
    near = VISIBLE_DEPTH_MM + OWN_PART_DEPTH * circle.diameter_mm
    seen = visible(points, camera, hits)
    if circle.name in OWN_PARTS:
        own = np.isin(mask & 255, [LABELS.index(name) + 1 for name in OWN_PARTS[circle.name]])
        seen |= visible(points, camera, hits, near, own)
    faces_camera = bool(normal @ center < 0)
    record: dict[str, Any] = {
        "name": circle.name,
        "instance": circle.instance,
        "diameter_mm": circle.diameter_mm,
        "center_mm": center.tolist(),
        "normal": normal.tolist(),
        "faces_camera": faces_camera,
        "visible_fraction": float(seen.mean()) if faces_camera else 0.0,
    }
    if len(circle.bolts_mm):
        px, _ = camera.project(circle.bolts_mm)
        record["bolts_px"] = px.tolist()
        record["bolts_visible"] = visible(circle.bolts_mm, camera, hits, 12.0).tolist()
    return _rounded(record, 4)


def visible(
    points_mm: Floats, camera: Camera, hits: FirstHits, within_mm: float = VISIBLE_DEPTH_MM,
    own: NDArray[np.bool_] | None = None,
) -> NDArray[np.bool_]:  # fmt: skip
    """(N,) whether each pump-frame point is in frame and the first thing seen there or one pixel beside it.

    Args:
        points_mm: (N, 3).
        camera: the camera; hits: its first hits.
        within_mm: tolerance in depth.
        own: (height, width) pixels that count, None for all.
    """
    px, depth = camera.project(points_mm)
    inside: NDArray[np.bool_] = np.asarray(np.isfinite(px).all(axis=1))
    column, row = np.rint(np.where(inside[:, None], px, -1)).astype(np.int64).T
    inside &= (column >= 0) & (column < camera.width_px) & (row >= 0) & (row < camera.height_px)
    seen = np.zeros(len(px), bool)
    for dx in (-1, 0, 1):
        for dy in (-1, 0, 1):
            x = np.clip(column + dx, 0, camera.width_px - 1)
            y = np.clip(row + dy, 0, camera.height_px - 1)
            close = np.asarray(np.abs(hits.depth_mm[y, x] - depth) < within_mm)
            seen |= close if own is None else close & own[y, x]
    return np.asarray(inside & seen)


def _reference(placed: PlacedReference, model: PumpModel, camera: Camera, hits: FirstHits) -> dict[str, Any]:
    thing = placed.thing
    rotation = camera.rotation @ placed.rotation
    translation = camera.to_camera(placed.origin_mm[None])[0]
    outline_px, _ = camera.project(placed.outline_pump_mm)
    record: dict[str, Any] = {
        "kind": thing.kind,
        "name": thing.name,
        "size_mm": list(thing.size_mm),
        "card_at": placed.where,
        "instance": placed.instance,
        "lift_mm": placed.lift_mm,
        "thickness_mm": thing.thickness_mm,
        "bend_radius_mm": None if not np.isfinite(thing.bend.radius_mm) else thing.bend.radius_mm,
        "bend_axis_deg": thing.bend.axis_deg,
        "rotation": rotation.tolist(),
        "translation_mm": translation.tolist(),
        "outline_mm": thing.outline_mm.tolist(),
        "outline_px": outline_px.tolist(),
        "visible_fraction": _visible_area(placed, camera, hits),
        "feature_offsets": [_offset(circle, placed) for circle in model.circles],
    }
    if thing.kind == "coin":
        record["diameter_mm"] = thing.size_mm[0]
    if len(thing.corners_mm):
        corners = placed.to_pump(thing.corners_mm)
        px, _ = camera.project(corners)
        record["corner_ids"] = list(thing.corner_ids)
        record["corners_mm"] = thing.corners_mm.tolist()
        record["corners_px"] = px.tolist()
        record["corners_visible"] = visible(corners, camera, hits).tolist()
    return _rounded(record, 4)


def _visible_area(placed: PlacedReference, camera: Camera, hits: FirstHits) -> float:
    """Part of the face inside its true outline that is in frame and uncovered."""
    t = np.linspace(0.06, 0.94, 12)
    low, high = placed.thing.outline_mm.min(axis=0), placed.thing.outline_mm.max(axis=0)
    u, v = np.meshgrid(t, t)
    flat = np.column_stack([u.ravel() * (high[0] - low[0]) + low[0], v.ravel() * (high[1] - low[1]) + low[1]])
    if placed.thing.kind == "coin":
        flat = flat[np.hypot(flat[:, 0], flat[:, 1]) < 0.45 * placed.thing.size_mm[0]]
    points = bent(np.column_stack([flat, np.zeros(len(flat))]), placed.thing.middle_mm, placed.thing.bend)
    return float(visible(placed.to_pump(points), camera, hits).mean())


def _offset(circle: TrueCircle, placed: PlacedReference) -> dict[str, Any]:
    """How far a circle's middle lies behind the reference's face plane, and the angle between the two planes."""
    inward = placed.rotation[:, 2]
    middle = placed.to_pump(placed.thing.middle_mm[None])[0]
    cosine = float(np.clip(-inward @ circle.normal, -1, 1))
    return {
        "name": circle.name,
        "instance": circle.instance,
        "offset_mm": float((circle.center_mm - middle) @ inward),
        "angle_deg": float(np.degrees(np.arccos(cosine))),
    }


def _rounded(record: dict[str, Any], digits: int) -> dict[str, Any]:
    return {key: _rounded_value(item, digits) for key, item in record.items()}


def _rounded_value(value: Any, digits: int) -> Any:
    """Numbers of a nested structure with a fixed number of decimals, so that the file stays small and stable."""
    if isinstance(value, dict):
        return {key: _rounded_value(item, digits) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded_value(item, digits) for item in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, float | np.floating):
        return None if not np.isfinite(value) else round(float(value), digits)
    return value
