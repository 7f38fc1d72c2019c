"""How well photos tell a body's color: `python -m tools.bench.body_color FOLDER...`, as `tools.render` writes them.

Only pumps whose family says its color count. Photos of every other pump are measured, photos of the others judged: how
colors show (what `features.parts.color_words.SHOWN` holds), then the confusion table and the calibration error.
`--record` writes the table beside the part model's card, for `identify.matching.photo_confusion`.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from numpy.typing import NDArray

from features.parts.body_color import BodyColor, Light, body_color
from features.parts.closer_look import look_at_pump
from features.parts.color_words import SHOWN, WORDS, color_likelihood
from features.parts.part_model import PartModel, load_part_model
from features.photo import PhotoRefused, load_photo
from tools.bench.rendered_folder import REFERENCE_SEEN, RenderedPhoto, pump_key, read_folder

Array = NDArray[np.float64]
DULL = ("black", "gray", "natural", "white")
"""Words by which lightness is measured; bare metal has none of its own."""
VIVID = 20.0
"""Chroma above which a word names a paint."""
STEPS = np.linspace(0.0, 1.0, 11)
RECORD = Path(__file__).parents[2] / "features" / "parts" / "body_color.json"


@dataclass(frozen=True, eq=False)
class Told:
    """What one photo told of the color of a pump that has this color."""

    word: str
    seen: BodyColor

    @property
    def lab(self) -> Array:
        """(3,) of the coat that fills most."""
        return max(self.seen.coats, key=lambda coat: coat.share).lab


def main(
    folders: Annotated[list[Path], typer.Argument(help="folders of rendered photos")],
    record: Annotated[bool, typer.Option(help="write the confusion table where the program reads it")] = False,
) -> None:
    """Print how colors show on one half of the pumps, and how well they are told on the other."""
    model = load_part_model()
    if not isinstance(model, PartModel):
        raise typer.BadParameter(model.reason)
    photos = [photo for folder in folders for photo in read_folder(folder)]
    photos = [photo for photo in photos if photo.truth["attributes"].get("body_color") in WORDS]
    pumps = {key: number for number, key in enumerate(dict.fromkeys(map(pump_key, photos)))}
    halves: tuple[list[Told], list[Told]] = ([], [])
    with typer.progressbar(photos, label="photos") as bar:
        for photo in bar:
            seen = _color_in(photo, model)
            if seen is not None:
                halves[pumps[pump_key(photo)] % 2].append(Told(photo.truth["attributes"]["body_color"], seen))
    for line in (*showing_lines(halves[0]), *judged_lines(halves[1])):
        typer.echo(line)
    if record:
        words, table = confusion(halves[1])
        told = {"confusion": {"body_color": {"values": words, "matrix": table.tolist()}}}
        RECORD.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


def _color_in(photo: RenderedPhoto, model: PartModel) -> BodyColor | None:
    """The color by papers as the truth tells where they lie."""
    loaded = load_photo(photo.path)
    if isinstance(loaded, PhotoRefused):
        return None
    papers = [_corners(r) for r in photo.truth["scale_references"] if _is_paper(r)]
    return body_color(loaded.pixels_rgb, look_at_pump(model, loaded.pixels_rgb), papers)


def _corners(reference: dict[str, Any]) -> Array:
    return np.array(reference["outline_px"], float)


def _is_paper(reference: dict[str, Any]) -> bool:
    return reference["kind"] in ("scale_card", "sheet") and reference["visible_fraction"] >= REFERENCE_SEEN


def showing_lines(told: Sequence[Told]) -> list[str]:
    """How L*, a* and b* show by each light, of the half that measures."""
    lines = []
    for light in SHOWN:
        dull = [one for one in told if one.seen.light == light and one.word in DULL]
        if len(dull) < 8:
            continue
        true = np.array([WORDS[one.word].lightness for one in dull])
        lab = np.array([one.lab for one in dull])
        base, gain = _straight(true, lab[:, 0])
        off = np.abs(lab - np.column_stack([base + gain * true, *np.median(lab[:, 1:], axis=0)[:, None] + 0 * true]))
        own = gain * float(np.sqrt(np.mean([WORDS[one.word].lightness_sd ** 2 for one in dull])))
        l_sd, a_sd, b_sd = np.percentile(off, 68, axis=0)
        lines.append(
            f"{light:16s} L* {base:.0f} + {gain:.2f} L*, 68 in 100 within {l_sd:.1f} "
            f"({np.sqrt(max(l_sd**2 - own**2, 0.0)):.1f} without the words' own), a* {a_sd:.1f}, b* {b_sd:.1f}; "
            f"{len(dull)} photos; paints show {_chroma_gain(told, light):.2f} of their chroma"
        )
    return lines


def _chroma_gain(told: Sequence[Told], light: Light) -> float:
    """Median share of a paint's chroma that its most vivid coat shows along its hue; NaN where no paint was seen."""
    shares = []
    for one in told:
        region, hue = WORDS[one.word], np.radians(WORDS[one.word].hue_deg)
        if one.seen.light == light and region.chroma > VIVID:
            shown = [coat.lab[1:] @ [np.cos(hue), np.sin(hue)] for coat in one.seen.coats]
            shares.append(max(shown) / region.chroma)
    return float(np.median(shares)) if shares else float("nan")


def _straight(x: Array, y: Array) -> tuple[float, float]:
    """Base and gain of a straight line through most points: least squares with Cauchy's weights, repeated."""
    design, weight = np.column_stack([np.ones(len(x)), x]), np.ones(len(x))
    for _ in range(30):
        root = np.sqrt(weight)
        line = np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0]
        off = y - design @ line
        weight = 1 / (1 + (off / (2.97 * np.median(np.abs(off)) + 1e-9)) ** 2)
    return float(line[0]), float(line[1])


def confusion(told: Sequence[Told]) -> tuple[list[str], NDArray[np.int64]]:
    """The words met, and a table of counts: rows true words, columns the likeliest of the words met."""
    words = [word for word in WORDS if any(one.word == word for one in told)]
    table = np.zeros((len(words), len(words)), np.int64)
    for one in told:
        shares = _among(one, words)
        table[words.index(one.word), int(shares.argmax())] += 1
    return words, table


def _among(one: Told, words: Sequence[str]) -> Array:
    told = color_likelihood(one.seen)
    shares = np.array([told[word] for word in words])
    return np.asarray(shares / shares.sum())


def judged_lines(told: Sequence[Told]) -> list[str]:
    """The confusion table and how true the likelihoods are, each word counting alike, of the half that is judged."""
    words, table = confusion(told)
    lines = [f"{len(told)} photos judged; true words down, likeliest across"]
    lines.append(" " * 11 + " ".join(f"{word:>10s}" for word in words))
    lines += [f"{w:11s}" + " ".join(f"{n:10d}" for n in row) for w, row in zip(words, table, strict=True)]
    shares = np.array([_among(one, words) for one in told])
    truth = np.array([words.index(one.word) for one in told])
    weight = 1 / table.sum(axis=1)[truth] / len(words)
    sure, right = shares.max(axis=1), shares.argmax(axis=1) == truth
    bins = np.digitize(sure, STEPS)
    error = sum(abs(float((weight * (right - sure))[bins == k].sum())) for k in np.unique(bins))
    loss = -float(weight @ np.log(shares[np.arange(len(truth)), truth]))
    lines.append(
        f"right {weight @ right:.1%}, said {weight @ sure:.1%}, expected calibration error {error:.3f}, "
        f"log loss {loss:.3f} (knowing nothing {np.log(len(words)):.3f})"
    )
    return lines


if __name__ == "__main__":
    typer.run(main)
