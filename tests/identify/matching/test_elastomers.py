"""Guidance about elastomers warns and refers; it never picks one."""

import pytest

from identify.repair.elastomers import (
    ELASTOMERS,
    FLUIDS,
    elastomer_notes,
    find_elastomer,
    fluid_guidance,
    kit_has_elastomer,
)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("nitrile", "NBR"),
        ("Buna-N", "NBR"),
        ("ptfe", "PTFE"),
        ("copolyester TPE", "TPE"),
        ("FPM", "FKM"),
        ("wood", None),
    ],
)
def test_spellings(text, name):
    found = find_elastomer(text)
    assert (found.name if found else None) == name


def test_a_kit_with_a_backup_is_known_by_its_wetted_face():
    assert kit_has_elastomer("PTFE, TPV backup", "ptfe")
    assert not kit_has_elastomer("PTFE, TPV backup", "TPV")
    assert kit_has_elastomer("nitrile", "NBR")
    assert not kit_has_elastomer("", "NBR")
    assert kit_has_elastomer("Special 7", "special-7")


def test_every_note_refers_to_the_maker_and_says_common_practice():
    for guidance in FLUIDS:
        for note in elastomer_notes("NBR", guidance.words[0]):
            assert "maker" in note or "common practice" in note.lower()


def test_a_poor_pairing_says_stop():
    notes = " ".join(elastomer_notes("NBR", "acetone"))
    assert "stop and check" in notes
    assert "stop and check" not in " ".join(elastomer_notes("NBR", "diesel oil"))


def test_halogenated_solvents_warn_of_aluminum():
    assert "aluminum" in " ".join(elastomer_notes("", "methylene chloride"))


def test_an_unknown_fluid_is_said_to_be_unknown():
    assert "No general guidance" in elastomer_notes("", "flubber")[0]
    assert fluid_guidance("boiler water")[0].kind == "water"
    assert fluid_guidance("boil") == ()


def test_temperatures_are_sane_and_words_never_recommend():
    """Lower than 200 C everywhere and above the freezing of most oils: common-practice bounds."""
    for elastomer in ELASTOMERS:
        assert -60 <= elastomer.low_c < elastomer.high_c <= 180
    text = " ".join(note for g in FLUIDS for note in elastomer_notes("", g.words[0])).lower()
    for word in ("we recommend", "use ptfe", "choose", "best elastomer"):
        assert word not in text
