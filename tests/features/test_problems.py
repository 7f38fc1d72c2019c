"""The registry of problems speaks in whole sentences, and has something to do about each problem."""

import pytest

import features.photo as photo_module
from features.problems import Problem, all_problem_kinds


@pytest.mark.parametrize("kind", all_problem_kinds(), ids=lambda kind: kind.code)
def test_every_problem_has_a_code_a_sentence_and_advice(kind):
    assert kind.code == kind.code.lower()
    assert kind.code.replace("_", "").isalnum()
    for text in (kind.meaning, kind.advice):
        assert text[0].isupper() or text.startswith("`")
        assert text.endswith(".")
        assert text == text.strip()
        assert "\n" not in text
    assert kind.severity in ("refused", "caution", "note")


def test_no_two_problems_share_a_code_or_a_sentence():
    kinds = all_problem_kinds()
    assert len({kind.code for kind in kinds}) == len(kinds)
    assert len({kind.meaning for kind in kinds}) == len(kinds)


def test_what_refuses_a_photo_is_registered_as_refusal_and_what_is_noted_is_not():
    assert {kind.severity for kind in photo_module._REFUSALS.values()} == {"refused"}
    assert "refused" not in {kind.severity for kind in photo_module._NOTES.values()}


def test_the_particulars_stand_in_the_line():
    kind = all_problem_kinds()[0]
    assert "17 MB" in str(Problem(kind, "17 MB"))
    assert "()" not in str(Problem(kind))
