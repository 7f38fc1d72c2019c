"""Judges the exported part model on packed photos and writes its card.

`python -m tools.train.evaluate --val val.npz --test test.npz`: temperatures come from `val`, figures from `test`.
Everything goes through the program's own reader of the model, so what is judged is what ships.
"""

import hashlib
import json
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from features.parts.part_model import CARD_FILE, MODEL_FILE, PartModel, load_part_model
from features.parts.part_vocabulary import ATTRIBUTES
from tools.bench.part_figures import Figures, figures_of, judge_photos
from tools.train.pack import Packed

Floats = NDArray[np.float64]


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
    told["temperatures"] = {}
    _write(card, told)
    told["temperatures"] = calibrate(_model(model, card), Packed.load(val))
    _write(card, told)
    load_part_model.cache_clear()
    packed = Packed.load(test)
    judged = figures_of(judge_photos(_model(model, card), packed, range(len(packed.names))))
    told["test"] = {"photos": len(packed.names), **judged.as_json()}
    told["confusion"] = confusion_tables(judged)
    _write(card, told)
    typer.echo(json.dumps(told["test"], indent=1))


def calibrate(model: PartModel, packed: Packed) -> dict[str, float]:
    """A temperature per attribute, from photos that show it."""
    judged = judge_photos(model, packed, range(len(packed.names)))
    found = {}
    for name in ATTRIBUTES:
        rows = [one.attributes[name] for one in judged if name in one.attributes and one.attributes[name].seen]
        if name == "pump" or not rows:
            continue
        shares = np.array([row.probabilities for row in rows])
        found[name] = round(temperature_of(shares, np.array([row.truth for row in rows])), 4)
    return found


def confusion_tables(figures: Figures) -> dict[str, dict[str, list[int]]]:
    """Attribute -> true value -> how often each value was told, in the vocabulary's order."""
    return {
        name: {value: row.tolist() for value, row in zip(ATTRIBUTES[name], table, strict=True)}
        for name, table in figures.confusion.items()
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
