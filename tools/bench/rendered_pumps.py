"""Whole answers for rendered pumps, of the demo set and of none: `python -m tools.bench.rendered_pumps CHAMBER PORT`.

CHAMBER and PORT are folders of one run's pumps in a chamber view and in a port view, as `tools.render` writes them.
Each pump is answered as a user would ask: every photo with what a user would say of its reference, nothing typed. Bars:
first candidate right in 95 %, among three in 99 %; kits named as fitting wrong in at most 0.5 %; pumps that are not in
the set told by "not in this set" with an area under the ROC curve of 0.95; expected calibration error at most 0.03.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from features.photo_survey import PhotoSurvey
from features.survey import combine_surveys
from identify.answer import Answer, Candidate, PreparedReference, build_answer, prepare_reference
from identify.answering import card_at_joint
from reference_geometry.demo_set import load_demo_set
from reference_geometry.families import ReferenceSet
from tools.bench.answer_scores import Scores, Verdict, area_under_curve, score, verdict_of
from tools.bench.kept_surveys import Pump, survey_pumps
from tools.bench.rendered_folder import RenderedPhoto, pump_key, read_folder
from tools.bench.simulated_surveys import without_kin


@dataclass(frozen=True, eq=False)
class Judged:
    """One pump as the program answered it: its photos' names, its true family ("" of no set), and the answer."""

    name: str
    family: str
    answer: Answer
    verdict: Verdict


def main(
    chamber: Annotated[Path, typer.Argument(help="chamber views of pumps of the demo set")],
    port: Annotated[Path, typer.Argument(help="port views of the same pumps")],
    out: Annotated[tuple[Path, Path] | None, typer.Option(help="the same two folders of pumps of no set")] = None,
    chamber_photos: Annotated[int, typer.Option(help="chamber views answered together with the port view")] = 1,
    keep: Annotated[Path | None, typer.Option(help="folder in which surveys are kept for another run")] = None,
    processes: Annotated[int, typer.Option(help="photos measured at once", min=1)] = 1,
    why: Annotated[bool, typer.Option(help="say of every answer that is not right what speaks against")] = False,
) -> None:
    """Print every figure beside its bar, with the number of pumps it rests on."""
    reference = load_demo_set()
    ready = prepare_reference(reference)
    surveyed = list(survey_pumps(pair_up(chamber, port, chamber_photos), keep, processes))
    strange = list(survey_pumps(pair_up(*out, chamber_photos), keep, processes)) if out else []
    known = [judge(pump, surveys, ready) for pump, surveys in surveyed]
    unknown = [judge(pump, surveys, ready) for pump, surveys in strange]
    bereft = [
        judge(pump, surveys, prepare_reference(without_kin(reference, str(pump[0].truth["family_id"]))))
        for pump, surveys in surveyed
    ]
    without = sum(all(not survey.mm_per_px for survey in surveys) for _, surveys in surveyed)
    typer.echo(f"{len(known)} pumps of the set, {chamber_photos} chamber view(s) and a port view each")
    typer.echo(f"{without} of them without a scale in any photo")
    for line in figures(reference, known, unknown, bereft):
        typer.echo(line)
    if why:
        for line in reasons_of_failure(reference, known, unknown):
            typer.echo(line)


def pair_up(chamber: Path, port: Path, chamber_photos: int) -> list[Pump]:
    """The photos of each pump that both folders show: its chamber views, then its port view.

    The port view of scene k has index k, its chamber views the n indices from n k on. A scene whose two folders do not
    show the same pump, to the last true length and attribute, is left out and told.

    Raises:
        typer.BadParameter: no scene shows the same pump in both folders, so they are not of one run.
    """
    ports = {_index(photo): photo for photo in read_folder(port)}
    views = read_folder(chamber)
    a_scene = max(1, round((1 + max(map(_index, views))) / (1 + max(ports))))
    by_scene: dict[int, list[RenderedPhoto]] = {}
    for photo in views:
        by_scene.setdefault(_index(photo) // a_scene, []).append(photo)
    pairs: list[Pump] = []
    other: list[int] = []
    for number, port_view in ports.items():
        seen = by_scene.get(number, [])[:chamber_photos]
        same = bool(seen) and all(pump_key(photo) == pump_key(port_view) for photo in seen)
        if same:
            pairs.append((*seen, port_view))
        else:
            other.append(number)
    if not pairs:
        raise typer.BadParameter(f"{chamber} and {port} show no pump in common")
    if other:
        typer.echo(f"left out, not the same pump in {chamber} and {port}: scenes {', '.join(map(str, other))}")
    return pairs


def _index(photo: RenderedPhoto) -> int:
    return int(photo.truth["index"])


def judge(pump: Pump, surveys: Sequence[PhotoSurvey], ready: PreparedReference) -> Judged:
    """Answer one pump as the program does."""
    survey = combine_surveys(surveys)
    answer = build_answer(survey, (), ready, card_at=card_at_joint(survey))
    family = pump[0].truth["family_id"]
    return Judged("+".join(p.path.stem for p in pump), str(family or ""), answer, verdict_of(answer))


def figures(
    reference: ReferenceSet, known: Sequence[Judged], unknown: Sequence[Judged], bereft: Sequence[Judged]
) -> Iterator[str]:
    """Every figure beside its bar: met or missed."""
    kits = _kits_of(reference)
    scores = score([(j.family, j.verdict) for j in known], [j.verdict for j in unknown or bereft], kits)
    yield from _share_lines(scores)
    low, high = scores.calibration_interval
    yield (
        f"expected calibration error   {scores.calibration_error:6.3f}    bar at most 0.03   "
        f"{_met(scores.calibration_error <= 0.03)} (bootstrap {low:.3f} to {high:.3f}; on so few pumps "
        f"{scores.calibration_if_true:.3f} where every chance is true)"
    )
    yield f"Brier score, log loss        {scores.brier:6.3f}    {scores.log_loss:.3f}"
    for words, others in (("free inventions", unknown), ("pumps of the set, their kin left out of it", bereft)):
        if others:
            yield from _stranger_lines(words, known, others)


def _share_lines(scores: Scores) -> Iterator[str]:
    first, third, wrong = scores.first, scores.third, scores.wrong
    yield (
        f"first candidate right        {first.value:6.1%}    bar at least 95 %  {_met(first.value >= 0.95)} "
        f"({first.count} of {first.cases}; true share at least {first.lower:.1%})"
    )
    yield (
        f"among the first three        {third.value:6.1%}    bar at least 99 %  {_met(third.value >= 0.99)} "
        f"({third.count} of {third.cases})"
    )
    yield (
        f"first one takes right kits   {scores.kits.value:6.1%}    ({scores.kits.count} of {scores.kits.cases}; "
        "look-alikes that differ in their thread's standard only take the same)"
    )
    yield (
        f"named kits that are wrong    {wrong.value:6.1%}    bar at most 0.5 %  {_met(wrong.value <= 0.005)} "
        f"({wrong.count} of {wrong.cases} kits named, in {scores.settled.cases} decisions; true share at most "
        f"{wrong.upper:.1%})"
    )


def _stranger_lines(words: str, known: Sequence[Judged], others: Sequence[Judged]) -> Iterator[str]:
    auroc = area_under_curve(
        np.array([j.answer.not_in_set for j in others]), np.array([j.answer.not_in_set for j in known])
    )
    named = sum(bool(j.verdict.settled) for j in others)
    yield (
        f"not in the set, AUROC        {auroc:6.3f}    bar at least 0.95  {_met(auroc >= 0.95)} "
        f"({len(others)} {words}; of these given a kit: {named})"
    )


def _met(met: bool) -> str:
    return "met   " if met else "missed"


def _kits_of(reference: ReferenceSet) -> dict[str, set[str]]:
    kits: dict[str, set[str]] = {}
    for kit in reference.kits:
        kits.setdefault(kit.family_id, set()).add(kit.kit_no)
    return kits


def reasons_of_failure(reference: ReferenceSet, known: Iterable[Judged], unknown: Iterable[Judged]) -> Iterator[str]:
    """Of every answer that is not right: what came first, and what spoke against the truth."""
    kits = _kits_of(reference)
    for judged in known:
        is_first = judged.verdict.families[:1] == (judged.family,)
        wrong = [numbers for _, numbers in judged.verdict.settled if not set(numbers) <= kits[judged.family]]
        if is_first and not wrong:
            continue
        first = [f"{c.family.family_id} {c.probability:.3f}" for c in judged.answer.candidates[:3]]
        given = " WRONG KIT" if wrong else ""
        yield f"{judged.name} is {judged.family}{given}: {', '.join(first)}, none {judged.answer.not_in_set:.3f}"
        truth = next((c for c in judged.answer.candidates if c.family.family_id == judged.family), None)
        yield from _against(truth)
    for judged in unknown:
        if judged.verdict.settled or judged.answer.not_in_set < 0.5:
            likely = [f"{c.family.family_id} {c.probability:.3f}" for c in judged.answer.candidates[:2]]
            given = " GIVEN A KIT" if judged.verdict.settled else ""
            yield f"{judged.name} is in no set{given}: {', '.join(likely)}, none {judged.answer.not_in_set:.3f}"


def _against(truth: Candidate | None) -> Iterator[str]:
    if truth is None:
        yield "    the true family is no candidate"
        return
    for reason in truth.reasons_against[:4]:
        yield f"    against it ({reason.strength}): {reason.sentence}"


if __name__ == "__main__":
    typer.run(main)
