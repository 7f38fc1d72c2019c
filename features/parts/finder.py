"""What a part finder is asked and what it answers, whoever does the finding."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from features.circle_sighting import CircleSighting
from features.measured import AttributeEvidence
from features.parts.front_outline import FrontOutline
from features.placement import PortLevel
from features.plane_pose import PlanePose
from features.problems import Problem
from features.scale.reference import ReferenceEyes

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LookAt:
    """A user's hint: the feature `name` lies about here (pixels of the upright photo)."""

    name: str
    x_px: float
    y_px: float
    radius_px: float


def hint_among(look_at: Sequence[LookAt], reading: Literal["chamber", "port"]) -> LookAt | None:
    """What the user said of the place of a chamber or a port: every name that is not a chamber's is a port's."""
    return next((h for h in look_at if h.name.startswith("chamber") == (reading == "chamber")), None)


@dataclass(frozen=True, eq=False)
class PartQuestion:
    """What a finder may look at.

    Attributes:
        photo_name: for naming what was found.
        pixels_rgb: (H, W, 3) upright photo.
        gray: (H, W) the same in gray.
        poses: poses of the reference plane to try; one square-on stand-in when there is no scale.
        has_scale: whether the poses are in millimeters.
        tilt_known: whether the pump's face is believed to lie parallel to the reference.
        on_floor: whether the reference lies on the floor: the joints of a pump's chambers stand upright on its plane.
        look_at: the user's hints.
        known: what the user already said, name -> value as typed.
        keep_out_px: outlines (M, 2) of things that are no pump: the scale references.
        papers_px: of these the outlines (4, 2) of white paper: printed cards and sheets, the best first.
        longer: the best pose of the reference plane under each longer lens that may have taken the photo.
    """

    photo_name: str
    pixels_rgb: NDArray[np.uint8]
    gray: NDArray[np.uint8]
    poses: tuple[PlanePose, ...]
    has_scale: bool
    tilt_known: bool
    look_at: tuple[LookAt, ...]
    known: Mapping[str, str]
    keep_out_px: tuple[Array, ...] = ()
    papers_px: tuple[Array, ...] = ()
    longer: tuple[PlanePose, ...] = ()
    on_floor: bool = False

    def hint(self, reading: Literal["chamber", "port"]) -> LookAt | None:
        """What the user said of the place of a chamber or a port: every name that is not a chamber's is a port's."""
        return hint_among(self.look_at, reading)


@dataclass(frozen=True, eq=False)
class FoundCircle:
    """Edge points of one circle with what the finder thinks of them.

    Attributes:
        sighting: the edge points.
        coverage: share of the circle whose edge was seen.
        edge_shared_px: error of the radius that all its edge points may share.
        edge_on: told by the part model alone, and so flat that no more than the long axis of its points counts.
        looks_away: whether it is of a port's face at the pump's far end, seen from behind.
    """

    sighting: CircleSighting
    coverage: float
    edge_shared_px: float
    edge_on: bool = False
    looks_away: bool = False


@dataclass(frozen=True, eq=False)
class PartSightings:
    """What a finder saw in one photo.

    Attributes:
        view: probability of each view name of the design's section 3.
        circles: circles to be measured, one a name.
        marks_px: named point sets for drawing ("bolts" -> (K, 2)).
        attributes: likelihoods of attributes.
        problems: what was noticed.
        front: the whole pump, where the photo shows its front.
        port_level: where the port is whose circles are told.
        twin: of the port whose circles are told, the other one, by the same circle, where it faces the same way.
    """

    view: Mapping[str, float]
    circles: tuple[FoundCircle, ...] = ()
    marks_px: Mapping[str, Array] = field(default_factory=dict)
    attributes: tuple[AttributeEvidence, ...] = ()
    problems: tuple[Problem, ...] = ()
    front: FrontOutline | None = None
    twin: FoundCircle | None = None
    port_level: PortLevel = "unknown"

    def chance(self, attribute: str, value: str) -> float:
        """How likely an attribute has a value by this photo alone; one half where it does not tell."""
        return next((one.likelihood.get(value, 0.0) for one in self.attributes if one.name == attribute), 0.5)


class PartFinder(ReferenceEyes, Protocol):
    """Finds the pump's parts in one photo."""

    def find(self, question: PartQuestion) -> PartSightings:
        """Look at one photo. Finding nothing is an ordinary answer."""
        ...

    def quarter_turns(self, pixels_rgb: NDArray[np.uint8]) -> int:
        """By how many quarters, counterclockwise, a photo is to be turned for its pump not to lie on its side."""
        ...

    def look_ahead(self, pixels_rgb: NDArray[np.uint8], look_at: tuple[LookAt, ...], references: bool) -> None:
        """Begin, beside other work, with what `find` needs and, where it will be asked, `references_in`."""
        ...
