"""Which port standard and nominal size the measured flange or thread agrees with."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from math import log

import numpy as np
from numpy.typing import NDArray

from features.measured import MeasuredLength, log_covariance
from features.mouth_edges import ARE_EDGES, MAJOR, MINOR, OTHER_RATIOS
from features.raised_face import RAISED_FACE
from features.thread_wall import TAPERED_OF, of_wall
from features.which_edge import CHAMFER_CHANCE, mouth_edges_mm
from reference_geometry.standards.flanges import Flange, flanges
from reference_geometry.standards.pipe import find_pipe
from reference_geometry.standards.sizes import NominalSize, parse_size, size_of
from reference_geometry.standards.threads import PipeThread, threads

Array = NDArray[np.float64]

# How far real ports stray from the tables, as relative standard deviations. Outside diameters and drilling may be off
# by 1.5 mm (ASME B16.5, from memory), molded flanges by more outside; holes are drilled to half a millimeter, some are
# opened up, and drilling is what must fit the pipe (common practice). Bores are cored to the nominal size or bored to
# that of schedule 40 or 80 pipe, 4 % apart (common practice).
_FLANGE_SPREAD = {
    "flange_diameter": 0.006,
    "bolt_circle_diameter": 0.004,
    "bolt_hole_diameter": 0.03,
    "port_bore": 0.04,
    RAISED_FACE: 0.009,
}
_THREAD_SPREAD = {MAJOR: 0.010, MINOR: 0.008, "port_bore": 0.020, "thread_pitch": 0.01}
_JOINT = "chamber_diameter"
_JOINT_AT_ONE_INCH_MM, _JOINT_POWER, _JOINT_SPREAD = 225.0, 0.6, 0.1
"""A pump's joint goes with the flow that its ports carry: its diameter for 1 in. ports, the power of the nominal size
that it grows with, and its spread (common practice, from memory). It tells something where a port's own lengths tell
little, and what there is to tell of a mouth where only ratios are known."""

_FLANGE_PRIOR = {"ASME B16.5 Class 150": 0.45, "EN 1092-1 PN10/16": 0.4, "JIS B2220 10K": 0.15}
_THREAD_PRIOR = {"NPT": 0.55, "BSP": 0.45}
"""How often each standard is met before anything is measured: a mild belief (common practice)."""
_SELDOM = {"1-1/4": 0.1, "2-1/2": 0.1, "3-1/2": 0.02, "4": 0.2}
"""How often diaphragm pumps have a size, the usual ones (1/4, 3/8, 1/2, 3/4, 1, 1-1/2, 2 and 3 in.) being 1: pumps are
built in these steps, with 4 in. the largest of some makers (common practice)."""
_SELDOM_THREADED = {"1/4": 0.4, "3/8": 0.4, "1/2": 0.8, "3/4": 0.4, "1-1/2": 0.7, "2": 0.7, "3": 0.3}
"""How much less often threaded ports have a size than 1 in., the size of pump that most are met of, with 1/2 in. next:
1/4, 3/8 and 3/4 in. are some makers' steps beside these, and from 1-1/2 in. on many pumps have flanges (common
practice)."""
_SELDOM_FLANGED = {"1/2": 0.15, "3/4": 0.15}
"""How much less often ports of a size have flanges: pumps below 1 in. are threaded, but for a few (common practice)."""
_RAISED_FACE = 0.04
"""How often what was traced as a flange's rim is the edge of its raised face, where no holes told the two apart: a mild
belief."""
_IS_RAISED_FACE, _OTHER_RING_LOG = 0.7, float(np.log(2.0))
"""How often the outermost ring on a face is that of a raised face and no mark on a flat one (a mild belief), and the
log density of such marks: anywhere between the opening and the holes, a factor of 1.6 apart."""

_MISREAD, _MISREAD_DENSITY = 0.06, 1 / 1.7
"""How often a pitch is that of other stripes than a thread's (of 114 readings on photos of two renderers 8 were off by
15 % and more), and the density of its logarithm then: anywhere from the finest to the coarsest that is looked for."""
_MISFOUND, _MISFOUND_SD = 0.01, 1.5
"""How often what was measured by is no such reference, another round thing taken for the coin or another card, and how
far off, in logarithms, all lengths of the photo are then, alike (a mild belief)."""

_UNEXPLAINED_LOG = -float(np.log(3.0))
"""Log density of a length a row does not have: anywhere within a factor of e^3."""


@dataclass(frozen=True)
class PortSize:
    """One possible port.

    Attributes:
        standard: "ASME B16.5 Class 150", "EN 1092-1 PN10/16", "JIS B2220 10K", "NPT" or "BSP".
        nominal_in: nominal size in inches as the trade writes it, e.g. "1-1/2".
        dn: nominal diameter DN.
        probability: over all listed, sums to 1.
    """

    standard: str
    nominal_in: str
    dn: int
    probability: float


def possible_ports(
    lengths: Sequence[MeasuredLength],
    hole_count: Mapping[str, float],
    connection: Mapping[str, float],
    least: float = 0.005,
) -> tuple[PortSize, ...]:
    """Rank all tabulated ports against what was measured.

    Args:
        lengths: measured lengths with their budgets; those no port has are ignored. Works on ratios alone
            too, because the unknown scale is one more shared contribution.
        hole_count: likelihood of each number of flange holes, as text; empty when not seen.
        connection: likelihood of "flanged" and "threaded"; empty when not seen.
        least: ports less probable than this are left out.

    Returns:
        Ports, most probable first, probabilities summing to 1; empty when nothing about the port was
        measured: a joint alone names no port.
    """
    about_port = [length for length in lengths if length.name in _FLANGE_SPREAD or length.name in _THREAD_SPREAD]
    if not about_port:
        return ()
    about_port += [length for length in lengths if length.name == _JOINT]
    flanged, threaded = connection.get("flanged", 0.5), connection.get("threaded", 0.5)
    scored: list[tuple[str, str, int, float]] = []
    for flange in flanges():
        prior = _FLANGE_PRIOR[flange.standard] * flanged * _SELDOM.get(flange.nominal_in, 1.0)
        prior *= _SELDOM_FLANGED.get(flange.nominal_in, 1.0)
        score = _flange_log(flange, about_port, hole_count, prior)
        scored.append((flange.standard, flange.nominal_in, flange.dn, score))
    for thread in threads():
        prior = _THREAD_PRIOR[thread.standard] * threaded * _SELDOM.get(thread.nominal_in, 1.0)
        prior *= _SELDOM_THREADED.get(thread.nominal_in, 1.0)
        scored.append((thread.standard, thread.nominal_in, thread.dn, _thread_log(thread, about_port, prior)))
    logs = np.array([s[3] for s in scored])
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    ranked = sorted(zip(weights, scored, strict=True), key=lambda pair: -pair[0])
    kept = [(float(w), s) for w, s in ranked if w >= least]
    total = sum(w for w, _ in kept)
    return tuple(PortSize(s[0], s[1], s[2], w / total) for w, s in kept)


def _flange_log(flange: Flange, lengths: list[MeasuredLength], hole_count: Mapping[str, float], prior: float) -> float:
    outsides = flange.flange_diameters_mm
    readings = [(outside, (1 - _RAISED_FACE) / len(outsides)) for outside in outsides]
    readings.append((flange.raised_face_diameter_mm, _RAISED_FACE))
    options = []
    for (outside, share), (seen, ring_log) in product(readings, _ring_readings(lengths)):
        table = {
            "flange_diameter": outside,
            "bolt_circle_diameter": flange.bolt_circle_diameter_mm,
            "bolt_hole_diameter": flange.bolt_hole_diameter_mm,
            "port_bore": _usual_bore_mm(flange),
            RAISED_FACE: flange.raised_face_diameter_mm,
            _JOINT: _usual_joint_mm(flange.nominal_in),
        }
        options.append(_gaussian_log(seen, table, _FLANGE_SPREAD) + log(share) + ring_log)
    fit = float(np.logaddexp.reduce(options))
    if hole_count:
        fit += log(max(1e-4, *(hole_count.get(str(n), 0.0) for n in flange.bolt_hole_counts)))
    return fit + float(np.log(prior + 1e-9))


def _ring_readings(lengths: list[MeasuredLength]) -> list[tuple[list[MeasuredLength], float]]:
    """The lengths with the ring on the face as its raised face and without, each with its log chance."""
    others = [length for length in lengths if length.name != RAISED_FACE]
    if len(others) == len(lengths):
        return [(lengths, 0.0)]
    return [(lengths, log(_IS_RAISED_FACE)), (others, log(1 - _IS_RAISED_FACE) + _OTHER_RING_LOG)]


def _usual_bore_mm(flange: Flange) -> float:
    """The nominal size, which small pipe of schedule 80 exceeds (ASME B36.10)."""
    size, pipe = parse_size(flange.nominal_in), find_pipe(flange.nominal_in)
    nominal_mm = 25.4 * size.inches if isinstance(size, NominalSize) else float(flange.dn)
    return nominal_mm if pipe is None else max(nominal_mm, pipe.bore_schedule_80_mm)


def _usual_joint_mm(nominal_in: str) -> float:
    return float(_JOINT_AT_ONE_INCH_MM * size_of(nominal_in).inches ** _JOINT_POWER)


def edges_are_right(lengths: Sequence[MeasuredLength], ports: Sequence[PortSize]) -> float:
    """Chance that what was told as both edges of a thread's mouth are these, for the sizes that it may have.

    Args:
        lengths: as they were for `possible_ports`; ports: what that gave.
    """
    about_port = [length for length in lengths if length.name in (*_THREAD_SPREAD, _JOINT)]
    by_size = {(port.standard, port.nominal_in): port.probability for port in ports}
    right = total = 0.0
    for thread in threads():
        share = by_size.get((thread.standard, thread.nominal_in), 0.0)
        readings = _thread_readings(thread, about_port) if share else []
        if readings:
            logs = np.array([fit for _, fit in readings])
            weights = share * np.exp(logs - np.logaddexp.reduce(logs))
            right += float(weights[[MINOR not in left_out for left_out, _ in readings]].sum())
            total += share
    return right / total if total else 0.0


def _thread_log(thread: PipeThread, lengths: list[MeasuredLength], prior: float) -> float:
    fits = [fit for _, fit in _thread_readings(thread, lengths)]
    return float(np.logaddexp.reduce(fits)) + float(np.log(prior + 1e-9))


def _thread_readings(thread: PipeThread, lengths: list[MeasuredLength]) -> list[tuple[tuple[str, ...], float]]:
    """All that the lengths may be of a thread: which of its mouth's edges are left out, and the log of its chance."""
    # What is seen of a female thread's mouth is its crests, or the chamfer that clears its depth (common practice).
    options = []
    chamfer_mm, crests_mm = mouth_edges_mm(thread)
    mouths = ((crests_mm, 1 - CHAMFER_CHANCE), (chamfer_mm, CHAMFER_CHANCE))
    tapered = TAPERED_OF[thread.standard]
    walls = [([of_wall(one, kind) for one in lengths], p) for kind, p in ((True, tapered), (False, 1 - tapered)) if p]
    for (mouth, share), (of_one_wall, wall_share), (edges, edge_share), (pitch, pitch_share) in product(
        mouths, walls, _edge_readings(lengths), _pitch_readings(lengths)
    ):
        seen = [one for one in of_one_wall if one.name not in (*edges, *pitch)]
        table = {
            MAJOR: thread.major_diameter_mm,
            MINOR: thread.minor_diameter_mm,
            "port_bore": mouth,
            "thread_pitch": thread.pitch_mm,
            _JOINT: _usual_joint_mm(thread.nominal_in),
        }
        fit = _gaussian_log(seen, table, _THREAD_SPREAD) + log(share * wall_share * edge_share * pitch_share)
        options.append((edges, fit))
    return options


def _edge_readings(lengths: list[MeasuredLength]) -> list[tuple[tuple[str, ...], float]]:
    """What to leave out: the traced edge where both were told, or these; each with its chance or its density."""
    if all(length.name != MINOR for length in lengths):
        return [((), 1.0)]
    return [(("port_bore",), ARE_EDGES), ((MAJOR, MINOR), (1 - ARE_EDGES) / OTHER_RATIOS)]


def _pitch_readings(lengths: list[MeasuredLength]) -> list[tuple[tuple[str, ...], float]]:
    """What to leave out: nothing, or a pitch that is none; each with its chance, or that times its density."""
    if all(length.name != "thread_pitch" for length in lengths):
        return [((), 1.0)]
    return [((), 1.0 - _MISREAD), (("thread_pitch",), _MISREAD * _MISREAD_DENSITY)]


def _gaussian_log(lengths: list[MeasuredLength], table: Mapping[str, float], spread: Mapping[str, float]) -> float:
    """Log density of the measured logarithms about a table row; lengths it lacks count as unexplained."""
    use = [length for length in lengths if length.name in table]
    unexplained = (len(lengths) - len(use)) * _UNEXPLAINED_LOG
    if not use:
        return unexplained
    miss = np.array([np.log(length.value_mm / table[length.name]) for length in use])
    covariance = log_covariance(use) + np.diag([spread.get(length.name, _JOINT_SPREAD) ** 2 for length in use])
    alike = np.array([0.0 if length.is_ratio_only else _MISFOUND_SD for length in use])
    found, misfound = (_tail_log(miss, one, use) for one in (covariance, covariance + np.outer(alike, alike)))
    return float(np.logaddexp(found + log(1 - _MISFOUND), misfound + log(_MISFOUND))) + unexplained


def _tail_log(miss: Array, covariance: Array, lengths: Sequence[MeasuredLength]) -> float:
    """Log density of logarithms (n,) off a table row's, with a heavier tail than a Gaussian's.

    One wrong edge must not rule out the right port for good.
    """
    chol = np.asarray(np.linalg.cholesky(covariance), np.float64)
    white = _but_for_scale(np.asarray(np.linalg.solve(chol, miss), np.float64), chol, lengths)
    tail = -0.5 * (4.0 + len(miss)) * np.log1p(float(white @ white) / 4.0)
    return float(tail - np.log(np.diag(chol)).sum() - 0.5 * len(miss) * np.log(2 * np.pi))


def _but_for_scale(white: Array, chol: Array, lengths: Sequence[MeasuredLength]) -> Array:
    """Whitened misses (n,) less what an unknown scale explains: units without a meaning are nearer to no size."""
    sources = sorted({c.source for one in lengths if one.is_ratio_only for c in one.contributions if c.name == "scale"})
    if not sources:
        return white
    of_each = [{c.source for c in one.contributions} for one in lengths]
    scales = np.array([[float(source in own) for source in sources] for own in of_each])
    along = np.linalg.qr(np.linalg.solve(chol, scales))[0]
    return np.asarray(white - along @ (along.T @ white))
