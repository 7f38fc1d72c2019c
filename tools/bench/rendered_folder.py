"""Reads a folder of rendered photos: each with its truth and what a user would say of it, by scene and by pump."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from features.camera import rotation_taking_z_to
from features.circle_fit import fit_circle
from features.placement import CardAt

Array = NDArray[np.float64]
PAPER = 1.15
"""Size of a printed card's paper over that of its pattern, about."""
HOLE_SEEN = 0.5
"""Part of a hole's edge in view for the hole to count as seen."""


REFERENCE_SEEN = 0.5
"""Part of a reference in view for it to be asked for."""


@dataclass(frozen=True, eq=False)
class TrueCircle:
    """One circle of the pump that is at least partly in view.

    Attributes:
        name: word of the design's section 3; instance: 0 is the +x chamber or the discharge port.
        diameter_mm: its true size.
        visible_fraction: part of it (of its bolts) in view, 0..1.
        center_mm, normal: (3,) in camera axes, the normal away from the pump.
        offset_mm: how far its middle lies behind the first reference's face; None without a reference.
        angle_deg: between its plane and that face.
    """

    name: str
    instance: int
    diameter_mm: float
    visible_fraction: float
    center_mm: Array
    normal: Array
    offset_mm: float | None
    angle_deg: float | None

    def rim_mm(self, times: float = 1.0) -> Array:
        """(72, 3) points of its outline, so many times as large, in camera axes."""
        angle = np.linspace(0, 2 * np.pi, 72, endpoint=False)
        flat = 0.5 * times * self.diameter_mm * np.stack([np.cos(angle), np.sin(angle), 0 * angle], 1)
        return np.asarray(flat @ rotation_taking_z_to(-self.normal).T + self.center_mm)


@dataclass(frozen=True, eq=False)
class RenderedPhoto:
    """One photo with its truth.

    Attributes:
        path: the photo.
        truth: its line of truth.jsonl (see the renderer's README).
    """

    path: Path
    truth: dict[str, Any]

    @property
    def label(self) -> str:
        """Folder and file name: names repeat from folder to folder."""
        return f"{self.path.parent.name}/{self.path.name}"

    @property
    def card_at(self) -> CardAt:
        """Where a user would say the reference lies: the demo photos tell, else it is where the first one was laid."""
        if "card_at" in self.truth:
            return cast(CardAt, self.truth["card_at"] or "unknown")
        references = self.truth["scale_references"]
        return cast(CardAt, references[0]["card_at"]) if references else "unknown"

    @property
    def coin(self) -> str:
        """The coin a user would name, empty where there is none."""
        return next((str(r["name"]) for r in self.truth["scale_references"] if r["kind"] == "coin"), "")

    @property
    def sheet(self) -> str:
        """The sheet a user would name, empty where there is none."""
        return next((str(r["name"]) for r in self.truth["scale_references"] if r["kind"] == "sheet"), "")

    @property
    def shows_reference(self) -> bool:
        """Whether the first reference is in view: its face to the camera, and not hidden behind the pump."""
        references = self.truth["scale_references"]
        if not references:
            return False
        place, normal = np.array(references[0]["translation_mm"], float), np.array(references[0]["rotation"])[:, 2]
        return float(normal @ place) > 0 and references[0]["visible_fraction"] >= REFERENCE_SEEN

    @property
    def has_reference(self) -> bool:
        """Whether any scale reference was laid."""
        return bool(self.truth["scale_references"])

    @cached_property
    def circles(self) -> tuple[TrueCircle, ...]:
        """Circles with some part in view, each flange's bolt circle judged by its holes where those are open."""
        references = self.truth["scale_references"]
        offsets = {(o["name"], o["instance"]): o for o in (references[0]["feature_offsets"] if references else [])}
        told = [_circle(told, offsets.get((told["name"], told["instance"]))) for told in self.truth["features"]]
        circles = [replace(c, visible_fraction=min(c.visible_fraction, self._uncovered(c))) for c in told]
        by_holes = [self._through_holes(circles, instance) for instance in (0, 1)]
        better = {circle.instance: circle for circle in by_holes if circle is not None}
        kept = [c for c in circles if c.name != "bolt_circle_diameter" or c.instance not in better]
        return (*kept, *better.values())

    def _uncovered(self, circle: TrueCircle) -> float:
        """Part of a circle over which no reference is laid: the record's own count overlooks what lies flat on it."""
        rim = circle.rim_mm()
        covered = np.zeros(len(rim), bool)
        for reference in self.truth["scale_references"]:
            out = np.array(reference["outline_px"], np.float32)
            if reference["kind"] == "scale_card":  # told is the pattern; the paper is larger
                middle = out.mean(axis=0)
                out = middle + (out - middle) * np.float32(PAPER)
            places = [self.project(point) for point in rim]
            covered |= np.array([cv2.pointPolygonTest(out, (float(x), float(y)), False) >= 0 for x, y in places])
        return 1.0 - float(covered.mean())

    def _through_holes(self, circles: Sequence[TrueCircle], instance: int) -> TrueCircle | None:
        """The bolt circle through a flange's open holes: its record tells only whether bolts are seen in them.

        Through two or one it is the record's, as much in view as they are: a card that lies over them hides it, too.
        """
        holes = [c for c in circles if c.name == "bolt_hole_diameter" and c.instance == instance]
        seen = sum(hole.visible_fraction >= HOLE_SEEN for hole in holes)
        count = int(self.truth["attributes"].get("bolt_hole_count", len(holes)))
        if len(holes) < 3:
            told = (c for c in circles if holes and c.name == "bolt_circle_diameter" and c.instance == instance)
            return next((replace(c, visible_fraction=seen / count) for c in told), None)
        centers = np.array([hole.center_mm for hole in holes])
        turn = rotation_taking_z_to(-holes[0].normal)
        middle, radius = fit_circle((centers - centers[0]) @ turn[:, :2])
        return TrueCircle(
            "bolt_circle_diameter", instance, 2 * radius, min(1.0, seen / count), centers[0] + turn[:, :2] @ middle,
            holes[0].normal, holes[0].offset_mm, holes[0].angle_deg,
        )  # fmt: skip

    def project(self, point_mm: Array) -> Array:
        """(2,) where a point (3,) of camera axes lies in the photo."""
        camera = self.truth["camera"]
        k1, k2 = camera["distortion"][:2]
        flat = point_mm[:2] / point_mm[2]
        square = float(flat @ flat)
        bent = flat * (1 + k1 * square + k2 * square**2)
        return np.array([camera["fx"] * bent[0] + camera["cx"], camera["fy"] * bent[1] + camera["cy"]])

    def eye_mm(self) -> Array:
        """(3,) where the camera stands in the pump's frame."""
        camera = self.truth["camera"]
        turn = np.array(camera["rotation_pump_to_camera"])
        return np.asarray(-turn.T @ np.array(camera["translation_pump_to_camera_mm"]))

    def card_in_pump_frame(self) -> Array:
        """(3,) the first reference's origin in the pump's frame, the same in photos between which it was left alone."""
        camera, reference = self.truth["camera"], self.truth["scale_references"][0]
        away = np.array(reference["translation_mm"]) - np.array(camera["translation_pump_to_camera_mm"])
        return np.asarray(np.array(camera["rotation_pump_to_camera"]).T @ away)


def _circle(told: dict[str, Any], offset: dict[str, Any] | None) -> TrueCircle:
    return TrueCircle(
        told["name"], int(told["instance"]), float(told["diameter_mm"]), float(told["visible_fraction"]),
        np.array(told["center_mm"], float), np.array(told["normal"], float),
        None if offset is None else float(offset["offset_mm"]), None if offset is None else float(offset["angle_deg"]),
    )  # fmt: skip


def read_folder(folder: Path) -> tuple[RenderedPhoto, ...]:
    """All photos of a folder that are there, in the order of their index.

    Raises:
        FileNotFoundError: the folder has no truth.jsonl.
        ValueError: a line of it is no JSON.
    """
    lines = (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines()
    photos = [RenderedPhoto(folder / truth["photo"], truth) for truth in map(json.loads, lines)]
    return tuple(sorted((p for p in photos if p.path.exists()), key=lambda p: int(p.truth["index"])))


def pump_key(photo: RenderedPhoto) -> tuple[str, ...]:
    """What photos of one pump share: its family and its own true lengths."""
    lengths = sorted(photo.truth["lengths_mm"].items())
    return (str(photo.truth["family_id"]), str(lengths), str(sorted(photo.truth["attributes"].items())))


def scenes(photos: Sequence[RenderedPhoto], same_mm: float = 0.5) -> tuple[tuple[RenderedPhoto, ...], ...]:
    """Photos of one pump and one laid reference, taken one after the other, together.

    Args:
        photos: in order of their index.
        same_mm: a reference nearer than this to its place in the photo before was left alone.
    """
    found: list[list[RenderedPhoto]] = []
    for photo in photos:
        if found and _same_scene(found[-1][-1], photo, same_mm):
            found[-1].append(photo)
        else:
            found.append([photo])
    return tuple(tuple(scene) for scene in found)


def _same_scene(before: RenderedPhoto, after: RenderedPhoto, same_mm: float) -> bool:
    if pump_key(before) != pump_key(after) or before.has_reference != after.has_reference:
        return False
    if not before.has_reference:
        return True
    return float(np.linalg.norm(before.card_in_pump_frame() - after.card_in_pump_frame())) < same_mm


def viewing_angle_deg(one: RenderedPhoto, other: RenderedPhoto) -> float:
    """Angle at the reference between the lines to the two cameras."""
    card = one.card_in_pump_frame()
    a, b = one.eye_mm() - card, other.eye_mm() - card
    cosine = float(a @ b) / float(np.linalg.norm(a) * np.linalg.norm(b))
    return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))
