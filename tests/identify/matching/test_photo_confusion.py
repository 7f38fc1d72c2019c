"""A measured confusion table foresees photos; evidence of photos is never multiplied by it again."""

import numpy as np
import pytest
from scipy.stats import dirichlet

from features.measured import AttributeEvidence
from features.survey import Survey
from identify.matching.evidence import gather_evidence
from identify.matching.family_table import build_family_table
from identify.matching.photo_confusion import read_confusion
from identify.matching.posterior import compute_posterior
from identify.questions import gain
from identify.questions.catalog import find_question
from identify.questions.gain import answer_chances

RECORD = {"confusion": {"housing_joint": {"values": ["bolted", "clamp_band"], "matrix": [[95, 5], [2, 98]]}}}


def test_rows_become_probabilities_none_of_them_zero():
    """The mean of a Dirichlet with half a count a cell (Jeffreys' prior), by scipy."""
    table = read_confusion(RECORD)["housing_joint"]
    assert table.chances[0] == pytest.approx(dirichlet.mean(np.array([95.5, 5.5])))
    assert table.likelihood("bolted")["bolted"] == pytest.approx(
        table.chances[0, 0] / (table.chances[0, 0] + table.chances[1, 0])
    )
    zero = read_confusion({"confusion": {"x": {"values": ["a", "b"], "matrix": [[1.0, 0.0], [0.0, 1.0]]}}})["x"]
    assert 0.0 < zero.chances[0, 1] < 0.01
    assert zero.seen("c") == {"a": 0.5, "b": 0.5}


def test_a_record_without_tables_is_empty_and_a_crooked_one_is_refused():
    assert read_confusion({"sha256": "..."}) == {}
    for matrix in ([[1, 2]], [[1, 0], [0, 0]], [[1, -1], [0, 1]]):
        with pytest.raises(ValueError, match="no square"):
            read_confusion({"confusion": {"x": {"values": ["a", "b"], "matrix": matrix}}})


def test_photo_evidence_is_counted_once(three, settings, monkeypatch):
    """0.97 to 0.03 from a photo are odds of 97 to 3 between two families, table or no table."""
    monkeypatch.setattr(gain, "packaged_confusion", lambda: read_confusion(RECORD))
    table = build_family_table(three.families, settings)
    seen = AttributeEvidence("chamber_bolt_count", {"8": 0.97, "10": 0.03}, ("a.jpg",))
    evidence = gather_evidence(Survey((), (), (), (seen,), ()), (), table, settings)
    found = compute_posterior(table, evidence.lengths, evidence.attributes, settings).families
    assert found[0] / found[2] == pytest.approx(97.0 / 3.0)


def test_a_photo_not_yet_taken_errs_as_measured_and_people_as_stated(settings, monkeypatch):
    monkeypatch.setattr(gain, "packaged_confusion", lambda: read_confusion(RECORD))
    values = ("bolted", "clamp_band")
    photo = answer_chances("housing_joint", values, settings, find_question("photo_chamber"))
    assert photo[0] == pytest.approx([95.5 / 101, 5.5 / 101])
    person = answer_chances("housing_joint", values, settings, find_question("housing_joint"))
    assert person[0] == pytest.approx([1.0 - settings.typed_error_of("housing_joint"), 0.01])
