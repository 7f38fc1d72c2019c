"""How far the edge that a photo shows stands for the diameter that is meant.

A rim has lugs and a rounded edge, a mouth a chamfer, thread crests or a lining: however sharply an edge is traced, it
may be the one beside. All photos of a pump show the same edges, so this part does not shrink with more of them.
"""

from dataclasses import replace

import numpy as np

from features.measured import Contribution, MeasuredLength
from features.two_values import TwoValues
from reference_geometry.standards.threads import PipeThread, threads

WHICH_EDGE = "which:"
"""Begins the identity of the error of which edge was traced."""
WHICH_EDGE_SD = {
    "chamber_diameter": 0.0025,
    "flange_diameter": 0.003,
    "bolt_circle_diameter": 0.002,
    "bolt_hole_diameter": 0.008,
    "port_bore": 0.025,
    "thread_major_diameter": 0.025,
}
"""Relative standard uncertainty. A chamfer is a fortieth of a mouth's width and more (common practice); both edges of a
broken hole have one middle, so that a bolt circle hardly hangs on which of them is seen. With the card in their plane
two in three of 82 flanges, 76 bolt circles, 69 holes and 73 openings of flanges in rendered photos were off by less
than 0.38, 0.34, 1.2 and 0.65 %, for all reasons together. Of 216 joints taken at random from renders, squared up as
they truly lie, the edge traced was off by less than 0.08 % in two of three, 0.21 in four of five, 0.8 in nine of
ten."""
FLANGED_BORE_SD = 0.007
"""The same of the opening of a flange: no thread begins there, its edge is broken or lined by half a millimeter of some
40 (common practice)."""


def with_edge_doubt(length: MeasuredLength, flanged: bool = False) -> MeasuredLength:
    """The length with the doubt about its edge in its budget; unchanged where it is there or none is known.

    Args:
        length: as traced.
        flanged: whether the rim of a flange was seen about the port.
    """
    sd = FLANGED_BORE_SD if flanged and length.name == "port_bore" else WHICH_EDGE_SD.get(length.name)
    doubt = Contribution("edge", f"{WHICH_EDGE}{length.name}", sd or 0.0)
    if sd is None or doubt in length.contributions:
        return length
    return replace(length, contributions=(*length.contributions, doubt))


CHAMFER = 1.015
"""Diameter of the chamfer of a female thread's mouth over the thread's major diameter (common practice)."""
CHAMFER_SD, CRESTS_SD = 0.015, 0.006
"""Spread of that ratio, chamfers being 1 to 1.05 times as wide (DIN 76-1, from memory), and of the crests at the mouth
over their table: a tapered thread's gauge may stand a turn further in or out (ASME B1.20.1), which is 0.14 mm of
diameter for 1 in. (common practice)."""
CRESTS_SEEN = f"{WHICH_EDGE}crests"
"""The error of the crests where they were told from the chamfer."""
CHAMFER_CHANCE = 0.75
"""How often the edge traced is the chamfer's, the outer one, and not that of the crests inside it (five of six mouths
of renders with the scale in their plane)."""


EDGE = TwoValues(f"{WHICH_EDGE}chamfer_or_crest", CHAMFER_CHANCE)
"""The error of not knowing which edge of a female thread's mouth was traced: first the chamfer's."""


def with_thread_doubt(length: MeasuredLength, threaded: float) -> MeasuredLength:
    """The crests' diameter at the mouth of a threaded port, where what was traced is them or the chamfer.

    Args:
        length: as traced; all but a mouth, and crests told as such, stay as they are.
        threaded: probability that the port is threaded; below one half nothing changes.
    """
    if length.name != "port_bore" or threaded < 0.5 or any(part.source == CRESTS_SEEN for part in length.contributions):
        return length
    apart = _chamfer_over_crests(length.value_mm)
    value_mm, doubt = EDGE.unknown("edge", length.value_mm * float(np.exp(-apart)), apart)
    return replace(length, value_mm=value_mm, contributions=(*length.contributions, doubt))


def mouth_edges_mm(thread: PipeThread) -> tuple[float, float]:
    """Diameters of the two edges that a female thread's mouth shows: of its chamfer, and of its crests."""
    return CHAMFER * thread.major_diameter_mm, thread.minor_diameter_mm


def _chamfer_over_crests(chamfer_mm: float) -> float:
    """Logarithm of the one diameter over the other for threads about a size (ASME B1.20.1, ISO 7-1)."""
    sizes = sorted(mouth_edges_mm(thread) for thread in threads())
    chamfers, crests = np.array(sizes).T
    return float(np.interp(np.log(chamfer_mm), np.log(chamfers), np.log(chamfers / crests)))
