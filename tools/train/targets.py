"""From one photo's truth to what the part model should say of it.

Everything is in pixels of the upright photo, centers at integers.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from features.parts.part_vocabulary import (
    ATTRIBUTES,
    EVIDENCE_PARTS,
    PART_CLASSES,
    POINT_CLASSES,
    ROUND_CLASSES,
    TELLING_VIEWS,
)
from tools.render.check_truth import circle_px
from tools.render.scene import LABELS
from tools.train.view_shown import view_shown

Floats = NDArray[np.float32]
MOST_POINTS, MOST_ROUND = 96, 10
"""Room for points and ellipses of one photo; more are dropped, which happens in none of the renderer's pumps."""
MOST_PX = 1e5
LEAST_VISIBLE = 0.2
"""A circle of which less is seen is neither asked for nor held against the model."""
LEAST_COIN_VISIBLE, LEAST_COIN_PX = 0.6, 2.5
"""A coin more hidden, or with a smaller half axis, is neither asked for nor held against the model."""
EVIDENCE_SHARE = 0.0012
"""Share of the photo that an attribute's parts must fill for the attribute to be seen."""

_CLASS_OF_LABEL = np.array([0, *[PART_CLASSES.index(label) for label in LABELS]], np.uint8)
_ROUND_OF_CIRCLE = {"chamber_diameter": "chamber", "flange_diameter": "flange"}
_POINTS_OF_CIRCLE = {"chamber_diameter": "chamber_bolt", "bolt_circle_diameter": "flange_bolt"}


@dataclass(frozen=True, eq=False)
class PhotoTargets:
    """What the model should say of one photo.

    Attributes:
        points: (MOST_POINTS, 4) x, y, class of `POINT_CLASSES`, 1 seen / 0 hidden; rows not used are -1.
        rounds: (MOST_ROUND, 7) x, y, shape matrix xx, yy, xy (px^2), class of `ROUND_CLASSES`, 1 asked for / 0 not;
            rows not used are -1.
        attributes: one value index per entry of `ATTRIBUTES`, -1 where not known.
        seen: one flag per entry of `ATTRIBUTES`: enough is in the picture to tell it.
        chamber_bolts: fasteners round each chamber's joint, in the picture or not; 0 where it has none.
    """

    points: Floats
    rounds: Floats
    attributes: NDArray[np.int64]
    seen: NDArray[np.bool_]
    chamber_bolts: int


def class_map(mask: NDArray[np.uint16]) -> NDArray[np.uint8]:
    """(H, W) class of `PART_CLASSES` of each pixel of a renderer's mask."""
    return _CLASS_OF_LABEL[mask & 255]


def targets_of(record: dict[str, Any], classes: NDArray[np.uint8]) -> PhotoTargets:
    """Targets of one photo.

    Args:
        record: a line of truth.jsonl.
        classes: (H, W) its class map.
    """
    attributes = np.full(len(ATTRIBUTES), -1, np.int64)
    view = view_shown(record, classes)
    told = {"view": view, "pump": "yes", **record["attributes"]}
    for k, (name, values) in enumerate(ATTRIBUTES.items()):
        attributes[k] = values.index(told[name]) if told.get(name) in values else -1
    bolts = int(record["attributes"].get("chamber_bolt_count", 0))
    return PhotoTargets(_points(record), _rounds(record), attributes, seen_in(classes, view), bolts)


def seen_in(classes: NDArray[np.uint8], view: str) -> NDArray[np.bool_]:
    """One flag per entry of `ATTRIBUTES`: whether a photo of this class map and view shows enough to tell it."""
    seen = np.ones(len(ATTRIBUTES), bool)
    for k, name in enumerate(ATTRIBUTES):
        if name in TELLING_VIEWS:
            seen[k] = view in TELLING_VIEWS[name]
        elif name in EVIDENCE_PARTS:
            parts = [PART_CLASSES.index(part) for part in EVIDENCE_PARTS[name]]
            seen[k] = np.isin(classes, parts).mean() > EVIDENCE_SHARE
    return seen


def _points(record: dict[str, Any]) -> Floats:
    rows: list[list[float]] = []
    for feature in record["features"]:
        name = _POINTS_OF_CIRCLE.get(feature["name"])
        if name is None or not feature["faces_camera"]:
            continue
        for (x, y), visible in zip(feature.get("bolts_px", []), feature.get("bolts_visible", []), strict=True):
            # A bolt behind the camera has no place in the picture.
            if x is not None and 0 <= x < record["width"] and 0 <= y < record["height"]:
                rows.append([x, y, POINT_CLASSES.index(name), float(visible)])
    return _filled(rows, MOST_POINTS, 4)


def _rounds(record: dict[str, Any]) -> Floats:
    threaded = record["attributes"].get("connection") == "threaded"
    mouth = "thread_major_diameter" if threaded else "port_bore"
    rows: list[list[float]] = []
    for feature in record["features"]:
        name = "mouth" if feature["name"] == mouth else _ROUND_OF_CIRCLE.get(feature["name"])
        if name is None or not feature["faces_camera"]:
            continue
        outline = circle_px(record["camera"], feature)
        if not np.isfinite(outline).all():
            continue
        center, shape = ellipse_of_outline(outline)
        # A circle that reaches behind the camera is no ellipse in the picture.
        if max(np.abs(center).max(), np.abs(shape).max() ** 0.5) > MOST_PX:
            continue
        asked = feature["visible_fraction"] >= LEAST_VISIBLE
        rows.append([*center, shape[0, 0], shape[1, 1], shape[0, 1], ROUND_CLASSES.index(name), float(asked)])
    return _filled(rows + _coins(record), MOST_ROUND, 7)


def _coins(record: dict[str, Any]) -> list[list[float]]:
    rows: list[list[float]] = []
    for reference in record["scale_references"]:
        outline = np.array(reference["outline_px"], float)
        if reference["kind"] != "coin" or not np.isfinite(outline).all():
            continue
        center, shape = ellipse_of_outline(outline)
        asked = reference["visible_fraction"] >= LEAST_COIN_VISIBLE and np.linalg.eigvalsh(shape)[0] > LEAST_COIN_PX**2
        rows.append([*center, shape[0, 0], shape[1, 1], shape[0, 1], ROUND_CLASSES.index("coin"), float(asked)])
    return rows


def ellipse_of_outline(outline: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Center (2,) and shape matrix (2, 2) of an ellipse from points all round it.

    The shape matrix S has the squared semi-axes as eigenvalues: the outline is where (p - c)^T S^-1 (p - c) = 1. Points
    evenly spaced in the ellipse's own angle have covariance S / 2; perspective spaces them unevenly, so the conic is
    fitted instead.
    """
    middle = outline.mean(axis=0)
    size = float(np.abs(outline - middle).max()) + 1e-9
    x, y = ((outline - middle) / size).T
    design = np.column_stack([x * x, x * y, y * y, x, y])
    a, b, c, d, e = np.linalg.lstsq(design, np.ones(len(x)), rcond=None)[0]
    quadric = np.array([[a, b / 2], [b / 2, c]])
    center = -np.linalg.solve(quadric, np.array([d, e]) / 2)
    shape = np.linalg.inv(quadric) * (1 + center @ quadric @ center)
    return middle + size * center, shape * size**2


def _filled(rows: list[list[float]], count: int, width: int) -> Floats:
    table = np.full((count, width), -1, np.float32)
    if rows:
        table[: len(rows[:count])] = np.array(rows[:count], np.float32)
    return table
