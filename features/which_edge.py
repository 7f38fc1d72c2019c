"""How far the edge that a photo shows stands for the diameter that is meant.

A rim has lugs and a rounded edge, a mouth a chamfer, thread crests or a lining: however sharply an edge is traced, it
may be the one beside. All photos of a pump show the same edges, so this part does not shrink with more of them.
"""

from dataclasses import replace

import numpy as np

from features.measured import Contribution, MeasuredLength

WHICH_EDGE_SD = {
    "chamber_diameter": 0.007,
    "flange_diameter": 0.005,
    "bolt_circle_diameter": 0.008,
    "bolt_hole_diameter": 0.015,
    "port_bore": 0.025,
    "thread_major_diameter": 0.025,
}
"""Relative standard uncertainty. A chamfer is a fortieth of a mouth's width and more (common practice). On 190 rendered
photos of kinds that no model was trained on the errors left over are of this size or a little larger."""


def with_edge_doubt(length: MeasuredLength) -> MeasuredLength:
    """The length with the doubt about its edge in its budget; unchanged where it is there or none is known."""
    sd = WHICH_EDGE_SD.get(length.name)
    doubt = Contribution("edge", f"which:{length.name}", sd or 0.0)
    if sd is None or doubt in length.contributions:
        return length
    return replace(length, contributions=(*length.contributions, doubt))


CHAMFER_TO_CREST, CHAMFER_OR_CREST_SD = 0.055, 0.06
"""Half the logarithm of a female thread's chamfer over its crests, and the uncertainty left by not knowing which of the
two was traced: 1.015 of the major over the minor diameter is 1.07 to 1.18 for 1/2 to 2 in. (ASME B1.20.1, ISO 7-1; the
chamfer is common practice)."""


def with_thread_doubt(length: MeasuredLength, threaded: float) -> MeasuredLength:
    """The mouth of a threaded port, between the chamfer and the crests: the outermost edge was looked for.

    Args:
        length: as traced; all but a mouth stay as they are.
        threaded: probability that the port is threaded; below one half nothing changes.
    """
    if length.name != "port_bore" or threaded < 0.5:
        return length
    doubt = Contribution("edge", "which:chamfer_or_crest", CHAMFER_OR_CREST_SD)
    value_mm = length.value_mm * float(np.exp(-CHAMFER_TO_CREST))
    return replace(length, value_mm=value_mm, contributions=(*length.contributions, doubt))
