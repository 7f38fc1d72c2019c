"""Proves the truth of rendered photos from outside: `python -m tools.render.check_truth DIR`.

Two checks, neither of which uses the renderer's own projection code:
- OpenCV finds the scale cards in the JPEG; its corners are compared with the truth's.
- OpenCV projects the truth circles with the truth camera; they must lie on the edges of the part masks.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import cv2
import numpy as np
import typer
from numpy.typing import NDArray
from PIL import Image, ImageOps
from rich.console import Console
from rich.table import Table

from features.scale.card_boards import opencv_board
from tools.render.scene import LABELS

Floats = NDArray[np.float64]
CORNER_BAR_PX, EDGE_BAR_PX = 0.3, 1.0
"""What the median differences must stay below."""
EDGES = {
    "chamber_diameter": ("clamp_band", "bolted_rim", "chamber_cover", "bolt"),
    "flange_diameter": ("flange",),
    "port_bore": ("port_opening",),
}
"""Circles checked, and the parts whose common outline shows them. A threaded port's bore lies behind its countersink
and has no outline of its own."""
IN_FRONT = {
    "chamber_diameter": ("scale_reference", "manifold", "flange", "companion", "threaded_boss"),
    "flange_diameter": ("scale_reference", "bolt", "companion"),
    "port_bore": ("scale_reference",),
}
"""Parts that hide a circle where they meet its own parts: such a border is no edge of the circle."""
REACH_PX = 6


@dataclass(frozen=True, eq=False)
class PhotoCheck:
    """Differences found in one photo.

    Attributes:
        name: file name.
        cards: cards in the truth with at least 6 visible corners; found: those OpenCV found.
        corner_px: (N,) distances of found corners from the truth.
        edge_px: circle name -> (M,) distances of truth circles from the mask edge.
    """

    name: str
    cards: int
    found: int
    corner_px: Floats
    edge_px: dict[str, Floats]


def read_truth(folder: Path) -> Iterator[dict[str, Any]]:
    """All records of a folder's truth.jsonl."""
    with (folder / "truth.jsonl").open(encoding="utf-8") as file:
        for line in file:
            yield json.loads(line)


def check_photo(folder: Path, record: dict[str, Any]) -> PhotoCheck:
    """Compare one photo and its mask with its truth."""
    gray = np.asarray(ImageOps.exif_transpose(Image.open(folder / record["photo"])).convert("L"))
    if gray.shape != (record["height"], record["width"]):
        raise ValueError(f"{record['photo']}: upright size {gray.shape[::-1]} is not the truth's")
    mask = None if record["mask"] is None else np.asarray(Image.open(folder / record["mask"])).astype(np.int64)
    cards = found = 0
    corner_px: list[Floats] = []
    for reference in record["scale_references"]:
        if reference["kind"] == "scale_card" and sum(reference["corners_visible"]) >= 6:
            cards += 1
            differences = card_differences(gray, reference)
            found += len(differences) > 0
            corner_px.append(differences)
    edge_px: dict[str, list[Floats]] = {name: [] for name in EDGES}
    threaded = record["attributes"].get("connection") == "threaded"
    for feature in record["features"]:
        skipped = feature["name"] not in EDGES or (feature["name"] == "port_bore" and threaded)
        if mask is not None and not skipped and feature["faces_camera"] and feature["visible_fraction"] > 0.3:
            edge_px[feature["name"]].append(edge_differences(mask, record["camera"], feature))
    return PhotoCheck(
        record["photo"], cards, found, np.concatenate([np.zeros(0), *corner_px]),
        {name: np.concatenate([np.zeros(0), *parts]) for name, parts in edge_px.items()},
    )  # fmt: skip


def card_differences(gray: NDArray[np.uint8], reference: dict[str, Any]) -> Floats:
    """(N,) distances between corners that OpenCV finds and the truth; empty when it finds no card."""
    detector = cv2.aruco.CharucoDetector(opencv_board(reference["name"]))
    corners, ids, _, _ = detector.detectBoard(gray)
    if ids is None or len(ids) < 4:
        return np.zeros(0)
    truth = np.array(reference["corners_px"])[np.asarray(ids).ravel()]
    seen = np.array(reference["corners_visible"])[np.asarray(ids).ravel()]
    return np.asarray(np.linalg.norm(np.asarray(corners).reshape(-1, 2) - truth, axis=1)[seen], np.float64)


def edge_differences(mask: NDArray[np.int64], camera: dict[str, Any], feature: dict[str, Any]) -> Floats:
    """(M,) distances of a truth circle from the edge of its parts' mask, where that edge is the circle's.

    An outer circle is the outline only where the wall behind it is turned away from the camera; a bore everywhere.
    Points with no edge within a few pixels are hidden by something and left out.
    """
    points, outward = _circle(feature)
    if feature["name"] != "port_bore":
        hidden_wall = (outward * points).sum(axis=1) > 0.05 * np.linalg.norm(points, axis=1)
        points, outward = points[hidden_wall], outward[hidden_wall]
    if len(points) < 8:
        return np.zeros(0)
    px, out_px = _project(points, camera), _project(points + outward, camera)
    step = out_px - px
    step /= np.linalg.norm(step, axis=1, keepdims=True) + 1e-12
    own = np.isin(mask & 255, [LABELS.index(name) + 1 for name in EDGES[feature["name"]]])
    one = np.asarray(mask >> 8 == feature["instance"]) | np.isin(mask & 255, [LABELS.index("bolt") + 1])
    own = np.asarray(own & one)
    offsets = np.arange(-REACH_PX, REACH_PX + 0.25, 0.25)
    samples = px[:, None, :] + offsets[None, :, None] * step[:, None, :]
    height, width = mask.shape
    inside = np.asarray(((samples > 0) & (samples < [width - 1, height - 1])).all(axis=(1, 2)))
    x, y = np.rint(np.where(inside[:, None, None], samples, 0)).astype(np.int64).transpose(2, 0, 1)
    values = own[y, x]
    in_front = np.isin(mask & 255, [LABELS.index(name) + 1 for name in IN_FRONT[feature["name"]]])[y, x]
    leaves = values[:, :-1] & ~values[:, 1:] & ~in_front[:, 1:]
    distance = np.abs(np.where(leaves, offsets[None, :-1] + 0.125, np.inf))
    nearest = distance.min(axis=1)
    return np.asarray(nearest[inside & np.isfinite(nearest)], np.float64)


def _circle(feature: dict[str, Any]) -> tuple[Floats, Floats]:
    """(180, 3) points of a truth circle in the camera frame, and the outward directions there."""
    normal, center = np.array(feature["normal"]), np.array(feature["center_mm"])
    a = np.cross(normal, [0.0, 0.0, 1.0] if abs(normal[2]) < 0.9 else [0.0, 1.0, 0.0])
    a /= np.linalg.norm(a)
    t = np.radians(np.arange(0, 360, 2))
    outward = np.outer(np.cos(t), a) + np.outer(np.sin(t), np.cross(normal, a))
    return center + outward * feature["diameter_mm"] / 2, outward


def circle_px(camera: dict[str, Any], feature: dict[str, Any]) -> Floats:
    """(180, 2) points of a truth circle in the photo."""
    return _project(_circle(feature)[0], camera)


def _project(points: Floats, camera: dict[str, Any]) -> Floats:
    matrix = np.array([[camera["fx"], 0, camera["cx"]], [0, camera["fy"], camera["cy"]], [0, 0, 1.0]])
    px, _ = cv2.projectPoints(
        points.reshape(-1, 1, 3), np.zeros(3), np.zeros(3), matrix, np.array(camera["distortion"])
    )
    return np.asarray(px, np.float64).reshape(-1, 2)


def main(folder: Annotated[Path, typer.Argument(help="folder with photos, masks and truth.jsonl")]) -> None:
    """Print how far photos and truth lie apart; exit 1 when a bar is missed."""
    checks = [check_photo(folder, record) for record in read_truth(folder)]
    corners = np.concatenate([c.corner_px for c in checks])
    table = Table("check", "samples", "median px", "95 % px", "bar px", title=f"{len(checks)} photos")
    rows: list[tuple[str, Floats, float]] = [("card corners, OpenCV against truth", corners, CORNER_BAR_PX)]
    for name in EDGES:
        rows.append((f"{name} on mask edge", np.concatenate([c.edge_px[name] for c in checks]), EDGE_BAR_PX))
    failed = False
    for label, values, bar in rows:
        if not len(values):
            table.add_row(label, "0", "-", "-", f"{bar}")
            continue
        median = float(np.median(values))
        failed |= median > bar
        table.add_row(label, str(len(values)), f"{median:.3f}", f"{np.percentile(values, 95):.2f}", f"{bar}")
    console = Console()
    console.print(table)
    console.print(f"cards found: {sum(c.found for c in checks)} of {sum(c.cards for c in checks)}")
    if failed:
        raise typer.Exit(1)


if __name__ == "__main__":
    typer.run(main)
