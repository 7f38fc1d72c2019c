"""Curves near an expected circle: found where they were drawn, among strays and other curves."""

import numpy as np

from features.parts.rim_waves import NearEdges, find_waves

LINES = 240


def _edges(rng, curves, strays):
    """Edges of (a0, a1, b1, share of the lines) curves, a little rough, and strays."""
    line, off = [], []
    for a0, a1, b1, share in curves:
        at = np.flatnonzero(rng.random(LINES) < share)
        t = at * 2 * np.pi / LINES
        line.append(at)
        off.append(a0 + a1 * np.cos(t) + b1 * np.sin(t) + rng.normal(0, 0.0008, len(at)))
    line.append(rng.integers(0, LINES, strays))
    off.append(rng.uniform(-0.03, 0.03, strays))
    line, off = np.concatenate(line), np.concatenate(off)
    order = np.lexsort((off, line))
    return NearEdges(line[order], line[order] * 2 * np.pi / LINES, off[order], LINES)


def test_two_concentric_edges_are_told_apart_and_placed():
    edges = _edges(np.random.default_rng(1), [(0.012, 0.003, -0.002, 0.8), (-0.008, 0.0, 0.004, 0.6)], 150)
    waves = find_waves(edges, 0.004, 0.0)
    for true in ((0.012, 0.003, -0.002), (-0.008, 0.0, 0.004)):
        off = min(np.abs(wave.wave - true).max() for wave in waves)
        assert 1e-7 < off < 0.0008
    assert np.abs(waves[0].wave - (0.012, 0.003, -0.002)).max() < 0.0008  # the fuller one comes first


def test_where_the_search_began_changes_little():
    """The same edges told from a center 0.3 % of the radius aside: the curve ends at the same place."""
    rng = np.random.default_rng(2)
    here = _edges(rng, [(0.004, 0.002, 0.001, 0.7)], 100)
    x = (1 + here.off) * np.cos(here.angle) - 0.003
    y = (1 + here.off) * np.sin(here.angle)
    aside = NearEdges(here.line, np.arctan2(y, x), np.hypot(x, y) - 1, LINES)
    first, second = (find_waves(edges, 0.004, 0.0)[0].wave for edges in (here, aside))
    assert abs(first[0] - second[0]) < 2e-4
    assert abs(first[1] - 0.003 - second[1]) < 2e-4
