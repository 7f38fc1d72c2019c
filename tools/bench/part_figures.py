"""Compares what the part model says of packed photos with their truth, and sums it up."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from features.parts.closer_look import look_at_pump
from features.parts.learned import CHAMBER_COUNTS, counted_chamber_bolts
from features.parts.looks import Subject, closely
from features.parts.part_maps import RoundPart, round_parts
from features.parts.part_model import PartMaps, PartModel
from features.parts.part_vocabulary import ATTRIBUTES, PART_CLASSES, POINT_CLASSES, ROUND_CLASSES
from tools.bench.calibration import error_by_value, error_if_true
from tools.train.pack import Packed
from tools.train.targets import seen_in

Pixels = NDArray[np.uint8]
Closer = Callable[[RoundPart], Subject]
Worse = Callable[[Pixels, int], tuple[Pixels, NDArray[np.bool_] | None]]
"""Makes photo number k worse; also tells which pixels it hid, if any."""
LARGE_PARTS = ("chamber_cover", "clamp_band", "bolted_rim", "flange", "manifold", "air_section")
BINS = 10
RING_FROM, RING_TO = 0.3, 1.3
"""A joint's fasteners lie within these shares of its outline: on small pumps far inside a wide rim seen aslant."""


@dataclass(frozen=True)
class ToldAttribute:
    """Probabilities of one attribute's values, the true value's index, and whether its parts are in the picture."""

    probabilities: tuple[float, ...]
    truth: int
    seen: bool


@dataclass(frozen=True, eq=False)
class JudgedPhoto:
    """One photo's comparison.

    Attributes:
        confusion: (classes, classes) pixels, rows true, columns told.
        attributes: those whose truth is known.
        outline_errors: class name -> distances of told from true outlines, relative to the part's size; missed: class
            name -> how many were not told; extra: told where none is.
        bolts: (true count, told count, all visible), for joints with bolts.
    """

    confusion: NDArray[np.int64]
    attributes: dict[str, ToldAttribute]
    outline_errors: dict[str, list[float]] = field(default_factory=dict)
    missed: dict[str, int] = field(default_factory=dict)
    bolts: tuple[tuple[int, int, bool], ...] = ()


@dataclass(frozen=True, eq=False)
class Figures:
    """Sums over photos.

    Attributes:
        overlap: large part -> intersection over union.
        right: attribute -> share right where its parts are seen.
        calibration_error: attribute -> expected calibration error there; calibration_if_true: what that comes to on so
            few photos where every stated chance is true.
        confusion: attribute -> (values, values) rows true, columns told.
        outline_median: round class -> median distance of outlines, relative to size; found: share found.
        bolts_right: share of joints whose bolts are all visible that are counted exactly; bolt_joints: how many.
    """

    overlap: dict[str, float]
    right: dict[str, float]
    calibration_error: dict[str, float]
    calibration_if_true: dict[str, float]
    confusion: dict[str, NDArray[np.int64]]
    outline_median: dict[str, float]
    found: dict[str, float]
    bolts_right: float
    bolt_joints: int

    @property
    def mean_overlap(self) -> float:
        """Mean over the large parts."""
        return float(np.mean(list(self.overlap.values())))

    def as_json(self) -> dict[str, Any]:
        """Rounded, for the card."""
        groups = ("overlap", "right", "calibration_error", "calibration_if_true", "outline_median", "found")
        told: dict[str, Any] = {"mean_overlap": round(self.mean_overlap, 4)}
        told |= {name: {k: round(v, 4) for k, v in getattr(self, name).items()} for name in groups}
        return told | {"bolts_right": round(self.bolts_right, 4), "bolt_joints": self.bolt_joints}


def judge_photos(
    model: PartModel, packed: Packed, which: Iterable[int], change: Worse | None = None
) -> list[JudgedPhoto]:
    """Judge photos of a packed set, each changed first where a change is given.

    What the change hides is judged as background, and bolts under it as hidden.
    """
    judged = []
    for k in which:
        width, height = packed.size[k]
        photo = np.ascontiguousarray(packed.photos[k, :height, :width])
        photo, hidden = (photo, None) if change is None else change(photo, k)
        maps = look_at_pump(model, photo)
        truth, row = (packed, k) if hidden is None else (with_hidden(packed, k, hidden), 0)
        judged.append(judge(maps, truth, row, partial(closely, model, photo, maps)))
    return judged


def with_hidden(packed: Packed, k: int, hidden: NDArray[np.bool_]) -> Packed:
    """Photo k alone with pixels (height, width) of it hidden: they are background, bolts under them are unseen."""
    height, width = hidden.shape
    one = Packed(**{name: rows[k : k + 1].copy() for name, rows in packed.__dict__.items()})
    one.classes[0, :height, :width][hidden] = 0
    x, y = np.clip(np.rint(one.points[0, :, :2]).astype(int), 0, [width - 1, height - 1]).T
    one.points[0, hidden[y, x] & (one.points[0, :, 2] >= 0), 3] = 0
    views = ("", *ATTRIBUTES["view"])
    view = views[int(one.attributes[0, list(ATTRIBUTES).index("view")]) + 1]
    one.seen[0] &= seen_in(one.classes[0, :height, :width], view)
    return one


def judge(maps: PartMaps, packed: Packed, k: int, closer: Closer) -> JudgedPhoto:
    """Compare the maps of photo k with its truth; `closer` looks at one part alone."""
    width, height = packed.size[k]
    classes = packed.classes[k, :height, :width]
    told = told_classes(maps, int(width), int(height))
    n = len(PART_CLASSES)
    confusion = np.bincount((classes.astype(int) * n + told).ravel(), minlength=n * n).reshape(n, n)
    attributes = {}
    for i, (name, values) in enumerate(ATTRIBUTES.items()):
        if packed.attributes[k, i] >= 0:
            shares = tuple(maps.attributes[name][value] for value in values)
            attributes[name] = ToldAttribute(shares, int(packed.attributes[k, i]), bool(packed.seen[k, i]))
    parts = round_parts(maps)
    errors, missed, bolts = _rounds(closer, parts, packed, k)
    return JudgedPhoto(confusion, attributes, errors, missed, bolts)


def told_classes(maps: PartMaps, width: int, height: int) -> NDArray[np.int64]:
    """(height, width) likeliest part class of each pixel of the photo; background where the maps do not reach."""
    window = maps.window
    left, top = int(window.left_px), int(window.top_px)
    wide, high = round(window.width * window.scale), round(window.height * window.scale)
    shares = cv2.resize(maps.shares.transpose(1, 2, 0), (wide, high), interpolation=cv2.INTER_LINEAR)
    told = np.zeros((height, width), np.int64)
    here = told[top : top + high, left : left + wide]
    here[:] = shares.argmax(axis=2)[: here.shape[0], : here.shape[1]]
    return told


def _rounds(
    closer: Closer, parts: Sequence[RoundPart], packed: Packed, k: int
) -> tuple[dict[str, list[float]], dict[str, int], tuple[tuple[int, int, bool], ...]]:
    errors: dict[str, list[float]] = {name: [] for name in ROUND_CLASSES}
    missed = dict.fromkeys(ROUND_CLASSES, 0)
    bolts = []
    for x, y, xx, yy, xy, kind, asked in packed.rounds[k]:
        width, height = packed.size[k]
        if kind < 0 or not asked or not (0 <= x < width and 0 <= y < height):
            continue
        name = ROUND_CLASSES[int(kind)]
        truth = RoundPart.of_square(name, 1.0, np.array([x, y], float), np.array([[xx, xy], [xy, yy]], float))
        near = [p for p in parts if p.name == name and np.linalg.norm(truth.unit_places(p.center_px[None])) < 0.5]
        if not near:
            missed[name] += 1
            continue
        best = near[0]
        off = np.linalg.norm(truth.unit_places(best.outline_px()), axis=1) - 1
        errors[name].append(float(np.abs(off).mean()))
        if name == "chamber":
            bolts += _counted(closer, best, truth, packed, k)
    return errors, missed, tuple(bolts)


def _counted(closer: Closer, told: RoundPart, truth: RoundPart, packed: Packed, k: int) -> list[tuple[int, int, bool]]:
    """True and told number of bolts of one joint, counted as the program counts them."""
    mine = packed.points[k][packed.points[k][:, 2] == POINT_CLASSES.index("chamber_bolt")]
    distance = np.linalg.norm(truth.unit_places(mine[:, :2]), axis=1)
    mine = mine[(distance > RING_FROM) & (distance < RING_TO)]
    count = int(packed.chamber_bolts[k])
    if count not in CHAMBER_COUNTS:
        return []
    ring, _ = counted_chamber_bolts(closer(told))
    return [(count, ring.count if ring else 0, int((mine[:, 3] > 0).sum()) == count)]


def figures_of(judged: Sequence[JudgedPhoto]) -> Figures:
    """Sum up."""
    total = np.sum([one.confusion for one in judged], axis=0)
    overlap = {}
    for name in LARGE_PARTS:
        i = PART_CLASSES.index(name)
        overlap[name] = float(total[i, i] / max(total[i].sum() + total[:, i].sum() - total[i, i], 1))
    right, calibration, if_true, confusion = {}, {}, {}, {}
    for name, values in ATTRIBUTES.items():
        shares, truth = told_where_seen(judged, name)
        if not len(truth):
            continue
        told = shares.argmax(axis=1)
        right[name] = float((told == truth).mean())
        calibration[name] = error_by_value(shares.max(axis=1), told == truth)
        if_true[name] = error_if_true(shares.max(axis=1), error_by_value)
        confusion[name] = np.bincount(truth * len(values) + told, minlength=len(values) ** 2).reshape(len(values), -1)
    errors = {name: [e for one in judged for e in one.outline_errors.get(name, [])] for name in ROUND_CLASSES}
    missed = {name: sum(one.missed.get(name, 0) for one in judged) for name in ROUND_CLASSES}
    counted = [(true, told) for one in judged for true, told, whole in one.bolts if whole]
    return Figures(
        overlap, right, calibration, if_true, confusion,
        {name: float(np.median(e)) if e else float("nan") for name, e in errors.items()},
        {name: len(e) / max(len(e) + missed[name], 1) for name, e in errors.items()},
        float(np.mean([true == told for true, told in counted])) if counted else float("nan"), len(counted),
    )  # fmt: skip


def told_where_seen(judged: Sequence[JudgedPhoto], name: str) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """(N, V) told probabilities and (N,) true values of an attribute, of photos whose truth is known and in view."""
    rows = [one.attributes[name] for one in judged if name in one.attributes and one.attributes[name].seen]
    return np.array([row.probabilities for row in rows]), np.array([row.truth for row in rows], np.int64)
