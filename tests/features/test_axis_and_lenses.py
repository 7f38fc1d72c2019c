"""What a slanted view tells of a flange's depth, of the lens that took it, and what is said of a threaded mouth.

Pictures of known truth are drawn with OpenCV's own projection, which shares no code with the program.
"""

from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.optimize import least_squares

from features.circle_in_space import solve_circle
from features.circle_sighting import CirclePrior, CircleSighting
from features.common_axis import with_common_axis
from features.lenses import lenses, mean_and_spread
from features.measure_circles import measure_circles
from features.measured import Contribution, MeasuredLength
from features.parts.finder import FoundCircle
from features.photo import FocalPrior, Photo
from features.placement import seeming_place
from features.plane_pose import plane_poses
from features.plane_solution import poses_as_solved, solve_plane
from features.scale.reference import ScaleReference
from features.which_edge import with_thread_doubt

WIDTH, HEIGHT, FOCAL = 1600, 1200, 1200.0
CENTER = ((WIDTH - 1) / 2, (HEIGHT - 1) / 2)
GRID = np.array([[x * 12.0, y * 12.0] for x in range(1, 7) for y in range(1, 5)])


def _drawn(points_mm, focal, tilt_deg, away_mm, rng, noise_px=0.05):
    K = np.array([[focal, 0, CENTER[0]], [0, focal, CENTER[1]], [0, 0, 1.0]])
    turn = np.deg2rad(tilt_deg) * np.array([0.4, 0.9, 0.0])
    px, _ = cv2.projectPoints(np.asarray(points_mm, float), turn, np.array([-40.0, -40.0, away_mm]), K, None)
    return px.reshape(-1, 2) + rng.normal(0, noise_px, (len(points_mm), 2))


def _circle(diameter_mm, depth_mm):
    angle = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    return 0.5 * diameter_mm * np.column_stack([np.cos(angle), np.sin(angle), 0 * angle]) + [60, -20, depth_mm]


def _reference(focal, tilt_deg, away_mm, rng, noise_px=0.05):
    px = _drawn(np.column_stack([GRID, np.zeros(len(GRID))]), focal, tilt_deg, away_mm, rng, noise_px)
    return ScaleReference("scale_card", "pocket scale card", GRID, px, noise_px, px[:4], 0.005, "print:pocket")


def _photo(source, sd):
    return Photo("a.jpg", Path("a.jpg"), np.zeros((HEIGHT, WIDTH, 3), np.uint8), FocalPrior(FOCAL, sd, source))


@pytest.mark.parametrize("k1", [0.06, -0.08])
def test_a_card_at_the_border_leans_as_it_does_when_its_lens_is_solved_too(k1):
    """Through a lens taken for a perfect one it seems to lean by degrees more or less than it does (cv2 draws it)."""
    K = np.array([[FOCAL, 0, CENTER[0]], [0, FOCAL, CENTER[1]], [0, 0, 1.0]])
    turn, rng = np.deg2rad(30.0) * np.array([0.4, 0.9, 0.0]), np.random.default_rng(3)
    true = cv2.Rodrigues(turn)[0][:, 2]
    flat = np.column_stack([GRID, np.zeros(len(GRID))])
    px = cv2.projectPoints(flat, turn, np.array([130.0, 60.0, 360.0]), K, np.array([k1, 0, 0, 0]))[0].reshape(-1, 2)
    px += rng.normal(0, 0.05, px.shape)
    reference = ScaleReference("scale_card", "pocket scale card", GRID, px, 0.05, px[:4], 0.005, "print:pocket")
    photo = _photo("exif_35mm", 0.05)
    poses = plane_poses(reference, photo)
    plain, solved = (
        float(np.degrees(np.arccos(min(1.0, abs(pose[0].rotation[:, 2] @ true)))))
        for pose in (poses, poses_as_solved(reference, photo, poses))
    )
    assert plain > 1.0
    assert 1e-3 < solved < 0.5 * plain


@pytest.mark.parametrize(("tilt_deg", "least", "most"), [(35.0, 6.0, 10.5), (2.0, 1.0, 3.5)])
def test_a_step_shows_at_a_slant_and_not_from_ahead(tilt_deg, least, most):
    """A rim 9 mm behind its face, believed 2 mm behind: a slanted view says so, a frontal one leaves the belief."""
    rng = np.random.default_rng(0)
    reference, photo = _reference(FOCAL, tilt_deg, 500.0, rng), _photo("exif_35mm", 0.05)
    pose = plane_poses(reference, photo)[0]

    def solved(name, diameter_mm, depth_mm, prior):
        edge = CircleSighting(name, "a.jpg", _drawn(_circle(diameter_mm, depth_mm), FOCAL, tilt_deg, 500.0, rng))
        return solve_circle(edge, pose, reference, photo.focal, CENTER, prior)

    belief = CirclePrior(2.0, 2.5)
    opening = solved("port_bore", 40.0, 0.0, CirclePrior(0.0, 0.5))
    told = with_common_axis(belief, solved("flange_diameter", 150.0, 9.0, belief), opening)
    assert least < told.offset_mm < most
    assert told.offset_sd_mm < belief.offset_sd_mm


@pytest.mark.parametrize(("aside_mm", "seen"), [(6.0, slice(None)), (0.0, slice(0, 45))])
def test_an_opening_whose_middle_is_not_known_tells_no_depth(aside_mm, seen):
    """A step traced 6 mm beside, or a quarter of its edge seen: nearly from ahead the belief stays as it was."""
    rng = np.random.default_rng(0)
    reference, photo = _reference(FOCAL, 2.0, 500.0, rng), _photo("exif_35mm", 0.05)
    pose = plane_poses(reference, photo)[0]

    def solved(name, places_mm, prior):
        edge = CircleSighting(name, "a.jpg", _drawn(places_mm, FOCAL, 2.0, 500.0, rng))
        return solve_circle(edge, pose, reference, photo.focal, CENTER, prior)

    belief = CirclePrior(2.0, 2.5)
    mouth = _circle(40.0, 0.0)[seen] + np.array([aside_mm, 0.0, 0.0])
    opening = solved("port_bore", mouth, CirclePrior(0.0, 0.5))
    told = with_common_axis(belief, solved("flange_diameter", _circle(150.0, 2.0), belief), opening)
    assert told.offset_mm == pytest.approx(belief.offset_mm, abs=0.5)
    assert 0.9 * belief.offset_sd_mm < told.offset_sd_mm <= belief.offset_sd_mm


def test_a_longer_lens_is_found_by_the_card():
    """Three times the main lens's length, not told: by weighing lenses nearer than where one is believed."""
    rng = np.random.default_rng(1)
    off = {}
    for source in ("phone_prior", "exif_35mm"):
        off[source] = []
        for tilt_deg in (20.0, 22.0, 24.0, 26.0, 28.0):
            reference = _reference(3 * FOCAL, tilt_deg, 2400.0, rng, 0.2)
            edge = _drawn(_circle(200.0, 7.0), 3 * FOCAL, tilt_deg, 2400.0, rng)
            found = FoundCircle(CircleSighting("chamber_diameter", "a.jpg", edge), 1.0, 0.1)
            photo = _photo(source, 0.2)
            (one,) = measure_circles(photo, [found], plane_poses(reference, photo), reference, "rim")
            off[source].append(abs(one.length.value_mm / 200.0 - 1))
    assert 1e-6 < np.median(off["phone_prior"]) < 0.01
    assert np.median(off["phone_prior"]) < np.median(off["exif_35mm"])
    assert len(lenses(_photo("exif_35mm", 0.05).focal)) == 1


@pytest.mark.parametrize("lens", [1.0, 3.0])
def test_a_mouth_that_tells_nothing_of_the_lens_has_it_from_a_joint_far_aside(lens):
    """One lens took both: the joint leans as the card does, and far aside it is seen to do so by that lens alone."""
    chosen, off = {"mouth": [], "both": []}, {"mouth": [], "both": []}
    for seed in range(6):
        rng = np.random.default_rng(seed)
        reference, photo = _reference(lens * FOCAL, 25.0, lens * 700.0, rng, 1.0), _photo("phone_prior", 0.2)
        joint, mouth = (
            FoundCircle(CircleSighting(name, "a.jpg", _drawn(places, lens * FOCAL, 25.0, lens * 700.0, rng)), 1.0, 0.1)
            for name, places in (
                ("chamber_diameter", _circle(300.0, 10.0) + np.array([260, 40, 0])),
                ("port_bore", _circle(50.0, -104.0) + np.array([0, 40, 0])),
            )
        )
        for which, found in (("mouth", [mouth]), ("both", [mouth, joint])):
            one, *others = measure_circles(photo, found, plane_poses(reference, photo), reference, "rim")
            chosen[which].append(one.seen.focal.focal_px / FOCAL)
            off[which].append(abs(np.log(one.length.value_mm / 50.0)))
            assert all(other.seen.focal.focal_px == one.seen.focal.focal_px for other in others)
    assert chosen["both"] == [lens] * 6
    assert lens == 1.0 or chosen["mouth"].count(lens) < 3
    assert 1e-4 < np.median(off["both"]) < 0.05
    assert lens == 1.0 or np.median(off["both"]) < 0.5 * np.median(off["mouth"])


def test_a_lens_errs_in_opposite_ways_before_a_reference_and_behind_it():
    """By a pinhole 60 mm at 600 mm are a tenth: what a longer lens has larger before, it has smaller behind."""
    weights, focal_px = np.array([0.6, 0.3, 0.1]), np.array([1.0, 2.0, 3.0])
    before, behind = (np.log(1.0 + depth_mm / (600.0 * focal_px)) for depth_mm in (-60.0, 60.0))
    (mean, larger), (_, smaller) = (mean_and_spread(np.log(weights), each, focal_px) for each in (before, behind))
    covariance = np.cov(before, behind, ddof=0, aweights=weights)
    assert mean == pytest.approx(np.average(before, weights=weights))
    assert larger > 0.0 > smaller
    assert larger * smaller == pytest.approx(covariance[0, 1], rel=1e-3)


@pytest.mark.parametrize(("lens", "place_mm"), [(3.0, (-300.0, 200.0, 1500.0)), (2.2, (-150.0, 100.0, 700.0))])
def test_a_plane_is_solved_to_its_minimum_however_far_off_its_lens_was_believed(lens, place_mm):
    """The sum of squares is as low as SciPy's least squares has it (trust region reflective, of the same residuals)."""
    K = np.array([[lens * FOCAL, 0, CENTER[0]], [0, lens * FOCAL, CENTER[1]], [0, 0, 1.0]])
    flat, turn = np.column_stack([GRID, np.zeros(len(GRID))]), np.deg2rad(30.0) * np.array([0.9, 0.4, 0.0])
    for seed in range(4):
        px = cv2.projectPoints(flat, turn, np.array(place_mm), K, None)[0].reshape(-1, 2)
        px += np.random.default_rng(seed).normal(0, 0.05, px.shape)
        reference = ScaleReference("scale_card", "pocket scale card", GRID, px, 0.05, px[:4], 0.005, "print:pocket")
        plane = solve_plane(reference, _photo("phone_prior", 0.2))
        assert plane

        def of_all(x, problem=plane.problem):
            return np.concatenate([one.ravel() for one in problem.residuals(x[None]).values()])

        best = least_squares(of_all, plane.solution.x, x_scale="jac", xtol=1e-12, ftol=1e-12, gtol=1e-12)
        assert best.cost > 1.0
        assert plane.solution.cost - best.cost < 0.02
        assert 1e-5 < abs(np.log(plane.camera().focal_px / (lens * FOCAL))) < 0.15


def test_a_threaded_mouth_may_be_chamfer_or_crests():
    """NPT 1 (ASME B1.20.1, from memory): 33.4 mm outside, 30.3 mm at its crests; the interval holds both."""
    mouth = MeasuredLength("port_bore", 1.015 * 33.4, (Contribution("edge", "edge:a", 0.005),), ("a.jpg",))
    told = with_thread_doubt(mouth, 0.98)
    assert 30.3 < told.value_mm < 1.015 * 33.4
    low, high = told.interval_mm
    assert low < 30.3 < 1.015 * 33.4 < high
    assert with_thread_doubt(mouth, 0.02) is mouth


def test_a_card_over_the_rim_where_manifolds_pass_seems_to_lie_on_a_port():
    """Above the middle it does, beside it on the rim: manifolds run up and down (common practice)."""
    angle = np.linspace(0, 2 * np.pi, 60)
    circle = np.column_stack([np.cos(angle), np.sin(angle)])
    seen = {"chamber_diameter": 300.0 * circle + [800, 600], "port_bore": 40.0 * circle + [840, 180]}
    card = np.array([[-45.0, -30.0], [45.0, -30.0], [45.0, 30.0], [-45.0, 30.0]])
    joint = {"chamber_diameter": seen["chamber_diameter"]}
    for down_px in (220, 310, 390, 810, 890, 1000):
        assert seeming_place("unknown", card + np.array([820, down_px]), joint) == "seems_port"
    # The port on the one side is seen with no card on it; on the other side it may lie on one.
    assert seeming_place("unknown", card + np.array([820, 310]), seen) == "unknown"
    assert seeming_place("unknown", card + np.array([820, 890]), seen) == "seems_port"
    assert seeming_place("unknown", card + np.array([1090, 640]), seen) == "seems_rim"
    assert seeming_place("unknown", card + np.array([1168, 640]), seen) == "seems_by_rim"  # hangs from it
    assert seeming_place("unknown", card + np.array([1240, 640]), seen) == "unknown"
    assert seeming_place("rim", card + np.array([820, 310]), seen) == "rim"
    # Told to lie on a flange, far from the one that is seen, it lies on the other.
    flange = {"flange_diameter": 90.0 * circle + [840, 180]}
    assert seeming_place("flange", card + np.array([840, 260]), flange) == "flange"
    assert seeming_place("flange", card + np.array([840, 960]), flange) == "other_flange"
    # A card that adjoins the opening lies on the port's own face.
    assert seeming_place("unknown", card + np.array([840, 260]), seen) == "seems_flange"


def test_a_flange_half_seen_keeps_the_ratio_of_its_circles():
    """ASME 2 in. (152.4 and 120.7 mm, from memory) 70 mm before a card on the rim, a third of its outside seen."""
    rng = np.random.default_rng(2)
    reference, photo = _reference(FOCAL, 15.0, 700.0, rng), _photo("exif_35mm", 0.05)
    outside = _drawn(_circle(152.4, -70.0), FOCAL, 15.0, 700.0, rng)[:60]
    holes = _drawn(_circle(120.7, -70.0), FOCAL, 15.0, 700.0, rng)[20::45]
    found = [
        FoundCircle(CircleSighting(name, "a.jpg", points), 0.5, 0.2)
        for name, points in (("flange_diameter", outside), ("bolt_circle_diameter", holes))
    ]
    one, other = measure_circles(photo, found, plane_poses(reference, photo), reference, "rim")
    ratio = one.length.value_mm / other.length.value_mm
    assert 1e-6 < abs(ratio / (152.4 / 120.7) - 1) < 0.006
