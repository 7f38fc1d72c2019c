"""How long ranking 10^3 to 10^6 families takes, beside scikit-learn's plain nearest-neighbor search.

Run it with `python -m tools.bench.rank_speed`. Bars: 1,000,000 families in at most 250 ms and 700 MB on two cores after
loading; a cost that grows no faster than linearly.

The families are drawn at random about the trade's proportions, with look-alikes so close that nearest
neighbor errs. Each query is a pump of one family measured with a shared scale error and its bolts counted; the
nearest neighbor is given the same, as log lengths and a column for each count. Loading (filling the
table, sorting it into classes of spread) is timed apart from ranking. The processor time of a ranking is
printed beside the time on the clock, because on a busy machine only the first says what the work costs. Memory
is the most the program held before scikit-learn was loaded.
"""

import argparse
import resource
import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.measured import AttributeEvidence, Contribution, MeasuredLength
from identify.matching.broad_lengths import practice_lengths
from identify.matching.family_table import FamilyTable, build_family_table
from identify.matching.posterior import compute_posterior
from identify.matching.settings import MatchSettings
from reference_geometry.families import LENGTH_NAMES

Array = NDArray[np.float64]

MEASURED = ("chamber_diameter", "flange_diameter", "bolt_circle_diameter", "port_bore", "port_spacing")
EDGE_SD = 0.003
SCALE_SD = 0.02
KNOWN_SHARE = 0.9


@dataclass(frozen=True)
class Timing:
    """One line of the table: milliseconds and share of queries answered right."""

    families: int
    load_s: float
    ours_ms: float
    ours_cpu_ms: float
    ours_right: float
    nearest_load_s: float
    nearest_ms: float
    nearest_right: float
    peak_mb: float


def random_table(count: int, rng: np.random.Generator) -> FamilyTable:
    """A table of `count` random families: columns are filled directly, as a store would."""
    broad = practice_lengths()
    lower = np.linalg.cholesky(broad.covariance)
    empty = build_family_table((), MatchSettings())
    unknown = empty.rows
    log_mean = np.concatenate(
        [broad.mean[:, None] + lower @ rng.standard_normal((len(LENGTH_NAMES), count)), empty.log_mean],
        axis=1,
    )
    spread = 0.003 * np.exp(rng.uniform(0.0, 1.2, (1, count))) * np.ones((len(LENGTH_NAMES), 1))
    log_variance = np.concatenate([spread**2, empty.log_variance], axis=1)
    known = np.zeros(count, dtype=np.uint16)
    for i in range(len(LENGTH_NAMES)):
        known |= ((rng.random(count) < KNOWN_SHARE).astype(np.uint16) << i).astype(np.uint16)
    bits = np.concatenate([known, empty.known_bits])
    codes = dict(empty.codes)
    codes["chamber_bolt_count"] = np.concatenate([rng.integers(1, 6, count), np.zeros(unknown)]).astype(np.int16)
    codes = {name: _padded(values, count, unknown) for name, values in codes.items()}
    words = {**empty.words, "chamber_bolt_count": ("6", "8", "10", "12", "16")}
    prior = np.concatenate([np.full(count, np.log(0.95 / count)), empty.log_prior + np.log(0.05)])
    return FamilyTable(
        family_ids=range(count),  # type: ignore[arg-type]  # numbers do: ids are not read
        log_mean=log_mean,
        log_variance=log_variance,
        known_bits=bits,
        standard_bits=np.zeros_like(bits),
        codes=codes,
        words=words,
        log_prior=prior,
        broad=broad,
    )


def _padded(values: NDArray[np.int16], count: int, unknown: int) -> NDArray[np.int16]:
    if len(values) == count + unknown:
        return values
    return np.concatenate([np.zeros(count, dtype=np.int16), values])


def measure_pump(table: FamilyTable, row: int, rng: np.random.Generator) -> tuple[MeasuredLength, ...]:
    """The five lengths of one pump of a family, with a common scale error and an edge error each."""
    scale = SCALE_SD * rng.standard_normal()
    lengths = []
    for name in MEASURED:
        index = LENGTH_NAMES.index(name)
        own = np.sqrt(table.log_variance[index, row]) * rng.standard_normal()
        log_mm = table.log_mean[index, row] + own + scale + EDGE_SD * rng.standard_normal()
        parts = (Contribution("edge", f"edge:{name}", EDGE_SD), Contribution("reference", "card", SCALE_SD))
        lengths.append(MeasuredLength(name, float(np.exp(log_mm)), parts))
    return tuple(lengths)


def time_one(count: int, queries: int, seed: int) -> Timing:
    """Rank `queries` pumps against `count` families, both ways."""
    rng = np.random.default_rng(seed)
    start = time.perf_counter()
    table = random_table(count, rng)
    _ = table.spread_classes
    load_s = time.perf_counter() - start
    wanted = sum(1 << LENGTH_NAMES.index(name) for name in MEASURED)
    knows_all = np.flatnonzero((table.known_bits[:count] & wanted) == wanted)
    rows = [int(row) for row in rng.choice(knows_all, queries)]
    pumps = [measure_pump(table, row, rng) for row in rows]
    ours, cpu, right = [], [], 0
    for row, lengths in zip(rows, pumps, strict=True):
        bolts = AttributeEvidence("chamber_bolt_count", _counted(table, row))
        start, start_cpu = time.perf_counter(), time.process_time()
        found = compute_posterior(table, lengths, (bolts,))
        ours.append(time.perf_counter() - start)
        cpu.append(time.process_time() - start_cpu)
        right += int(np.argmax(found.families)) == row
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    nearest = time_nearest(table, count, rows, pumps)
    return Timing(
        count,
        load_s,
        1000.0 * float(np.median(ours)),
        1000.0 * float(np.median(cpu)),
        right / queries,
        *nearest,
        peak_mb,
    )


def time_nearest(
    table: FamilyTable, count: int, rows: Sequence[int], pumps: Sequence[Sequence[MeasuredLength]]
) -> tuple[float, float, float]:
    """Seconds to build scikit-learn's search, median milliseconds a query, share answered right."""
    from sklearn.neighbors import NearestNeighbors

    columns = [LENGTH_NAMES.index(name) for name in MEASURED]
    hot = np.eye(len(table.words["chamber_bolt_count"]) + 1)
    codes = table.codes["chamber_bolt_count"][:count]
    start = time.perf_counter()
    search = NearestNeighbors(n_neighbors=1, algorithm="kd_tree")
    search.fit(np.column_stack([table.log_mean[columns, :count].T, hot[codes]]))
    load_s = time.perf_counter() - start
    times, right = [], 0
    for row, lengths in zip(rows, pumps, strict=True):
        query = np.array([[*(np.log(length.value_mm) for length in lengths), *hot[codes[row]]]])
        start = time.perf_counter()
        place = search.kneighbors(query, return_distance=False)
        times.append(time.perf_counter() - start)
        right += int(place[0, 0]) == row
    return load_s, 1000.0 * float(np.median(times)), right / len(rows)


def _counted(table: FamilyTable, row: int) -> dict[str, float]:
    """The bolts counted right, said to be so with 95 %."""
    values = table.words["chamber_bolt_count"]
    return {value: 0.95 if value == _bolts(table, row) else 0.05 / (len(values) - 1) for value in values}


def _bolts(table: FamilyTable, row: int) -> str:
    return table.words["chamber_bolt_count"][int(table.codes["chamber_bolt_count"][row]) - 1]


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--queries", type=int, default=12, help="pumps ranked for each size of set")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--largest", type=int, default=1_000_000, help="leave out larger sets")
    options = parser.parse_args(arguments)
    print("families  load s  matcher ms  (processor ms)  right  peak MB | scikit-learn load s       ms  right")
    timings = []
    for count in (1_000, 10_000, 100_000, 1_000_000):
        if count <= options.largest:
            t = time_one(count, options.queries, options.seed)
            timings.append(t)
            print(
                f"{t.families:>8}  {t.load_s:6.2f}  "
                f"{t.ours_ms:10.2f}  {t.ours_cpu_ms:14.2f}  {t.ours_right:5.2f}  {t.peak_mb:7.0f} | "
                f"{t.nearest_load_s:19.2f}  {t.nearest_ms:7.3f}  {t.nearest_right:5.2f}"
            )
    last = timings[-1]
    if len(timings) > 1:
        before = timings[-2]
        power = np.log(last.ours_cpu_ms / before.ours_cpu_ms) / np.log(last.families / before.families)
        print(f"from {before.families} to {last.families} families the cost grows as their number to the {power:.2f}")
    print(f"{last.families} families: {last.ours_ms:.0f} ms (bar: 250 ms for a million), ", end="")
    print(f"{last.peak_mb:.0f} MB (bar: 700 MB)")


if __name__ == "__main__":
    main()
