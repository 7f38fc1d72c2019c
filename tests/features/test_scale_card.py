"""The printed scale cards are found where they are, say what is wrong with them, and are never made up.

Truth comes from drawing cards through a known camera (`features.scale.artificial`), whose marker pictures are OpenCV's
own; single markers are checked against an independent detector, pupil-apriltags.
"""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from features.camera import Camera
from features.photo import FocalPrior, Photo
from features.scale import charuco_card
from features.scale.artificial import expose, paint, pose_of, project_onto, scale_card
from features.scale.card_boards import LARGE, POCKET, marker_reader, opencv_board
from features.scale.charuco_card import PRINT_RELATIVE_SD, find_cards
from features.scale.corner_alignment import align_corners
from features.scale.find import find_scales
from features.scale.marker_groups import Marker, MarkerGroup, are_of_another
from features.scale.marker_reading import read_markers
from features.scale.reference import ScaleRequest

MARGIN_MM = 4.0
FOCAL_PX = 1085.0
SIZE = (1400, 1050)


def _scene(
    card=POCKET,
    distance_mm=300.0,
    size=SIZE,
    focal_px=FOCAL_PX,
    k1=0.0,
    bend_per_mm=0.0,
    blur_px=0.8,
    noise=0.01,
    jpeg=88,
    seed=0,
    **pose,
):
    """A gray picture of one card, and where its 24 corners truly are."""
    width, height = size
    camera = Camera.of_size(width, height, focal_px, k1)
    thing = replace(scale_card(card), bend_per_mm=bend_per_mm)
    at = pose_of(thing, distance_mm, **pose)
    cloudy = np.random.default_rng(seed).standard_normal((height // 50, width // 50, 3)).astype(np.float32)
    ground = np.clip(0.25 + 0.1 * cv2.resize(cloudy, size, interpolation=cv2.INTER_CUBIC), 0, 1)
    picture = expose(paint(ground, camera, thing, at), blur_px, noise, jpeg, seed)
    truth = project_onto(camera, thing, at, card.corners_mm + MARGIN_MM)
    return cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), truth


def _focal(gray, focal_px=FOCAL_PX):
    return FocalPrior(focal_px * 1.02, 0.05, "exif_35mm")


def _errors_px(reference, card, truth):
    ids = [int(np.argmin(((card.corners_mm - mm) ** 2).sum(1))) for mm in reference.points_mm]
    return reference.points_px - truth[ids]


def _only(finding):
    assert len(finding.references) == 1, [str(p) for p in finding.problems]
    return finding.references[0]


def _codes(things):
    return [p.kind.code for p in things.problems]


CASES = {
    "frontal": {"tilt_deg": 0},
    "tilted": {"tilt_deg": 35, "tilt_axis_deg": 30, "roll_deg": 20},
    "very tilted": {"tilt_deg": 58, "tilt_axis_deg": 100, "roll_deg": 200, "distance_mm": 250},
    "wide lens": {"tilt_deg": 20, "roll_deg": 75, "k1": -0.05, "aim_mm": (85.0, 40.0)},
    "soft": {"tilt_deg": 15, "roll_deg": 10, "blur_px": 2.0},
    "poor JPEG": {"tilt_deg": 25, "roll_deg": 140, "jpeg": 55, "distance_mm": 250},
    "noisy": {"tilt_deg": 20, "roll_deg": 300, "noise": 0.05},
    "large card": {"card": LARGE, "tilt_deg": 30, "roll_deg": 15, "distance_mm": 560},
}


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
def test_corners_lie_where_they_are(case):
    """RMS below 0.15 px, bias below 0.08 px, and the scatter said matches; above zero, or truth has leaked in."""
    gray, truth = _scene(**case)
    card = case.get("card", POCKET)
    reference = _only(find_cards(gray, _focal(gray)))
    assert reference.label == f"{card.size} scale card"
    assert len(reference.points_mm) >= 22
    off = _errors_px(reference, card, truth)
    rms = float(np.sqrt((off**2).mean()))
    assert 0.001 < rms < 0.15
    assert np.abs(off.mean(0)).max() < 0.08
    scatter = float(np.sqrt(((off - off.mean(axis=0)) ** 2).mean()))
    assert 0.4 * scatter < reference.point_sd_px < 4 * max(scatter, 0.03)


def test_a_wide_lens_bends_no_card():
    """Lens distortion also curves straight lines; with its prior it is not taken for a bent card."""
    gray, _ = _scene(**CASES["wide lens"])
    assert "card_bent" not in _codes(_only(find_cards(gray, _focal(gray))))


def test_a_reference_carries_what_it_is():
    gray, _ = _scene(tilt_deg=20)
    reference = _only(find_cards(gray, _focal(gray)))
    assert reference.kind == "scale_card"
    assert reference.size_relative_sd == PRINT_RELATIVE_SD
    assert reference.size_source == "print:pocket"
    assert reference.problems == ()
    width = np.linalg.norm(reference.outline_px[1] - reference.outline_px[0])
    height = np.linalg.norm(reference.outline_px[3] - reference.outline_px[0])
    assert 1.0 < width / height < 2.0


def test_a_small_card_in_a_large_photo_is_found():
    """A pocket card 250 px wide in 4000 px, as a whole pump and its card give at 1 m."""
    gray, truth = _scene(size=(4000, 3000), focal_px=3100, distance_mm=1040, tilt_deg=20, noise=0.0)
    reference = _only(find_cards(gray, _focal(gray, 3100)))
    assert np.linalg.norm(truth[5] - truth[0]) < 200
    assert 0.001 < np.sqrt((_errors_px(reference, POCKET, truth) ** 2).mean()) < 0.15


def test_a_card_in_a_messaging_photo_is_found():
    """1600 px, JPEG 60: squares of 25 px, on which reading markers alone mostly fails."""
    gray, truth = _scene(size=(1600, 1200), focal_px=1240, distance_mm=600, tilt_deg=30, jpeg=60)
    reference = _only(find_cards(gray, _focal(gray, 1240)))
    assert len(reference.points_mm) >= 20
    assert 0.001 < np.sqrt((_errors_px(reference, POCKET, truth) ** 2).mean()) < 0.25


@pytest.mark.parametrize(("hidden", "least"), [(0.3, 12), (0.55, 7)])
def test_a_partly_covered_card_still_measures(hidden, least):
    """Something lies over part of the card: the rest is found, the hidden corners are not made up."""
    gray, truth = _scene(tilt_deg=15)
    edge = int(truth[:, 0].min() + hidden * np.ptp(truth[:, 0]))
    gray[:, :edge] = 120
    reference = _only(find_cards(gray, _focal(gray)))
    assert len(reference.points_mm) >= least
    assert reference.points_px[:, 0].min() > edge
    assert np.sqrt((_errors_px(reference, POCKET, truth) ** 2).mean()) < 0.15
    assert "card_partly_covered" in _codes(reference)


def test_a_card_with_a_glimpse_left_is_refused():
    gray, truth = _scene()
    gray[:, : int(truth[4, 0] + 5)] = 120
    finding = find_cards(gray, _focal(gray))
    assert finding.references == ()
    assert _codes(finding) in (["card_too_little_seen"], ["markers_not_ours"])


def test_a_mirrored_card_is_refused_and_said():
    gray, _ = _scene(tilt_deg=20, roll_deg=15)
    finding = find_cards(np.ascontiguousarray(gray[:, ::-1]), _focal(gray))
    assert finding.references == ()
    assert _codes(finding) == ["card_mirrored"]


def test_mirrored_markers_cannot_pass_for_ordinary_ones():
    """Every mirrored marker kept differs by 5 bits or more from every ordinary one: 2 are corrected."""
    dictionary, ids = marker_reader()
    rows = np.asarray(dictionary.bytesList)
    mirrored = [cv2.aruco.Dictionary.getBitsFromByteList(rows[i : i + 1], 5) for i in np.flatnonzero(ids >= 1000)]
    ordinary = [cv2.aruco.Dictionary.getBitsFromByteList(rows[i : i + 1], 5) for i in range(100)]
    assert len(mirrored) >= 20
    least = min((np.rot90(m, k) != o).sum() for m in mirrored for o in ordinary for k in range(4))
    assert least >= 5


@pytest.mark.parametrize("axis", [0.0, 90.0])
def test_an_oblique_card_is_said_and_a_very_oblique_one_refused(axis):
    gray, _ = _scene(tilt_deg=64, tilt_axis_deg=axis, distance_mm=230)
    assert "card_oblique" in _codes(_only(find_cards(gray, _focal(gray))))
    gray, _ = _scene(tilt_deg=76, tilt_axis_deg=axis, distance_mm=160)
    finding = find_cards(gray, _focal(gray))
    assert finding.references == ()
    assert _codes(finding) in (["card_too_oblique"], ["card_too_little_seen"], [])


def test_a_tiny_card_is_not_measured():
    gray, _ = _scene(distance_mm=1800, blur_px=0.5)
    finding = find_cards(gray, _focal(gray))
    assert finding.references == ()


def test_a_bent_card_is_said_in_mm():
    """A cylinder of 200 mm radius over 84 mm stands off its chord by 4.4 mm, over the diagonal by 6.6 mm."""
    gray, _ = _scene(tilt_deg=30, tilt_axis_deg=60, bend_per_mm=1 / 200, distance_mm=250)
    reference = _only(find_cards(gray, _focal(gray)))
    assert "card_bent" in _codes(reference)
    detail = next(p.detail for p in reference.problems if p.kind.code == "card_bent")
    assert 4.0 < float(detail.split()[2]) < 9.0
    flat, _ = _scene(tilt_deg=30, tilt_axis_deg=60, distance_mm=250)
    # The bend is solved with the card's plane, so it is no scatter of the corners.
    assert 1.0 < reference.point_sd_px / _only(find_cards(flat, _focal(flat))).point_sd_px < 5.0


def test_the_print_about_a_corner_places_it_better_than_its_crossing_alone():
    """A small, noisy card: beside the drawn truth, and beside OpenCV's corner refinement."""
    alone, aligned = [], []
    for seed in range(4):
        gray, truth = _scene(distance_mm=620, tilt_deg=20, roll_deg=30 * seed, noise=0.06, seed=seed)
        start = truth.astype(np.float32).reshape(-1, 1, 2)
        stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 40, 1e-3)
        seen = np.asarray(cv2.cornerSubPix(gray, start, (3, 3), (-1, -1), stop), float).reshape(-1, 2)
        alone.append(seen - truth)
        aligned.append(align_corners(gray, POCKET, np.arange(24), seen) - truth)
    scatter = [float(np.sqrt(np.mean(np.concatenate(off) ** 2))) for off in (alone, aligned)]
    assert 0.01 < scatter[1] < 0.6 * scatter[0]


def test_a_corner_taken_for_an_edge_beside_it_is_brought_back():
    """A tenth of a square off, as the crossing of a marker's edge with a square's lies."""
    gray, truth = _scene(distance_mm=550.0, tilt_deg=20, roll_deg=10)
    started = truth.copy()
    started[[3, 8, 17]] += 0.1 * (truth[1] - truth[0])
    off = align_corners(gray, POCKET, np.arange(24), started) - truth
    assert 0.001 < float(np.abs(off).max()) < 0.3


@pytest.mark.parametrize(("distance_mm", "blur_px", "tilt_deg"), [(600.0, 3.0, 10), (600.0, 4.0, 10), (450.0, 4.0, 30)])
def test_a_soft_card_gives_no_smaller_scale_than_a_sharp_one(distance_mm, blur_px, tilt_deg):
    """The drawn lens blurs light before the sRGB curve, so edges move into the black: by 0.2 % of a scale, once."""
    off = []
    for seed in range(3):
        pose = {"tilt_deg": tilt_deg, "roll_deg": 50.0 * seed, "tilt_axis_deg": 70.0 * seed}
        gray, truth = _scene(distance_mm=distance_mm, blur_px=blur_px, noise=0.02, seed=seed, **pose)
        reference = _only(find_cards(gray, _focal(gray)))
        seen = reference.points_px + _errors_px(reference, POCKET, truth) * -1.0
        spread = [np.linalg.norm(px - px.mean(axis=0)) for px in (reference.points_px, seen)]
        off.append(float(np.log(spread[0] / spread[1])))
    assert 0.0 < abs(float(np.mean(off))) < 0.0007


def test_a_blurred_card_is_said():
    gray, _ = _scene(tilt_deg=10, blur_px=4.5, distance_mm=300)
    finding = find_cards(gray, _focal(gray))
    assert "card_blurred" in (_codes(finding.references[0]) if finding.references else ["card_blurred"])
    sharp, _ = _scene(tilt_deg=10)
    assert "card_blurred" not in _codes(_only(find_cards(sharp, _focal(sharp))))


def test_markers_of_another_board_give_no_scale():
    """The same dictionary, a board of another make: ids 40 to 56."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    board = cv2.aruco.CharucoBoard((7, 5), 12.0, 9.0, dictionary, np.arange(40, 57))
    gray = cv2.copyMakeBorder(board.generateImage((840, 600)), 200, 200, 200, 200, cv2.BORDER_CONSTANT, value=200)
    finding = find_cards(gray, _focal(gray))
    assert finding.references == ()
    assert _codes(finding) == ["markers_not_ours"]


def test_our_markers_in_the_wrong_places_give_no_scale():
    """All 17 markers of the pocket card, shuffled: right ids, wrong board."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    order = np.random.default_rng(1).permutation(17)
    board = cv2.aruco.CharucoBoard((7, 5), 12.0, 9.0, dictionary, order)
    gray = cv2.copyMakeBorder(board.generateImage((840, 600)), 200, 200, 200, 200, cv2.BORDER_CONSTANT, value=200)
    assert find_cards(gray, _focal(gray)).references == ()


def test_two_cards_of_one_size_come_out_as_two():
    gray, _ = _scene(tilt_deg=15)
    both = np.hstack([gray[300:1200, 600:1400], gray[300:1200, 600:1400]])
    assert len(find_cards(both, _focal(both)).references) == 2


def test_the_boards_are_those_agreed():
    """Design section 4: 7 x 5, 12/9 mm ids 0-16 and 36/27 mm ids 17-33, current pattern."""
    for card, square, marker, ids in ((POCKET, 12, 9, range(17)), (LARGE, 36, 27, range(17, 34))):
        board = opencv_board(card.size)
        assert board.getChessboardSize() == (7, 5)
        assert (board.getSquareLength(), board.getMarkerLength()) == (square, marker)
        assert list(np.ravel(board.getIds())) == list(ids)
        assert not board.getLegacyPattern()


@pytest.fixture
def apriltag_detector():
    """The AprilTag project's own detector of 36h11 tags, kept from freeing its families.

    It reads them again after that, which ends the whole process now and then.
    """
    detector = pytest.importorskip("pupil_apriltags").Detector(families="tag36h11", quad_decimate=1.0)
    yield detector
    detector.tag_families.clear()


def test_marker_corners_agree_with_an_independent_detector(apriltag_detector):
    """pupil-apriltags and OpenCV read one picture of 36h11 tags: corners agree to 0.2 px.

    AprilTag puts the middle of the first pixel at (0.5, 0.5), OpenCV and this project at (0, 0).
    """
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    page = np.full((900, 1200), 230, np.uint8)
    for i in range(6):
        tag = dictionary.generateImageMarker(i, 160)
        page[100 + 400 * (i // 3) :, 100 + 350 * (i % 3) :][:160, :160] = tag
    warp = np.array([[0.9, 0.15, 20], [-0.1, 0.95, 120], [0.00002, 0.00005, 1]])
    page = cv2.GaussianBlur(cv2.warpPerspective(page, warp, (1200, 950), borderValue=230), (0, 0), 0.8)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(page)
    ours = dict(zip(np.ravel(ids).tolist(), np.asarray(corners).reshape(-1, 4, 2), strict=True))
    theirs = {t.tag_id: t.corners for t in apriltag_detector.detect(page)}
    assert set(ours) == set(theirs) == set(range(6))
    off = []
    for i in range(6):
        for corner in ours[i]:
            off.append(corner - (theirs[i][np.linalg.norm(theirs[i] - corner, axis=1).argmin()] - 0.5))
    assert 0 < np.median(np.abs(off)) < 0.2
    assert np.abs(off).max() < 0.5
    assert np.abs(np.mean(off, axis=0)).max() < 0.1


def test_reading_a_reduced_part_gives_photo_pixels():
    """Pixel centers map by (x + 0.5) s - 0.5: markers of a shrunk crop land where the full picture has them."""
    gray, _ = _scene(tilt_deg=10)
    full = {m.id: m.corners_px for m in read_markers(gray, 1.0)}
    crop = gray[200:1300, 300:1800]
    half = cv2.resize(crop, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    off = [m.corners_px.mean(0) - full[m.id].mean(0) for m in read_markers(half, 0.5, (300.0, 200.0))]
    assert len(off) >= 10
    # Unrefined corners lie on whole pixels of either picture, so they scatter, but they are not shifted.
    assert np.abs(off).max() < 1.5
    assert np.abs(np.mean(off, axis=0)).max() < 0.4


def test_find_scales_puts_the_card_first_and_keeps_its_problems():
    gray, _ = _scene(tilt_deg=64, distance_mm=230)
    photo = Photo("a.jpg", Path("a.jpg"), np.stack([gray] * 3, axis=-1), _focal(gray))
    request = ScaleRequest(two_points_px=((10, 10), (500, 10)), two_points_mm=100.0)
    finding = find_scales(photo, request)
    assert [r.kind for r in finding.references][:2] == ["scale_card", "points"]
    assert "card_oblique" in _codes(finding)


# --- real photographs -----------------------------------------------------------------------------
def test_five_markers_of_other_sizes_are_refused(real_photos):
    """One phone photo with five markers of this dictionary and of unpublished sizes; one has an id of our card."""
    gray = cv2.imread(str(real_photos / "aruco-oneplus" / "pose_test.jpg"), cv2.IMREAD_GRAYSCALE)
    finding = find_cards(gray, _focal(gray, 3400))
    assert finding.references == ()
    assert _codes(finding) == ["markers_not_ours"]


def test_no_marker_free_photo_gives_a_card(real_photos, capsys):
    """0 false positives over every real photograph that Pillow-free OpenCV reads (none shows our card)."""
    count, false = 0, []
    for path in sorted(real_photos.rglob("*")):
        if path.suffix.lower() not in (".jpg", ".png"):
            continue
        gray = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        count += 1
        if find_cards(gray, _focal(gray, 0.8 * max(gray.shape))).references:
            false.append(path.name)
    with capsys.disabled():
        print(f"\nscale cards made up in {count} real photographs: {len(false)}")
    assert count >= 40
    assert false == []


def test_published_marker_corners_are_found_again(real_photos):
    """choriginal.jpg and singlemarkersoriginal.jpg of the OpenCV tutorials, corners as published beside them."""
    rows = (real_photos / "opencv-aruco" / "published_corners_px.csv").read_text().splitlines()[1:]
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
    matched = 0
    for name in {row.split(",")[0] for row in rows}:
        gray = cv2.imread(str(real_photos / "opencv-aruco" / name), cv2.IMREAD_GRAYSCALE)
        corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(gray)
        found = dict(zip(np.ravel(ids).tolist(), np.asarray(corners).reshape(-1, 4, 2), strict=True))
        for row in (r.split(",") for r in rows if r.startswith(name)):
            if int(row[1]) in found:
                assert np.abs(found[int(row[1])].ravel() - np.array(row[2:], float)).max() <= 1.5
                matched += 1
    assert matched >= 20


def test_published_apriltag_corners_agree_with_two_detectors(real_photos, apriltag_detector):
    """Two NASA photographs with corners published by the AprilTag project (first pixel's middle at 0.5, 0.5)."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    by_opencv, by_apriltag = [], []
    for path in sorted((real_photos / "apriltag-nasa").glob("*.jpg")):
        gray = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        corners, _, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(gray)
        centers = np.asarray(corners).reshape(-1, 4, 2).mean(1)
        others = np.concatenate([tag.corners for tag in apriltag_detector.detect(gray)])
        for line in path.with_suffix(".txt").read_text().splitlines():
            numbers = [float(v) for v in line.replace("(", " ").replace(")", " ").replace(",", " ").split()][1:]
            published = np.array(numbers).reshape(4, 2)
            by_opencv.append(np.linalg.norm(centers - (published.mean(0) - 0.5), axis=1).min())
            by_apriltag.append(np.linalg.norm(others[:, None] - published[None], axis=2).min(0).max())
    assert len(by_opencv) >= 20
    assert 0 < np.median(by_opencv) < 0.5
    assert 0 < np.median(by_apriltag) < 0.5


@pytest.mark.parametrize(("tilt", "axis", "blur_px"), [(64, 45.0, 1.5), (68, 30.0, 0.6), (68, 60.0, 0.6)])
def test_corners_of_a_card_that_lies_askew_and_flat_stay_on_their_crossings(tilt, axis, blur_px):
    """Its squares are seen as narrow rhombs, and a marker's border comes as near as a tenth of their sides."""
    gray, truth = _scene(tilt_deg=tilt, tilt_axis_deg=axis, distance_mm=230, blur_px=blur_px, noise=0.02)
    errors = _errors_px(_only(find_cards(gray, _focal(gray))), POCKET, truth)
    assert 0.005 < np.sqrt(np.mean(errors**2)) < 0.12
    assert np.abs(errors).max() < 0.5


def test_of_two_readings_of_one_card_that_with_more_corners_is_believed():
    """Two markers pasted over with OpenCV's pictures of those two squares on, two left as printed, the others blotted.

    The pasted ones fit the squares as well, but by them a part of the card lies where none is.
    """
    gray, truth = _scene(seed=3)
    px_from_mm = cv2.findHomography(POCKET.corners_mm, truth)[0]
    aside, printed, side = {4: 5, 11: 12}, (8, 15), 70
    square = np.array([[0, 0], [side, 0], [side, side], [0, side]], np.float32)
    for place, corners_mm in zip(POCKET.marker_ids, POCKET.marker_corners_mm, strict=True):
        if place in printed:
            continue
        shown = np.full((side, side), 20, np.uint8)
        if place in aside:
            shown = cv2.aruco.generateImageMarker(marker_reader()[0], aside[place], side)
        into = px_from_mm @ cv2.getPerspectiveTransform(square, corners_mm.astype(np.float32))
        cover = cv2.warpPerspective(np.ones_like(shown), into, SIZE, flags=cv2.INTER_NEAREST)
        gray = np.where(cover > 0, cv2.warpPerspective(shown, into, SIZE, flags=cv2.INTER_AREA), gray)
    assert sorted(m.id for m in read_markers(gray, 1.0)) == sorted([*aside.values(), *printed])
    errors = _errors_px(_only(find_cards(gray, _focal(gray))), POCKET, truth)
    # Blots move corners by a pixel or two; read two columns aside they are 61 off.
    assert 0.05 < float(np.sqrt((errors**2).mean())) < 3.0


def test_corners_that_do_not_fit_their_marker_are_of_something_else():
    """Against OpenCV's perspectiveTransform: a card seen aslant, and the same corners half again too far apart."""
    view = np.array([[2.1, -0.5, 480.0], [0.4, 2.0, 770.0], [2e-4, 1e-4, 1.0]])
    marker_mm = POCKET.marker_corners_mm[3]
    seen = cv2.perspectiveTransform(marker_mm[None], view)[0]
    group = MarkerGroup(POCKET, (Marker(POCKET.marker_ids[3], seen + 0.4),), view)
    ids = np.array([0, 1, 5, 6, 7, 12, 21])
    true = cv2.perspectiveTransform(POCKET.corners_mm[ids][None], view)[0]
    assert not are_of_another(group, ids, true)
    middle = seen.mean(axis=0)
    assert are_of_another(group, ids, middle + 1.5 * (true - middle))
    assert not are_of_another(group, ids[:3], true[:3])


@pytest.mark.parametrize("seed", range(3))
def test_a_card_that_drowns_in_the_grain_is_read_in_a_smoother_picture(seed, monkeypatch):
    """Noise of the strength of a photo at night, unfiltered; without the smoother picture no marker is read."""
    gray, truth = _scene(distance_mm=640, tilt_deg=35, noise=0.8, seed=seed)
    found = _only(find_cards(gray, _focal(gray)))
    errors = np.linalg.norm(_errors_px(found, POCKET, truth), axis=1)
    assert len(errors) >= 20
    assert 1e-3 < np.median(errors) < 0.3
    monkeypatch.setattr(charuco_card, "without_grain", lambda picture: picture)
    assert not find_cards(gray, _focal(gray)).references
