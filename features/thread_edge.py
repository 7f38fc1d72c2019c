"""Which edge of a thread's mouth was traced, where the port's size is as good as known: its table has both edges."""

from collections.abc import Sequence

import numpy as np
from scipy.special import expit

from features.measured import MeasuredLength
from features.mouth_edges import MAJOR, MINOR
from features.ports import PortSize, edges_are_right
from features.which_edge import CHAMFER_CHANCE, EDGE, mouth_edges_mm
from reference_geometry.standards.threads import PipeThread, threads

SURE = 0.95
"""Below this chance of either edge both are left open (sizes named with 0.5 and more were all right on 87 renders)."""
TABLE_SD = 0.01
"""How far edges lie from their table, as a share: chamfers are cut to no figure (common practice)."""


def with_edge_told(length: MeasuredLength, ports: Sequence[PortSize]) -> MeasuredLength:
    """The crests' diameter by the edge that was traced; unchanged where that stays open or hangs on no edge.

    Args:
        length: with the doubt about its edge (`features.which_edge.with_thread_doubt`).
        ports: possible sizes with their probabilities.
    """
    if not EDGE.hangs_on(length):
        return length
    by_size = {(port.standard, port.nominal_in): port.probability for port in ports}
    known = [(thread, by_size.get((thread.standard, thread.nominal_in), 0.0)) for thread in threads()]
    total = sum(share for _, share in known)
    if total <= 0.0:
        return length
    by_chamfer, by_crests = (EDGE.told(length, first) for first in (True, False))
    # Told as crests, the length is what was traced.
    log_traced, sd = float(np.log(by_crests.value_mm)), float(np.hypot(by_crests.relative_sd, TABLE_SD))
    chamfer = sum(share * _chamfer_chance(log_traced, sd, thread) for thread, share in known) / total
    if max(chamfer, 1.0 - chamfer) < SURE:
        return length
    return by_chamfer if chamfer > 0.5 else by_crests


def without_wrong_edges(lengths: Sequence[MeasuredLength], ports: Sequence[PortSize]) -> tuple[MeasuredLength, ...]:
    """The lengths without both edges of a thread's mouth where these are hardly those of any likely size.

    Args:
        lengths: combined, those of both edges among them or not.
        ports: possible sizes with their probabilities.
    """
    edges = [length for length in lengths if length.name in (MAJOR, MINOR)]
    if len(edges) < 2 or not ports or edges_are_right(lengths, ports) > 0.5:
        return tuple(lengths)
    return tuple(length for length in lengths if length not in edges)


def _chamfer_chance(log_traced: float, sd: float, thread: PipeThread) -> float:
    """Chance that the chamfer was traced of a thread of this size, by the logarithm of what was traced in mm."""
    off = (log_traced - np.log(mouth_edges_mm(thread))) / sd
    of_chamfer, of_crests = np.log([CHAMFER_CHANCE, 1.0 - CHAMFER_CHANCE]) - 0.5 * off**2
    return float(expit(of_chamfer - of_crests))
