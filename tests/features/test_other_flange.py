"""Which of two flanges is measured: the other one where no edge of the first is followed (looks are stand-ins)."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from features.circle_sighting import CircleSighting
from features.parts import learned
from features.parts.finder import FoundCircle, LookAt, PartQuestion, PartSightings
from features.parts.learned import LearnedFinder
from features.parts.looks import Subject
from features.parts.part_maps import RoundPart

CARDED = RoundPart("flange", 0.6, np.array([300.0, 100.0]), 80.0 * np.eye(2))
OPEN = RoundPart("flange", 0.9, np.array([300.0, 500.0]), 80.0 * np.eye(2))
MOUTH = RoundPart("mouth", 0.9, np.array([300.0, 500.0]), 30.0 * np.eye(2))
MAPS = SimpleNamespace()


def _measured(monkeypatch, first_traced, mated=(), rounds=(CARDED, OPEN, MOUTH), hints=(), holes=()):
    """Whose flange is told of two, the first choice half hidden by a card; holes of which are seen."""
    asked = []

    def with_flange(sightings, question, told, rounds):
        asked.append(told.part)
        hole = FoundCircle(CircleSighting("bolt_hole_diameter", "a.jpg", np.zeros((4, 2))), 1.0, 0.3)
        circles = (hole,) if told.part in holes else ()
        return replace(sightings, circles=circles), first_traced or told.part is OPEN

    monkeypatch.setattr(learned, "_with_flange", with_flange)
    monkeypatch.setattr(learned, "is_mated", lambda maps, part: part in mated)
    monkeypatch.setattr(learned, "closely", lambda model, pixels, maps, part: Subject(part, maps, (part,)))
    gray = np.zeros((600, 600), np.uint8)
    question = PartQuestion("a.jpg", np.repeat(gray[..., None], 3, axis=2), gray, (), True, True, hints, {})
    first = Subject(CARDED, MAPS, (CARDED,))
    _, port = LearnedFinder(SimpleNamespace())._flange(PartSightings({}), question, MAPS, rounds, first)
    return port.part, asked


@pytest.mark.parametrize(("first_traced", "told"), [(True, CARDED), (False, OPEN)])
def test_the_other_flange_is_measured_where_no_edge_of_the_first_is_seen(monkeypatch, first_traced, told):
    part, asked = _measured(monkeypatch, first_traced)
    assert part is told
    assert asked == ([CARDED] if first_traced else [CARDED, OPEN])


def test_a_flange_under_a_pipes_one_is_no_better(monkeypatch):
    assert _measured(monkeypatch, False, mated=(CARDED, OPEN)) == (CARDED, [CARDED])


@pytest.mark.parametrize(("holes", "told"), [((OPEN,), OPEN), ((), CARDED)])
def test_an_open_flange_whose_holes_are_seen_tells_more_than_a_mated_one(monkeypatch, holes, told):
    part, asked = _measured(monkeypatch, True, mated=(CARDED,), holes=holes)
    assert part is told
    assert asked == [CARDED, OPEN]


def test_where_the_user_points_at_a_port_no_other_is_measured(monkeypatch):
    pointed = (LookAt("flange_diameter", 300.0, 100.0, 80.0),)
    assert _measured(monkeypatch, False, hints=pointed) == (CARDED, [CARDED])


def test_a_mouth_is_no_other_flange(monkeypatch):
    assert _measured(monkeypatch, False, rounds=(CARDED, MOUTH)) == (CARDED, [CARDED])
