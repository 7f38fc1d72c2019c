"""How often the matcher is right, how honest its probabilities are, and how many questions it saves.

Run it with `python -m tools.bench.match_quality`. Pumps of the demo set are drawn with their own spread and
measured
with errors of the size the budgets state: simulated measurements, not photos, so this judges the matching
alone. A pump outside the set is made by leaving out every family that shares a kit with it.
"""

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from features.measured import AttributeEvidence, Contribution, ContributionName, MeasuredLength
from features.survey import Survey
from identify.answer import Answer, PreparedReference, build_answer, prepare_reference
from identify.matching.family_table import attributes_of, own_relative_sd
from identify.matching.settings import MatchSettings
from reference_geometry.demo_set import load_demo_set
from reference_geometry.families import Family, ReferenceSet

CHAMBER_VIEW = ("chamber_diameter",)
PORT_VIEW = ("flange_diameter", "bolt_circle_diameter", "port_bore", "thread_major_diameter", "thread_pitch")
SEEN = {
    "connection": 0.98,
    "housing_joint": 0.98,
    "chamber_bolt_count": 0.95,
    "wetted_material": 0.97,
    "port_position": 0.97,
}
SEEN_AT_PORT = {"bolt_hole_count": 0.97}
VALUES = {
    "connection": ("flanged", "threaded"),
    "housing_joint": ("clamp_band", "bolted"),
    "chamber_bolt_count": ("4", "6", "8", "10", "12", "14", "16"),
    "wetted_material": ("plastic", "metal"),
    "port_position": ("end", "center"),
    "bolt_hole_count": ("4", "8"),
}
"""Simulated recognition: how often the first value is right, by the bars of the part model."""


@dataclass(frozen=True)
class Figures:
    """Results of one run over the set."""

    pumps: int
    first: float
    third: float
    ordered: float
    ordered_wrong: float
    expected_calibration_error: float
    log_loss: float
    auroc: float
    unknown_forced: float


def simulate_survey(family: Family, rng: np.random.Generator, settings: MatchSettings) -> Survey:
    """A chamber view and a port view of one pump of a family, each with its own scale error."""
    lengths: list[MeasuredLength] = []
    for view, names, scale_sd, offset_sd in (
        ("chamber", CHAMBER_VIEW, 0.004, 0.005),
        ("port", PORT_VIEW, 0.004, 0.002),
    ):
        scale = scale_sd * rng.standard_normal()
        for name in names:
            if name in family.lengths:
                own = own_relative_sd(family, name, family.lengths[name], settings)
                truth = family.lengths[name].mean_mm * float(np.exp(own * rng.standard_normal()))
                lengths.append(_measure(name, truth, view, scale, scale_sd, offset_sd, rng))
    attributes = [_see(name, value, right, rng) for name, value, right in _visible(family)]
    return Survey((), (), tuple(lengths), tuple(attributes), ())


def _measure(
    name: str,
    truth_mm: float,
    view: str,
    scale: float,
    scale_sd: float,
    offset_sd: float,
    rng: np.random.Generator,
) -> MeasuredLength:
    edge_sd = 0.01 if name in ("port_bore", "thread_pitch") else 0.003
    error = scale + edge_sd * rng.standard_normal() + offset_sd * rng.standard_normal()
    budget: tuple[tuple[ContributionName, str, float], ...] = (
        ("edge", f"edge:{name}", edge_sd),
        ("offset", f"offset:{name}", offset_sd),
        ("reference", f"card of the {view} view", scale_sd),
    )
    parts = tuple(Contribution(heading, source, relative) for heading, source, relative in budget)
    return MeasuredLength(name, truth_mm * float(np.exp(error)), parts, (f"{view}.jpg",))


def _visible(family: Family) -> list[tuple[str, str, float]]:
    known = attributes_of(family)
    seen = {**SEEN, **(SEEN_AT_PORT if family.connection == "flanged" else {})}
    return [(name, known[name], right) for name, right in seen.items() if name in known]


def _see(name: str, value: str, right: float, rng: np.random.Generator) -> AttributeEvidence:
    """A recognizer that is right as often as it says."""
    values = VALUES[name]
    others = [other for other in values if other != value]
    shown = value if rng.random() < right else str(rng.choice(others))
    rest = (1.0 - right) / (len(values) - 1)
    return AttributeEvidence(name, {v: right if v == shown else rest for v in values})


def without_kin(reference: ReferenceSet, family_id: str) -> ReferenceSet:
    """The set without every family that shares a kit with this one."""
    numbers = {kit.kit_no for kit in reference.kits if kit.family_id == family_id and kit.section == "fluid"}
    kin = {kit.family_id for kit in reference.kits if kit.kit_no in numbers} | {family_id}
    families = tuple(family for family in reference.families if family.family_id not in kin)
    return replace(
        reference, families=families, kits=tuple(kit for kit in reference.kits if kit.family_id not in kin)
    )


def run(reference: ReferenceSet, repeats: int, seed: int, settings: MatchSettings) -> Figures:
    """Simulate `repeats` pumps of every family, in and out of the set."""
    rng = np.random.default_rng(seed)
    ready = prepare_reference(reference, settings)
    known: list[tuple[Family, Answer]] = []
    unknown: list[Answer] = []
    for family in reference.families:
        reduced = prepare_reference(without_kin(reference, family.family_id), settings)
        for _ in range(repeats):
            survey = simulate_survey(family, rng, settings)
            known.append((family, build_answer(survey, (), ready, settings)))
            unknown.append(build_answer(survey, (), reduced, settings))
    return _figures(ready, known, unknown)


def _figures(
    ready: PreparedReference, known: Sequence[tuple[Family, Answer]], unknown: Sequence[Answer]
) -> Figures:
    kits: dict[str, set[str]] = {}
    for kit in ready.reference.kits:
        kits.setdefault(kit.family_id, set()).add(kit.kit_no)
    leading = [[c.family.family_id for c in answer.candidates[:3]] for _, answer in known]
    first = np.array([ids[:1] == [f.family_id] for (f, _), ids in zip(known, leading, strict=True)])
    third = np.array([f.family_id in ids for (f, _), ids in zip(known, leading, strict=True)])
    decisions = [(f, d) for f, answer in known for d in answer.decisions]
    settled = [(f, d) for f, d in decisions if d.action in ("order", "ask_elastomer")]
    wrong = sum(not set(d.kit_nos) <= kits[f.family_id] for f, d in settled)
    truth = [
        next((c.probability for c in answer.candidates if c.family.family_id == f.family_id), 1e-6)
        for f, answer in known
    ]
    top = np.array([answer.candidates[0].probability for _, answer in known])
    missing_known = np.array([answer.not_in_set for _, answer in known])
    missing_unknown = np.array([answer.not_in_set for answer in unknown])
    forced = [any(d.action in ("order", "ask_elastomer") for d in answer.decisions) for answer in unknown]
    return Figures(
        pumps=len(known),
        first=float(first.mean()),
        third=float(third.mean()),
        ordered=len(settled) / max(len(decisions), 1),
        ordered_wrong=wrong / max(len(settled), 1),
        expected_calibration_error=calibration_error(top, first),
        log_loss=float(-np.log(truth).mean()),
        auroc=area_under_curve(missing_unknown, missing_known),
        unknown_forced=float(np.mean(forced)),
    )


def calibration_error(probability: NDArray[np.float64], right: NDArray[np.bool_], bins: int = 10) -> float:
    """Mean gap between stated and observed frequency over bins holding equally many cases."""
    order = np.argsort(probability)
    gaps = [abs(probability[part].mean() - right[part].mean()) for part in np.array_split(order, bins)]
    return float(np.mean(gaps))


def area_under_curve(positive: NDArray[np.float64], negative: NDArray[np.float64]) -> float:
    """Probability that a positive scores above a negative, ties half (the area under the ROC curve)."""
    above = (positive[:, None] > negative).mean() + 0.5 * (positive[:, None] == negative).mean()
    return float(above)


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the figures with the bars they should meet."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=3, help="pumps of each family")
    parser.add_argument("--seed", type=int, default=7)
    options = parser.parse_args(arguments)
    f = run(load_demo_set(), options.repeats, options.seed, MatchSettings())
    print(f"{f.pumps} simulated pumps of the demo set (simulated measurements, not photos)")
    print(f"first candidate right            {100 * f.first:6.2f} %   (bar on photos: 95 %)")
    print(f"among the first three            {100 * f.third:6.2f} %   (99 %)")
    print(f"fit settled                      {100 * f.ordered:6.2f} % of section decisions")
    print(f"  of these wrong                 {100 * f.ordered_wrong:6.2f} %   (at most 0.5 %)")
    print(f"expected calibration error       {f.expected_calibration_error:6.3f}     (at most 0.03)")
    print(f"log loss of the true family      {f.log_loss:6.3f}")
    print(f"AUROC of 'not in the set'        {f.auroc:6.3f}     (at least 0.95)")
    print(f"unknown pump given a kit         {100 * f.unknown_forced:6.2f} %")


if __name__ == "__main__":
    main()
