"""Photo and typed values become one; nothing shared is lost and no contradiction is swallowed."""

import numpy as np
import pytest
from uncertainties import covariance_matrix, ufloat, umath

from features.measured import AttributeEvidence, log_covariance
from features.ports import PortSize
from features.survey import Survey
from identify.matching.evidence import gather_evidence, merge_lengths
from identify.matching.family_table import build_family_table
from identify.matching.posterior import compute_posterior
from identify.typed.known_values import parse_known, parse_knowns


def survey_of(lengths=(), attributes=(), ports=()):
    return Survey((), (), tuple(lengths), tuple(attributes), tuple(ports))


def test_a_typed_length_gives_a_photo_without_scale_its_scale(make, settings):
    """Checked against `uncertainties`: flange_mm = flange_px * chamber_mm / chamber_px, first order."""
    photo = (
        make.length("chamber_diameter", 2.12, edge=0.004, scale=3.0),
        make.length("flange_diameter", 1.08, edge=0.006, scale=3.0),
    )
    typed = parse_known("chamber_diameter=212 +/- 1.96 mm")
    merged, told = merge_lengths((*photo, typed.as_measured()), settings)
    flange = next(length for length in merged if length.name == "flange_diameter")
    chamber_mm = ufloat(212.0, 1.0)
    by_ratio = ufloat(1.08, 0.006 * 1.08) * chamber_mm / ufloat(2.12, 0.004 * 2.12)
    assert told == ()
    assert not flange.is_ratio_only
    assert flange.value_mm == pytest.approx(by_ratio.nominal_value, rel=1e-4)
    assert flange.standard_uncertainty_mm == pytest.approx(by_ratio.std_dev, rel=0.01)


def test_merged_covariance_is_that_of_uncertainties(make, settings):
    """Two values of the chamber, one sharing the photo's scale with the flange, to first order."""
    photo = (
        make.length("chamber_diameter", 212.0, 0.004, 0.01),
        make.length("flange_diameter", 108.0, 0.003, 0.01),
    )
    typed = parse_known("chamber_diameter=213 +/- 1.96 mm").as_measured()
    merged, _ = merge_lengths((*photo, typed), settings)
    scale = ufloat(0.0, 0.01)
    chamber = umath.log(ufloat(212.0, 0.004 * 212.0)) + scale
    flange = umath.log(ufloat(108.0, 0.003 * 108.0)) + scale
    reading = umath.log(ufloat(213.0, 1.0))
    # Least squares by hand: the typed value moves the chamber by k_c of the difference, the flange by k_f.
    difference = reading - chamber
    k_c = (0.004**2 + 0.01**2) / difference.std_dev**2
    k_f = 0.01**2 / difference.std_dev**2
    expected = (chamber + k_c * difference, flange + k_f * difference)
    ours = log_covariance(merged)
    assert np.log(merged[0].value_mm) == pytest.approx(expected[0].nominal_value, abs=1e-6)
    assert np.log(merged[1].value_mm) == pytest.approx(expected[1].nominal_value, abs=1e-6)
    assert ours == pytest.approx(np.array(covariance_matrix(expected)), rel=1e-3)


def test_budget_keeps_its_headings_after_merging(make, settings):
    typed = parse_known("chamber_diameter=213mm").as_measured()
    merged, _ = merge_lengths((make.length("chamber_diameter", 212.0), typed), settings)
    assert set(merged[0].budget_mm()) == {"edge", "reference", "reading"}
    assert merged[0].photos == ("pump.jpg",)


def test_agreeing_values_are_not_complained_about(make, settings):
    typed = parse_known("chamber_diameter=213mm").as_measured()
    assert merge_lengths((make.length("chamber_diameter", 212.0), typed), settings)[1] == ()


def test_a_typed_length_far_from_the_photo_is_told_and_trusted_less(make, settings):
    photo = (make.length("chamber_diameter", 212.0), make.length("flange_diameter", 108.0))
    typed = parse_known("chamber_diameter=240mm").as_measured()
    merged, told = merge_lengths((*photo, typed), settings)
    assert len(told) == 1
    assert told[0].about == "chamber_diameter"
    assert "240.0 mm" in told[0].sentence
    assert "212.0" in told[0].sentence
    low, high = merged[0].interval_mm
    assert low < 212.0
    assert high > 240.0
    assert merged[1].value_mm == pytest.approx(108.0, rel=0.01)


def test_contradicted_attribute_is_told(three, settings):
    table = build_family_table(three.families, settings)
    seen = AttributeEvidence("connection", {"flanged": 0.99, "threaded": 0.01})
    knowns, _ = parse_knowns(["connection=threaded"])
    evidence = gather_evidence(survey_of(attributes=[seen]), knowns, table, settings)
    assert [found.about for found in evidence.inconsistencies] == ["connection"]
    assert "typed as threaded" in evidence.inconsistencies[0].sentence
    combined = evidence.attributes[0].likelihood
    assert sum(combined.values()) == pytest.approx(1.0)
    assert 0.05 < combined["threaded"] < 0.95


def test_agreeing_attribute_grows_surer(three, settings):
    table = build_family_table(three.families, settings)
    seen = AttributeEvidence("connection", {"flanged": 0.9, "threaded": 0.1})
    knowns, _ = parse_knowns(["connection=flanged"])
    evidence = gather_evidence(survey_of(attributes=[seen]), knowns, table, settings)
    assert evidence.inconsistencies == ()
    assert 0.99 < evidence.attributes[0].likelihood["flanged"] < 1.0


def test_a_flange_length_implies_a_flange_and_says_so(three, settings):
    table = build_family_table(three.families, settings)
    knowns, _ = parse_knowns(["flange_diameter=108mm"])
    evidence = gather_evidence(None, knowns, table, settings)
    assert evidence.attributes[0].likelihood["flanged"] > 0.9
    assert any("taken as flanged" in assumption for assumption in evidence.assumptions)


def test_port_table_counts_only_when_no_port_length_is_compared(make, settings):
    asme = make.family("ASME", {}, port_standard="ASME B16.5 Class 150", port_nominal_in="1")
    npt = make.family("NPT", {}, port_standard="NPT", port_nominal_in="1")
    table = build_family_table([asme, npt], settings)
    ports = (PortSize("ASME B16.5 Class 150", "1", 25, 0.9), PortSize("NPT", "1", 25, 0.1))
    without = gather_evidence(survey_of(ports=ports), (), table, settings)
    posterior = compute_posterior(table, without.lengths, without.attributes, settings)
    assert posterior.families[0] / posterior.families[1] == pytest.approx(9.0, rel=0.1)
    flange = make.length("flange_diameter", 108.0)
    with_length = gather_evidence(survey_of([flange], ports=ports), (), table, settings)
    assert "port" not in [evidence.name for evidence in with_length.attributes]


def test_a_maker_not_in_the_set_speaks_for_an_unknown_pump(three, settings):
    table = build_family_table(three.families, settings)
    knowns, _ = parse_knowns(["maker=Nobody's Pumps"])
    evidence = gather_evidence(None, knowns, table, settings)
    unknown = compute_posterior(table, evidence.lengths, evidence.attributes, settings).not_in_set
    knowns, _ = parse_knowns(["maker=HOLLIN"])
    evidence = gather_evidence(None, knowns, table, settings)
    known = compute_posterior(table, evidence.lengths, evidence.attributes, settings).not_in_set
    assert known < settings.not_in_set_prior < unknown
