"""Outer lengths of rendered photos beside their truth: `python -m tools.bench.front_views FOLDER...`.

Port spacing, overall height and width, and the feet's long spacing, by photos of the pump's front; port spacing also by
two ports that face alike. Bar: the 95 % interval holds the truth in 93 to 97 % and is no wider than twice what the
errors need. Without a scale their ratios are judged. The overall width of a pump whose end port is mated is not asked:
the truth counts its piping's bolts.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from features.measured import MeasuredLength, log_covariance
from features.parts.learned import best_finder
from features.photo import PhotoRefused, load_photo
from features.photo_survey import survey_photo
from features.spans import SPANS
from identify.typed.options import TypedOptions, understand
from tools.bench.rendered_folder import RenderedPhoto, read_folder

HOLD, WIDEST = (0.93, 0.97), 2.0


@dataclass(frozen=True)
class SpanReading:
    """One length, or ratio of two, of one photo.

    Attributes:
        photo: name; what: the length or both; way: "front", "pair of ports" or "ratio".
        error: logarithm of measured over true; relative_sd: stated with it; both None where nothing was told.
    """

    photo: str
    what: str
    way: str
    error: float | None
    relative_sd: float | None


def main(
    folders: Annotated[list[Path], typer.Argument(help="folders with photos and truth.jsonl")],
    view: Annotated[str, typer.Option(help="only photos of this view; empty for all")] = "front",
    every: Annotated[int, typer.Option(help="only every so many photos", min=1)] = 1,
    start: Annotated[int, typer.Option(help="first of them", min=0)] = 0,
    worst: Annotated[int, typer.Option(help="how many of the worst readings to name under each figure")] = 0,
) -> None:
    """Print each length's figures."""
    photos = [photo for folder in folders for photo in read_folder(folder) if view in ("", photo.truth["view"])]
    photos = photos[start::every]
    readings = [reading for photo in photos for reading in read_spans(photo)]
    typer.echo(f"{len(photos)} photos")
    for way in ("front", "pair of ports", "ratio"):
        for what in dict.fromkeys(r.what for r in readings if r.way == way):
            _say(f"{what}, {way}", [r for r in readings if r.way == way and r.what == what], worst)


def read_spans(photo: RenderedPhoto) -> Iterator[SpanReading]:
    """What one photo told of the lengths that could be asked of it."""
    said = TypedOptions(card_at=photo.card_at, coin=photo.coin, sheet=photo.sheet)
    loaded = load_photo(photo.path)
    if isinstance(loaded, PhotoRefused):
        return
    survey = survey_photo(loaded, understand(said).request, best_finder())
    told = {span.length.name: span.length for span in survey.spans}
    asked = [name for name in SPANS if name != "overall_width" or not _mated_end(photo)]
    true = photo.truth["lengths_mm"]
    if survey.scale is None or all(length.is_ratio_only for length in told.values()):
        for one, other in combinations(asked, 2):
            yield _ratio(photo, one, other, told)
        return
    for name in asked:
        length = told.get(name)
        if length is None:
            yield SpanReading(photo.label, name, "front", None, None)
            continue
        by_shape = any(part.source.startswith("shape:") for part in length.contributions)
        error = float(np.log(length.value_mm / true[name]))
        yield SpanReading(photo.label, name, "front" if by_shape else "pair of ports", error, length.relative_sd)


def _ratio(photo: RenderedPhoto, one: str, other: str, told: dict[str, MeasuredLength]) -> SpanReading:
    what = f"{other} over {one}"
    if one not in told or other not in told:
        return SpanReading(photo.label, what, "ratio", None, None)
    true = photo.truth["lengths_mm"]
    covariance = log_covariance([told[one], told[other]])
    variance = float(covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1])
    error = np.log(told[other].value_mm / told[one].value_mm * true[one] / true[other])
    return SpanReading(photo.label, what, "ratio", float(error), float(np.sqrt(max(variance, 0.0))))


def _mated_end(photo: RenderedPhoto) -> bool:
    words = photo.truth["attributes"]
    return words["port_position"] == "end" and "yes" in (words.get("mated"), words.get("mated_inlet"))


def _say(words: str, asked: Sequence[SpanReading], worst: int) -> None:
    told = [(r.photo, r.error, r.relative_sd) for r in asked if r.error is not None and r.relative_sd is not None]
    line = f"  {words:44} asked {len(asked):3d}  not told {len(asked) - len(told):3d}"
    if not told:
        typer.echo(line)
        return
    errors, sds = np.array([error for _, error, _ in told]), np.array([sd for _, _, sd in told])
    held = float(np.mean(np.abs(errors) <= 1.96 * sds))
    width = float(np.mean(sds) / np.sqrt(np.mean(errors**2)))
    met = HOLD[0] <= held <= HOLD[1] and width <= WIDEST
    typer.echo(
        f"{line}  median {np.median(np.abs(errors)):.2%}  95th {np.quantile(np.abs(errors), 0.95):.2%}  bias "
        f"{np.median(errors):+.2%}  held {held:.1%}  sd {np.median(sds):.2%}  width {width:.1f} x needed  "
        f"{'met' if met else 'missed'}"
    )
    for name, error, sd in sorted(told, key=lambda one: -abs(one[1]))[:worst]:
        typer.echo(f"      {name} {error:+.2%} {'in' if abs(error) <= 1.96 * sd else 'OUT'} sd {sd:.2%}")


if __name__ == "__main__":
    typer.run(main)
