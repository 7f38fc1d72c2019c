"""From a case to its answer: the survey of its photos and what people said, matched against the reference set."""

from dataclasses import dataclass

from features.photo_survey import PhotoSurvey
from features.survey import Survey
from identify.answer import Answer, PreparedReference, build_answer
from identify.answering import Answered, card_at_joint
from identify.typed.options import TypedOptions, Understood, understand
from identify.web.case_record import CaseRecord
from identify.wording import chance_words


@dataclass(frozen=True, eq=False)
class CaseAnswer:
    """A case with all that is known of it at one moment."""

    record: CaseRecord
    survey: Survey
    answer: Answer
    answered: Answered

    def photo_survey(self, name: str) -> PhotoSurvey | None:
        """What the photo of this name gave, None when it could not be read."""
        return next((photo for photo in self.survey.photos if photo.name == name), None)


def answer_case(record: CaseRecord, survey: Survey, reference: PreparedReference) -> CaseAnswer:
    """Answer a case whose photos have been measured."""
    card_at = card_at_joint(survey)
    understood = understand(TypedOptions(card_at=card_at, known=record.known))
    answer = build_answer(
        survey if survey.photos else None,
        understood.knowns,
        reference,
        skip_questions=record.skipped,
        card_at=card_at,
    )
    answered = Answered(answer, survey, reference.reference, Understood(understood.request, understood.knowns))
    return CaseAnswer(record, survey, answer, answered)


def place_is_open(record: CaseRecord, answered: CaseAnswer | None) -> bool:
    """Whether a scale is seen in a photo of which nobody said where it lies."""
    measured = {photo.name for photo in answered.survey.photos if photo.scale is not None} if answered else set()
    return any((p.scale_label or p.name in measured) and p.card_at == "unknown" for p in record.photos)


def summary_of(answer: Answer) -> str:
    """The answer in one line, for a list of cases."""
    if not answer.candidates or answer.not_in_set > answer.candidates[0].probability:
        return f"not in this set {chance_words(answer.not_in_set)}"
    first = answer.candidates[0]
    kit = f", kit {answer.kits[0].kit_no} {chance_words(answer.kits[0].probability)}" if answer.kits else ""
    return f"{first.family.family_id} {chance_words(first.probability)}{kit}"
