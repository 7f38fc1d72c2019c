"""The pitch of a thread inside a mouth, read off pictures that are made sight line by sight line.

Pitches and diameters are published: NPT 1 in. has 11.5 threads an inch (ASME B1.20.1), Rp and Rc 1 in. have 11
(ISO 7-1); the cone narrows by 1 in 16 on the diameter.
"""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from features.camera import Camera, rotation_taking_z_to
from features.circle_in_space import CircleInSpace
from features.circle_sighting import CircleSighting
from features.inside_port import spans_inside_port
from features.measure_circles import MeasuredCircle
from features.measured import Contribution, MeasuredLength
from features.other_way import leaning_other_way
from features.parts.finder import FoundCircle, PartQuestion
from features.photo import FocalPrior
from features.shared_scale import by_length_of_others
from features.thread_pitch import NoPitch, ThreadPitch, pitch_length, read_pitch
from features.thread_wall import TAPERED_CHANCE, of_unknown_wall, of_wall

CAMERA = Camera(1500.0, 319.5, 239.5, 0.0)
NPT_1_MM, ISO_1_MM = 25.4 / 11.5, 25.4 / 11


def mouth_at(slant_deg: float, diameter_mm: float = 30.3) -> CircleInSpace:
    """A mouth in the middle of the picture, 300 mm away, its axis turned to the left by so much."""
    slant = np.deg2rad(slant_deg)
    length = MeasuredLength("port_bore", diameter_mm, (Contribution("edge", "edge", 0.01),), ("p",), 0.0, 0.0)
    normal = np.array([-np.sin(slant), 0.0, np.cos(slant)])
    return CircleInSpace(length, np.array([0.0, 0, 300]), normal, CAMERA, np.eye(3), np.zeros(3), 0.1, 0.0, 0.0)


def picture(mouth: CircleInSpace, pitch_mm: float, taper: float, contrast: float = 25.0) -> NDArray[np.uint8]:
    """What shows of a threaded wall, found for every pixel by cutting its sight line with the cone."""
    radius = mouth.length.value_mm / 2
    x, y = np.meshgrid(np.arange(640.0), np.arange(480.0))
    frame = rotation_taking_z_to(mouth.normal)
    rays = CAMERA.rays(np.stack([x, y], axis=-1)) @ frame
    eye = -mouth.center_mm @ frame
    a = rays[..., 0] ** 2 + rays[..., 1] ** 2 - taper**2 * rays[..., 2] ** 2
    rim = radius - taper * eye[2]
    b = 2 * (rays[..., 0] * eye[0] + rays[..., 1] * eye[1] + taper * rim * rays[..., 2])
    far = (-b + np.sqrt(np.maximum(b**2 - 4 * a * (eye[0] ** 2 + eye[1] ** 2 - rim**2), 0))) / (2 * a)
    wall = eye + far[..., None] * rays
    at_mouth = eye + (-eye[2] / rays[..., 2])[..., None] * rays
    within = np.hypot(at_mouth[..., 0], at_mouth[..., 1]) < radius
    turn = np.arctan2(wall[..., 1], wall[..., 0]) / (2 * np.pi)
    stripes = contrast * np.sin(2 * np.pi * (wall[..., 2] / pitch_mm - turn)) + 12 * np.cos(2 * np.pi * turn)
    noise = np.random.default_rng(4).normal(0, 4, x.shape)
    shade = np.where(within & (wall[..., 2] < 28), 90 + stripes, np.where(within, 40, 170)) + noise
    return np.clip(shade, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("pitch_mm", [NPT_1_MM, ISO_1_MM])
@pytest.mark.parametrize("taper", [0.0, 1 / 32])
@pytest.mark.parametrize("slant_deg", [22.0, 38.0])
def test_the_pitch_is_within_its_own_doubt(pitch_mm: float, taper: float, slant_deg: float) -> None:
    """Straight and tapered walls, both standards: never further off than the interval says, never exact either."""
    mouth = mouth_at(slant_deg)
    read = read_pitch(picture(mouth, pitch_mm, taper), mouth)
    assert isinstance(read, ThreadPitch)
    length = pitch_length(mouth, read)
    off = np.log(length.value_mm / pitch_mm)
    own = np.hypot(read.relative_sd, read.tilt_relative_sd)
    assert 1e-5 < abs(off) < 2 * length.relative_sd < 0.13
    # Told which wall it is, the pitch is nearer, and the doubt about that is gone from its budget.
    known = of_wall(length, taper > 0)
    assert 1e-5 < abs(np.log(known.value_mm / pitch_mm)) < min(2 * own, 0.02)
    assert known.relative_sd == pytest.approx(float(np.hypot(own, 0.01)))
    assert of_wall(known, taper == 0) is known


def test_the_error_of_not_knowing_the_wall_is_that_of_its_two_values() -> None:
    """Mean and standard deviation of a thing of two values are those that numpy has of many draws of it."""
    tapered_mm, if_parallel = NPT_1_MM, 0.06
    value_mm, error = of_unknown_wall(tapered_mm, if_parallel)
    draws = np.log(tapered_mm) + if_parallel * (np.random.default_rng(0).random(200_000) > TAPERED_CHANCE)
    assert np.log(value_mm) == pytest.approx(draws.mean(), abs=3e-4)
    assert error.relative == pytest.approx(draws.std(), abs=3e-4)
    length = MeasuredLength("thread_pitch", value_mm, (error,), ("p",))
    assert of_wall(length, tapered=True).value_mm == pytest.approx(tapered_mm)
    assert of_wall(length, tapered=False).value_mm == pytest.approx(tapered_mm * np.exp(if_parallel))


def test_an_unsure_focal_length_makes_the_pitch_of_a_mouth_aside_unsure() -> None:
    """Seen 9 degrees aside of the axis: by how much it is less with a longer lens, by so much is it more slanted."""
    aside = replace(mouth_at(38.0), center_mm=np.array([-48.0, 0, 300]))
    sure, unsure = (read_pitch(picture(aside, NPT_1_MM, 1 / 32), aside, 1.0, sd) for sd in (None, 0.2))
    assert isinstance(sure, ThreadPitch)
    assert isinstance(unsure, ThreadPitch)
    assert 1.5 * sure.tilt_relative_sd < unsure.tilt_relative_sd < 0.1
    assert unsure.per_radius == sure.per_radius


def test_the_two_standards_are_told_apart_where_all_else_is_the_same() -> None:
    """11 threads an inch against 11.5 on the same wall: the readings differ as the published pitches do."""
    mouth = mouth_at(38.0)
    pitches = [read_pitch(picture(mouth, pitch, 1 / 32), mouth) for pitch in (ISO_1_MM, NPT_1_MM)]
    assert all(isinstance(one, ThreadPitch) for one in pitches)
    ratio = pitches[0].per_radius / pitches[1].per_radius  # type: ignore[union-attr]
    assert ratio == pytest.approx(11.5 / 11, abs=0.012)


def test_a_pitch_goes_with_the_mouth_that_all_photos_tell() -> None:
    """A photo without a scale tells a pitch in mouths; another that measured the mouth makes millimeters of it."""
    unscaled, doubt = Contribution("scale", "scale:p", 3.0), Contribution("edge", "which:port_bore", 0.025)
    mouth = mouth_at(38.0)
    mouth = replace(mouth, length=replace(mouth.length, value_mm=121.2, contributions=(unscaled, doubt)))
    read = ThreadPitch(2 * NPT_1_MM / 30.3, 0.01, 0.02, 0.04, 0.8, 10.0)
    best = MeasuredLength("port_bore", 30.3, (Contribution("edge", "edge:q", 0.01), doubt), ("q",), 1.0, 0.1)
    told = by_length_of_others(pitch_length(mouth, read), mouth.length, best)
    assert told.value_mm == pytest.approx(of_unknown_wall(NPT_1_MM, 0.04)[0])
    # Independent errors add up in squares (JCGM 100, 5.1): the reading's, the slant's, the mouth's, the wall's.
    wall = 0.04 * np.sqrt(TAPERED_CHANCE * (1 - TAPERED_CHANCE))
    assert told.relative_sd == pytest.approx(np.sqrt(0.01**2 + 0.02**2 + 0.01**2 + wall**2))
    assert doubt not in told.contributions


def test_stripes_much_fainter_than_the_noise_are_read_by_every_pixel_along_them() -> None:
    """A swing of 1.2 levels under noise of 4: as far off as it says, which is more than of plain ones."""
    mouth = mouth_at(38.0)
    faint, plain = (read_pitch(picture(mouth, NPT_1_MM, 1 / 32, contrast), mouth) for contrast in (1.2, 25.0))
    assert isinstance(faint, ThreadPitch)
    assert isinstance(plain, ThreadPitch)
    off = np.log(faint.per_radius * mouth.length.value_mm / 2 / NPT_1_MM)
    assert 1e-5 < abs(off) < 2 * faint.relative_sd < 0.05
    assert faint.relative_sd > 2 * plain.relative_sd


def test_a_plain_wall_and_a_squarely_seen_mouth_have_no_pitch() -> None:
    """Noise and shading alone are no thread; nor is anything read where the wall is hidden behind its own rim."""
    plain = mouth_at(30.0)
    assert isinstance(read_pitch(picture(plain, NPT_1_MM, 0.0, contrast=0.0), plain), NoPitch)
    square = mouth_at(4.0)
    assert isinstance(read_pitch(picture(square, NPT_1_MM, 0.0), square), NoPitch)


@pytest.mark.parametrize("slant_deg", [22.0, 38.0])
def test_a_mouth_taken_to_lean_the_other_way_shows_its_thread_less_plainly(slant_deg: float) -> None:
    """An ellipse is a circle of either of two planes; the same pixels are asked for both outlines."""
    true = mouth_at(slant_deg)
    wrong = leaning_other_way(true)
    assert wrong is not None
    assert 1e-9 < np.abs(wrong.outline_px(90)[:, None] - true.outline_px(720)).sum(axis=2).min(axis=1).max() < 1.0
    assert np.degrees(np.arccos(wrong.normal @ true.normal)) == pytest.approx(2 * slant_deg, abs=1.0)
    gray = picture(true, NPT_1_MM, 1 / 32)
    amiss = read_pitch(gray, wrong)
    back = leaning_other_way(wrong)
    assert back is not None
    read = read_pitch(gray, back)
    assert isinstance(read, ThreadPitch)
    assert not amiss or amiss.plainness < 0.9 * read.plainness
    assert 1e-5 < abs(np.log(read.per_radius * back.length.value_mm / 2 / NPT_1_MM)) < 0.03
    assert leaning_other_way(mouth_at(0.0)) is None


@pytest.mark.parametrize(
    ("shared", "has_scale", "is_read"), [(0.004, False, True), (0.1, False, False), (0.1, True, True)]
)
def test_the_slant_of_a_mouth_that_no_edge_followed_tells_no_pitch(
    shared: float, has_scale: bool, is_read: bool
) -> None:
    """The same pixels and the same circle; where a reference tells the slant, the outline need not."""
    mouth = mouth_at(38.0)
    gray, outline = picture(mouth, NPT_1_MM, 1 / 32), mouth.outline_px(60)
    found = FoundCircle(CircleSighting("port_bore", "p", outline), 1.0, shared * float(np.ptp(outline[:, 1])) / 2)
    question = PartQuestion("p", np.repeat(gray[..., None], 3, axis=2), gray, (), has_scale, has_scale, (), {})
    focal = FocalPrior(CAMERA.focal_px, 0.05, "exif_35mm")
    spans = spans_inside_port(focal, question, [MeasuredCircle(found, mouth, mouth.length)], False, "unknown")
    assert ("thread_pitch" in {span.length.name for span in spans}) == is_read
