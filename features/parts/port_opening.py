"""The opening of a port at its face, from the outlines that the part model tells of it.

Of a thread it is the chamfer's outer edge, of a flange the edge of its bore, in the middle of its rim.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from features.circle_fit import fit_circle
from features.circle_sighting import CircleSighting
from features.parts.finder import FoundCircle, PartQuestion
from features.parts.learned_circles import (
    KNOWN_SLANT_BONUS,
    LEAST_COVERAGE,
    PLAIN_BY_REFERENCE,
    Trace,
    best_of,
    found_circle,
    outline_of,
    places_told,
    trace_each,
    trace_places,
    trace_weight,
)
from features.parts.mouth_before import before_the_ring
from features.parts.part_maps import RoundPart
from features.parts.part_model import PartMaps
from features.parts.placed import LONGEST_REACH, Placed, uncovered
from features.parts.trace import TracedCircle

SURE_MOUTH, HALF_AS_SURE = 0.5, 0.5
"""Where an outline is told so surely, those told half as surely are left out: inside a thread's mouth shadows and the
pipe's own end draw rings as plain as its edge, and a closer look may take one for it."""
CHAMFER_ROUND, AS_PLAIN = (1.04, 1.25), 0.75
"""A thread's chamfer is this much larger than its crests (ASME B1.20.1, ISO 7-1), and is taken for the mouth where it
has this share of their evidence. A flange's opening is as much wider than a step, a lining's end or the light in it
(of 125 openings of renders three were those, 10 to 16 % too small, and no other was moved by the outer edge)."""
CRESTS_TOUCH = 0.03
"""Crests begin as far behind a thread's face as its chamfer is wide, and of some, seen aslant, the near side touches
the chamfer's edge: so much of its size beyond, at most, where either is a pixel wide."""
STEP_ROUND, STEP_PLAIN, TOUCHES = 1.08, 0.58, 0.015
"""A flange's opening may also be so much wider than the edge of a step in it, which is darker, and has then this share
of its evidence under a reference's slant; seen aslant the step's edge may touch it, so much of its size beyond. Nearer
edges are its own, broken. (Of 165 flanges of renders two were steps, 10 % too small, with 0.63 and 0.72; other circles
round an opening had up to 0.53.)"""
BOSS, TOLD_NEAR = 0.25, 0.15
"""An edge so much wider, in logarithms, than a thread's mouth is told, 7 % rms off, is its boss's where one nearly as
plain lies so near what is told: a boss is 1.3 times as wide as its thread and more (common practice)."""
OPENINGS, OPENING_REACH = tuple(0.17 * 1.13**k for k in range(9)), 0.075
"""Radii of openings over their flange's (of nominal bores in tabulated flanges 0.18 to 0.42), and how far round each is
looked."""
EDGE_ON, EDGE_ON_SD, EDGE_ON_SEEN = 0.26, 0.1, 0.8
"""A mouth told flatter than this, seen 75 degrees aslant and more, is few cells wide: where no edge is followed but so
much of it is in view its long axis alone counts, this share of it being its error (37 mouths of two renderers)."""
TOLD_OPENING_SD = 0.2
"""Standard uncertainty of a flange's opening that was told and not traced, as a share of its size: aslant or beside a
card it is told too small (six of renders by 1, 11, 16, 24, 30 and 54 %)."""
WIDEST_OPENING = 0.51
"""Radius of an opening over its flange's at most (of tabulated flanges up to 4 inch the bore has up to 0.48, the raised
face from 1-1/4 inch on 0.54 and more, ASME B16.5, EN 1092-1, JIS B2220): a plainer circle may be the face's edge."""
OPENING_EVIDENCE, OFF_MIDDLE = 0.27, 0.02
"""Evidence that makes a circle in a flange's middle its opening, and how far off the middle it may lie, over the rim's
radius: castings, and the step from rim to face seen at a slant."""
ASIDE, SO_PLAIN = 0.03, 0.9
"""An opening whose middle lies further from its rim's, over the rim's radius, is a step or an end deeper in it, seen
shifted, where a circle about the middle has this share of its evidence."""
CHAMFERS, CHAMFER_REACH = (1.09, 1.145, 1.2), 0.035
"""How much larger it is looked for, and how far round that."""
TOLD_ONLY = 0.05
"""Edge points share less of an error than this, over their circle's radius, a told mouth shares more."""


def trace_mouth(
    question: PartQuestion, told: Sequence[RoundPart], maps: PartMaps, rim: Placed | None = None,
    known: Mapping[RoundPart, list[Trace]] | None = None,
) -> FoundCircle | None:  # fmt: skip
    """The opening of a port at its face: the outer of two edges, of a thread its chamfer's.

    Args:
        question: the photo.
        told: its outline as several looks told it, the closest first; maps: of the closest look.
        rim: of its flange, where that was traced: the opening lies in its middle.
        known: `mouth_traces` of some of the outlines, where they were asked for before.
    """
    traces: list[Trace] = []
    for part in told if rim is not None else _sure_ones(told):
        before = known.get(part) if known else None
        traces += mouth_traces(question, part, maps) if before is None else before
        traces += _traces_about(question, part, rim) if rim is not None else []
    best = best_of(_no_wider_than_openings(traces, rim) if rim is not None else _about_told(traces, told))
    if rim is not None and (best is None or _aside(best, rim) > ASIDE):
        best = _about_the_middle(question, traces, best, rim)
    elif best is not None and rim is None:
        best = before_the_ring(question, best, partial(uncovered, question)) or best
    if best is not None:
        traces += [best, *_round_about(question, best)]
        beyond = CRESTS_TOUCH if rim is None else 0.0
        round_it = [
            one for one in traces
            if _round_as_plainly(one, best, beyond) or _round_the_dark(one, best, told, beyond)
        ]  # fmt: skip
        if rim is not None:
            round_it += [one for one in _no_wider_than_openings(traces, rim) if _round_a_step(one, best)]
        best = max(round_it, key=lambda one: _size_px2(one[0]))
    if best is not None:
        return found_circle("port_bore", question.photo_name, best[0], (0.3, 0.001))
    if told[0].semi_axes_px[1] < EDGE_ON * told[0].semi_axes_px[0]:
        return _seen_edge_on(question, told[0])
    places = places_told(question, told[0], maps)
    return outline_of("port_bore", question.photo_name, told[0], places, partial(uncovered, question))


def _no_wider_than_openings(traces: list[Trace], rim: Placed) -> list[Trace]:
    """The traces that a flange of this rim may have as its opening."""
    return [one for one in traces if rim.about(one[0].ellipse.points_px()).radius < WIDEST_OPENING * rim.radius]


def _about_told(traces: list[Trace], told: Sequence[RoundPart]) -> list[Trace]:
    """The traces without those far wider than any told outline, where another nearly as plain lies near one."""
    told_px = max(float(part.semi_axes_px[0]) for part in told)
    wider = [float(np.log(one[0].ellipse.semi_axes_px[0] / told_px)) for one in traces]
    near = best_of([one for one, by in zip(traces, wider, strict=True) if abs(by) < TOLD_NEAR])
    plainer = -np.inf if near is None else trace_weight(*near) / AS_PLAIN
    return [one for one, by in zip(traces, wider, strict=True) if by < BOSS or trace_weight(*one) > plainer]


def _seen_edge_on(question: PartQuestion, part: RoundPart) -> FoundCircle | None:
    """The opening of a port that is told as little more than a line; None where its ends may be hidden."""
    outline = part.outline_px(60)
    seen = uncovered(question, outline)
    if seen.mean() < EDGE_ON_SEEN:
        return None
    sighting = CircleSighting("port_bore", question.photo_name, outline)
    return FoundCircle(sighting, float(seen.mean()), EDGE_ON_SD * float(part.semi_axes_px[0]), edge_on=True)


def _sure_ones(told: Sequence[RoundPart]) -> list[RoundPart]:
    surest = max(part.score for part in told)
    return [part for part in told if surest < SURE_MOUTH or part.score >= HALF_AS_SURE * surest]


def flange_opening(found: FoundCircle | None) -> FoundCircle | None:
    """The opening of a flange: where no edge of it was traced, what is told is its dark part alone."""
    if found is not None and found.edge_on:
        return None
    if found is None or not told_only(found):
        return found
    size_px = float(np.linalg.norm(np.std(found.sighting.points_px, axis=0)))
    return replace(found, edge_shared_px=max(found.edge_shared_px, TOLD_OPENING_SD * size_px))


def told_only(found: FoundCircle) -> bool:
    """Whether a circle is no more than a told outline, which no edge followed."""
    size_px = float(np.linalg.norm(np.std(found.sighting.points_px, axis=0)))
    return found.edge_on or found.edge_shared_px > TOLD_ONLY * size_px


def mouth_traces(question: PartQuestion, part: RoundPart, maps: PartMaps) -> list[Trace]:
    """Edges that follow an opening's told outline, each with the picture it was traced in."""
    return trace_places(question, part, places_told(question, part, maps), partial(uncovered, question))


def plain_mouth(traces: list[Trace]) -> TracedCircle | None:
    """The opening of a port where edges show it plainly, whatever its flange, of its `mouth_traces`."""
    best = best_of(traces)
    return best[0] if best is not None and best[0].evidence > PLAIN_BY_REFERENCE else None


def _traces_about(question: PartQuestion, part: RoundPart, rim: Placed) -> list[Trace]:
    """Edges about the middle of a flange's rim, as large as the told outline of its opening and about so."""
    _, radius = fit_circle(rim.frame.from_photo(part.outline_px()))
    places = [replace(rim, radius=share * radius, reach=LONGEST_REACH) for share in (1.0, 0.75, 1.3)]
    return trace_places(question, part, places, partial(uncovered, question))


def _in_the_middle(question: PartQuestion, rim: Placed) -> Trace | None:
    """The plainest circle about a rim's middle where openings of flanges lie, however badly the opening was told."""
    places = [replace(rim, radius=share * rim.radius, reach=OPENING_REACH) for share in OPENINGS]
    found: list[Trace] = []
    for traced, placed in trace_each(question, places, "strongest", partial(uncovered, question), round_in_front=True):
        if traced.coverage < LEAST_COVERAGE or traced.evidence < OPENING_EVIDENCE:
            continue
        aside = placed.about(traced.ellipse.points_px()).center - rim.center
        if float(np.linalg.norm(aside)) < OFF_MIDDLE * rim.radius:
            found.append((traced, placed))
    return max(found, key=lambda trace: trace[0].evidence) if found else None


def _aside(one: Trace, rim: Placed) -> float:
    """How far a trace's middle lies from that of a rim, over the rim's radius."""
    return float(np.linalg.norm(rim.about(one[0].ellipse.points_px()).center - rim.center)) / rim.radius


def _about_the_middle(question: PartQuestion, traces: list[Trace], best: Trace | None, rim: Placed) -> Trace | None:
    """The plainest circle about a rim's middle; another, which lies aside, where none is nearly as plain."""
    middle = _in_the_middle(question, rim)
    found = [one for one in _no_wider_than_openings(traces, rim) if _aside(one, rim) < ASIDE]
    found += [middle] if middle is not None else []
    plainest = max(found, key=lambda one: one[0].evidence, default=None)
    if best is None or (plainest is not None and plainest[0].evidence > SO_PLAIN * best[0].evidence):
        return plainest
    return best


def _round_about(question: PartQuestion, crests: Trace) -> list[Trace]:
    """Circles close round a traced one, where a thread's chamfer would be if its crests were traced."""
    placed = crests[1].about(crests[0].ellipse.points_px())
    places = [replace(placed, radius=ratio * placed.radius) for ratio in CHAMFERS]
    traced = trace_each(question, places, "outer", partial(uncovered, question), CHAMFER_REACH)
    return [(one, placed) for one, _ in traced if one.coverage >= LEAST_COVERAGE]


def _round_as_plainly(one: Trace, best: Trace, beyond: float) -> bool:
    """Whether a trace is the best one, or lies close round it and is nearly as plain."""
    if one is best:
        return True
    size = _size_px2(one[0]) / _size_px2(best[0])
    return CHAMFER_ROUND[0] ** 2 < size < CHAMFER_ROUND[1] ** 2 and _nearly_as_plain(one, best, beyond)


def _nearly_as_plain(one: Trace, best: Trace, beyond: float) -> bool:
    """Whether a trace has nearly the evidence of the best one, which nowhere lies so much of its size beyond it."""
    evidence = trace_weight(*one) - KNOWN_SLANT_BONUS * one[1].measured_slant
    # Of a short arc the far side is a guess, so its points are asked.
    furthest_px = float(one[0].ellipse.distances_px(best[0].points_px).max())
    return evidence > AS_PLAIN * best[0].evidence and furthest_px < beyond * float(np.sqrt(_size_px2(best[0])))


def _round_the_dark(one: Trace, best: Trace, told: Sequence[RoundPart], beyond: float) -> bool:
    """Whether a trace lies round the best one, nearly as plain, and nearer to what was told: inside it is but dark.

    (Of 450 photos of ports by two makers and renderers one is changed by it: 24 % too small before.)
    """
    told_log = float(np.mean([0.5 * np.log(part.semi_axes_px.prod()) for part in told]))
    off, best_off = (abs(0.5 * np.log(_size_px2(trace[0])) - told_log) for trace in (one, best))
    return (
        off < best_off
        and _size_px2(one[0]) > CHAMFER_ROUND[0] ** 2 * _size_px2(best[0])
        and _nearly_as_plain(one, best, beyond)
    )


def _round_a_step(one: Trace, step: Trace) -> bool:
    """Whether a trace under a reference's slant may be the opening of which another is a step inside."""
    size = _size_px2(one[0]) / _size_px2(step[0])
    return (
        one[1].measured_slant
        and STEP_ROUND**2 < size < CHAMFER_ROUND[1] ** 2
        and one[0].evidence > STEP_PLAIN * step[0].evidence
        and float(one[0].ellipse.distances_px(step[0].points_px).max()) < TOUCHES * float(np.sqrt(_size_px2(step[0])))
    )


def _size_px2(traced: TracedCircle) -> float:
    return float(traced.ellipse.semi_axes_px.prod())
