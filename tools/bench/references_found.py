"""How often the scale reference of a rendered photo is found: `python -m tools.bench.references_found FOLDER...`.

The program is told what a user would say: the coin's or the sheet's name, nothing of cards. A reference counts as right
where its outline and the true one share most of what either covers. Photos in which the reference is hidden, and such
without any, show how often another thing is taken for it. The renderer's references are its own: no bar is set on them.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
import typer

from features.parts.finder import PartFinder
from features.parts.learned import best_finder
from features.photo import Photo, load_photo
from features.scale.find import find_scales
from features.scale.reference import ScaleReference
from features.scale.told_card import shared
from identify.typed.options import TypedOptions, understand
from tools.bench.rendered_folder import REFERENCE_SEEN, RenderedPhoto, read_folder

LEAST_SHARED = 0.8
"""Of what either outline covers: a coin's inner ring of nine tenths of its size is just another one."""
Outcome = Literal["right", "other", "none"]


def outcome(photo: RenderedPhoto, finder: PartFinder) -> Outcome:
    """What is found in a photo: its reference, another thing, or none."""
    loaded = load_photo(photo.path)
    if not isinstance(loaded, Photo):
        return "none"
    request = understand(TypedOptions(coin=photo.coin, sheet=photo.sheet)).request.scale
    finder.look_ahead(loaded.pixels_rgb, (), request.looks_for_coin)
    finding = find_scales(loaded, request, finder)
    if not finding.references:
        return "none"
    true = [np.array(told["outline_px"]) for told in photo.truth["scale_references"]]
    first: ScaleReference = finding.references[0]
    return "right" if any(shared(first.outline_px, outline) > LEAST_SHARED for outline in true) else "other"


def place_of(photo: RenderedPhoto) -> str:
    """Which kind of reference a photo shows, and where; "hidden" or "no reference" where none is in view."""
    references: Sequence[dict[str, Any]] = photo.truth["scale_references"]
    if not references:
        return "no reference"
    seen = [told for told in references if told["visible_fraction"] >= REFERENCE_SEEN]
    return f"{seen[0]['kind']} at {seen[0]['card_at']}" if seen else f"{references[0]['kind']} hidden"


def main(folders: Annotated[list[Path], typer.Argument(help="rendered photos with references of any kind")]) -> None:
    """Print, by kind and place, how many are found right, how many wrong, and how many not."""
    told: dict[str, Counter[Outcome]] = {}
    finder = best_finder()
    with typer.progressbar([photo for folder in folders for photo in read_folder(folder)], label="photos") as bar:
        for photo in bar:
            told.setdefault(place_of(photo), Counter())[outcome(photo, finder)] += 1
    for line in lines_of(told):
        typer.echo(line)


def lines_of(told: dict[str, Counter[Outcome]]) -> Iterator[str]:
    """One line a kind and place."""
    for place in sorted(told):
        count = told[place]
        yield (
            f"{place:24} {count.total():4} photos: {count['right']:3} right, {count['other']:3} another thing, "
            f"{count['none']:3} not found"
        )


if __name__ == "__main__":
    typer.run(main)
