"""The closed-form posterior beside brute-force numerical integration: `python -m tools.bench.posterior_exact`.

Random small cases: three families and "not in the set", one to four lengths, a scale that is good, poor or missing,
lengths some families do not know, spreads with and without shop measurements, and an attribute. scipy's `simpson`
integrates over the common scale error; what families do not know is filled through the inverse of the precision
matrix, another way than the program's regression. Bar: no probability differs by more than 1e-6 in 1,000 cases.
"""

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import simpson
from scipy.stats import multivariate_normal, norm

from features.measured import AttributeEvidence, Contribution, MeasuredLength
from identify.matching.family_table import FamilyTable, build_family_table
from identify.matching.posterior import ENOUGH_TO_DOUBT, compute_posterior
from identify.matching.settings import MatchSettings
from reference_geometry.families import LENGTH_NAMES, Family, KnownLength

Array = NDArray[np.float64]

BAR = 1e-6
NAMES = ("chamber_diameter", "port_spacing", "flange_diameter", "overall_height")
BOLTS = ("6", "8", "10")
CASES_OF_A_SET = 40
_SMALLEST = 1e-250


@dataclass(frozen=True)
class Agreement:
    """How far closed form and integration lay apart.

    Attributes:
        cases: cases compared.
        worst: largest difference of a probability.
        typical: median over cases of each case's largest.
    """

    cases: int
    worst: float
    typical: float


def random_families(rng: np.random.Generator, count: int = 8) -> list[Family]:
    """Families that know some of the lengths, with and without measurements of their own."""
    families = []
    for i in range(count):
        known = {}
        for name in NAMES:
            if rng.random() < 0.75:
                sd = float(rng.uniform(0.3, 4.0)) if rng.random() < 0.5 else None
                known[name] = KnownLength(float(rng.uniform(180.0, 260.0)), sd, int(rng.integers(0, 9)))
        families.append(Family(f"F{i}", "Hollin", "invented", "1 in", lengths=known))
    return families


def random_lengths(rng: np.random.Generator) -> tuple[tuple[MeasuredLength, ...], float]:
    """One to four measured lengths with a scale that is good, poor or missing, and its relative sd."""
    scale_sd = float(rng.choice([0.005, 0.03, 3.0]))
    factor = float(np.exp(scale_sd * rng.standard_normal()))
    lengths = []
    for name in rng.permutation(NAMES)[: int(rng.integers(1, len(NAMES) + 1))]:
        edge = Contribution("edge", f"edge:{name}", float(rng.uniform(0.001, 0.02)))
        value_mm = float(rng.uniform(180.0, 260.0)) * factor
        photos = ("photo.jpg",) if rng.random() < 0.7 else ()
        lengths.append(MeasuredLength(str(name), value_mm, (edge, Contribution("scale", "shared", scale_sd)), photos))
    return tuple(lengths), scale_sd


def keep_rows(table: FamilyTable, rows: Array | NDArray[np.intp]) -> FamilyTable:
    """A family table cut down to a few rows, all priors equal."""
    return replace(
        table,
        log_mean=table.log_mean[:, rows],
        log_variance=table.log_variance[:, rows],
        known_bits=table.known_bits[rows],
        standard_bits=table.standard_bits[rows],
        codes={name: values[rows] for name, values in table.codes.items()},
        log_prior=np.full(len(rows), -np.log(len(rows))),
    )


def allowing_a_wrong_one(
    table: FamilyTable, row: int, lengths: Sequence[MeasuredLength], scale_sd: float, settings: MatchSettings
) -> float:
    """Likelihood of the lengths for one row, averaged over which of enough of them was read at another edge, if any."""
    doubtful = [i for i, length in enumerate(lengths) if length.photos and len(lengths) >= ENOUGH_TO_DOUBT]
    doubts = settings.wrong_length_sd * np.vstack([np.zeros(len(lengths)), np.eye(len(lengths))[doubtful]])
    weights = [1.0 - len(doubtful) * settings.wrong_length, *[settings.wrong_length] * len(doubtful)]
    floors = np.hypot(doubts, settings.model_floor)
    return sum(w * integrated(table, row, lengths, scale_sd, f) for w, f in zip(weights, floors, strict=True))


def integrated(
    table: FamilyTable, row: int, lengths: Sequence[MeasuredLength], scale_sd: float, floors: Array
) -> float:
    """Likelihood of the lengths for one row: integral over the common scale error, by scipy.

    Args:
        table, row: the family.
        lengths: measured.
        scale_sd: of their common error.
        floors: (lengths,) further independent relative error of each.
    """
    columns = [LENGTH_NAMES.index(length.name) for length in lengths]
    mean, cover = _predicted(table, row, columns)
    edges = np.array([length.contributions[0].relative for length in lengths])
    cover = cover + np.diag(edges**2 + floors**2)
    gap = np.log([length.value_mm for length in lengths]) - mean
    weight = np.linalg.solve(cover, np.ones(len(gap)))
    width = 1.0 / float(np.sqrt(weight.sum() + 1.0 / scale_sd**2))
    peak = float(weight @ gap) * width**2
    errors = peak + width * np.linspace(-9.0, 9.0, 181)
    values = multivariate_normal.pdf(gap - errors[:, None], cov=cover) * norm.pdf(errors, scale=scale_sd)
    return float(simpson(values, x=errors))


def _predicted(table: FamilyTable, row: int, columns: Sequence[int]) -> tuple[Array, Array]:
    """Mean and covariance of the log lengths of a pump of this row."""
    known = np.array([bool(int(table.known_bits[row]) >> c & 1) for c in columns])
    mean: Array = table.broad.mean[columns].copy()
    prior = table.broad.covariance[np.ix_(columns, columns)]
    cover = np.diag(table.log_variance[columns, row] * known)
    if not known.all():
        precision = np.linalg.inv(prior)
        rest = np.linalg.inv(precision[np.ix_(~known, ~known)])
        slope = -rest @ precision[np.ix_(~known, known)]
        mean[~known] += slope @ (table.log_mean[columns, row] - table.broad.mean[columns])[known]
        own = np.diag(table.log_variance[columns, row][known])
        cover[np.ix_(~known, ~known)] = rest + slope @ own @ slope.T
        cover[np.ix_(~known, known)] = slope @ own
        cover[np.ix_(known, ~known)] = (slope @ own).T
    mean[known] = table.log_mean[columns, row][known]
    return mean, cover


def _counted(table: FamilyTable, rng: np.random.Generator) -> tuple[AttributeEvidence, Array]:
    """A bolt count from a photo, and by hand its likelihood for every row of the table."""
    shares = rng.dirichlet(np.full(len(BOLTS), 2.0))
    likelihood = dict(zip(BOLTS, np.maximum(shares, 0.02) / np.maximum(shares, 0.02).sum(), strict=True))
    met = [table.value_of("chamber_bolt_count", row) for row in range(table.rows)]
    counts = table.frequencies["chamber_bolt_count"]
    smoothed = {value: counts.get(value, 0) + 0.5 for value in likelihood}
    unknown = sum(smoothed[v] * likelihood[v] for v in likelihood) / sum(smoothed.values())
    by_row = np.array([unknown if value is None else likelihood[value] for value in met])
    return AttributeEvidence("chamber_bolt_count", likelihood), by_row


def compare(cases: int, seed: int, settings: MatchSettings) -> Agreement:
    """Integrate `cases` random small cases and compare."""
    rng = np.random.default_rng(seed)
    apart: list[float] = []
    while len(apart) < cases:
        families = [replace(one, chamber_bolt_count=int(rng.choice(BOLTS))) for one in random_families(rng)]
        whole = build_family_table(families, settings)
        for _ in range(min(CASES_OF_A_SET, cases - len(apart))):
            lengths, scale_sd = random_lengths(rng)
            rows = np.append(rng.choice(whole.count, 3, replace=False), whole.rows - 1)
            table = keep_rows(whole, rows)
            bolts, by_row = _counted(table, rng)
            likelihood = np.array([allowing_a_wrong_one(table, r, lengths, scale_sd, settings) for r in range(4)])
            if likelihood.max() < _SMALLEST:
                continue
            expected = likelihood * by_row / float(likelihood @ by_row)
            posterior = compute_posterior(table, lengths, (bolts,), settings)
            apart.append(float(np.abs(posterior.probability - expected).max()))
    return Agreement(len(apart), max(apart), float(np.median(apart)))


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the largest difference and the bar."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=20)
    options = parser.parse_args(arguments)
    found = compare(options.cases, options.seed, MatchSettings())
    print(f"{found.cases} random small cases: closed form beside scipy integration")
    print(f"largest difference of a probability {found.worst:.1e}, typically {found.typical:.1e}   (bar: {BAR:g})")


if __name__ == "__main__":
    main()
