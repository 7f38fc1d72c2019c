"""A thread's pitch judged for each standard by what its wall and mouth may be (ASME B1.20.1, ISO 7-1, ISO 228-1)."""

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from features.measured import Contribution, MeasuredLength, log_covariance
from features.thread_wall import TAPERED_CHANCE, of_unknown_wall, of_wall
from features.which_edge import CHAMFER_CHANCE, EDGE, with_thread_doubt
from identify.matching.family_table import build_family_table
from identify.matching.posterior import compute_posterior
from identify.matching.thread_readings import thread_cases
from reference_geometry.families import KnownLength

PITCH_MM = {"NPT": 25.4 / 11.5, "BSP": 25.4 / 11}
CRESTS_MM = {"NPT": 29.694, "BSP": 30.291}
MOUTH_MM = 1.015 * 33.3
IF_PARALLEL = 0.09
PHOTO = ("a.jpg",)


@pytest.fixture
def twins(make, settings):
    """Two families alike but for the standard of their 1 in. threads."""
    rows = [
        make.family(
            standard,
            {
                "thread_pitch": KnownLength(PITCH_MM[standard], 0.004 * PITCH_MM[standard]),
                "port_bore": KnownLength(CRESTS_MM[standard], 0.004 * CRESTS_MM[standard]),
            },
            connection="threaded",
            port_standard=standard,
            port_nominal_in="1",
        )
        for standard in ("NPT", "BSP")
    ]
    return build_family_table(rows, settings)


def _read(tapered_mm, bore_mm=MOUTH_MM, own=0.015, scale=0.03, if_parallel=IF_PARALLEL):
    """What photos tell: a pitch as of a tapered wall, and a mouth whose edge may be the chamfer's or the crests'."""
    of_photo = Contribution("offset", "offset:a.jpg:face", scale)
    value_mm, wall = of_unknown_wall(tapered_mm, if_parallel)
    pitch = MeasuredLength("thread_pitch", value_mm, (of_photo, Contribution("reading", "pitch", own), wall), PHOTO)
    edge = Contribution("edge", "which:port_bore", 0.025)
    return pitch, with_thread_doubt(MeasuredLength("port_bore", bore_mm, (of_photo, edge), PHOTO), 0.99)


def _odds(table, lengths, settings):
    npt, bsp = compute_posterior(table, lengths, (), settings).families
    return npt / (npt + bsp)


def test_cases_are_weighed_as_scipy_adds_them_up(twins, settings):
    """By hand: a sum over walls and edges of `multivariate_normal` densities, by how often each standard has each."""
    for tapered_mm in (2.1, 2.2, 2.3, 2.45):
        lengths = _read(tapered_mm)
        total = []
        for standard, walls in (("NPT", {True: 1.0}), ("BSP", {True: 0.5, False: 0.5})):
            density = 0.0
            for tapered, share in walls.items():
                for chamfer, part in ((True, CHAMFER_CHANCE), (False, 1 - CHAMFER_CHANCE)):
                    pitch, bore = of_wall(lengths[0], tapered), EDGE.told(lengths[1], chamfer)
                    cover = log_covariance((pitch, bore)) + np.eye(2) * (settings.model_floor**2 + 0.004**2)
                    mean = np.log([PITCH_MM[standard], CRESTS_MM[standard]])
                    seen = np.log([pitch.value_mm, bore.value_mm])
                    density += share * part * multivariate_normal(mean, cover).pdf(seen)
            total.append(density)
        assert _odds(twins, lengths, settings) == pytest.approx(total[0] / sum(total), abs=1e-9)


def test_what_it_says_of_the_standard_comes_true(twins, settings):
    """Of 3,000 drawn ports, walls and edges as often as believed, said and found shares agree, and most are told."""
    rng, said, true = np.random.default_rng(5), [], []
    for _ in range(3000):
        standard = ("NPT", "BSP")[int(rng.integers(2))]
        tapered, chamfer = standard == "NPT" or rng.random() < 0.5, rng.random() < CHAMFER_CHANCE
        scale, own, edge = rng.normal(0, 0.03), rng.normal(0, 0.015), rng.normal(0, 0.025)
        seen = PITCH_MM[standard] * np.exp(scale + own + rng.normal(0, 0.005)) / np.exp(0 if tapered else IF_PARALLEL)
        told = with_thread_doubt(MeasuredLength("port_bore", MOUTH_MM, (), PHOTO), 0.99)
        apart = np.log(EDGE.told(told, False).value_mm / EDGE.told(told, True).value_mm)
        mouth = CRESTS_MM[standard] * np.exp(scale + edge + rng.normal(0, 0.005) + (apart if chamfer else 0.0))
        said.append(_odds(twins, _read(float(seen), float(mouth)), settings))
        true.append(standard == "NPT")
    shares, found = np.array(said), np.array(true)
    for low, high in ((0.0, 0.3), (0.3, 0.7), (0.7, 1.0)):
        inside = (shares > low) & (shares <= high)
        assert inside.sum() > 100
        assert abs(shares[inside].mean() - found[inside].mean()) < 0.04
    right = ((shares > 0.5) == found).mean()
    assert 0.7 < right < 0.95


def test_a_pitch_as_of_npt_speaks_for_npt_and_one_of_tapered_bsp_for_bsp(twins, settings):
    """The middle of the two walls, which neither standard has, is as far from the one as from the other."""
    assert 0.8 < _odds(twins, _read(PITCH_MM["NPT"], scale=0.005), settings) < 0.99
    assert 0.02 < _odds(twins, _read(PITCH_MM["BSP"], scale=0.005), settings) < 0.4


def test_there_is_one_case_where_no_thread_was_read(twins, make):
    """Lengths that hang on no thread pass as they are, with no weight."""
    lengths = (make.length("chamber_diameter", 212.0),)
    (case,) = thread_cases(twins, lengths)
    assert case.lengths == lengths
    assert not case.log_chance.any()
    cases = list(thread_cases(twins, _read(2.2)))
    assert len(cases) == 4
    # Each row's cases are all there are; a row of no standard is tapered as often as ports are.
    assert np.exp([c.log_chance for c in cases]).sum(axis=0) == pytest.approx(np.ones(twins.rows))
    unknown = int(np.flatnonzero(twins.codes["port_standard"] == 0)[0])
    unspecified = [np.exp(c.log_chance[unknown]) for c in cases[:2]]
    assert sum(unspecified) == pytest.approx(TAPERED_CHANCE)
