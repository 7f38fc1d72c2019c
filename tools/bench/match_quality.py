"""How often the matcher is right, how honest its probabilities are, and what a plain nearest neighbor does instead.

Run it with `python -m tools.bench.match_quality`. Pumps of the demo set are drawn with their own spread and measured
with errors of the size the budgets state: simulated measurements, not photos, so this judges the matching alone; the
same figures of rendered photos need `tools.bench.answer_scores.verdict_of`. A pump outside the set is made by leaving
out every family that shares a kit with it.
"""

import argparse
import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from features.survey import Survey
from identify.answer import PreparedReference, build_answer, prepare_reference
from identify.matching.photo_confusion import packaged_confusion
from identify.matching.settings import MatchSettings
from reference_geometry.demo_set import load_demo_set
from reference_geometry.families import ReferenceSet
from tools.bench.answer_scores import Scores, Share, Verdict, print_scores, quick_verdict, score, verdict_of
from tools.bench.nearest_neighbor import NearestFamily
from tools.bench.simulated_surveys import SEEN, SEEN_AT_PORT, simulate_survey, without_kin


@dataclass(frozen=True)
class Comparison:
    """Our scores beside the nearest neighbor's."""

    scores: Scores
    ours_ms: float
    nearest_first: Share
    nearest_third: Share
    nearest_ms: float


def run(reference: ReferenceSet, repeats: int, seed: int, settings: MatchSettings, whole: bool = False) -> Comparison:
    """Simulate `repeats` pumps of every family, in and out of the set; `whole` answers weigh further questions too."""
    judge = _whole_verdict if whole else quick_verdict
    rng = np.random.default_rng(seed)
    ready = prepare_reference(reference, settings)
    nearest = NearestFamily(reference.families, (*SEEN, *SEEN_AT_PORT))
    kits_of: dict[str, set[str]] = {}
    for kit in reference.kits:
        kits_of.setdefault(kit.family_id, set()).add(kit.kit_no)
    known: list[tuple[str, Verdict]] = []
    unknown: list[Verdict] = []
    theirs: list[list[str]] = []
    ours_s = nearest_s = 0.0
    for family in reference.families:
        reduced = prepare_reference(without_kin(reference, family.family_id), settings)
        for _ in range(repeats):
            survey = simulate_survey(family, rng, settings, packaged_confusion())
            start = time.perf_counter()
            known.append((family.family_id, judge(ready, survey, settings)))
            middle = time.perf_counter()
            theirs.append(nearest.nearest(survey))
            ours_s, nearest_s = ours_s + middle - start, nearest_s + time.perf_counter() - middle
            unknown.append(judge(reduced, survey, settings))
    count = len(known)
    return Comparison(
        score(known, unknown, kits_of),
        1000.0 * ours_s / count,
        Share(sum(ids[0] == family for ids, (family, _) in zip(theirs, known, strict=True)), count),
        Share(sum(family in ids for ids, (family, _) in zip(theirs, known, strict=True)), count),
        1000.0 * nearest_s / count,
    )


def _whole_verdict(ready: PreparedReference, survey: Survey, settings: MatchSettings) -> Verdict:
    return verdict_of(build_answer(survey, (), ready, settings))


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the figures with the bars they should meet."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=20, help="pumps of each family")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--whole", action="store_true", help="whole answers: a question that pays comes first")
    options = parser.parse_args(arguments)
    reference = load_demo_set()
    found = run(reference, options.repeats, options.seed, MatchSettings(), options.whole)
    source = "the part model's measured confusion" if packaged_confusion() else "the part model's bars"
    print(
        f"{found.scores.first.cases} simulated pumps of {len(reference.families)} families; simulated measurements, "
        f"not photos; attributes recognized by {source}"
    )
    print_scores(found.scores)
    print("\nbeside                         first right   among three   ms a pump")
    print(
        f"this matcher                       {100 * found.scores.first.value:6.2f} %      "
        f"{100 * found.scores.third.value:6.2f} %      {found.ours_ms:6.2f}"
    )
    print(
        f"scikit-learn nearest neighbor      {100 * found.nearest_first.value:6.2f} %      "
        f"{100 * found.nearest_third.value:6.2f} %      {found.nearest_ms:6.2f}"
    )
    print("\nNot measured here: the bars on the rendered test split, which need its photos and the part model.")


if __name__ == "__main__":
    main()
