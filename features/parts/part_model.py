"""Loads the part model and runs it: one upright photo in, maps and probabilities out.

The model is one ONNX file beside this module, checked against the hash that its card (`part_model.json`) names. Without
either file there is no model, which is an ordinary answer: the classical finder then does the work.
"""

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from features.parts.color_cast import ColorCast
from features.parts.part_vocabulary import (
    ATTRIBUTES,
    GRAY,
    PART_CLASSES,
    PART_STRIDE,
    PICTURE_MULTIPLE,
    PICTURE_PX,
    POINT_STRIDE,
    ROUND_STRIDE,
    attribute_slices,
)
from features.parts.sharper_maps import sharpened
from features.reduced import reduced

Floats = NDArray[np.float32]
MODEL_FILE = Path(__file__).with_name("part_model.onnx")
CARD_FILE = Path(__file__).with_name("part_model.json")
THREADS = 1
"""Of one look: other work, or another look, has the second core meanwhile."""
SAYS_WHICH = {
    "housing_joint": {"clamp_band": "clamp_band", "bolted": "bolted_rim"},
    "connection": {"flanged": "flange", "threaded": "threaded_boss"},
}
"""Attributes whose value rules a part of the map in or out: attribute -> value -> part."""
LEAST_WORD = 1e-3
"""The picture as a whole never makes a cell's part less likely than by this factor."""


@dataclass(frozen=True)
class NoModel:
    """Why there is no part model. Falsy."""

    reason: str

    def __bool__(self) -> Literal[False]:
        return False


@dataclass(frozen=True, eq=False)
class Window:
    """A rectangle of the photo the model looked at, and how its picture maps back.

    Attributes:
        left_px, top_px: its corner in the photo.
        scale: photo pixels a picture pixel.
        width, height: of the picture without filling.
    """

    left_px: float
    top_px: float
    scale: float
    width: int
    height: int

    def to_photo(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """(N, 2) picture pixels to photo pixels, both with centers at integers."""
        return (np.asarray(xy, float) + 0.5) * self.scale - 0.5 + [self.left_px, self.top_px]

    def from_photo(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """(N, 2) photo pixels to picture pixels."""
        return (np.asarray(xy, float) - [self.left_px, self.top_px] + 0.5) / self.scale - 0.5

    def to_cells(self, xy: NDArray[np.float64], stride: int) -> NDArray[np.float64]:
        """(N, 2) photo pixels to columns and rows of a map of so many picture pixels a cell."""
        return (self.from_photo(xy) + 0.5) / stride - 0.5

    def shows(self, xy: NDArray[np.float64]) -> bool:
        """Whether all of some photo pixels (N, 2) lie in the window."""
        at = self.from_photo(xy)
        return bool((at > -0.5).all() and (at < [self.width - 0.5, self.height - 0.5]).all())

    def cells_of(self, maps: Floats, stride: int) -> Floats:
        """(..., h, w) maps of so many picture pixels a cell without the cells that show filling only."""
        return maps[..., : -(-self.height // stride), : -(-self.width // stride)]


@dataclass(frozen=True, eq=False)
class PartMaps:
    """What the model said of one window.

    Attributes:
        window: where it looked.
        shares: (classes, h, w) probabilities of the parts, one cell for `cell_px` picture pixels each way.
        points: (point classes, h, w) probabilities; centers: (round classes, h', w') probabilities; shapes: (round
            classes, SHAPE_NUMBERS, h', w'). Cells beyond the photo are cut off.
        attributes: attribute -> value -> calibrated probability.
    """

    window: Window
    shares: Floats
    points: Floats
    centers: Floats
    shapes: Floats
    attributes: Mapping[str, Mapping[str, float]]
    cell_px: int = PART_STRIDE

    @cached_property
    def likeliest(self) -> NDArray[np.uint8]:
        """(h, w) likeliest class of each cell, the first of equal ones: numpy's argmax takes ten times as long."""
        most, count = self.shares.max(axis=0), len(self.shares)
        to_go = np.zeros(most.shape, np.uint8)
        for k, share in enumerate(self.shares):
            to_go = np.maximum(to_go, np.asarray(cv2.compare(share, most, cv2.CMP_EQ)) & np.uint8(count - k))
        return np.asarray(count - to_go, np.uint8)


@dataclass(frozen=True)
class Calibration:
    """What makes the model's logits probabilities, measured on photos it was not trained on.

    Attributes:
        temperatures: attribute -> what its logits are divided by, 1 where not named.
        surest: attribute -> how often the model was right where it was surest, on pumps unlike those it learned from;
            no single photo is believed more than that. 1 where not named.
        pump_offset: log odds of one look below which a few photos of pumps in a thousand lie: they would be taken for
            something else.
        leanings: attribute -> logarithm of how many times too often the model tells each of its values, none where not
            named.
    """

    temperatures: Mapping[str, float]
    surest: Mapping[str, float]
    pump_offset: float
    leanings: Mapping[str, Sequence[float]] = field(default_factory=dict)


class PartModel:
    """A loaded model. Make one with `load_part_model`."""

    def __init__(self, session: Any, calibration: "Calibration") -> None:
        self._session = session
        self._calibration = calibration

    def look(
        self, pixels_rgb: NDArray[np.uint8], box: tuple[float, float, float, float] | None = None,
        side_px: int = PICTURE_PX, sharp: bool = False, cast: ColorCast | None = None,
    ) -> PartMaps:  # fmt: skip
        """Look at a photo, or at a box of it.

        Args:
            pixels_rgb: (H, W, 3) upright photo.
            box: left, top, right, bottom in photo pixels; the whole photo when None.
            side_px: long side of the picture that the model gets of it; less is faster and sees less.
            sharp: whether the map of the parts is drawn to the picture's own edges, one cell a pixel.
            cast: color of the light to take out first.
        """
        picture, window = picture_of(pixels_rgb, box, side_px)
        if cast is not None:
            picture = cast.removed(picture)
        outputs = self._session.run(None, {"pictures": picture})
        parts, points, centers, shapes, logits = (np.asarray(output[0], np.float32) for output in outputs)
        shapes = shapes.reshape(len(centers), -1, *shapes.shape[1:])
        attributes = calibrated(logits, self._calibration)
        shares = _shares(with_word(window.cells_of(parts, PART_STRIDE), attributes))
        if sharp:
            seen = picture[0, :, : window.height, : window.width].transpose(1, 2, 0)
            shares = sharpened(shares, np.ascontiguousarray(seen, np.uint8))
        return PartMaps(
            window,
            shares,
            _sigmoid(window.cells_of(points, POINT_STRIDE)),
            _sigmoid(window.cells_of(centers, ROUND_STRIDE)),
            window.cells_of(shapes, ROUND_STRIDE),
            attributes,
            1 if sharp else PART_STRIDE,
        )


def with_word(logits: Floats, attributes: Mapping[str, Mapping[str, float]]) -> Floats:
    """(classes, h, w) logits that heed what the whole picture says: where it shows no clamp band, no cell does."""
    heeding = logits.copy()
    for name, parts in SAYS_WHICH.items():
        for value, part in parts.items():
            heeding[PART_CLASSES.index(part)] += np.log(max(attributes[name][value], LEAST_WORD))
    return heeding


def _shares(logits: Floats) -> Floats:
    """(classes, h, w) probabilities."""
    shares = np.exp(logits - logits.max(axis=0))
    return np.asarray(shares / shares.sum(axis=0), np.float32)


def picture_of(
    pixels_rgb: NDArray[np.uint8], box: tuple[float, float, float, float] | None, side_px: int = PICTURE_PX
) -> tuple[Floats, Window]:
    """The model's input (1, 3, h, w) for a photo or a box of it, filled with gray to whole multiples."""
    height, width = pixels_rgb.shape[:2]
    left, top, right, bottom = (0, 0, width, height) if box is None else box
    left, top = max(0, round(left)), max(0, round(top))
    cut = pixels_rgb[top : max(top + 8, min(height, round(bottom))), left : max(left + 8, min(width, round(right)))]
    scale = max(cut.shape[:2]) / side_px
    size = (max(8, round(cut.shape[1] / scale)), max(8, round(cut.shape[0] / scale)))
    small = reduced(cut, size) if scale > 1 else cv2.resize(cut, size, interpolation=cv2.INTER_LINEAR)
    fill_x, fill_y = (-size[0]) % PICTURE_MULTIPLE, (-size[1]) % PICTURE_MULTIPLE
    filled = cv2.copyMakeBorder(small, 0, fill_y, 0, fill_x, cv2.BORDER_CONSTANT, value=(GRAY, GRAY, GRAY))
    picture = np.ascontiguousarray(filled.transpose(2, 0, 1)[None], np.float32)
    return picture, Window(float(left), float(top), scale, size[0], size[1])


def calibrated(logits: Floats, calibration: Calibration) -> dict[str, dict[str, float]]:
    """Probabilities of every attribute's values from one row of logits in the order of `attribute_slices`."""
    return {
        name: dict(zip(ATTRIBUTES[name], calibrated_one(name, logits[place], calibration).tolist(), strict=True))
        for name, place in attribute_slices().items()
    }


def calibrated_one(name: str, logits: NDArray[Any], calibration: Calibration) -> NDArray[np.float64]:
    """(V,) probabilities of one attribute's values from its logits."""
    row = logits.astype(float) / calibration.temperatures.get(name, 1.0)
    row -= np.asarray(calibration.leanings.get(name, 0.0), float)
    if name == "pump":
        row[ATTRIBUTES["pump"].index("yes")] -= calibration.pump_offset
    share = np.exp(row - row.max())
    share /= share.sum()
    flat, most = 1 / len(share), calibration.surest.get(name, 1.0)
    if share.max() > most > flat:
        weight = (most - flat) / (float(share.max()) - flat)
        share = weight * share + (1 - weight) * flat
    return np.asarray(share, float)


@lru_cache(maxsize=2)
def load_part_model(model_file: Path = MODEL_FILE, card_file: Path = CARD_FILE) -> PartModel | NoModel:
    """The model, or a falsy reason why there is none."""
    try:
        card = json.loads(card_file.read_text(encoding="utf-8"))
        content = model_file.read_bytes()
    except (OSError, ValueError) as error:
        return NoModel(f"the part model cannot be read ({error})")
    if hashlib.sha256(content).hexdigest() != card.get("sha256"):
        return NoModel("the part model is not the file its card describes")
    onnxruntime = quiet_onnxruntime()
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = THREADS
    options.inter_op_num_threads = 1
    # Waiting threads that spin would take the cores from the edge finder.
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    session = onnxruntime.InferenceSession(content, options, providers=["CPUExecutionProvider"])
    calibration = Calibration(
        card["temperatures"], card.get("surest", {}), float(card.get("pump_offset", 0.0)), card.get("leanings", {})
    )
    return PartModel(session, calibration)


def quiet_onnxruntime() -> Any:
    """The runtime with its reports to its maker switched off: since 1.29 its Linux builds send them unless told not to.

    The variable must be set before the library is first loaded, which is why this is the one place that imports it.
    """
    os.environ["ORT_DISABLE_TELEMETRY"] = "1"
    import onnxruntime

    onnxruntime.disable_telemetry_events()
    return onnxruntime


def _sigmoid(logits: Floats) -> Floats:
    return np.asarray(1 / (1 + np.exp(-np.clip(logits, -30, 30))), np.float32)
