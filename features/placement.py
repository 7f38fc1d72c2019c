"""What the place of the scale reference says of each feature's plane.

The numbers are beliefs, not measurements: a card taped over a bolted rim rests on bolt heads, over a clamp band on
its crest, 4 to 12 mm in front of the joint's outermost edge, more on large pumps, whose bolts are larger (heads of
ISO 4014 are 0.65 of the thread's size high); a card on a flange lies on its face, whose edge is broken a millimeter
(common practice; the project's renders are made the same way, so they do not prove it). Renders have pumps of two
kinds: members of the invented families, and free inventions with deeper covers. A pump that nobody knows may be like
either, so each belief is wide enough for both. Wide beliefs cost width, not truth.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from features.circle_fit import fit_circle
from features.circle_sighting import CirclePrior
from features.ellipse import Ellipse

Array = NDArray[np.float64]

CardAt = Literal["rim", "flange", "cover", "floor", "unknown"]

PortLevel = Literal["low", "high", "unknown"]
"""Whether a port is an inlet near the pump's feet, or a discharge near its top."""

FLANGE_FACE_LENGTHS = (
    "flange_diameter",
    "bolt_circle_diameter",
    "bolt_hole_diameter",
    "port_bore",
    "thread_major_diameter",
)
"""Features that lie in the port's face."""
RIM, FACE_FLATNESS_DEG, FACE_STEP_MM = "flange_diameter", 0.5, 3.0
"""What tells best where a port's face lies and how it leans, and how nearly the other circles of the face lie parallel
to it and as deep (castings, raised faces; common practice)."""


@dataclass(frozen=True)
class _Depth:
    """Belief about a depth: a fixed part in mm and a part that grows with the chamber's diameter."""

    mean_mm: float
    sd_mm: float
    mean_share: float = 0.0
    sd_share: float = 0.0
    tilt_sd_deg: float = 1.5


Place = Literal[
    "rim", "flange", "cover", "floor", "unknown",
    "seems_rim", "seems_by_rim", "seems_port", "seems_flange", "seems_cover", "other_flange", "near_end",
]  # fmt: skip
"""A place as told, or as it seems where it was not told, or where it is not on the one of two flanges that is seen, or
only known to be at the end of the pump that is seen where the flange is at the other."""

PORT_LEAD, PORT_LEAD_SD = 0.38, 0.085
"""A port that faces the way its chamber does opens about as far out as the chamber's cover reaches, this share of the
joint's diameter in front of the joint (common practice; of rendered pumps of invented families nineteen in twenty have
0.26 to 0.46, of free inventions 0.35 to 0.55)."""
FAR_PORT, FAR_PORT_SD = 1.0, 0.18
"""A port at the pump's other end faces away so far behind the joint, as a share of its diameter: the other joint lies
0.4 to 0.9 of it behind this one, and the port opens 0.38 beyond (common practice)."""

MIDDLE_BEHIND, MIDDLE_BEHIND_SD = 0.39, 0.1
"""A port that opens in the middle of its manifold, at right angles to the chambers' axis, lies between both chambers:
this share of a joint's diameter behind it, two joints being 0.6 to 0.9 of it apart (common practice; of rendered pumps
nineteen in twenty have 0.29 to 0.47)."""
JOINT_OF_FLANGE, _JOINT_SIZE_SD = 2.2, 0.2
"""Diameter of a joint over that of the pump's flanges, and its spread (common practice)."""

_CHAMBER: dict[Place, _Depth] = {
    "rim": _Depth(6.0, 2.5, 0.011, 0.01),
    "cover": _Depth(3.0, 5.0, 0.24, 0.06),
    "flange": _Depth(5.0, 6.0, PORT_LEAD, PORT_LEAD_SD, tilt_sd_deg=4.0),
    "floor": _Depth(0.0, 60.0, 0.0, 0.4, tilt_sd_deg=60.0),
    "unknown": _Depth(5.0, 8.0, 0.12, 0.115, tilt_sd_deg=5.0),
    "seems_rim": _Depth(6.0, 3.0, 0.011, 0.011, tilt_sd_deg=2.0),
    "seems_by_rim": _Depth(6.0, 3.5, 0.011, 0.012, tilt_sd_deg=2.0),
    "seems_port": _Depth(5.0, 10.0, 0.36, 0.11, tilt_sd_deg=4.0),
    "seems_cover": _Depth(3.0, 6.0, 0.24, 0.065, tilt_sd_deg=3.0),
    "seems_flange": _Depth(5.0, 8.0, PORT_LEAD, 0.09, tilt_sd_deg=4.0),
    "other_flange": _Depth(5.0, 6.0, PORT_LEAD, PORT_LEAD_SD, tilt_sd_deg=4.0),
    "near_end": _Depth(5.0, 8.0, 0.12, 0.115, tilt_sd_deg=5.0),
}
"""Of the two kinds of pumps covers reach 0.21 +/- 0.03 and 0.28 +/- 0.06 of the joint's diameter out, and a card on the
rim lies 6 mm and 0.013 of it before the joint, within 2 to 3 mm, or 2 to 25 mm without any rule.

A place that seems is believed nearly as one that was told: all of 438 references of renders that were seen on the
rim, by it, on the cover or on a flange lay there. Were it one in thirty that does not, a 95 % interval would have to be
wider by a fifth; a tenth to a third is added, for hands and tapes that renders lack."""
_FACE: dict[Place, _Depth] = {
    "rim": _Depth(0.0, 15.0, -0.75, 0.3, tilt_sd_deg=4.0),
    "cover": _Depth(0.0, 50.0, 0.0, 0.4, tilt_sd_deg=4.0),
    "flange": _Depth(0.9, 1.1),
    "floor": _Depth(0.0, 100.0, tilt_sd_deg=60.0),
    "unknown": _Depth(0.0, 15.0, -0.15, 0.35, tilt_sd_deg=4.0),
    "seems_rim": _Depth(0.0, 20.0, -0.75, 0.35, tilt_sd_deg=4.0),
    "seems_by_rim": _Depth(0.0, 20.0, -0.75, 0.35, tilt_sd_deg=4.0),
    "seems_port": _Depth(0.7, 12.0, 0.0, 0.05, tilt_sd_deg=3.0),
    "seems_cover": _Depth(0.0, 50.0, 0.0, 0.4, tilt_sd_deg=4.0),
    "seems_flange": _Depth(0.9, 2.0, 0.0, 0.01, tilt_sd_deg=2.0),
    "other_flange": _Depth(0.0, 5.0, -0.05, 0.11, tilt_sd_deg=2.5),
    "near_end": _Depth(0.0, 50.0, 2.2, 0.7, tilt_sd_deg=4.0),
}
"""The same where no joint is seen. Shares are of the flange's diameter, 0.4 to 0.5 of the joint's (common practice);
`_FLANGE_SIZES` guesses it for what lies in it."""
_PORT_BEFORE_RIM = 0.011 - PORT_LEAD
_FACE_BY_JOINT: dict[Place, _Depth] = {
    "rim": _Depth(6.0, 5.0, _PORT_BEFORE_RIM, PORT_LEAD_SD, tilt_sd_deg=4.0),
    "cover": _Depth(0.0, 6.0, -0.15, 0.07, tilt_sd_deg=4.0),
    "unknown": _Depth(0.0, 10.0, -0.17, 0.17, tilt_sd_deg=4.0),
    "seems_rim": _Depth(6.0, 6.0, _PORT_BEFORE_RIM, 0.09, tilt_sd_deg=4.0),
    "seems_by_rim": _Depth(6.0, 8.0, _PORT_BEFORE_RIM, 0.095, tilt_sd_deg=4.0),
    "seems_cover": _Depth(0.0, 8.0, -0.15, 0.075, tilt_sd_deg=4.0),
    "other_flange": _Depth(0.0, 5.0, -0.02, 0.045, tilt_sd_deg=2.5),
    "near_end": _Depth(0.0, 10.0, FAR_PORT, FAR_PORT_SD, tilt_sd_deg=4.0),
}
"""The same where the joint is seen. Shares are of its diameter."""
_FLANGE_SIZES = {"bolt_circle_diameter": 1.3, "port_bore": 3.0, "thread_major_diameter": 2.5, "bolt_hole_diameter": 8.0}
_BEHIND = {"flange_diameter": _Depth(2.5, 3.5), "bolt_circle_diameter": _Depth(1.5, 3.5)}
"""How far behind a flange's face its holes and the widest place of its rim lie: the face is raised by nothing (flat
faces), 1 to 2 mm (ASME B16.5 Class 150, JIS B2220) or 2 to 4 mm (EN 1092-1), from memory, on molded and cast pumps and
on stub ends with a loose flange by up to 10 mm; a rim's edge is broken or rounded by a millimeter (common practice)."""
BEHIND_THE_FACE: tuple[str, ...] = tuple(_BEHIND)
ON_THE_FACE: tuple[Place, ...] = ("flange", "seems_flange")
ON_A_PORT: tuple[Place, ...] = (*ON_THE_FACE, "other_flange")
BEFORE_THE_JOINT: tuple[Place, ...] = ("rim", "cover", "seems_rim", "seems_by_rim", "seems_cover")
"""Places of a reference from which a joint lies behind it, parallel to it."""
MOUTHS = ("port_bore", "thread_major_diameter")
"""Circles inside which a thread may show."""


_OTHER_FLANGE = 2.5
"""A reference whose middle is seen further from a flange's, over its radius, lies on the pump's other flange if it lies
on one: of 151 on renders those on it were seen within 1.5, the others beyond 4.9. Both faces are flush, or the upper
one stands out by up to a tenth of the joint's diameter (38 pumps; common practice)."""
_ON_FLANGE, _ON_COVER, _ON_RIM = 1.2, 0.6, (0.8, 1.2)
"""Where the middle of a reference of untold place is seen, as shares of the radius of the flange or the joint."""
_BESIDE = 1.1
"""One whose middle is seen further out than this, over the outline in its direction, lies on no face: less than half of
it would. Of 68 on flanges of renders all were seen within 0.85, of 37 on covers within 0.93."""
_BY_RIM = 1.12
"""One whose middle is seen further out, but its edge within so much of the joint's radius, hangs from the rim."""
_AT_MOUTH = 1.5
"""How near to the middle of an opening, over its radius, the edge of a reference is seen that lies on the port's face:
such a face is hardly wider than its opening, so the reference adjoins it. Of 98 on renders all 31 on a port's face were
seen within 1.1, all others beyond 3."""
_PORT_SIDE_DEG, _PORT_FAR = 35.0, 1.6
"""How near to the upright through its middle the manifolds pass over a joint, and how far from it ports open, over its
radius (common practice): a reference seen there beyond the cover's middle lies on a port or its neck, up to half the
joint's diameter in front of it. Of 24 on renders one lay elsewhere, its joint
traced badly."""


ON_A_FACE: tuple[Place, ...] = ("seems_flange", "seems_cover")
"""Seeming places before a face of the pump."""


def seeming_place(card_at: CardAt, outline_px: Array, edges_px: Mapping[str, Array]) -> Place:
    """The place of the reference as told; where it was not, as it seems by what it is seen on.

    A reference seen on the flange may as well lie behind it, one seen on the cover before it: such a place is believed
    with wider beliefs than one that was told.

    Args:
        card_at: as told.
        outline_px: (M, 2) of the reference.
        edges_px: edge points (N, 2) of the circles seen, by their names.
    """
    middle_px = outline_px.mean(axis=0)
    joint_px, flange_px, mouth_px = (edges_px.get(n) for n in ("chamber_diameter", "flange_diameter", "port_bore"))
    if card_at == "flange" and flange_px is not None and _share_of_radius(flange_px, middle_px) > _OTHER_FLANGE:
        return "other_flange"
    if card_at != "unknown":
        return card_at
    if flange_px is not None and _lies_on(flange_px, middle_px, _ON_FLANGE):
        return "seems_flange"
    if mouth_px is not None and _share_to_edge(mouth_px, outline_px) < _AT_MOUTH:
        return "seems_flange"
    if joint_px is None:
        return "unknown"
    if _lies_on(joint_px, middle_px, _ON_COVER):
        return "seems_cover"
    share, joint_middle_px = _share_of_radius(joint_px, middle_px), fit_circle(joint_px)[0]
    aside, along = np.abs(middle_px - joint_middle_px)
    if np.degrees(np.arctan2(aside, along)) < _PORT_SIDE_DEG:
        face_px = mouth_px if flange_px is None else flange_px
        # The port on this side is seen, and it is not on it.
        passed = face_px is not None and (face_px.mean(axis=0) - joint_middle_px) @ (middle_px - joint_middle_px) > 0
        return "seems_port" if _ON_COVER <= share < _PORT_FAR and not passed else "unknown"
    if share < _ON_RIM[0] or _share_to_edge(joint_px, outline_px) > _BY_RIM:
        return "unknown"
    return "seems_rim" if share < _ON_RIM[1] else "seems_by_rim"


def _lies_on(circle_px: Array, middle_px: Array, share: float) -> bool:
    """Whether a reference's middle is seen on a face: near its middle, and before it rather than beside.

    Aslant a thing behind the face is seen beside its narrow side, nearer to its middle than the rim's long side is.
    """
    ellipse = Ellipse.fit(circle_px)
    if ellipse and float(ellipse.reach(middle_px[None])[0]) > _BESIDE:
        return False
    return _share_of_radius(circle_px, middle_px) < share


def _share_to_edge(circle_px: Array, outline_px: Array) -> float:
    """Distance of an outline's edge from a circle's middle over its radius, negative where the middle is covered."""
    center, radius = fit_circle(circle_px)
    inward = cv2.pointPolygonTest(outline_px.astype(np.float32), (float(center[0]), float(center[1])), True)
    return -inward / max(radius, 1.0)


def _share_of_radius(edge_px: Array, place_px: Array) -> float:
    center, radius = fit_circle(edge_px)
    return float(np.linalg.norm(place_px - center)) / max(radius, 1.0)


def flange_guess_mm(name: str, diameter_mm: float) -> float:
    """Rough diameter of the flange in whose face a feature of such a diameter lies; of a joint its own."""
    return diameter_mm * _FLANGE_SIZES.get(name, 1.0)


def circle_prior(
    name: str, card_at: Place, part_guess_mm: float, edge_shared_px: float, joint_mm: float | None = None
) -> CirclePrior:
    """Belief about the plane of a feature.

    Args:
        name: feature, word of the design's section 3.
        card_at: where the reference lies or seems to lie.
        part_guess_mm: rough diameter of the joint or of the face's flange, for depths that grow with the part's size.
        edge_shared_px: error of the radius that all edge points share.
        joint_mm: rough diameter of the joint of the same pump, None where none is seen.

    Returns:
        The prior for `features.circle_in_space.solve_circle`.
    """
    on_face = name in FLANGE_FACE_LENGTHS
    depth = (_FACE if on_face else _CHAMBER)[card_at]
    if on_face and joint_mm is not None and card_at in _FACE_BY_JOINT:
        depth, part_guess_mm = _FACE_BY_JOINT[card_at], joint_mm
    edge = _BEHIND.get(name, _Depth(0.0, 0.0))
    return CirclePrior(
        offset_mm=depth.mean_mm + edge.mean_mm + depth.mean_share * part_guess_mm,
        offset_sd_mm=float((depth.sd_mm**2 + edge.sd_mm**2 + (depth.sd_share * part_guess_mm) ** 2) ** 0.5),
        tilt_sd_deg=depth.tilt_sd_deg,
        edge_shared_px=edge_shared_px,
        plane="face" if on_face else "joint",
        offset_share=0.0 if on_face else depth.mean_share,
        guess_mm=part_guess_mm,
    )


def middle_prior(card_at: Place, flange_guess_mm: float, joint_mm: float | None = None) -> CirclePrior:
    """Belief about how far behind the reference a pump's middle lies, between both its joints.

    Args:
        card_at: where the reference lies or seems to lie.
        flange_guess_mm: rough diameter of the flange that the pump's ports have or might have.
        joint_mm: rough diameter of a joint, None where none is seen.
    """
    depth, size_mm = _CHAMBER[card_at], joint_mm or JOINT_OF_FLANGE * flange_guess_mm
    sd_share = float(np.hypot(depth.sd_share, MIDDLE_BEHIND_SD))
    if joint_mm is None:
        sd_share = float(np.hypot(sd_share, _JOINT_SIZE_SD * (depth.mean_share + MIDDLE_BEHIND)))
    return CirclePrior(
        offset_mm=depth.mean_mm + (depth.mean_share + MIDDLE_BEHIND) * size_mm,
        offset_sd_mm=float(np.hypot(depth.sd_mm, sd_share * size_mm)),
    )


FACES_ANY_WAY_DEG = 60.0
"""Tilt, per axis, of a circle whose plane is known to be another than was believed."""

UNSCALED_PRIOR = CirclePrior(offset_mm=0.0, offset_sd_mm=1e-3, tilt_sd_deg=1.0)
"""Without a scale depth means nothing: all circles of one photo are read in one plane."""
