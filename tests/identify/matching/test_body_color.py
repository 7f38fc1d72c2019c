"""What photos show of a body's color, beside what people say of it: checked by Bayes' rule on paper."""

import pytest

from features.attributes import combine_attributes
from features.measured import AttributeEvidence
from features.survey import Survey
from identify.matching.evidence import gather_evidence
from identify.matching.family_table import build_family_table
from identify.matching.posterior import compute_posterior
from identify.matching.reasons import ReasonMaker
from identify.matching.settings import MatchSettings
from identify.questions.catalog import find_question
from identify.questions.gain import expected_gain, gather_contenders
from identify.repair.kit_choice import build_kit_book, kit_groups
from identify.typed.known_values import parse_knowns
from reference_geometry.families import ReferenceSet

SETTINGS = MatchSettings(not_in_set_prior=1e-9)


@pytest.fixture
def painted(make):
    """Two pumps alike but for their color and kit, and one whose record says none."""
    size = {"chamber_diameter": 306.0}
    families = (
        make.family("GRAY", size, extras={"body_color": "gray"}),
        make.family("WHITE", size, extras={"body_color": "white"}),
        make.family("NONE SAID", size),
    )
    return ReferenceSet(families, (make.kit("K1", "GRAY"), make.kit("K2", "WHITE"), make.kit("K3", "NONE SAID")), "")


def photos(number=1, **likelihood):
    """So many photos that each tell this."""
    looks = [AttributeEvidence("body_color", likelihood, (f"{k}.jpg",)) for k in range(number)]
    return Survey((), (), (), combine_attributes(looks), ())


def posterior_of(reference, survey, *typed):
    table = build_family_table(reference.families, SETTINGS)
    evidence = gather_evidence(survey, parse_knowns(typed)[0], table, SETTINGS)
    return compute_posterior(table, evidence.lengths, evidence.attributes, SETTINGS), evidence


def odds(reference, survey, *typed):
    """White against gray."""
    found, _ = posterior_of(reference, survey, *typed)
    return found.families[1] / found.families[0]


def test_photos_tell_families_apart_but_less_than_people_do(painted):
    """A photo as sure as can be; the person is wrong in one of ten, spread over the other word."""
    sure = {"white": 0.98, "gray": 0.01, "black": 0.01}
    by_photos = odds(painted, photos(1, **sure))
    assert 1.5 < by_photos < 0.9 / 0.1 * 2
    assert odds(painted, photos(6, **sure)) == pytest.approx((0.8 + 0.2 / 3) / (0.2 / 3), rel=0.1)


def test_what_a_person_says_takes_the_place_of_photos(painted):
    """Both see the same paint, which may not be the maker's: two agreeing looks are not two coats."""
    agreeing = photos(2, white=0.98, gray=0.02)
    assert odds(painted, agreeing, "body_color=white") == pytest.approx(odds(painted, None, "body_color=white"))
    other, _ = posterior_of(painted, photos(2, white=0.02, gray=0.98), "body_color=white")
    assert other.families[1] > other.families[0]


def test_only_a_color_that_photos_surely_show_otherwise_is_pointed_out(painted):
    left_open = photos(1, white=0.3, gray=0.3, natural=0.3, black=0.1)
    others = dict.fromkeys(("white", "natural", "black", "blue", "red", "green", "yellow", "orange"), 0.001)
    assert posterior_of(painted, left_open, "body_color=black")[1].inconsistencies == ()
    (told,) = posterior_of(painted, photos(2, gray=0.99, **others), "body_color=black")[1].inconsistencies
    assert "typed as black but the photos show gray" in told.sentence


def test_a_family_that_does_not_say_its_color_is_left_alone(painted):
    """It gains as much as an average family: between those that fit and those that do not."""
    found, _ = posterior_of(painted, photos(1, white=0.9, gray=0.1))
    gray, white, unsaid = found.families
    assert gray < unsaid < white
    assert unsaid == pytest.approx((gray + white) / 2, rel=0.05)


def test_reasons_say_the_color(painted):
    found, _ = posterior_of(painted, photos(1, white=0.98, gray=0.02))
    _, against = ReasonMaker.of(found, (), SETTINGS).reasons(0, 1)
    assert [reason.sentence for reason in against] == [
        "body color white (88 %); this family gray; the first candidate white"
    ]


def test_the_question_gains_less_where_photos_told_the_color(painted):
    question = find_question("body_color")
    book = build_kit_book(painted)

    def gain(survey):
        found, _ = posterior_of(painted, survey)
        groups = kit_groups(book, found.table.count)
        return expected_gain(gather_contenders(found, groups, {"fluid": groups}), question, SETTINGS).bits

    unasked = gain(None)
    assert 0.05 < gain(photos(2, white=0.98, gray=0.02)) < 0.6 * unasked
