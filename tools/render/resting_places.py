"""Where a scale card can be taped on a chamber: over the joint, beside the necks, and on the cover's front.

Local chamber frame: z outward, y up, joint plane at z = 0.
"""

import numpy as np

from tools.render.joints import Joint
from tools.render.outlines import Points
from tools.render.pump_model import Resting

CARD_HALF_MM = (42.0, 30.0)
"""Half sizes of the pocket scale card, long and short side."""
_TURNS = np.linspace(0.75, 1.75, 11)


def rim_rests(made: Joint, cover_vertices: Points, neck_radius: float, neck_front: float) -> tuple[Resting, ...]:
    """Two places for a pocket card taped over the joint, left and right of the upper valve housing.

    The card lies on the bolt heads or on the band's front lip, its long side along the rim, as far in as
    dish, ribs and housing let it; it overhangs the joint outward, as it does in practice.

    Args:
        made: the joint.
        cover_vertices: (V, 3) of the cover.
        neck_radius: of the valve housings, which stand on the y axis.
        neck_front: local z of their front.
    """
    high = cover_vertices[cover_vertices[:, 2] > made.rest_mm + 0.01, :2]
    if neck_front > made.rest_mm:
        along = np.linspace(0.3, 2.0, 60) * made.dish_start_mm
        high = np.concatenate(
            [
                high,
                *(np.column_stack([np.full(60, s * (neck_radius + 1.0)), along]) for s in (-1.0, 0.0, 1.0)),
            ]
        )
    places = []
    for side in (-1.0, 1.0):
        choices = [_as_far_in(high, side * turn) for turn in _TURNS]
        middle, out = min(choices, key=lambda c: float(c[0]))
        center = np.array([*(middle * out), made.rest_mm])
        up = np.array([out[0], out[1], 0.0])
        places.append(Resting("rim", 0, center, np.array([0.0, 0.0, 1.0]), up, CARD_HALF_MM[1]))
    return tuple(places)


def _as_far_in(high: Points, turn: float) -> tuple[float, Points]:
    """Least distance of the card's middle from the axis, and the way outward (2,), at a turn from up."""
    out = np.array([-np.sin(turn), np.cos(turn)])
    across = high @ np.array([out[1], -out[0]])
    blocking = (high @ out)[np.abs(across) < CARD_HALF_MM[0] + 0.5]
    return float(np.max(blocking, initial=0.0)) + CARD_HALF_MM[1] + 0.5, out


def cover_rest(cover_vertices: Points, boss_radius: float, dish_radius: float) -> Resting:
    """The place on the cover's foremost plane."""
    front = float(cover_vertices[:, 2].max())
    return Resting(
        card_at="cover",
        instance=0,
        center_mm=np.array([0.0, 0.0, front]),
        normal=np.array([0.0, 0.0, 1.0]),
        up=np.array([0.0, 1.0, 0.0]),
        radius_mm=max(boss_radius, 0.2 * dish_radius),
    )
