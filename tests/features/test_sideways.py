"""A photo that lies on its side is turned before it is measured, and all is told where it lies in the photo as it came.

NumPy's `rot90` is the turn that both are checked against.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from features.parts.finder import LookAt
from features.parts.learned import best_finder
from features.photo import load_photo
from features.photo_survey import SurveyRequest, survey_photo
from features.scale.reference import ScaleRequest
from features.sideways import survey_upright, turned_photo, turned_points, turned_request

DEMO = Path(__file__).resolve().parents[2] / "demo_photos"


@pytest.fixture(scope="module")
def finder():
    return best_finder()


@pytest.fixture(scope="module")
def photo():
    return load_photo(DEMO / "06_pocket_card_on_rim.jpg")


@pytest.mark.parametrize("quarters", [-3, -2, -1, 0, 1, 2, 3])
def test_places_go_where_numpy_turns_their_pixels(quarters):
    picture = np.zeros((5, 7), int)
    picture[1, 5] = 1
    (row,), (column,) = np.nonzero(np.rot90(picture, quarters))
    np.testing.assert_array_equal(turned_points(np.array([5.0, 1.0]), 7, 5, quarters), [column, row])


def as_it_came(photo, quarters):
    """The photo on its side, of which nobody has said that it is."""
    return replace(turned_photo(photo, quarters), problems=photo.problems)


@pytest.mark.parametrize("quarters", [1, 3])
def test_a_photo_on_its_side_is_measured_as_upright_and_told_in_its_own_pixels(photo, finder, quarters):
    upright = survey_photo(photo, SurveyRequest(card_at="rim"), finder)
    lying = as_it_came(photo, quarters)
    told = survey_upright(lying, SurveyRequest(card_at="rim"), finder)
    assert (told.width_px, told.height_px) == (lying.width_px, lying.height_px)
    assert "photo_sideways" in {problem.kind.code for problem in told.problems}
    lengths = {one.name: one for one in upright.lengths}
    assert {one.name for one in told.lengths} == set(lengths)
    for one in told.lengths:
        # Not to the last digit: a line's scan begins at its other end.
        assert one.value_mm == pytest.approx(lengths[one.name].value_mm, rel=0.5 * lengths[one.name].relative_sd)
    for mine, theirs in zip(told.circles, upright.circles, strict=True):
        expected = turned_points(theirs.outline_px, photo.width_px, photo.height_px, quarters)
        assert 0.0 <= np.abs(mine.outline_px.mean(axis=0) - expected.mean(axis=0)).max() < 3.0
    card = turned_points(upright.scale.outline_px, photo.width_px, photo.height_px, quarters)
    np.testing.assert_allclose(told.scale.outline_px, card, atol=0.5)


def test_without_turning_less_would_be_seen_of_it(photo, finder):
    """What the turn is for: the model learned from photos held upright."""
    assert finder.quarter_turns(as_it_came(photo, 1).pixels_rgb) == 3
    assert finder.quarter_turns(as_it_came(photo, 3).pixels_rgb) == 1
    assert finder.quarter_turns(photo.pixels_rgb) == 0


@pytest.mark.parametrize("name", ["01", "03", "08", "12", "15"])
def test_upright_photos_are_left_as_they_are(name, finder):
    found = load_photo(next(DEMO.glob(f"{name}_*.jpg")))
    assert finder.quarter_turns(found.pixels_rgb) == 0


def test_what_users_pointed_at_is_turned_too(photo):
    request = SurveyRequest(
        scale=ScaleRequest(two_points_px=((10.0, 20.0), (30.0, 40.0)), coin_near_px=(5.0, 6.0, 7.0)),
        look_at=(LookAt("port_bore", 100.0, 50.0, 30.0),),
    )
    turned = turned_request(request, photo, 1)
    right = photo.width_px - 1.0
    assert turned.scale.two_points_px == ((20.0, right - 10.0), (40.0, right - 30.0))
    assert turned.scale.coin_near_px == (6.0, right - 5.0, 7.0)
    assert turned.look_at == (LookAt("port_bore", 50.0, right - 100.0, 30.0),)
    back = turned_request(turned, turned_photo(photo, 1), 3)
    assert back == request
