"""The shape of the answer's one JSON object; keys are stable, new ones are only added."""

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, populate_by_name=True)


class ScaleModel(_Model):
    """Scale reference used in a photo."""

    kind: str
    mm_per_px: float
    relative_uncertainty: float
    corners_px: list[tuple[float, float]]


class PhotoModel(_Model):
    """One photo."""

    file: str
    width: int
    height: int
    view: dict[str, float]
    scale: ScaleModel | None
    problems: list[str]


class LengthModel(_Model):
    """One measured length in mm; `low_mm` to `high_mm` is its 95 % interval."""

    value_mm: float
    standard_uncertainty_mm: float
    low_mm: float
    high_mm: float
    budget: dict[str, float]
    photos: list[str]


class RatioModel(_Model):
    """What is known without a scale: one length over another."""

    ratio: float
    standard_uncertainty: float
    low: float
    high: float
    photos: list[str]
    note: str = "no scale: a ratio of two lengths, not a length"


class PortModel(_Model):
    """One possible port."""

    standard: str
    nominal_in: str
    dn: int
    probability: float


class CandidateModel(_Model):
    """One family that may be the pump."""

    family_id: str
    probability: float
    for_: list[str] = Field(alias="for")
    against: list[str]


class PartModel(_Model):
    """One line of a kit's contents: how many of what."""

    count: int
    name: str


class KitModel(_Model):
    """One kit; `probability` is that it fits the body, the elastomer is for a person to say."""

    kit_no: str
    section: str
    elastomer: str
    probability: float
    families: list[str]
    contents: str
    price: float | None
    currency: str
    lead_time_days: float | None
    stock: int | None
    elastomer_status: Literal["asked_for", "as_said", "other", "none"]
    piece_count: int | None
    supersedes: list[str]
    parts: list[PartModel]


class QuestionModel(_Model):
    """One question worth asking; `fit_gain` is how much it is expected to raise the best kit's chance, by side."""

    ask: str
    how: str
    gain_bits: float
    minutes: float
    code: str
    fit_gain: dict[str, float]


class DecisionModel(_Model):
    """What to do about one section's kit."""

    section: str
    action: Literal["order", "ask_elastomer", "ask", "not_in_set"]
    kit_nos: list[str]
    fit_probability: float
    sentence: str
    assumptions: list[str]
    expected_wrong_cost: float
    question_cost: float | None
    question_saves: float
    cost_sentence: str


class AlternativeModel(_Model):
    """One family that goes into the same piping, and what would change."""

    family_id: str
    fit: Literal["drop-in", "near drop-in", "same port size"]
    differences: list[str]
    unknown: list[str]
    max_flow_lpm: float | None
    price: float | None
    currency: str
    lead_time_days: float | None
    wearing_parts: int | None
    swivel_seals: bool
    swivel_seal_count: int
    life_hint: str
    connection: str | None
    port_standard: str | None
    port_position: str | None
    wetted_material: str | None
    housing_joint: str | None
    spans_mm: dict[str, float]
    span_differences_mm: dict[str, float]


class RepairModel(_Model):
    """What rebuilding one side of the pump takes, from `parts` to `most_parts`; hours are common practice."""

    section: str
    parts: int | None
    most_parts: int | None
    hours: tuple[float, float]
    prices: tuple[float, float] | None
    currency: str
    lead_time_days: tuple[float, float] | None


class ReplacementModel(_Model):
    """Repair or replace: what the most probable family's rebuild takes, and what could take its place."""

    family_id: str
    repair_parts: int | None
    repair_hours: tuple[float, float]
    repairs: list[RepairModel]
    alternatives: list[AlternativeModel]
    caveats: list[str]


class CovarianceModel(_Model):
    """Covariance of the logarithms of the measured lengths."""

    names: list[str]
    log_covariance: list[list[float]]


class AnswerModel(_Model):
    """The whole answer."""

    schema_: Literal["untagged.answer/1"] = Field(default="untagged.answer/1", alias="schema")
    photos: list[PhotoModel]
    measurements: dict[str, LengthModel | RatioModel]
    attributes: dict[str, dict[str, float]]
    ports: list[PortModel]
    candidates: list[CandidateModel]
    not_in_set: float
    kits: list[KitModel]
    next_questions: list[QuestionModel]
    cautions: list[str]
    decisions: list[DecisionModel]
    tell_apart: str
    replacement: ReplacementModel | None
    assumptions: list[str]
    inconsistencies: list[str]
    covariance: CovarianceModel
    reference: str
    is_demo: bool
