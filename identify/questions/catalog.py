"""Everything that can be asked next: what, how to take it, what trouble it is, how well it is answered."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

from identify.matching.settings import MAGNET_STICKS


@dataclass(frozen=True)
class LengthReading:
    """How well a question gives one length.

    Attributes:
        name: word of LENGTH_NAMES.
        sd_mm: standard uncertainty of the reading that does not grow with size.
        relative_sd: the part that does.
    """

    name: str
    sd_mm: float
    relative_sd: float = 0.0


@dataclass(frozen=True)
class Question:
    """One question of the catalog.

    Attributes:
        code: stable short name.
        kind: "look" (customer looks), "measure" (an instrument), "photo" (another photo), "ask" (somebody
            knows).
        ask: the question.
        how: how to take it, and how to give the answer.
        minutes: trouble in minutes of a customer standing at the pump (common practice).
        attributes: attributes it answers.
        lengths: lengths it gives.
        shared_sd: relative error its lengths share (the scale of one photo).
        only: connection it makes sense for, "" for any.
        answer_rate: how often an answer can be had at all.
        certainty: value -> answer -> probability, where the answers are not the attribute's own values.
    """

    code: str
    kind: Literal["look", "measure", "photo", "ask"]
    ask: str
    how: str
    minutes: float
    attributes: tuple[str, ...] = ()
    lengths: tuple[LengthReading, ...] = ()
    shared_sd: float = 0.0
    only: str = ""
    answer_rate: float = 1.0
    certainty: Mapping[str, Mapping[str, float]] = field(default_factory=lambda: MappingProxyType({}))


_LOOKS = (
    Question(
        "connection", "look", "Are the liquid ports flanged or threaded?",
        "Look where the pipe meets the pump: a ring with bolts is a flange. Answer: connection=flanged or "
        "threaded.",
        0.5, ("connection",),
    ),
    Question(
        "housing_joint", "look", "Is the liquid chamber held by a clamp band or by bolts all round?",
        "Look at the round joint between the chamber cover and the middle of the pump. Answer: "
        "housing_joint=clamp_band or bolted.",
        0.5, ("housing_joint",),
    ),
    Question(
        "chamber_bolt_count", "look", "How many bolts go round one liquid chamber?",
        "Count once round one cover, starting at a marked bolt; leave out manifold bolts. Answer: "
        "chamber_bolt_count=8.",
        1.0, ("chamber_bolt_count",),
    ),
    Question(
        "port_position", "look", "Do the liquid ports face outward at the ends or to the front and back at "
                         "the center?",
        "Look from the front: end ports point left or right, center ports point at you or away. Answer: "
        "port_position=end or center.",
        0.5, ("port_position",),
    ),
    Question(
        "wetted_material", "look", "Is the liquid body plastic or metal?",
        "Tap it with a key: metal rings and feels cold. Answer: wetted_material=plastic or metal.",
        0.5, ("wetted_material",),
    ),
    Question(
        "magnet", "look", "Does a magnet stick to the liquid body?",
        "Hold a magnet to bare casting, not to bolts. If it sticks the body is cast iron or steel; if not it may "
        "be plastic, aluminum or stainless. Answer: magnet=yes or no.",
        1.0, ("wetted_material",),
        certainty=MappingProxyType({
            body: MappingProxyType({"sticks": sticks, "does not": 1.0 - sticks})
            for body, sticks in MAGNET_STICKS.items()
        }),
    ),
    Question(
        "body_color", "look", "What color is the molded body?",
        "Wipe a spot clean first; paint and chemicals change the color. Answer: body_color=black.",
        1.0, ("body_color",),
    ),
    Question(
        "air_valve_side", "look", "Does the air valve sit on the front or at the rear?",
        "Stand so that the ports face as in normal use; the air valve is the block the air hose goes to. "
        "Answer: air_valve_side=front or rear.",
        0.5, ("air_valve_side",),
    ),
    Question(
        "air_valve_screw_count", "look", "How many screws hold the air-valve block?",
        "Count the screw heads on the face of the block. Answer: air_valve_screw_count=4.",
        1.0, ("air_valve_screw_count",),
    ),
    Question(
        "bolt_hole_count", "look", "How many bolts or holes does the port flange have?",
        "Count once round the flange. Answer: bolt_hole_count=4.",
        1.0, ("bolt_hole_count",), only="flanged",
    ),
    Question(
        "slotted_holes", "look", "Are the flange holes round or slots?",
        "Slots serve several flange standards. Answer: slotted_holes=yes or no.",
        1.0, ("slotted_holes",), only="flanged",
    ),
    Question(
        "swivel_flange", "look", "Is the port flange a loose ring that can turn?",
        "Look for a gap between ring and manifold; do not loosen anything under pressure. Answer: "
        "swivel_flange=yes or no.",
        1.0, ("swivel_flange",), only="flanged",
    ),
)  # fmt: skip

_MEASURES = (
    Question(
        "calliper_flange", "measure", "What is the outside diameter of the port flange?",
        "Caliper or rule straight across the flange, largest reading of two directions. Answer: "
        "flange_diameter=152.4mm.",
        3.0, lengths=(LengthReading("flange_diameter", 0.7, 0.002),), only="flanged",
    ),
    Question(
        "calliper_bolt_circle", "measure", "What is the bolt circle of the port flange?",
        "Measure from the far edge of one bolt to the near edge of the opposite one. Answer: "
        "bolt_circle_diameter=120.7mm.",
        4.0, lengths=(LengthReading("bolt_circle_diameter", 0.8, 0.002),), only="flanged",
    ),
    Question(
        "calliper_chamber", "measure", "What is the outside diameter of the chamber joint?",
        "Large caliper across the band or rim (lugs and bolt heads left out), or a tape round it divided by "
        "3.1416. Answer: chamber_diameter=212mm.",
        4.0, lengths=(LengthReading("chamber_diameter", 1.0, 0.002),),
    ),
    Question(
        "calliper_bore", "measure", "What is the bore of the liquid port?",
        "Only with the pump shut off, vented, drained and the pipe off: caliper across the opening at the "
        "port face. Answer: port_bore=38mm.",
        20.0, lengths=(LengthReading("port_bore", 0.5, 0.01),),
    ),
    Question(
        "thread_gauge", "measure", "What thread do the liquid ports have?",
        "Only with the pump shut off, vented, drained and the pipe off: caliper over the male fitting's "
        "thread and a pitch gauge. Answer: thread_major_diameter=48mm thread_pitch=2.31mm.",
        20.0,
        lengths=(
            LengthReading("thread_major_diameter", 0.3, 0.004),
            LengthReading("thread_pitch", 0.03, 0.01),
        ),
        only="threaded",
    ),
    Question(
        "tape_port_spacing", "measure", "How far apart are the center lines of inlet and discharge?",
        "Tape from the middle of the lower port to the middle of the upper port. Answer: port_spacing=300mm.",
        3.0, lengths=(LengthReading("port_spacing", 2.5, 0.003),),
    ),
    Question(
        "tape_height", "measure", "How tall is the pump from the floor to the top of the manifold?",
        "Tape or square on the floor; feet included, piping left out. Answer: overall_height=520mm.",
        3.0, lengths=(LengthReading("overall_height", 4.0, 0.003),),
    ),
    Question(
        "tape_width", "measure", "How wide is the pump over both chambers?",
        "Tape across the outermost points, piping left out. Answer: overall_width=410mm.",
        3.0, lengths=(LengthReading("overall_width", 4.0, 0.003),),
    ),
    Question(
        "tape_feet", "measure", "How far apart are the mounting holes of the feet?",
        "Center to center, long side and short side. Answer: foot_spacing_long=203mm "
        "foot_spacing_short=152mm.",
        4.0,
        lengths=(
            LengthReading("foot_spacing_long", 1.5, 0.003),
            LengthReading("foot_spacing_short", 1.5, 0.003),
        ),
    ),
)  # fmt: skip

_PHOTOS = (
    Question(
        "photo_chamber", "photo", "Send a photo of one chamber with the scale card taped to its rim.",
        "Square on, card flat on the joint's rim or band, whole chamber in the picture; say --card-at rim.",
        4.0, ("housing_joint", "chamber_bolt_count"),
        lengths=(LengthReading("chamber_diameter", 0.3, 0.003),), shared_sd=0.008,
    ),
    Question(
        "photo_port", "photo", "Send a photo of one port with the scale card on its face.",
        "Square on to the port, card flat against the flange, all bolts in the picture; say --card-at "
        "flange.",
        4.0, ("bolt_hole_count",),
        lengths=(
            LengthReading("flange_diameter", 0.3, 0.003),
            LengthReading("bolt_circle_diameter", 0.3, 0.003),
        ),
        shared_sd=0.006, only="flanged",
    ),
    Question(
        "photo_front", "photo", "Send a photo of the whole pump from the front with the large scale card "
                       "standing on it.",
        "Step back 2 m and zoom, card upright in the plane of the manifolds, floor and top in the picture.",
        5.0, ("port_position", "air_valve_side"),
        lengths=(LengthReading("port_spacing", 0.5, 0.006), LengthReading("overall_height", 0.5, 0.008)),
        shared_sd=0.015,
    ),
    Question(
        "photo_pair", "photo", "Send two photos of the chamber from two places, the card left where it is.",
        "First square on, then from 20 to 30 degrees to the side; nothing may move between them.",
        6.0, ("chamber_bolt_count",),
        lengths=(LengthReading("chamber_diameter", 0.2, 0.002),), shared_sd=0.003,
    ),
)  # fmt: skip

_ASKS = (
    Question(
        "pipe_standard", "ask", "To which flange or thread standard is the piping built?",
        "Piping drawings or the stamp on the mating flange: ASME 150, PN16, JIS 10K, NPT, BSP. Answer: "
        "port_standard=asme.",
        3.0, ("port_standard",), answer_rate=0.7,
    ),
    Question(
        "pipe_size", "ask", "What nominal size is the piping at the pump?",
        "Stamp on the mating flange, valve or pipe; mind reducers. Answer: port_nominal_in=1-1/2.",
        2.0, ("port_nominal_in",), answer_rate=0.85,
    ),
    Question(
        "casting_mark", "ask", "What is stamped or cast into the body?",
        "Wipe manifolds, covers and the air-valve block; send every number and logo, and a photo of them. "
        "Answer: maker=NAME.",
        3.0, ("maker",), answer_rate=0.4,
    ),
    Question(
        "elastomer", "ask", "Which elastomer is in the pump, or was in the last kit?",
        "Old kit box, purchase record, or the code on the removed diaphragm; a photo can not show it. "
        "Answer: elastomer=PTFE.",
        2.0,
    ),
    Question(
        "kit_number", "ask", "What is the number of the last kit or of its box?",
        "Old box, order or invoice; a superseded number helps too. Answer: kit_no=NUMBER.",
        3.0, ("kit_no",), answer_rate=0.3,
    ),
    Question(
        "fluid", "ask", "Which fluid does it pump, at what concentration and temperature?",
        "Needed to check the elastomer against the maker's chart, not to find the pump. Answer: fluid=NAME.",
        2.0,
    ),
)  # fmt: skip

CATALOG: tuple[Question, ...] = (*_LOOKS, *_MEASURES, *_PHOTOS, *_ASKS)
"""All questions. Efforts and error rates are common practice."""


def find_question(code: str) -> Question:
    """The question of this code.

    Raises:
        KeyError: when there is none.
    """
    for question in CATALOG:
        if question.code == code:
            return question
    raise KeyError(code)
