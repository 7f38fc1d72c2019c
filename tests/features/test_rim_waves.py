"""Curves near an expected circle: found where they were drawn, among strays and other curves."""

import numpy as np

from features.parts.rim_arcs import LookedAt, rim_among
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
    line, off = np.concatenate(line).astype(np.int64), np.concatenate(off)
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


def test_a_rim_seen_on_a_third_of_the_lines_is_found_whatever_the_strays():
    """One edge in six is the rim's: of three picked by chance all would be its own once in two hundred times."""
    for seed in range(20):
        edges = _edges(np.random.default_rng(100 + seed), [(0.02, -0.015, 0.018, 0.4)], 480)
        nearest = min(np.abs(wave.wave - (0.02, -0.015, 0.018)).max() for wave in find_waves(edges, 0.004, 0.0))
        assert 1e-7 < nearest < 0.0015


def _rim(edges, which):
    looked = LookedAt(LINES, np.arange(LINES), 0.03)
    return rim_among(edges, find_waves(edges, 0.004, 0.0), looked, which, 0.004, 0.006)


def test_strays_beside_the_arcs_of_a_half_hidden_rim_are_left_out():
    """Half of the turn shows the rim; strays lie all round, some of the hidden half's on its curve by chance."""
    rng = np.random.default_rng(3)
    edges = _shown(_edges(rng, [(0.01, 0.002, -0.003, 0.95)], 0), _edges(rng, [], 200), lambda line: line < LINES // 2)
    wave, on_it = _rim(edges, "strongest")
    assert (edges.line[on_it] < LINES // 2 + 6).all()
    assert on_it.sum() > 0.8 * LINES / 2
    assert 1e-8 < np.abs(wave[:3] - (0.01, 0.002, -0.003)).max() < 0.0008


def test_the_outermost_edge_is_taken_where_it_has_edges_of_its_own():
    """A band's outer edge is seen on half of the turn, the joint inside it all round; strays make no outer edge."""
    rng = np.random.default_rng(4)
    inner, strays = _edges(rng, [(-0.01, 0.0, 0.0, 0.95)], 150), _edges(rng, [], 0)
    outer = _edges(rng, [(0.015, 0.0, 0.001, 0.95)], 0)
    both = _shown(outer, inner, lambda line: line % 80 < 40)
    assert abs(_rim(both, "outermost")[0][0] - 0.015) < 0.0008
    assert abs(_rim(_shown(strays, inner, lambda line: line >= 0), "outermost")[0][0] + 0.01) < 0.0008


def test_two_edges_that_are_seen_in_turn_are_not_taken_for_one():
    """The rim is seen on one side, the face inside its broken edge on the other: a circle aside follows both."""
    for seed in range(6):
        rng = np.random.default_rng(20 + seed)
        rim, face = _edges(rng, [(0.005, 0.0, 0.0, 0.95)], 0), _edges(rng, [(-0.006, 0.0, 0.0, 0.95)], 0)
        both = _shown(rim, face, lambda line: np.abs(line - LINES / 2) < 0.29 * LINES)
        wave, on_it = _rim(both, "outermost")
        assert 1e-7 < np.abs(wave[:3] - (0.005, 0.0, 0.0)).max() < 0.0015
        assert (np.abs(both.line[on_it] - LINES / 2) < 0.3 * LINES).all()


def test_what_leaves_the_outer_edge_half_way_is_not_the_outermost():
    """Bolts behind a flange go on from its edge on one side: that curve is larger, and has few edges of its own."""
    rng = np.random.default_rng(8)
    outer, inner = _edges(rng, [(0.01, 0.0, 0.0, 0.7)], 0), _edges(rng, [(-0.008, 0.0, 0.0, 0.9)], 40)
    band = _shown(outer, inner, lambda line: line >= 0)
    strays = _edges(rng, [(0.0165, 0.0, 0.006, 0.95)], 0)
    both = _shown(strays, band, lambda line: (line > 5) & (line < 110))
    assert 1e-7 < abs(_rim(both, "outermost")[0][0] - 0.01) < 0.0015


def test_the_back_edge_of_a_thick_rim_is_not_its_outermost():
    """Seen at a slant it lies as far aside as the rim is thick: outside the front edge on one side only."""
    rng = np.random.default_rng(7)
    front, back = _edges(rng, [(0.0, 0.0, 0.0, 0.95)], 60), _edges(rng, [(0.013, 0.013, 0.0, 0.9)], 0)
    both = _shown(back, front, lambda line: np.abs(line - LINES / 2) > LINES / 4)
    assert abs(_rim(both, "outermost")[0][0]) < 0.0015


def test_the_rim_round_a_broken_edge_is_the_flanges():
    """A millimeter of 70 is broken off: the face ends inside, all round; the rim behind shows on half of the turn."""
    rng = np.random.default_rng(11)
    face, rim = _edges(rng, [(-0.006, 0.0, 0.0, 0.95)], 60), _edges(rng, [(0.009, 0.002, 0.0, 0.9)], 0)
    both = _shown(rim, face, lambda line: line % 100 < 55)
    assert abs(_rim(both, "outer")[0][0] + 0.006) < 0.0008
    assert 1e-7 < abs(_rim(both, "broken")[0][0] - 0.009) < 0.0012


def test_what_is_wider_on_one_side_is_no_broken_edge():
    """What stands behind a flange, or the back of its thickness, comes near to its face's edge somewhere."""
    rng = np.random.default_rng(12)
    face, behind = _edges(rng, [(-0.006, 0.0, 0.0, 0.95)], 60), _edges(rng, [(0.009, 0.0115, 0.0, 0.9)], 0)
    both = _shown(behind, face, lambda line: line % 100 < 55)
    assert 1e-7 < abs(_rim(both, "broken")[0][0] + 0.006) < 0.0012


def _shown(part, other, where):
    """Edges of one picture on the lines where they show, and all of another."""
    kept = where(part.line)
    line, off = np.concatenate([part.line[kept], other.line]), np.concatenate([part.off[kept], other.off])
    order = np.lexsort((off, line))
    return NearEdges(line[order], line[order] * 2 * np.pi / LINES, off[order], LINES)
