"""The way from options and photo files to an answer, for command line and web app alike."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from features.survey import CardAt, Survey, survey_photos
from identify.answer import Answer, build_answer
from identify.matching.settings import MatchSettings
from identify.typed.options import Understood
from reference_geometry.families import ReferenceSet


@dataclass(frozen=True)
class Unreadable:
    """Inputs that could not be read. Falsy: nothing was measured and nothing may be written.

    Attributes:
        bad: (name, reason in one line) of each input that could not be read.
        good: names of the photos that could be read.
    """

    bad: tuple[tuple[str, str], ...]
    good: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        return False


@dataclass(frozen=True, eq=False)
class Answered:
    """One pump's answer with what it was made from."""

    answer: Answer
    survey: Survey
    reference: ReferenceSet
    understood: Understood


EMPTY_SURVEY = Survey((), (), (), (), ())
"""A call on the phone: no photo, only what the customer says."""


def survey_all(photos: Sequence[Path], understood: Understood) -> Survey | Unreadable:
    """Survey the photos of one pump; one unreadable file stops the call: it may be the one needed."""
    if not photos:
        return EMPTY_SURVEY
    survey = survey_photos(photos, understood.request)
    if survey.refused:
        bad = tuple((refused.name, str(refused.problem)) for refused in survey.refused)
        return Unreadable(bad, tuple(photo.name for photo in survey.photos))
    return survey


def answer_photos(
    photos: Sequence[Path],
    understood: Understood,
    reference: ReferenceSet,
    settings: MatchSettings | None = None,
) -> Answered | Unreadable:
    """Survey the photos, match them against the reference set and say what follows."""
    survey = survey_all(photos, understood)
    if isinstance(survey, Unreadable):
        return survey
    answer = build_answer(
        survey,
        understood.knowns,
        reference,
        settings or understood.settings or MatchSettings(),
        card_at=card_at_joint(survey),
    )
    return Answered(answer, survey, reference, understood)


def card_at_joint(survey: Survey) -> CardAt:
    """Where the card lies in the photos that show the chamber joint; "unknown" when they differ or none does.

    Only there does the matching make use of it: a family's own record tells how deep the joint lies behind the card.
    """
    showing = [photo for photo in survey.photos if any(c.name == "chamber_diameter" for c in photo.circles)]
    places = {photo.card_at for photo in showing}
    return places.pop() if len(places) == 1 else "unknown"
