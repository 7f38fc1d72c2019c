"""What the part model speaks of: the meaning of every channel it gives, shared by its trainer and its reader."""

PART_CLASSES: tuple[str, ...] = (
    "background",
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
)
"""Channels of the part map. `bolt` is any fastener's head or nut, `companion` a mated flange, pipe or fitting."""

POINT_CLASSES: tuple[str, ...] = ("chamber_bolt", "flange_bolt")
"""Channels of the point map: fasteners of a chamber's joint, and bolts or holes of a port's flange."""

ROUND_CLASSES: tuple[str, ...] = ("chamber", "flange", "mouth", "coin")
"""Round things told as ellipses: a chamber's joint, a port's flange, the opening of a port, a coin laid beside them."""

SHAPE_NUMBERS = 5
"""Numbers an ellipse is told by: its center beside the cell (x, y) and the logarithm of its shape (xx, yy, xy)."""

ATTRIBUTES: dict[str, tuple[str, ...]] = {
    "view": ("chamber", "port", "front", "three_quarter", "other"),
    "pump": ("yes", "no"),
    "connection": ("flanged", "threaded"),
    "housing_joint": ("clamp_band", "bolted"),
    "port_position": ("end", "center"),
    "wetted_material": ("plastic", "metal"),
    "air_valve_side": ("front", "rear"),
}
"""Attributes of the whole photo and their values, in the order of the logits."""

EVIDENCE_PARTS: dict[str, tuple[str, ...]] = {
    "connection": ("flange", "threaded_boss", "port_opening"),
    "housing_joint": ("clamp_band", "bolted_rim"),
    "port_position": ("manifold", "flange", "threaded_boss"),
    "wetted_material": ("chamber_cover", "manifold"),
}
"""Parts that must be seen for an attribute to be told; without them the photo says next to nothing of it."""

TELLING_VIEWS: dict[str, tuple[str, ...]] = {"air_valve_side": ("front", "three_quarter")}
"""Views that tell an attribute, whether or not its parts are seen: a valve that a front view lacks is at the rear,
and one seen beside a chamber may be on either side."""

CENTER_UNIT_PX = 8.0
"""Centers are told beside their cell in this unit."""
SIZE_UNIT_PX = 32.0
"""Shapes are told as the logarithm of lengths in this unit."""

PICTURE_PX = 512
"""Long side of the picture the model looks at."""
GRAY = 114
"""What fills a picture beyond the photo."""
PART_STRIDE = 2
"""Pixels of the model's picture a cell of the part map."""
ROUND_STRIDE = 4
"""Pixels of the model's picture a cell of the ellipses."""
POINT_STRIDE = 2
"""Pixels of the model's picture a cell of the point map."""
PICTURE_MULTIPLE = 32
"""Width and height of the model's picture are multiples of this."""


def attribute_slices() -> dict[str, slice]:
    """Where each attribute's logits stand in the model's one row of logits."""
    slices, start = {}, 0
    for name, values in ATTRIBUTES.items():
        slices[name] = slice(start, start + len(values))
        start += len(values)
    return slices
