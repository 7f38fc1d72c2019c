"""The demo photos through the whole way: `python -m tools.bench.demo_photos`.

Told to the program is only what a user would tell: where the card lies and which coin it is; no hint where parts are.
Bar: of the photos with EXIF and a scale, at least 8 of 12 give the true family among the first three and a true kit
first.
"""

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from identify.answer import Answer
from identify.answering import Answered, answer_photos
from identify.typed.options import TypedOptions, understand
from reference_geometry.store import load_reference

FOLDER = Path(__file__).parents[2] / "demo_photos"


def typed_for(truth: dict[str, Any]) -> TypedOptions:
    """What a user would say of this photo."""
    coin = next((r["name"] for r in truth["scale_references"] if r["kind"] == "coin"), "")
    return TypedOptions(card_at=truth["card_at"] or "unknown", coin=coin)


def rank_of(answer: Answer, family_id: str) -> int:
    """Place of the true family among the candidates, from 1; 0 when it is not there."""
    names = [candidate.family.family_id for candidate in answer.candidates]
    return names.index(family_id) + 1 if family_id in names else 0


def main(folder: Annotated[Path, typer.Option(help="photos with truth.jsonl")] = FOLDER) -> None:
    """Print one line a photo and the bar."""
    reference = load_reference(None)
    kits_of: dict[str, set[str]] = {}
    for kit in reference.kits:
        kits_of.setdefault(kit.family_id, set()).add(kit.kit_no)
    counted = passed = 0
    for line in (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines():
        truth = json.loads(line)
        answered = answer_photos([folder / truth["photo"]], understand(typed_for(truth)), reference)
        if not isinstance(answered, Answered):
            typer.echo(f"{truth['photo']:34} unreadable")
            continue
        answer = answered.answer
        rank = rank_of(answer, truth["family_id"])
        kit_right = bool(answer.kits) and answer.kits[0].kit_no in kits_of[truth["family_id"]]
        good = 1 <= rank <= 3 and kit_right
        counts = bool(truth["scale_references"]) and bool(truth["exif"])
        counted, passed = counted + counts, passed + (counts and good)
        verdict = "right" if kit_right else "wrong"
        typer.echo(f"{truth['photo']:34} family {rank:2d}  kit {verdict}  {_measured(answered, truth)}")
    typer.echo(f"{passed} of {counted} with EXIF and scale; bar 8 of 12")
    sys.exit(0 if passed * 12 >= 8 * counted else 1)


def _measured(answered: Answered, truth: dict[str, Any]) -> str:
    """Errors of the lengths whose truth is in the photo."""
    parts = []
    for length in answered.survey.lengths:
        true = [f["diameter_mm"] for f in truth["features"] if f["name"] == length.name]
        if true:
            nearest = min(true, key=lambda mm: abs(mm / length.value_mm - 1))
            low, high = length.interval_mm
            inside = "in" if low <= nearest <= high else "OUT"
            parts.append(f"{length.name} {100 * (length.value_mm / nearest - 1):+.1f} % {inside}")
    return ", ".join(parts)


if __name__ == "__main__":
    typer.run(main)
