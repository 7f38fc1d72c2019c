"""Simulated surveys of pumps of a set: a chamber view and a port view, with errors of the size the budgets state.

How often an attribute is recognized comes from the part model's measured confusion table where the model is packaged
with one, else from the bars the part model is to meet.
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from features.measured import AttributeEvidence, Contribution, ContributionName, MeasuredLength
from features.survey import Survey
from identify.matching.family_table import attributes_of, own_relative_sd
from identify.matching.photo_confusion import PhotoConfusion
from identify.matching.settings import MatchSettings
from reference_geometry.families import Family, ReferenceSet

CHAMBER_VIEW = ("chamber_diameter",)
PORT_VIEW = ("flange_diameter", "bolt_circle_diameter", "port_bore", "thread_major_diameter", "thread_pitch")
SEEN = {
    "connection": 0.98,
    "housing_joint": 0.98,
    "chamber_bolt_count": 0.95,
    "wetted_material": 0.97,
    "port_position": 0.97,
    "body_color": 0.6,
}
SEEN_AT_PORT = {"bolt_hole_count": 0.97}
"""Simulated recognition where nothing was measured: how often the first value is right, by the part model's bars."""
VALUES = {
    "connection": ("flanged", "threaded"),
    "housing_joint": ("clamp_band", "bolted"),
    "chamber_bolt_count": ("4", "6", "8", "10", "12", "14", "16", "18", "20", "24"),
    "wetted_material": ("plastic", "metal"),
    "port_position": ("end", "center"),
    "bolt_hole_count": ("4", "8"),
    "body_color": ("black", "white", "gray", "blue", "red", "natural", "bare_metal"),
}
"""What a recognizer chooses from."""


def simulate_survey(
    family: Family,
    rng: np.random.Generator,
    settings: MatchSettings,
    confusion: Mapping[str, PhotoConfusion] | None = None,
) -> Survey:
    """A chamber view and a port view of one pump of a family, each with its own scale error.

    Args:
        family: the true family.
        rng: chance.
        settings: tolerances of pumps of one family.
        confusion: measured recognition by attribute; the part model's bars stand in where it is silent.
    """
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
    attributes = [_see(name, value, right, (confusion or {}).get(name), rng) for name, value, right in _visible(family)]
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


def _see(
    name: str, value: str, right: float, measured: PhotoConfusion | None, rng: np.random.Generator
) -> AttributeEvidence:
    """A recognizer that errs as measured, or is right as often as it says."""
    if measured is not None:
        chances = measured.seen(value)
        shown = str(rng.choice(list(chances), p=list(chances.values())))
        return AttributeEvidence(name, measured.likelihood(shown))
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
    return replace(reference, families=families, kits=tuple(kit for kit in reference.kits if kit.family_id not in kin))
