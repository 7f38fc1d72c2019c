"""The raised face of a flange, seen in pictures that are made sight line by sight line.

Sizes are published: 2 in. of ASME B16.5 Class 150 has a raised face of 92.1 mm, 1.6 mm high, on a bolt circle of
120.7 mm, of EN 1092-1 PN 16 one of 102 mm on 125 mm, of JIS B2220 10K one of 96 mm on 120 mm.
"""

import numpy as np
import pytest
from numpy.typing import NDArray

from features.camera import Camera, rotation_taking_z_to
from features.circle_in_space import CircleInSpace
from features.measured import Contribution, MeasuredLength, log_covariance
from features.ports import possible_ports
from features.raised_face import raised_face_length, ring_on_face

CAMERA = Camera(1500.0, 319.5, 239.5, 0.0)
HEIGHT_MM = 1.6


def bolts_at(slant_deg: float, diameter_mm: float) -> CircleInSpace:
    """A bolt circle in the middle of the picture, 550 mm away, its axis turned to the left by so much."""
    slant = np.deg2rad(slant_deg)
    length = MeasuredLength("bolt_circle_diameter", diameter_mm, (Contribution("edge", "edge", 0.003),), ("p",))
    normal = np.array([-np.sin(slant), 0.0, np.cos(slant)])
    return CircleInSpace(length, np.array([0.0, 0, 550]), normal, CAMERA, np.eye(3), np.zeros(3), 0.1, 0.0, 0.0)


def picture(bolts: CircleInSpace, raised_mm: float, painted_mm: float = 0.0) -> NDArray[np.uint8]:
    """A plate with an opening of 52 mm and holes of 19 mm, a raised face and paint about the opening."""
    x, y = np.meshgrid(np.arange(640.0), np.arange(480.0))
    frame = rotation_taking_z_to(bolts.normal)
    rays = CAMERA.rays(np.stack([x, y], axis=-1)) @ frame
    eye = -bolts.center_mm @ frame

    def distance(height_mm: float, aside: tuple[float, float] = (0.0, 0.0)) -> NDArray[np.float64]:
        at = eye + ((-height_mm - eye[2]) / rays[..., 2])[..., None] * rays
        return np.hypot(at[..., 0] - aside[0], at[..., 1] - aside[1])

    shade = np.full(x.shape, 150.0)
    for turn in np.deg2rad([45, 135, 225, 315]):
        ring = 0.5 * bolts.length.value_mm
        shade[distance(0.0, (ring * np.cos(turn), ring * np.sin(turn))) < 9.5] = 40
    if raised_mm:
        shade[distance(0.0) < raised_mm / 2 + 0.8] = 118  # the shadow of its edge
        shade[distance(HEIGHT_MM) < raised_mm / 2] = 152
    shade[distance(HEIGHT_MM) < painted_mm / 2] = 205
    shade[distance(HEIGHT_MM) < 26] = 30
    return np.clip(shade + np.random.default_rng(3).normal(0, 4, x.shape), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("slant_deg", [4.0, 25.0, 40.0])
@pytest.mark.parametrize(("raised_mm", "circle_mm"), [(92.1, 120.7), (102.0, 125.0), (96.0, 120.0)])
def test_the_raised_face_is_told_beside_paint(raised_mm: float, circle_mm: float, slant_deg: float) -> None:
    """Paint left round the opening makes the plainer ring; the outermost one is told, within 1.5 % but not exactly."""
    bolts = bolts_at(slant_deg, circle_mm)
    share = ring_on_face(picture(bolts, raised_mm, painted_mm=72.0), bolts, 52 / circle_mm, 19 / circle_mm)
    assert share is not None
    assert 1e-5 < abs(np.log(share * circle_mm / raised_mm)) < 0.015


def test_a_flat_face_has_no_ring() -> None:
    """Neither its opening nor its holes are taken for one."""
    bolts = bolts_at(20.0, 120.7)
    assert ring_on_face(picture(bolts, 0.0), bolts, 52 / 120.7, 19 / 120.7) is None


def test_a_card_on_the_face_is_not_looked_at() -> None:
    """With all of the face under a card there is nothing to see."""
    bolts = bolts_at(20.0, 120.7)
    card = np.array([[0, 0], [639, 0], [639, 479], [0, 479.0]])
    assert ring_on_face(picture(bolts, 92.1), bolts, 52 / 120.7, 19 / 120.7, [card]) is None


def _ports_told(raised_mm: float) -> dict[str, float]:
    """Standards of a 2 in. flange half way between those of ASME and JIS, 153.7 on 120.3 mm, with such a ring."""
    bolts = MeasuredLength("bolt_circle_diameter", 120.3, (Contribution("edge", "bolts", 0.004),), ("p",))
    rim = MeasuredLength("flange_diameter", 153.7, (Contribution("edge", "rim", 0.008),), ("p",))
    ring = [raised_face_length(bolts, raised_mm / 120.3)] if raised_mm else []
    ports = possible_ports([bolts, rim, *ring], {"4": 0.95}, {"flanged": 0.97, "threaded": 0.03})
    return {port.standard: port.probability for port in ports if port.nominal_in == "2"}


def test_the_raised_face_tells_standards_of_like_drilling() -> None:
    """92.1 mm speak for ASME, 96 for JIS; a ring that is neither's speaks for none."""
    asme, jis = "ASME B16.5 Class 150", "JIS B2220 10K"
    flat, first, second, mark = map(_ports_told, (0.0, 92.1, 96.0, 71.0))
    assert first[asme] / first[jis] > 5 * flat[asme] / flat[jis]
    assert second[asme] / second[jis] < flat[asme] / flat[jis] / 3
    assert mark[asme] / mark[jis] == pytest.approx(flat[asme] / flat[jis], rel=0.05)


def test_the_ring_shares_the_errors_of_the_bolt_circle() -> None:
    """Their ratio is as sure as the ring was read, whatever the scale."""
    scale = Contribution("scale", "scale", 3.0)
    bolts = MeasuredLength("bolt_circle_diameter", 120.7, (scale,), ("p",))
    both = log_covariance([bolts, raised_face_length(bolts, 92.1 / 120.7)])
    assert 0.003 < float(np.sqrt(both[0, 0] + both[1, 1] - 2 * both[0, 1])) < 0.015
