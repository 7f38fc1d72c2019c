"""A pump as the renderer draws it: labelled meshes with their true circles, lengths and attributes.

Pump frame, millimeters: the pump stands on the plane z = 0, z up; the diaphragm axis runs along x, so the two chamber
covers face +x and -x; the front (the side the air valve faces unless it is at the rear) faces -y. Inlet manifold at
the bottom, discharge manifold on top; end ports face +x or -x, center ports face +y or -y.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import trimesh
from numpy.typing import NDArray

PartLabel = Literal[
    "chamber_cover",
    "clamp_band",
    "bolted_rim",
    "flange",
    "port_opening",
    "threaded_boss",
    "manifold",
    "air_section",
    "air_valve",
    "feet",
    "bolt",
    "companion",
    "scale_reference",
    "other",
]
"""What a mask can say of a pixel. `bolt` is any fastener head or nut, `companion` a mated flange, pipe or fitting."""

MaterialSlot = Literal[
    "wetted", "air_section", "band", "fastener", "rubber", "nameplate", "companion", "muffler", "inside", "accessory"
]
"""Which material the look gives a part: all parts of one slot of one pump share it."""


@dataclass(frozen=True, eq=False)
class Part:
    """One closed mesh in the pump frame with one label, one instance number and one material slot."""

    mesh: trimesh.Trimesh
    label: PartLabel
    instance: int
    material: MaterialSlot


@dataclass(frozen=True, eq=False)
class TrueCircle:
    """A circle of the pump whose diameter the program should measure.

    Attributes:
        name: word of the design's section 3 (`chamber_diameter`, `flange_diameter`, `bolt_circle_diameter`,
            `port_bore`, `bolt_hole_diameter`, `thread_major_diameter`).
        instance: which chamber or port it belongs to (0 = +x chamber / discharge, 1 = -x chamber / inlet).
        center_mm: (3,) in the pump frame.
        normal: (3,) unit, pointing away from the pump.
        diameter_mm: true diameter.
        bolts_mm: (K, 3) centers of the hole mouths or bolt-head tops on a bolt circle, else (0, 3).
    """

    name: str
    instance: int
    center_mm: NDArray[np.float64]
    normal: NDArray[np.float64]
    diameter_mm: float
    bolts_mm: NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 3)))


@dataclass(frozen=True, eq=False)
class Resting:
    """A flat place where a scale reference can be laid or taped: where the user would say `card_at` is.

    Attributes:
        card_at: "rim", "flange", "cover" or "floor".
        instance: as in TrueCircle.
        center_mm: (3,) middle of the place, on the surface that would carry the reference.
        normal: (3,) unit, out of the surface.
        up: (3,) unit, in the plane, roughly upward.
        radius_mm: size of the place; a bigger reference overhangs it.
    """

    card_at: Literal["rim", "flange", "cover", "floor"]
    instance: int
    center_mm: NDArray[np.float64]
    normal: NDArray[np.float64]
    up: NDArray[np.float64]
    radius_mm: float


@dataclass(frozen=True, eq=False)
class PumpModel:
    """A whole pump with its truth.

    Attributes:
        parts: all meshes.
        circles: all true circles.
        restings: places for scale references.
        lengths_mm: true lengths that are no circles (`port_spacing`, `overall_height`, ..., `thread_pitch`).
        attributes: words of the design's section 3 -> value as text (`connection`, `housing_joint`,
            `chamber_bolt_count`, `bolt_hole_count`, `port_position`, `wetted_material`, `air_valve_side`,
            `port_standard`, `port_nominal_in`, `mated`, `slotted`).
        family_id: family it was built from, None for a free invention.
        shape_kinds: names of the held-out choices (cover profile, joint kind, manifold kind, ...), for the splits.
    """

    parts: tuple[Part, ...]
    circles: tuple[TrueCircle, ...]
    restings: tuple[Resting, ...]
    lengths_mm: Mapping[str, float]
    attributes: Mapping[str, str]
    family_id: str | None
    shape_kinds: Mapping[str, str]
