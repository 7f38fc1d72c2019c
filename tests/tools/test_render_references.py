"""Scale references are what they claim: OpenCV reads the drawn cards, bending keeps lengths, coins have legal sizes."""

from dataclasses import replace

import numpy as np
import pytest

cv2 = pytest.importorskip("cv2")
pytest.importorskip("trimesh")
pytest.importorskip("mitsuba")

from features.scale.card_boards import CARDS, opencv_board  # noqa: E402
from tools.render.drawn_coins import coin  # noqa: E402
from tools.render.place_references import lay, make_reference  # noqa: E402
from tools.render.printed_references import bank_card, scale_card, sheet  # noqa: E402
from tools.render.pump_model import Resting  # noqa: E402
from tools.render.reference_objects import Bend, bent  # noqa: E402


@pytest.mark.parametrize("size", ["pocket", "large"])
def test_opencv_reads_the_drawn_card_where_the_truth_says(size: str) -> None:
    """All 24 corners are found on the card's own texture, at their millimeters, within 0.02 squares."""
    card = scale_card(size, Bend(), np.random.default_rng(1))
    mesh, picture = card.pieces[0].mesh, card.pieces[0].surface.color[::-1]
    gray = np.ascontiguousarray(np.clip(picture[..., 1] * 255, 0, 255).astype(np.uint8))
    corners, ids, _, _ = cv2.aruco.CharucoDetector(opencv_board(size)).detectBoard(gray)
    assert len(ids) == 24
    left, top = mesh.positions[:, 0].min(), mesh.positions[:, 1].min()
    per_mm = gray.shape[1] / card.size_mm[0]
    found = (np.asarray(corners).reshape(-1, 2) + 0.5) / per_mm + [left, top]
    expected = card.corners_mm[np.asarray(ids).ravel(), :2]
    assert np.abs(found - expected).max() < 0.02 * CARDS[size].square_mm


def test_bending_keeps_lengths_along_the_card() -> None:
    """A cylinder is developable: distances of close points along the sheet stay, the sheet leaves its plane."""
    middle, bend = np.array([42.0, 30.0, 0.0]), Bend(150.0, 115.0)
    line = np.column_stack([np.linspace(0, 84, 400), np.linspace(0, 60, 400), np.zeros(400)])
    curved = bent(line, middle, bend)
    along = np.linalg.norm(np.diff(curved, axis=0), axis=1).sum()
    assert along == pytest.approx(np.hypot(84, 60), rel=1e-4)
    assert 2.0 < np.abs(curved[:, 2]).max() < 20.0
    assert np.allclose(bent(middle[None], middle, bend), middle)


@pytest.mark.parametrize(("name", "diameter_mm"), [("eur-2", 25.75), ("eur-10c", 19.75), ("us-25c", 24.26)])
def test_coins_have_their_legal_diameter(name: str, diameter_mm: float) -> None:
    """Euro: Council Regulation (EU) 729/2014; US quarter: the mint's 24.26 mm."""
    made = coin(name, np.random.default_rng(0))
    radius = np.linalg.norm(made.pieces[0].mesh.positions[:, :2], axis=1).max()
    assert 2 * radius == pytest.approx(diameter_mm, abs=0.005)
    assert made.size_mm == (diameter_mm, diameter_mm)


def test_bank_card_and_sheets_have_their_standard_sizes() -> None:
    """ISO/IEC 7810 ID-1: 85.60 x 53.98 mm; ISO 216 A4: 210 x 297 mm; ANSI Letter: 215.9 x 279.4 mm."""
    rng = np.random.default_rng(0)
    for made, width, height in (
        (bank_card(Bend(), rng), 85.60, 53.98),
        (sheet("a4", Bend(), rng), 210.0, 297.0),
        (sheet("letter", Bend(), rng), 215.9, 279.4),
    ):
        spread = np.ptp(made.pieces[0].mesh.positions[:, :2], axis=0)
        assert spread == pytest.approx([width, height], abs=1e-6)


def test_a_bank_cards_corners_are_round() -> None:
    """No point of the outline lies outside the corner arcs of 3.18 mm radius (ISO/IEC 7810)."""
    made = bank_card(Bend(), np.random.default_rng(0))
    corner = made.pieces[0].mesh.positions[:, :2]
    near = corner[(corner < 3.18).all(axis=1)]
    assert len(near) > 0
    assert np.linalg.norm(near - 3.18, axis=1).max() < 3.18 + 1e-6


UP = np.array([0.0, 0.0, 500.0])
"""The places of these tests are well above the ground."""


def _resting() -> Resting:
    return Resting("rim", 0, UP, np.array([1.0, 0, 0]), np.array([0.0, 0, 1]), 25.0)


def test_a_card_rests_on_what_stands_out() -> None:
    """Over a bolt head 6 mm high the card is lifted by 6 mm, and its face stands its own thickness higher."""
    wall = UP + np.random.default_rng(0).uniform([0, -200, -200], [0, 200, 200], (20_000, 3))
    bolt = UP + np.array([[6.0, 0, 0]])
    card = make_reference("pocket", np.random.default_rng(1), flat=True)
    placed = lay(card, _resting(), np.concatenate([wall, bolt]), np.random.default_rng(2), tries=1)
    assert placed is not None
    assert placed.lift_mm == pytest.approx(6.0, abs=1e-6)
    assert placed.outline_pump_mm[:, 0] == pytest.approx(6.0 + card.thickness_mm + 0.05, abs=1e-6)


def test_a_place_behind_a_tall_dome_is_refused() -> None:
    """Nothing is laid where it would have to float or cut into the cover."""
    dome = UP + np.array([[60.0, y, z] for y in range(-60, 61, 5) for z in range(-60, 61, 5)])
    card = make_reference("pocket", np.random.default_rng(1), flat=True)
    assert lay(card, _resting(), dome, np.random.default_rng(2)) is None


def test_a_coin_wants_a_flat_and_nothing_goes_into_the_ground() -> None:
    """A coin on the tip of a ball, or on a bolt head smaller than itself, would seem to float."""
    coin = make_reference("coin:us-25c", np.random.default_rng(1))
    t = np.random.default_rng(0).uniform(-40, 40, (20_000, 2))
    flat = UP + np.column_stack([np.zeros(len(t)), t])
    ball = UP + np.column_stack([60 - np.hypot(t[:, 0], t[:, 1]) ** 2 / 120, t])
    assert lay(coin, _resting(), flat, np.random.default_rng(2)) is not None
    assert lay(coin, _resting(), ball, np.random.default_rng(2)) is None
    low = replace(_resting(), center_mm=np.array([0.0, 0.0, 5.0]))
    assert lay(coin, low, flat - UP, np.random.default_rng(2)) is None


def test_the_face_frame_is_right_handed_and_looks_into_the_wall() -> None:
    wall = UP + np.random.default_rng(0).uniform([0, -200, -200], [0, 200, 200], (20_000, 3))
    placed = lay(make_reference("bank_card", np.random.default_rng(1)), _resting(), wall, np.random.default_rng(2))
    assert placed is not None
    assert np.linalg.det(placed.rotation) == pytest.approx(1.0)
    assert placed.rotation[:, 2] == pytest.approx([-1, 0, 0])


def test_tape_sticks_to_something() -> None:
    """A card that overhangs a wall's edge keeps the strips over the wall and loses those in the air."""
    wall = UP + np.random.default_rng(0).uniform([0, -200, 0], [0, 200, 200], (40_000, 3))
    taped = 0
    for seed in range(12):
        card = make_reference("pocket", np.random.default_rng(seed), flat=True)
        placed = lay(card, _resting(), wall, np.random.default_rng(2), tries=1)
        assert placed is not None
        before = sum(len(piece.strips) for piece in card.pieces)
        strips = [strip for piece in placed.thing.pieces for strip in piece.strips]
        assert all(placed.to_pump(strip.positions)[:, 2].max() > UP[2] - 15.0 for strip in strips)
        taped += before - len(strips)
    assert taped > 0
