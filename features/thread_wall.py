"""Whether the wall of a female thread is tapered, and what a pitch that was read off it is in either case.

A photo hardly tells: a tapered wall seen at a slant looks as a parallel one of a longer pitch does. So the pitch is
read as if the wall were tapered, and carries what it would be otherwise as an error of two values, which whoever
compares it with one kind of thread takes out again.
"""

import numpy as np

from features.measured import Contribution, MeasuredLength
from features.two_values import TwoValues

TAPER = 1 / 32
"""How much narrower a tapered wall gets with depth: 1 in 16 on the diameter (NPT of ASME B1.20.1, Rc of ISO 7-1); that
of a parallel thread (Rp of ISO 7-1, G of ISO 228-1) does not."""
TAPERED_CHANCE = 0.75
"""How often a port's thread is tapered: NPT always, of BSP about half (common practice)."""
TAPERED_OF = {"NPT": 1.0, "BSP": 0.5}
"""The same of one standard: Rc of ISO 7-1 is, Rp and G of ISO 228-1 are not (a mild belief)."""
_ALL_ROUND = 1.23
"""How much deeper all that shows of the far wall looks for its taper, over what its middle does: beside the middle
1 / cos of the angle as much."""
WALL = TwoValues("pitch:wall", TAPERED_CHANCE)
"""That error, which all photos of a port have alike: first the tapered wall."""


def parallel_over_tapered(slant: float) -> float:
    """Logarithm of the pitch that stripes have on a parallel wall over that on a tapered one, seen at a slant (rad).

    A place at a depth d of the wall's middle is seen d sin(slant) from the rim, and where the wall is tapered
    d (sin(slant) + TAPER cos(slant)).
    """
    return float(np.log1p(_ALL_ROUND * TAPER / np.tan(slant)))


def of_unknown_wall(tapered_mm: float, if_parallel: float) -> tuple[float, Contribution]:
    """A pitch whose wall may be either: its mean in mm, and the error of not knowing.

    Args:
        tapered_mm: the pitch if the wall is tapered.
        if_parallel: logarithm of how much longer it is if the wall is not.
    """
    return WALL.unknown("tilt", tapered_mm, if_parallel)


def of_wall(length: MeasuredLength, tapered: bool) -> MeasuredLength:
    """A pitch as it is if its thread is tapered, or if it is not; any other length as it is."""
    return WALL.told(length, tapered)
