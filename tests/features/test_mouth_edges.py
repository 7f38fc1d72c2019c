"""Both edges of a thread's mouth, in pictures that are made sight line by sight line.

Sizes are published: major and minor diameters of 1 in. are 33.40 and 29.69 mm for NPT (ASME B1.20.1, the minor one at
the hand-tight plane), 33.249 and 30.291 mm for ISO 7-1; of 2 in. NPT 60.33 and 56.56 mm, of 1/2 in. 21.34 and 18.32 mm.
"""

import numpy as np
import pytest
from numpy.typing import NDArray

from features.camera import Camera, rotation_taking_z_to
from features.circle_in_space import CircleInSpace
from features.circle_sighting import CircleSighting
from features.inside_port import spans_inside_port
from features.measure_circles import MeasuredCircle
from features.measured import Contribution, MeasuredLength, log_covariance
from features.mouth_edges import BORE, MAJOR, MINOR, MouthEdges, edge_lengths, mouth_edges, with_crests_told
from features.parts.finder import FoundCircle, PartQuestion
from features.photo import FocalPrior
from features.ports import possible_ports
from features.thread_edge import without_wrong_edges
from features.which_edge import CHAMFER, EDGE, with_thread_doubt

CAMERA = Camera(1500.0, 319.5, 239.5, 0.0)
NPT_1, ISO_1 = (33.40, 29.69), (33.249, 30.291)
NPT_HALF, NPT_2 = (21.34, 18.32), (60.33, 56.56)


def mouth_at(slant_deg: float, diameter_mm: float, away_mm: float = 300.0) -> CircleInSpace:
    """A mouth in the middle of the picture, its axis turned to the left by so much."""
    slant = np.deg2rad(slant_deg)
    length = MeasuredLength(BORE, diameter_mm, (Contribution("edge", "traced", 0.01),), ("p",), 0.0, 0.0)
    normal = np.array([-np.sin(slant), 0.0, np.cos(slant)])
    return CircleInSpace(length, np.array([0.0, 0, away_mm]), normal, CAMERA, np.eye(3), np.zeros(3), 0.1, 0.0, 0.0)


def picture(mouth: CircleInSpace, outer_mm: float, inner_mm: float) -> NDArray[np.uint8]:
    """A bright face, a chamfer of 90 degrees lit from one side, and a dark hole as wide as the crests."""
    x, y = np.meshgrid(np.arange(640.0), np.arange(480.0))
    frame = rotation_taking_z_to(mouth.normal)
    rays = CAMERA.rays(np.stack([x, y], axis=-1)) @ frame
    eye = -mouth.center_mm @ frame

    def places(depth_mm: float) -> NDArray[np.float64]:
        return np.asarray(eye + ((depth_mm - eye[2]) / rays[..., 2])[..., None] * rays)

    depth = (outer_mm - inner_mm) / 2
    at_face, at_crests = places(0.0), places(depth)
    in_mouth = np.hypot(at_face[..., 0], at_face[..., 1]) < outer_mm / 2
    in_hole = in_mouth & (np.hypot(at_crests[..., 0], at_crests[..., 1]) < inner_mm / 2)
    lit = 110 + 35 * np.cos(np.arctan2(at_face[..., 1], at_face[..., 0]))
    shade = np.where(in_hole, 35.0, np.where(in_mouth, lit, 185.0))
    return np.clip(shade + np.random.default_rng(5).normal(0, 3, x.shape), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("slant_deg", [6.0, 24.0, 40.0])
@pytest.mark.parametrize("thread", [NPT_1, ISO_1, NPT_HALF])
@pytest.mark.parametrize("traced", [0, 1])
def test_both_edges_are_found_whichever_was_traced(thread: tuple[float, float], slant_deg: float, traced: int) -> None:
    """Both are within their own doubt, and never exact."""
    mouth = mouth_at(slant_deg, thread[traced], 9 * thread[0])
    edges = mouth_edges(picture(mouth, *thread), mouth)
    assert edges is not None
    for share, true_mm in zip((edges.chamfer, edges.crests), thread, strict=True):
        assert 1e-6 < abs(np.log(share * thread[traced] / true_mm)) < 2.5 * edges.relative_sd < 0.03


def test_a_plain_hole_has_one_edge() -> None:
    """Nor is anything told of a mouth that is small in the picture, or seen squarely down its thread."""
    mouth = mouth_at(20.0, 33.4)
    assert mouth_edges(picture(mouth, 33.4, 33.39), mouth) is None
    far = mouth_at(20.0, 33.4, 900.0)
    assert mouth_edges(picture(far, *NPT_1), far) is None
    square = mouth_at(2.0, 33.4)
    assert mouth_edges(picture(square, *NPT_1), square) is None


@pytest.mark.parametrize(("shared", "is_traced"), [(0.004, True), (0.1, False)])
def test_beside_an_outline_that_no_edge_followed_none_are_looked_for(shared: float, is_traced: bool) -> None:
    """The same pixels and the same circle, once traced and once no more than told by a part map."""
    mouth = mouth_at(20.0, 33.4)
    gray, outline = picture(mouth, *NPT_1), mouth.outline_px(60)
    found = FoundCircle(CircleSighting("port_bore", "p", outline), 1.0, shared * float(np.ptp(outline[:, 1])) / 2)
    question = PartQuestion("p", np.repeat(gray[..., None], 3, axis=2), gray, (), True, True, (), {})
    focal = FocalPrior(CAMERA.focal_px, 0.05, "exif_35mm")
    spans = spans_inside_port(focal, question, [MeasuredCircle(found, mouth, mouth.length)], False, "flange")
    assert ({MAJOR, MINOR} <= {span.length.name for span in spans}) == is_traced


def test_a_mouth_behind_a_card_is_not_looked_at() -> None:
    """A card over half of it leaves too little, and so does a short arc."""
    mouth = mouth_at(20.0, 33.4)
    card = np.array([[0, 0], [639, 0], [639, 260], [0, 260.0]])
    assert mouth_edges(picture(mouth, *NPT_1), mouth, 1.0, [card]) is None
    assert mouth_edges(picture(mouth, *NPT_1), mouth, 0.3) is None


def _told(thread: tuple[float, float], scale: Contribution) -> tuple[MeasuredLength, ...]:
    traced = MeasuredLength(BORE, thread[0], (scale, Contribution("edge", "traced", 0.01)), ("p",))
    edges = MouthEdges(CHAMFER, thread[1] / thread[0], 0.008)
    return (traced, *edge_lengths(traced, edges))


def test_the_ratio_of_both_is_as_sure_as_they_were_read() -> None:
    """Whatever the scale, and however far off the traced edge is."""
    _, major, minor = _told(NPT_1, Contribution("scale", "scale", 3.0))
    both = log_covariance([major, minor])
    assert 0.01 < float(np.sqrt(both[0, 0] + both[1, 1] - 2 * both[0, 1])) < 0.03
    assert major.value_mm / minor.value_mm == pytest.approx(33.40 / 29.69)


@pytest.mark.parametrize(("thread", "nominal"), [(NPT_HALF, "1/2"), (NPT_2, "2")])
def test_without_a_scale_the_ratio_tells_the_size(thread: tuple[float, float], nominal: str) -> None:
    """1/2 in. are 1.165 and 2 in. 1.067 times as wide at the chamfer as at the crests; one edge alone tells nothing."""
    lengths = _told(thread, Contribution("scale", "scale", 3.0))
    connection = {"threaded": 0.97, "flanged": 0.03}
    both, alone = (
        sum(port.probability for port in possible_ports(some, {}, connection) if port.nominal_in == nominal)
        for some in (lengths, lengths[:1])
    )
    assert 1.5 * alone < both < 0.9


def test_the_ratio_speaks_for_its_standard() -> None:
    """1 in. of both standards, seen at a known scale: each is likelier by its own edges, and neither is sure."""
    scale = Contribution("reference", "card", 0.01)
    for thread, standard in ((NPT_1, "NPT"), (ISO_1, "BSP")):
        ports = possible_ports(_told(thread, scale), {}, {"threaded": 0.97, "flanged": 0.03})
        assert (ports[0].standard, ports[0].nominal_in) == (standard, "1")
        assert 0.55 < ports[0].probability < 0.95


def test_crests_told_as_such_are_the_bore_without_a_doubt_which_edge_it_is() -> None:
    """Where only one edge was traced, the doubt stays."""
    lengths = _told(NPT_1, Contribution("reference", "card", 0.01))
    told = with_crests_told(lengths)
    assert {one.name: round(one.value_mm, 2) for one in told} == {MAJOR: 33.40, BORE: 29.69}
    assert not any(EDGE.hangs_on(with_thread_doubt(one, 0.9)) for one in told)
    assert EDGE.hangs_on(with_thread_doubt(lengths[0], 0.9))
    assert with_crests_told(lengths[:2]) == lengths[:2]
    assert all(one.name != MINOR for one in told)


@pytest.mark.parametrize(("thread", "right"), [(NPT_2, True), ((60.33, 49.0), False), ((56.56, 52.7), False)])
def test_edges_of_no_likely_size_are_left_out(thread: tuple[float, float], right: bool) -> None:
    """At a known scale a mouth of 60.3 mm is of 2 in., with crests of 56.6 mm (ASME B1.20.1, ISO 7-1).

    An edge 11 mm smaller is the thread's end. Inside the crests themselves another edge may lie as the crests do inside
    the chamfer: the ratio is right, but a thread of that size is known to be wider.
    """
    lengths = _told(thread, Contribution("reference", "card", 0.01))
    ports = possible_ports(lengths, {}, {"threaded": 0.97, "flanged": 0.03})
    assert ports[0].nominal_in == "2"
    assert 0.4 < ports[0].probability < 0.9
    assert without_wrong_edges(lengths, ports) == (lengths if right else lengths[:1])
