"""Judges the exported part model on packed photos and writes its card.

`python -m tools.train.evaluate --val val.npz --test test.npz`: figures come from `test`. What makes the logits
probabilities must also hold on pumps of kinds that training never showed, so it is fitted on `val` and `test` together;
each half of `test` is judged by what `val` and the other half give. Everything goes through the program's own reader of
the model, so what is judged is what ships.
"""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import logsumexp

from features.parts.closer_look import OF_BOTH_LOOKS
from features.parts.part_model import (
    CARD_FILE,
    MODEL_FILE,
    Calibration,
    PartModel,
    calibrated_one,
    load_part_model,
)
from features.parts.part_vocabulary import ATTRIBUTES
from tools.bench.part_figures import Figures, JudgedPhoto, figures_of, judge_photos, told_where_seen
from tools.train.pack import Packed

Floats = NDArray[np.float64]
USUAL_PUMP_ODDS = 6.0
"""Log odds by both looks that the middle one of photos of pumps is told with."""
LEANING_SD = 1.0
"""Usual leaning, so that an attribute that is nearly always right gets none from the few photos where it is not."""
PUMPS_LOST = 0.003
"""Share of the photos of pumps that are told as something else: the lowest one alone of a thousand is chance."""
MOST = 0.995
"""Some hundred photos cannot show that the model is never wrong."""


def scaling_of(probabilities: Floats, truth: NDArray[np.int64], leans: bool) -> tuple[float, Floats]:
    """What makes probabilities told without calibration true: Platt's scaling, for any number of values.

    Args:
        probabilities: (N, V) as told; truth: (N,) true values.
        leans: whether the model may tell some values too often.

    Returns:
        The temperature, and (V,) the leanings, 0 in the mean, with the least log loss.
    """
    logs = np.log(np.clip(probabilities, 1e-9, 1.0))
    count = logs.shape[1]

    def unpacked(free: Floats) -> tuple[float, Floats]:
        leanings = np.append(free[1:], -free[1:].sum()) if leans else np.zeros(count)
        return float(np.exp(free[0])), leanings

    def loss(free: Floats) -> float:
        temperature, leanings = unpacked(free)
        row = logs / temperature - leanings
        told = row[np.arange(len(truth)), truth] - logsumexp(row, axis=1)
        return float(-told.sum() + 0.5 * (leanings**2).sum() / LEANING_SD**2)

    bounds = [(-1.5, 2.0), *[(-3.0, 3.0)] * (count - 1 if leans else 0)]
    return unpacked(minimize(loss, np.zeros(len(bounds)), bounds=bounds, method="L-BFGS-B").x)


def main(
    val: Annotated[list[Path], typer.Option(help="packed photos of the val split; more files: once for each")],
    test: Annotated[list[Path], typer.Option(help="packed photos of the test split, likewise")],
    model: Annotated[Path, typer.Option()] = MODEL_FILE,
    card: Annotated[Path, typer.Option()] = CARD_FILE,
) -> None:
    """Calibrate, judge, write both into the card."""
    told: dict[str, Any] = json.loads(card.read_text(encoding="utf-8"))
    told["sha256"] = hashlib.sha256(model.read_bytes()).hexdigest()
    told["temperatures"], told["surest"], told["pump_offset"], told["leanings"] = {}, {}, 0.0, {}
    _write(card, told)
    load_part_model.cache_clear()
    known, unlike = (judge_all(_model(model, card), paths) for paths in (val, test))
    figures = figures_of(judged_by_the_other_half(known, unlike))
    whole = fitted(known, unlike)
    told["temperatures"], told["surest"] = dict(whole.temperatures), dict(whole.surest)
    told["pump_offset"] = whole.pump_offset
    told["leanings"] = dict(whole.leanings)
    told["test"] = {"photos": len(unlike), **figures.as_json()}
    told["confusion"] = confusion_tables(figures)
    _write(card, told)
    typer.echo(json.dumps(told["test"], indent=1))


def judge_all(model: PartModel, paths: Sequence[Path]) -> list[JudgedPhoto]:
    """Every photo of packed sets, of which one at a time is held."""
    judged: list[JudgedPhoto] = []
    for path in paths:
        packed = Packed.load(path)
        judged += judge_photos(model, packed, range(len(packed.names)))
    return judged


def fitted(known: Sequence[JudgedPhoto], unlike: Sequence[JudgedPhoto]) -> Calibration:
    """What makes the logits of photos judged without any calibration probabilities.

    Customers' pumps are of kinds that training did not show, so such photos alone say how sure to be; of what is a pump
    at all every photo tells.

    Args:
        known: photos of kinds that training showed; unlike: of kinds it did not.
    """
    pump, offset = pump_bound([*known, *unlike])
    found = scalings(unlike)
    return Calibration(
        {name: round(temperature, 4) for name, (temperature, _) in found.items()} | {"pump": pump},
        right_when_sure(unlike),
        offset,
        {name: leanings.round(4).tolist() for name, (_, leanings) in found.items() if leanings.any()},
    )


def judged_by_the_other_half(known: Sequence[JudgedPhoto], unlike: Sequence[JudgedPhoto]) -> list[JudgedPhoto]:
    """`unlike` with the probabilities that a calibration fitted on the other half of it gives."""
    halves = (unlike[0::2], unlike[1::2])
    judged = []
    for half, other in (halves, halves[::-1]):
        calibration = fitted(known, other)
        judged += [_calibrated(one, calibration) for one in half]
    return judged


def _calibrated(photo: JudgedPhoto, calibration: Calibration) -> JudgedPhoto:
    """A photo judged without any calibration, with it."""
    told = {}
    for name, one in photo.attributes.items():
        looks = 2 if name in OF_BOTH_LOOKS else 1
        logits = np.log(np.clip(one.probabilities, 1e-300, 1.0)) / looks
        shares = calibrated_one(name, logits, calibration) ** looks
        told[name] = replace(one, probabilities=tuple((shares / shares.sum()).tolist()))
    return replace(photo, attributes=told)


def scalings(judged: Sequence[JudgedPhoto]) -> dict[str, tuple[float, Floats]]:
    """Temperature and leanings per attribute, from photos that show it."""
    found = {}
    for name in ATTRIBUTES:
        shares, truth = told_where_seen(judged, name)
        if name != "pump" and len(truth):
            # What two looks tell together would be set upright twice.
            found[name] = scaling_of(shares, truth, leans=name not in OF_BOTH_LOOKS)
    return found


def pump_bound(judged: Sequence[JudgedPhoto]) -> tuple[float, float]:
    """Temperature of "a pump", and the log odds of one look that `PUMPS_LOST` of the pumps' photos stay below.

    Photos of other things are not needed. Odds are scaled so that the middle one of the pumps' photos lies
    `USUAL_PUMP_ODDS` above that bound: training without doubt would leave them anywhere.
    """
    # Of most photos of pumps the odds are too large for a share near 1 to tell, not for the other near 0.
    shares = np.clip([one.attributes["pump"].probabilities for one in judged], 1e-300, 1.0)
    odds = np.log(shares[:, 0] / shares[:, 1])
    bound, middle = float(np.quantile(odds, PUMPS_LOST)), float(np.median(odds))
    temperature = max((middle - bound) / USUAL_PUMP_ODDS, 1e-3)
    return round(temperature, 5), round(bound / 2 / temperature, 3)


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
