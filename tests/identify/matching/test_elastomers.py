"""Guidance about elastomers warns and refers; it never picks one."""

import pytest

from identify.repair.elastomers import ELASTOMERS, find_elastomer, kit_has_elastomer
from identify.repair.fluid_cautions import FLUIDS, elastomer_doubt, elastomer_notes, fluid_guidance, temperatures_c


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
    assert "commonly avoided: check the maker's chart first" in notes
    assert "commonly avoided" not in " ".join(elastomer_notes("NBR", "diesel oil"))


def test_doubt_names_the_fluid_before_the_temperature():
    """NBR in ketones, and above its usual 82 °C (common practice)."""
    assert "ketones" in elastomer_doubt("nitrile", "acetone at 90 C")
    assert "90 °C is outside" in elastomer_doubt("nitrile", "diesel oil, 90 C")
    assert elastomer_doubt("nitrile", "diesel oil") == elastomer_doubt("", "acetone") == ""


def test_halogenated_solvents_warn_of_aluminum():
    assert "aluminum" in " ".join(elastomer_notes("", "methylene chloride"))


def test_an_unknown_fluid_is_said_to_be_unknown():
    assert "No general guidance" in elastomer_notes("", "flubber")[0]
    assert fluid_guidance("boiler water")[0].kind == "water"
    assert fluid_guidance("boil") == ()


@pytest.mark.parametrize(
    ("text", "celsius"),
    [
        ("caustic 30 % at 60 C", [60.0]),
        ("water, 180°F", [82.2]),
        ("oil 20 to 95 deg C", [95.0]),
        ("brine -5 °C", [-5.0]),
        ("acid 30 %, pH 4", []),
        ("MEK", []),
        ("C5 resin, 3 coats", []),
    ],
)
def test_temperatures_are_read_from_what_people_say_of_the_fluid(text, celsius):
    """180 F is 82.2 C: (180 - 32) / 1.8."""
    assert list(temperatures_c(text)) == pytest.approx(celsius, abs=0.03)


def test_a_temperature_outside_the_usual_range_says_stop():
    """PTFE diaphragms: 4 to 104 C as usually printed on AODD pump sheets (common practice, from memory)."""
    hot = " ".join(elastomer_notes("PTFE", "water at 120 C"))
    assert "outside the usual 4 to 104 °C of PTFE: check the maker's limit first" in hot
    assert "polypropylene" in hot
    mild = " ".join(elastomer_notes("PTFE", "water at 40 C"))
    assert "outside" not in mild
    assert "polypropylene" not in mild


def test_the_kits_offered_are_looked_at_only_while_no_elastomer_was_said():
    offered = ("nitrile", "EPDM", "PTFE, TPV backup")
    asked = " ".join(elastomer_notes("", "diesel at 90 C", offered))
    assert "EPDM" in asked
    assert "commonly avoided with oils and fuels" in asked
    assert "NBR (-12 to 82 °C)" in asked
    assert "PTFE (4" not in asked
    said = " ".join(elastomer_notes("PTFE", "diesel at 90 C", offered))
    assert "Of the kits" not in said


def test_temperatures_are_sane_and_words_never_recommend():
    """Lower than 200 C everywhere and above the freezing of most oils: common-practice bounds."""
    for elastomer in ELASTOMERS:
        assert -60 <= elastomer.low_c < elastomer.high_c <= 180
    text = " ".join(note for g in FLUIDS for note in elastomer_notes("", g.words[0])).lower()
    for word in ("we recommend", "use ptfe", "choose", "best elastomer"):
        assert word not in text
