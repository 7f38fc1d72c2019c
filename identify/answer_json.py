"""The answer as the one JSON object of the outside interface."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from features.measured import COVERAGE_95, AttributeEvidence, MeasuredLength
from identify.answer_models import (
    AlternativeModel,
    AnswerModel,
    CandidateModel,
    CovarianceModel,
    DecisionModel,
    KitModel,
    LengthModel,
    PartModel,
    PhotoModel,
    PortModel,
    QuestionModel,
    RatioModel,
    RepairModel,
    ReplacementModel,
    ScaleModel,
)
from identify.repair.pump_differences import SPANS

if TYPE_CHECKING:
    from features.survey import PhotoSurvey
    from identify.answer import Answer, Candidate
    from identify.repair.decision import Decision
    from identify.repair.kit_choice import KitOffer
    from identify.repair.replacement import Replacement, ReplacementTable
    from reference_geometry.families import Family


def to_model(answer: Answer) -> AnswerModel:
    """The answer as a checked model."""
    photos = answer.survey.photos if answer.survey else ()
    return AnswerModel(
        photos=[_photo(photo) for photo in photos],
        measurements=_measurements(answer),
        attributes={evidence.name: _attribute(evidence) for evidence in answer.attributes},
        ports=[
            PortModel(standard=p.standard, nominal_in=p.nominal_in, dn=p.dn, probability=p.probability)
            for p in answer.ports
        ],
        candidates=[_candidate(candidate) for candidate in answer.candidates],
        not_in_set=answer.not_in_set,
        kits=[_kit(offer) for offer in answer.kits],
        next_questions=[
            QuestionModel(
                ask=q.ask,
                how=q.how,
                gain_bits=q.gain_bits,
                minutes=q.question.minutes,
                code=q.question.code,
                fit_gain=dict(q.sure),
            )
            for q in answer.next_questions
        ],
        cautions=list(answer.cautions),
        decisions=[_decision(decision) for decision in answer.decisions],
        tell_apart=answer.tell_apart,
        replacement=_replacement(answer.replacement) if answer.replacement else None,
        assumptions=list(answer.assumptions),
        inconsistencies=[found.sentence for found in answer.inconsistencies],
        covariance=CovarianceModel(
            names=[length.name for length in answer.measurements],
            log_covariance=answer.log_covariance.tolist(),
        ),
        reference=answer.reference_name,
        is_demo=answer.is_demo,
    )


def to_json_object(answer: Answer) -> dict[str, Any]:
    """The answer as plain JSON types, ready for `json.dumps`."""
    return to_model(answer).model_dump(mode="json", by_alias=True)


def _photo(photo: PhotoSurvey) -> PhotoModel:
    scale = None
    if photo.scale is not None:
        scale = ScaleModel(
            kind=photo.scale.kind,
            mm_per_px=photo.mm_per_px,
            relative_uncertainty=photo.scale_relative_sd,
            corners_px=[(float(x), float(y)) for x, y in photo.scale.outline_px],
        )
    return PhotoModel(
        file=photo.name,
        width=photo.width_px,
        height=photo.height_px,
        view=dict(photo.view),
        scale=scale,
        problems=[str(problem) for problem in photo.problems],
    )


def _measurements(answer: Answer) -> dict[str, LengthModel | RatioModel]:
    """Lengths in mm; those without a scale as ratios to the first of them."""
    found: dict[str, LengthModel | RatioModel] = {}
    floating = [i for i, length in enumerate(answer.measurements) if length.is_ratio_only]
    for i, length in enumerate(answer.measurements):
        if not length.is_ratio_only:
            found[length.name] = _length(length)
        elif i != floating[0]:
            below = answer.measurements[floating[0]]
            covariance = answer.log_covariance
            variance = covariance[i, i] + covariance[floating[0], floating[0]] - 2.0 * covariance[i, floating[0]]
            found[f"{length.name}/{below.name}"] = _ratio(length, below, max(float(variance), 0.0) ** 0.5)
    return found


def _length(length: MeasuredLength) -> LengthModel:
    low, high = length.interval_mm
    return LengthModel(
        value_mm=length.value_mm,
        standard_uncertainty_mm=length.standard_uncertainty_mm,
        low_mm=low,
        high_mm=high,
        budget=length.budget_mm(),
        photos=list(length.photos),
    )


def _ratio(above: MeasuredLength, below: MeasuredLength, relative_sd: float) -> RatioModel:
    ratio = above.value_mm / below.value_mm
    half = COVERAGE_95 * relative_sd
    photos = list(dict.fromkeys((*above.photos, *below.photos)))
    return RatioModel(
        ratio=ratio,
        standard_uncertainty=ratio * relative_sd,
        low=ratio * (1.0 - half) if half < 1.0 else 0.0,
        high=ratio * (1.0 + half),
        photos=photos,
    )


def _attribute(evidence: AttributeEvidence) -> dict[str, float]:
    return {value: float(p) for value, p in evidence.likelihood.items()}


def _candidate(candidate: Candidate) -> CandidateModel:
    return CandidateModel.model_validate(
        {
            "family_id": candidate.family.family_id,
            "probability": candidate.probability,
            "for": [f"{reason.sentence} ({reason.strength})" for reason in candidate.reasons_for],
            "against": [f"{reason.sentence} ({reason.strength})" for reason in candidate.reasons_against],
        }
    )


def _kit(offer: KitOffer) -> KitModel:
    return KitModel(
        kit_no=offer.kit_no,
        section=offer.section,
        elastomer=offer.elastomer,
        probability=offer.probability,
        families=list(offer.families),
        contents=offer.contents,
        price=offer.price,
        currency=offer.currency,
        lead_time_days=offer.lead_time_days,
        stock=offer.stock,
        elastomer_status=offer.elastomer_status,
        piece_count=offer.piece_count,
        supersedes=list(offer.supersedes),
        parts=[PartModel(count=part.count, name=part.name) for part in offer.parts],
    )


def _decision(decision: Decision) -> DecisionModel:
    return DecisionModel(
        section=decision.section,
        action=decision.action,
        kit_nos=list(decision.kit_nos),
        fit_probability=decision.fit_probability,
        sentence=decision.sentence,
        assumptions=list(decision.assumptions),
        expected_wrong_cost=decision.expected_wrong_cost,
        question_cost=decision.question_cost,
        question_saves=decision.question_saves,
        cost_sentence=decision.cost_sentence,
    )


def _replacement(table: ReplacementTable) -> ReplacementModel:
    return ReplacementModel(
        family_id=table.pump.family_id,
        repair_parts=table.repair.parts[0] if table.repair.parts else None,
        repair_hours=table.repair.hours,
        repairs=[
            RepairModel(
                section=effort.section,
                parts=effort.parts[0] if effort.parts else None,
                most_parts=effort.parts[1] if effort.parts else None,
                hours=effort.hours,
                prices=effort.prices,
                currency=effort.currency,
                lead_time_days=effort.lead_time_days,
            )
            for effort in table.repairs
        ],
        alternatives=[_alternative(row, table.pump) for row in table.rows],
        caveats=list(table.caveats),
    )


def _alternative(row: Replacement, pump: Family) -> AlternativeModel:
    spans = {name: row.family.lengths[name].mean_mm for name in SPANS if name in row.family.lengths}
    own = {name: pump.lengths[name].mean_mm for name in spans if name in pump.lengths}
    return AlternativeModel(
        family_id=row.family.family_id,
        fit=row.fit,
        differences=list(row.differences),
        unknown=list(row.unknown),
        max_flow_lpm=row.max_flow_lpm,
        price=row.price,
        currency=row.currency,
        lead_time_days=row.lead_time_days,
        wearing_parts=row.wearing_parts,
        swivel_seals=row.swivel_seal_count > 0,
        swivel_seal_count=row.swivel_seal_count,
        life_hint=row.life_hint,
        connection=row.family.connection,
        port_standard=row.family.port_standard,
        port_position=row.family.port_position,
        wetted_material=row.family.wetted_material,
        housing_joint=row.family.housing_joint,
        spans_mm=spans,
        span_differences_mm={name: spans[name] - mm for name, mm in own.items()},
    )
