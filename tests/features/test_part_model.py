"""The part model's file, its reader, and the finder that starts edges from it.

Truth comes from drawn shapes and from the demo photos' exact truth (rendered; the model never saw them in training).
"""

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from features.parts.bolt_count import count_ring
from features.parts.classical import ClassicalFinder
from features.parts.closer_look import FULL_LOOK_PX2, GLANCE_PX, full_side_px, look_at_pump, pump_box
from features.parts.flange_rim import is_pipe
from features.parts.learned import LearnedFinder, best_finder
from features.parts.looks import part_to_measure
from features.parts.part_maps import RoundPart, part_share, point_parts, round_parts
from features.parts.part_model import (
    CARD_FILE,
    MODEL_FILE,
    PartMaps,
    PartModel,
    Window,
    load_part_model,
    picture_of,
    with_word,
)
from features.parts.part_outline import by_the_map
from features.parts.part_vocabulary import (
    ATTRIBUTES,
    PART_CLASSES,
    PART_STRIDE,
    PICTURE_PX,
    POINT_CLASSES,
    ROUND_CLASSES,
    ROUND_STRIDE,
    SHAPE_NUMBERS,
)
from features.survey import SurveyRequest, survey_photos
from reference_geometry.store import load_reference

DEMO = Path(__file__).parents[2] / "demo_photos"
TRUTH = {
    record["photo"]: record
    for record in map(json.loads, (DEMO / "truth.jsonl").read_text(encoding="utf-8").splitlines())
}


@pytest.fixture(scope="module")
def model() -> PartModel:
    loaded = load_part_model()
    assert isinstance(loaded, PartModel), loaded
    return loaded


def photo(name: str) -> np.ndarray:
    return np.ascontiguousarray(cv2.imread(str(DEMO / name))[..., ::-1])


def test_model_file_is_small_enough_to_ship():
    assert MODEL_FILE.stat().st_size < 20e6


def test_card_tells_what_was_measured():
    card = json.loads(CARD_FILE.read_text(encoding="utf-8"))
    assert card["test"]["photos"] >= 400
    assert set(card["temperatures"]) == set(ATTRIBUTES)


def test_other_file_than_the_card_describes_is_refused(tmp_path):
    changed = tmp_path / "m.onnx"
    changed.write_bytes(MODEL_FILE.read_bytes() + b"x")
    refused = load_part_model(changed, CARD_FILE)
    assert not refused
    assert "not the file" in refused.reason


def test_without_a_model_the_classical_finder_works_and_says_so(tmp_path, monkeypatch):
    missing = load_part_model(tmp_path / "none.onnx", tmp_path / "none.json")
    assert not missing
    monkeypatch.setattr("features.parts.learned.load_part_model", lambda: missing)
    finder = best_finder()
    assert isinstance(finder, ClassicalFinder)
    survey = survey_photos([DEMO / "06_pocket_card_on_rim.jpg"], SurveyRequest(card_at="rim"), finder)
    assert "no_part_model" in [problem.kind.code for problem in survey.photos[0].problems]


def test_the_runtime_reports_nothing_to_anyone(tmp_path):
    # Since version 1.29 the runtime's Linux builds send reports unless told not to; they start with a file named .ses.
    code = "from features.parts.part_model import load_part_model as load; assert load()"
    root = Path(__file__).parents[2]
    kept = {name: value for name, value in os.environ.items() if name not in ("CI", "ORT_DISABLE_TELEMETRY")}
    environment = kept | {"TMPDIR": str(tmp_path), "PYTHONPATH": str(root)}
    subprocess.run([sys.executable, "-B", "-c", code], env=environment, cwd=root, check=True, timeout=120)
    assert not list(tmp_path.iterdir())


def test_with_a_model_it_is_used():
    assert isinstance(best_finder(), LearnedFinder)


@pytest.mark.parametrize("name", sorted(n for n in TRUTH if "_port" not in n))
def test_demo_pumps_are_seen_as_pumps_with_their_joint(model, name):
    told = look_at_pump(model, photo(name)).attributes
    assert told["pump"]["yes"] > 0.5
    assert told["housing_joint"][TRUTH[name]["attributes"]["housing_joint"]] > 0.5


def test_pictures_of_other_things_are_called_no_pump(model):
    # scikit-image's own pictures; none shows a pump.
    data = pytest.importorskip("skimage.data")
    for name in ("astronaut", "coffee", "camera", "coins"):
        picture = getattr(data, name)()
        picture = np.repeat(picture[..., None], 3, axis=2) if picture.ndim == 2 else picture[..., :3]
        assert look_at_pump(model, np.ascontiguousarray(picture)).attributes["pump"]["yes"] < 0.5, name


def test_picture_maps_back_to_the_photo():
    pixels = np.zeros((900, 1200, 3), np.uint8)
    picture, window = picture_of(pixels, (300, 200, 700, 500))
    assert picture.shape[2] % 32 == 0
    assert picture.shape[3] % 32 == 0
    corners = window.to_photo(np.array([[-0.5, -0.5], [window.width - 0.5, window.height - 0.5]]))
    assert np.allclose(corners, [[299.5, 199.5], [699.5, 499.5]], atol=1e-9)
    places = np.array([[350.0, 410.0], [611.5, 287.25]])
    assert np.allclose(window.to_photo(window.from_photo(places)), places)


def drawn_maps(center: tuple[float, float], axes: tuple[float, float], turn_deg: float) -> PartMaps:
    """Maps as a perfect model would give them of one chamber, drawn by OpenCV."""
    shape = (96, 128)
    classes = np.zeros((shape[0] * ROUND_STRIDE, shape[1] * ROUND_STRIDE), np.uint8)
    cv2.ellipse(classes, (center, (2 * axes[0], 2 * axes[1]), turn_deg), PART_CLASSES.index("chamber_cover"), -1)
    one_hot = (classes[..., None] == np.arange(len(PART_CLASSES))).astype(np.float32)
    fine = (classes.shape[1] // PART_STRIDE, classes.shape[0] // PART_STRIDE)
    share = cv2.resize(one_hot, fine, interpolation=cv2.INTER_AREA).transpose(2, 0, 1)
    shapes = np.zeros((len(ROUND_CLASSES), SHAPE_NUMBERS, *shape), np.float32)
    turn = np.radians(turn_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    log_shape = rotation @ np.diag(np.log(np.array(axes) / 32.0)) @ rotation.T
    column, row = (round((c + 0.5) / ROUND_STRIDE - 0.5) for c in center)
    cell = (np.array([column, row]) + 0.5) * ROUND_STRIDE - 0.5
    shapes[0, :, row, column] = [*(np.array(center) - cell) / 8.0, log_shape[0, 0], log_shape[1, 1], log_shape[0, 1]]
    centers = np.zeros((len(ROUND_CLASSES), *shape), np.float32)
    centers[0, row, column] = 0.9
    points = np.zeros((len(POINT_CLASSES), 2 * shape[0], 2 * shape[1]), np.float32)
    window = Window(0.0, 0.0, 1.0, shape[1] * ROUND_STRIDE, shape[0] * ROUND_STRIDE)
    return PartMaps(window, share, points, centers, shapes, {})


def test_ellipse_is_read_as_it_was_written():
    maps = drawn_maps((250.0, 190.0), (120.0, 80.0), 25.0)
    (part,) = round_parts(maps)
    assert part.name == "chamber"
    assert np.allclose(part.center_px, (250.0, 190.0), atol=1e-4)
    assert np.allclose(part.semi_axes_px, (120.0, 80.0), rtol=1e-5)
    # cv2.ellipse draws the same outline: no point of ours is off its edge by a pixel.
    told = np.zeros((400, 600), np.uint8)
    cv2.ellipse(told, ((250.0, 190.0), (240.0, 160.0), 25.0), 255, 1)
    away = cv2.distanceTransform(255 - told, cv2.DIST_L2, 5)
    at = np.rint(part.outline_px()).astype(int)
    assert away[at[:, 1], at[:, 0]].max() < 1.6


def test_map_corrects_an_ellipse_that_is_a_few_percent_off():
    maps = drawn_maps((250.0, 190.0), (120.0, 90.0), 25.0)
    (exact,) = round_parts(maps)
    off = RoundPart("chamber", 0.9, exact.center_px + np.array([5.0, -4.0]), exact.shape_px * 1.05)
    back = by_the_map(maps, off)
    before = np.abs(np.linalg.norm(exact.unit_places(off.outline_px()), axis=1) - 1).max()
    after = np.abs(np.linalg.norm(exact.unit_places(back.outline_px()), axis=1) - 1).max()
    assert before > 0.05
    assert 1e-6 < after < 0.012


def test_shares_and_points_are_empty_where_nothing_is_drawn():
    maps = drawn_maps((250.0, 190.0), (120.0, 90.0), 0.0)
    assert part_share(maps, ("flange",)) == 0
    assert 0.1 < part_share(maps, ("chamber_cover",)) < 0.3
    assert all(len(points.places_px) == 0 for points in point_parts(maps).values())


def test_of_two_flanges_the_open_one_is_measured_though_the_mated_one_is_larger():
    maps = drawn_maps((250.0, 190.0), (120.0, 90.0), 0.0)
    mated = RoundPart("flange", 0.9, np.array([250.0, 190.0]), 60.0 * np.eye(2))
    open_one = RoundPart("flange", 0.8, np.array([60.0, 60.0]), np.diag([40.0, 30.0]))
    both = (mated, open_one)
    assert part_to_measure(maps, both, "flange", None) is mated
    share = maps.shares.copy()
    share[PART_CLASSES.index("companion")] = share[PART_CLASSES.index("chamber_cover")]
    share[PART_CLASSES.index("chamber_cover")] = share.min()
    assert part_to_measure(replace(maps, shares=share), both, "flange", None) is open_one
    assert part_to_measure(replace(maps, shares=share), (mated,), "flange", None) is mated


def test_of_two_flanges_the_one_that_carries_the_reference_is_measured():
    """It lies in the reference's plane; the other one is nearer and its face is free."""
    maps = drawn_maps((250.0, 190.0), (120.0, 90.0), 0.0)
    carrying = RoundPart("flange", 0.8, np.array([250.0, 190.0]), 50.0 * np.eye(2))
    nearer = RoundPart("flange", 0.9, np.array([60.0, 60.0]), 60.0 * np.eye(2))
    assert part_to_measure(maps, (carrying, nearer), "flange", None) is nearer
    share = maps.shares.copy()
    lower_half = (slice(190 // PART_STRIDE, 250 // PART_STRIDE), slice(200 // PART_STRIDE, 300 // PART_STRIDE))
    share[PART_CLASSES.index("scale_reference")][lower_half] = 1.0
    assert part_to_measure(replace(maps, shares=share), (carrying, nearer), "flange", None) is carrying


def test_a_map_heeds_what_the_whole_picture_says():
    """Bayes' rule by hand: a cell of band or rim by 3 to 2 is rim where the picture shows a bolted joint by 9 to 1."""
    band, rim = (PART_CLASSES.index(name) for name in ("clamp_band", "bolted_rim"))
    logits = np.full((len(PART_CLASSES), 1, 1), -30.0, np.float32)
    logits[band], logits[rim] = np.log(0.6), np.log(0.4)
    joint = {"clamp_band": 0.1, "bolted": 0.9}
    heeding = np.exp(with_word(logits, {"housing_joint": joint, "connection": {"flanged": 0.5, "threaded": 0.5}}))
    assert heeding[rim] / (heeding[band] + heeding[rim]) == pytest.approx(0.4 * 0.9 / (0.4 * 0.9 + 0.6 * 0.1), abs=1e-6)


def test_box_of_a_pump_holds_it_with_room_and_no_more():
    # The drawn ellipse is upright: its box is its center and half axes.
    left, top, right, bottom = pump_box(drawn_maps((250.0, 190.0), (120.0, 90.0), 0.0))
    room = 0.1 * 240.0
    assert np.allclose([left, top, right, bottom], [130 - room, 100 - room, 370 + room, 280 + room], atol=8.0)


def test_a_pump_that_is_hardly_seen_has_no_box():
    assert pump_box(drawn_maps((250.0, 190.0), (8.0, 8.0), 0.0)) is None


@pytest.mark.parametrize(("gap_px", "joined"), [(40, True), (150, False)])
def test_what_stands_before_a_pump_does_not_cut_its_box_short(gap_px, joined):
    """A small piece of it below a hose or a hand is of the pump, one far off may be anything."""
    maps = drawn_maps((250.0, 120.0), (80.0, 80.0), 0.0)
    share = maps.shares.copy()
    top = (200 + gap_px) // PART_STRIDE
    share[:, top : top + 12, 110:140] = 0.0
    share[PART_CLASSES.index("manifold"), top : top + 12, 110:140] = 1.0
    bottom = pump_box(replace(maps, shares=share))[3]
    assert (bottom > 200 + gap_px) == joined
    assert bottom >= 200


class Recorded:
    """A model that tells what is drawn, and remembers where it was asked to look."""

    def __init__(self, first: PartMaps, second: PartMaps) -> None:
        self.boxes: list[object] = []
        self.sides: list[int] = []
        self._answers = iter((first, second))

    def look(
        self, pixels_rgb: np.ndarray, box: object = None, side_px: int = PICTURE_PX, sharp: bool = False,
        cast: object = None,
    ) -> PartMaps:  # fmt: skip
        self.boxes.append(box)
        self.sides.append(side_px)
        return next(self._answers)


def test_a_glance_at_the_photo_then_a_full_look_at_the_pump_or_at_all_of_it():
    told = {"view": {"front": 0.9, "port": 0.1}, "pump": {"yes": 0.8, "no": 0.2}, "housing_joint": {"bolted": 0.6}}
    again = {"view": {"front": 0.2, "port": 0.8}, "pump": {"yes": 0.5, "no": 0.5}, "housing_joint": {"bolted": 0.9}}
    small = replace(drawn_maps((250.0, 190.0), (60.0, 50.0), 0.0), attributes=told)
    near = replace(drawn_maps((250.0, 190.0), (120.0, 90.0), 0.0), attributes=again)
    large = replace(drawn_maps((256.0, 192.0), (240.0, 180.0), 0.0), attributes=told)
    pixels = np.zeros((384, 512, 3), np.uint8)
    model = Recorded(small, near)
    maps = look_at_pump(model, pixels)
    assert maps.shares is near.shares
    # Both looks tell the view: 0.9 x 0.2 against 0.1 x 0.8.
    assert maps.attributes["view"]["front"] == pytest.approx(0.18 / 0.26)
    assert maps.attributes["pump"]["yes"] == pytest.approx(0.8)
    assert maps.attributes["housing_joint"] == {"bolted": 0.9}
    assert model.boxes[1] == pump_box(small)
    left, top, right, bottom = pump_box(small)
    assert model.sides == [GLANCE_PX, full_side_px((round(bottom - top), round(right - left)))]
    model = Recorded(large, near)
    assert look_at_pump(model, pixels).shares is near.shares
    assert model.boxes == [None, None]


@pytest.mark.parametrize("count", [6, 8, 10, 12, 16])
def test_bolts_all_seen_are_counted_exactly(count):
    rng = np.random.default_rng(count)
    angle = 0.3 + 2 * np.pi * np.arange(count) / count + rng.normal(0, 0.02, count)
    places = 0.92 * np.stack([np.cos(angle), np.sin(angle)], 1) + rng.normal(0, 0.01, (count, 2))
    ring = count_ring(places, np.full(count, 0.8), tuple(range(4, 25)), lambda at: np.ones(len(at), bool))
    assert ring is not None
    assert ring.count == count
    assert 0.8 < ring.likelihood[count] < 1.0


@pytest.mark.parametrize("slant_deg", [35.0, 50.0])
def test_bolts_before_the_outline_seen_aslant_are_counted_exactly(slant_deg):
    # A joint of radius 100 mm, bolt heads 18 mm before it, projected by OpenCV as a phone sees it from 0.9 m.
    camera = np.array([[1000.0, 0, 0], [0, 1000.0, 0], [0, 0, 1]])
    turn, at = np.array([0.0, np.deg2rad(slant_deg), 0.0]), np.array([0.0, 0.0, 900.0])

    def seen(radius_mm, height_mm, count):
        angle = 0.4 + 2 * np.pi * np.arange(count) / count
        ring = np.stack([radius_mm * np.cos(angle), radius_mm * np.sin(angle), np.full(count, -height_mm)], 1)
        return cv2.projectPoints(ring, turn, at, camera, None)[0][:, 0]

    (x, y), (wide, high), angle_deg = cv2.fitEllipse(seen(100.0, 0.0, 200).astype(np.float32))
    angle = np.deg2rad(angle_deg)
    axes = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    shape = axes.T @ np.diag([wide / 2, high / 2]) @ axes
    places = (seen(85.0, 18.0, 8) - [x, y]) @ np.linalg.inv(shape)
    # The ring lies well beside the outline's middle.
    assert np.linalg.norm(places.mean(axis=0)) > 0.1
    ring = count_ring(places, np.full(8, 0.7), tuple(range(4, 25)), lambda at: np.ones(len(at), bool))
    assert ring is not None
    assert ring.count == 8
    assert ring.members.all()


@pytest.mark.parametrize("count", [6, 8, 10])
def test_bolts_are_counted_though_their_joints_outline_is_told_a_tenth_too_long_and_aside(count):
    """Rings drawn oval and beside the middle, as a wrong outline makes them; at most one of eight is miscounted."""
    right = 0
    for seed in range(8):
        rng = np.random.default_rng(seed)
        angle, toward = rng.uniform(0, 6) + 2 * np.pi * np.arange(count) / count, rng.uniform(0, 6)
        places = 0.85 * np.stack([1.1 * np.cos(angle), 0.9 * np.sin(angle)], 1) + rng.normal(0, 0.012, (count, 2))
        places += 0.18 * np.array([np.cos(toward), np.sin(toward)])
        ring = count_ring(places, np.full(count, 0.8), tuple(range(4, 25)), lambda at: np.ones(len(at), bool))
        right += ring is not None and ring.count == count
    assert right >= 7


@pytest.mark.parametrize("aside_deg", [4.0, 12.0])
def test_a_bolt_told_twice_and_a_stray_place_are_no_bolts(aside_deg):
    # Eight bolts; the model tells the head and the nut of one apart, and something between two others.
    angle = np.append(2 * np.pi * np.arange(8) / 8, [np.deg2rad(aside_deg), np.deg2rad(67.0)])
    places = 0.92 * np.stack([np.cos(angle), np.sin(angle)], 1)
    ring = count_ring(places, np.full(10, 0.8), tuple(range(4, 25)), lambda at: np.ones(len(at), bool))
    assert ring is not None
    assert ring.count == 8
    assert ring.members.tolist() == [True] * 8 + [False] * 2


def test_a_faint_finding_between_four_bolts_of_a_dark_photo_makes_no_eight():
    """Four faint bolts, one told twice, and a fainter spot between two of them: no four more are there unseen."""
    angle = np.deg2rad([-134.0, -43.0, 45.0, 135.0, 138.0, 5.0])
    places = 0.86 * np.stack([np.cos(angle), np.sin(angle)], 1)
    scores = np.array([0.43, 0.35, 0.32, 0.5, 0.29, 0.27])
    ring = count_ring(places, scores, tuple(range(4, 25)), lambda at: np.ones(len(at), bool))
    assert ring is not None
    assert ring.count == 4
    assert ring.likelihood[8] > 0.001


@pytest.mark.parametrize("seen", [7, 9])
def test_an_odd_count_is_told_where_all_of_its_bolts_are_seen(seen):
    """Joints are built alike on both sides (common practice), so odd counts are rare, but they are not ruled out."""
    angle = 0.2 + 2 * np.pi * np.arange(seen) / seen
    places = 0.9 * np.stack([np.cos(angle), np.sin(angle)], 1)
    ring = count_ring(places, np.full(seen, 0.9), tuple(range(4, 25)), lambda at: np.ones(len(at), bool))
    assert ring is not None
    assert ring.count == seen


def test_hidden_bolts_make_the_count_less_sure_but_not_wrong():
    # 12 bolts, those of the upper third behind something.
    angle = 2 * np.pi * np.arange(12) / 12
    places = 0.92 * np.stack([np.cos(angle), np.sin(angle)], 1)
    seen = places[:, 1] > -0.45
    ring = count_ring(places[seen], np.full(seen.sum(), 0.8), tuple(range(4, 25)), lambda at: at[:, 1] > -0.45)
    assert ring is not None
    assert ring.count == 12
    assert ring.hidden == (~seen).sum()


def test_places_in_plain_view_without_a_bolt_speak_against_a_count():
    # Every other of 12 places, all in plain view: six bolts, not twelve.
    angle = 2 * np.pi * np.arange(6) / 6
    places = 0.92 * np.stack([np.cos(angle), np.sin(angle)], 1)
    ring = count_ring(places, np.full(6, 0.8), (6, 12), lambda at: np.ones(len(at), bool))
    assert ring is not None
    assert ring.likelihood[12] < 0.01


def test_two_places_tell_no_count():
    places = np.array([[0.9, 0.0], [0.0, 0.9]])
    assert count_ring(places, np.ones(2), (4, 8), lambda at: np.ones(len(at), bool)) is None


def test_vocabulary_fits_what_the_reference_set_speaks_of():
    families = load_reference(None).families
    assert {family.housing_joint for family in families if family.housing_joint} <= set(ATTRIBUTES["housing_joint"])
    assert {family.connection for family in families if family.connection} <= set(ATTRIBUTES["connection"])


def test_a_full_look_costs_no_more_where_the_pump_is_square() -> None:
    """A square crop is looked at in fewer pixels along its side; an oblong one at full length."""
    assert full_side_px((900, 900)) == 480
    assert full_side_px((600, 1200)) == full_side_px((1200, 600)) == PICTURE_PX
    for shape in ((700, 800), (3000, 4000), (5, 9000)):
        long, short = max(shape), min(shape)
        assert full_side_px(shape) ** 2 * short / long <= FULL_LOOK_PX2


def test_the_pipe_on_a_mated_flange_is_no_mouth() -> None:
    """A pipe seen end-on is round as an opening is; its face is another flange's, and nothing dark is in it."""
    drawn = drawn_maps((256.0, 192.0), (120.0, 100.0), 0.0)
    flange = RoundPart("flange", 0.9, np.array([256.0, 192.0]), np.diag([120.0, 100.0]))
    mouth = RoundPart("mouth", 0.3, np.array([256.0, 192.0]), np.diag([40.0, 33.0]))
    shares = drawn.shares.copy()
    cover, companion, opening = (PART_CLASSES.index(n) for n in ("chamber_cover", "companion", "port_opening"))
    shares[[cover, companion]] = shares[[companion, cover]]
    assert is_pipe(replace(drawn, shares=shares), flange, mouth)
    assert not is_pipe(drawn, flange, mouth)
    row, column = np.mgrid[: shares.shape[1], : shares.shape[2]] * PART_STRIDE
    seen = shares.copy()
    seen[:, ((column - 256) / 40) ** 2 + ((row - 192) / 33) ** 2 < 1] = np.eye(len(shares), dtype=np.float32)[
        :, [opening]
    ]
    assert not is_pipe(replace(drawn, shares=seen), flange, mouth)
