"""Judges the exported part model on packed photos and writes its card.

`python -m tools.train.evaluate --val val.npz --test test.npz`: temperatures come from `val`, figures from `test`.
Everything goes through the program's own reader of the model, so what is judged is what ships.
"""

import hashlib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from features.parts.part_model import CARD_FILE, MODEL_FILE, PartModel, load_part_model
from features.parts.part_vocabulary import ATTRIBUTES
from tools.bench.part_figures import Figures, JudgedPhoto, figures_of, judge_photos, told_where_seen
from tools.train.pack import Packed

Floats = NDArray[np.float64]
MOST = 0.995
"""Some hundred photos cannot show that the model is never wrong."""


def temperature_of(probabilities: Floats, truth: NDArray[np.int64]) -> float:
    """The temperature with the least log loss on (N, V) probabilities told at temperature 1 and (N,) true values."""
    logs = np.log(np.clip(probabilities, 1e-9, 1.0))

    def loss(log_temperature: float) -> float:
        scaled = logs / np.exp(log_temperature)
        scaled -= np.log(np.exp(scaled).sum(axis=1, keepdims=True))
        return float(-scaled[np.arange(len(truth)), truth].mean())

    return float(np.exp(minimize_scalar(loss, bounds=(-1.5, 2.0), method="bounded").x))


def main(
    val: Annotated[Path, typer.Option(help="packed photos of the val split")],
    test: Annotated[Path, typer.Option(help="packed photos of the test split")],
    model: Annotated[Path, typer.Option()] = MODEL_FILE,
    card: Annotated[Path, typer.Option()] = CARD_FILE,
) -> None:
    """Calibrate on val, judge on test, write both into the card."""
    told: dict[str, Any] = json.loads(card.read_text(encoding="utf-8"))
    told["sha256"] = hashlib.sha256(model.read_bytes()).hexdigest()
    told["temperatures"], told["surest"], told["pump_offset"] = {}, {}, 0.0
    _write(card, told)
    load_part_model.cache_clear()
    packed = Packed.load(val)
    judged = judge_photos(_model(model, card), packed, range(len(packed.names)))
    told["temperatures"], told["pump_offset"] = temperatures(judged), pump_offset(judged)
    _write(card, told)
    load_part_model.cache_clear()
    packed = Packed.load(test)
    judged = judge_photos(_model(model, card), packed, range(len(packed.names)))
    figures = figures_of(judged)
    told["test"] = {"photos": len(packed.names), **figures.as_json()}
    told["confusion"] = confusion_tables(figures)
    told["surest"] = right_when_sure(judged)
    _write(card, told)
    typer.echo(json.dumps(told["test"], indent=1))


def temperatures(judged: Sequence[JudgedPhoto]) -> dict[str, float]:
    """A temperature per attribute, from photos that show it."""
    found = {}
    for name in ATTRIBUTES:
        shares, truth = told_where_seen(judged, name)
        if name != "pump" and len(truth):
            found[name] = round(temperature_of(shares, truth), 4)
    return found


def pump_offset(judged: Sequence[JudgedPhoto]) -> float:
    """Log odds of "a pump" that one pump photo in a hundred stays below; pictures of other things are not needed."""
    shares = np.clip([one.attributes["pump"].probabilities for one in judged], 1e-12, 1.0)
    return round(float(np.percentile(np.log(shares[:, 0] / shares[:, 1]), 1)), 3)


def right_when_sure(judged: Sequence[JudgedPhoto]) -> dict[str, float]:
    """Per attribute, how often its value is right in the half of the photos in which the model is surest of it."""
    found = {}
    for name in ATTRIBUTES:
        shares, truth = told_where_seen(judged, name)
        if not len(truth):
            continue
        surest = np.argsort(-shares.max(axis=1), kind="stable")[: (len(truth) + 1) // 2]
        right = float((shares[surest].argmax(axis=1) == truth[surest]).mean())
        found[name] = round(min(right, MOST), 4)
    return found


def confusion_tables(figures: Figures) -> dict[str, dict[str, Any]]:
    """Attributes of the pump as `identify.matching.photo_confusion` reads them: rows true values, columns told ones."""
    return {
        name: {"values": list(ATTRIBUTES[name]), "matrix": table.tolist()}
        for name, table in figures.confusion.items()
        if table.sum(axis=1).all()
    }


def _model(model: Path, card: Path) -> PartModel:
    loaded = load_part_model(model, card)
    if not isinstance(loaded, PartModel):
        raise typer.BadParameter(loaded.reason)
    return loaded


def _write(card: Path, told: dict[str, Any]) -> None:
    card.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    typer.run(main)
