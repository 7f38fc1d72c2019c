"""A coin that is another round thing: the ratios still tell the pump, and the sum over both cases is scipy's."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from features.measured import Contribution, MeasuredLength, log_covariance
from identify.matching.family_table import build_family_table
from identify.matching.posterior import compute_posterior
from identify.matching.reference_doubts import reference_cases
from reference_geometry.families import LENGTH_NAMES

FAMILY_MM = {"chamber_diameter": 306.0, "flange_diameter": 150.0}


def _read(times: float, source: str = "coin:eur-2", photo: str = "a.jpg") -> tuple[MeasuredLength, ...]:
    """The family's lengths by one reference, all so many times too large."""
    return tuple(
        MeasuredLength(
            name,
            times * value,
            (Contribution("edge", f"edge:{photo}:{name}", 0.004), Contribution("print_scale", source, 0.01)),
            (photo,),
        )
        for name, value in FAMILY_MM.items()
    )


@pytest.fixture
def table(make, settings):
    others = {"NARROW": (306.0, 108.0), "SMALL": (204.0, 140.0), "WIDE": (410.0, 160.0)}
    rows = [make.family("MEANT", FAMILY_MM)]
    rows += [make.family(n, {"chamber_diameter": c, "flange_diameter": f}) for n, (c, f) in others.items()]
    return build_family_table(rows, settings)


def test_lengths_all_off_alike_by_a_coin_leave_the_pump_its_likeliest(table, settings):
    posterior = compute_posterior(table, _read(0.4), (), settings)
    assert posterior.ranked()[0] == 0
    assert posterior.families[0] > posterior.families[1:].max() * 20
    believed = compute_posterior(table, _read(0.4), (), replace(settings, wrong_reference=0.0))
    assert believed.families[0] < 1e-9


def test_a_printed_card_is_no_other_thing(table, settings):
    """Its markers name it (OpenCV's dictionary and board), so its lengths are not doubted."""
    lengths = _read(0.4, "print:pocket")
    ((told, log_chance),) = reference_cases(lengths, settings)
    assert told == lengths
    assert log_chance == 0.0
    assert compute_posterior(table, lengths, (), settings).families[0] < 1e-9


def test_the_sum_over_both_cases_is_that_of_two_gaussians(table, settings):
    """Scipy's multivariate normal in logs, with and without a common error of the doubted scale."""
    lengths = _read(1.1)
    spread = log_covariance(lengths) + settings.model_floor**2 * np.eye(2)
    columns = [LENGTH_NAMES.index(name) for name in FAMILY_MM]
    own = np.diag(table.log_variance[columns, 0])
    off = np.log([length.value_mm for length in lengths]) - table.log_mean[columns, 0]
    doubted = spread + settings.wrong_reference_sd**2 * np.ones((2, 2))
    expected = np.log(
        (1 - settings.wrong_reference) * multivariate_normal.pdf(off, cov=spread + own)
        + settings.wrong_reference * multivariate_normal.pdf(off, cov=doubted + own)
    )
    told = compute_posterior(table, lengths, (), settings).log_score[0] - table.log_prior[0]
    assert told == pytest.approx(expected, abs=1e-6)
