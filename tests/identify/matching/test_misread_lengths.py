"""A length that is what the family has is not the one to measure again, however its error hangs with the others'."""

from features.measured import Contribution, MeasuredLength
from features.survey import Survey
from identify.matching.evidence import gather_evidence
from identify.matching.family_table import build_family_table
from identify.matching.misreadings import find_misreadings


def _seen(name, value_mm, edge, offset):
    parts = (Contribution("edge", f"edge:{name}", edge), Contribution("offset", "depth of the card", offset))
    return MeasuredLength(name, value_mm, parts, ("pump.jpg",))


def _accused(make, settings, *lengths):
    kinds = {"wetted_material": "metal", "housing_joint": "bolted", "chamber_bolt_count": 16}
    meant = {"chamber_diameter": 378.0, "flange_diameter": 165.0, "port_bore": 49.4}
    other = {"chamber_diameter": 262.0, "flange_diameter": 118.0, "port_bore": 36.0}
    table = build_family_table([make.family("MEANT", meant, **kinds), make.family("OTHER", other, **kinds)], settings)
    evidence = gather_evidence(Survey((), (), lengths, (), ()), (), table, settings)
    return [one.about for one in find_misreadings(table, evidence, settings)]


def test_a_length_that_fits_alone_is_not_accused_of_what_the_others_do(make, settings):
    """By hand: the chamber is 0.1 % off; flange and bore ask for a depth that would move it by 2.3 %."""
    flange, bore = _seen("flange_diameter", 186.0, 0.005, 0.18), _seen("port_bore", 54.6, 0.005, 0.15)
    right = _seen("chamber_diameter", 378.4, 0.003, 0.035)
    assert "chamber_diameter" not in _accused(make, settings, right, flange, bore)


def test_a_length_that_is_off_itself_still_is(make, settings):
    fitting = (_seen("flange_diameter", 165.2, 0.006, 0.02), _seen("port_bore", 49.5, 0.02, 0.02))
    wrong = _seen("chamber_diameter", 378.0 * 1.12, 0.003, 0.02)
    assert _accused(make, settings, wrong, *fitting) == ["chamber_diameter"]
