"""Which way up a photo's pump stands, by how sure the part model is of a pump in it, turned this way and that.

It learned from photos that people hold upright. Of a pump on its side it is hardly sure; head down it is nearly as sure
as upright, and right as often, so that only photos on their side are told.
"""

import numpy as np
from numpy.typing import NDArray

from features.parts.part_model import PartMaps, PartModel
from features.parts.part_vocabulary import PICTURE_PX
from features.reduced import reduced

_SURE = 0.95
"""Nobody turns a photo that shows a pump this surely: 87 % of 150 upright ones, and 7 % of them on their side."""
_SURER, _SURER_IN_THE_MEAN = 0.3, 0.35
"""By so much must the log-odds of a pump grow from a photo and its opposite to both turned by a quarter: the better of
each, and their mean. One photo against one is not enough: of 27 photos of pumps by a third hand two were turned by it,
upright as they were. By this none of 30 of them is, one would be by the better ones alone, and none of 150 by two
makers; of these on their side 79 % are turned upright, 9 % head down."""
_SIDES = (1, 3)


def quarter_turns(model: PartModel, pixels_rgb: NDArray[np.uint8], seen: PartMaps) -> int:
    """By how many quarters, counterclockwise, a photo is to be turned for its pump not to lie on its side: 0, 1 or 3.

    Args:
        model: looks three or four times where it is not sure of a pump.
        pixels_rgb: (H, W, 3) photo.
        seen: the look at its pump.
    """
    if seen.attributes["pump"]["yes"] > _SURE:
        return 0
    small = _as_the_model_sees(pixels_rgb)
    odds = {turn: _log_odds(model, small, turn) for turn in (0, *_SIDES)}
    best = max(_SIDES, key=odds.__getitem__)
    if odds[best] <= max(odds[0] + _SURER, 0.0):
        return 0  # most upright photos need no fourth look
    odds[2] = _log_odds(model, small, 2)
    in_the_mean = 0.5 * (odds[1] + odds[3] - odds[0] - odds[2])
    return best if odds[best] - odds[2] > _SURER and in_the_mean > _SURER_IN_THE_MEAN else 0


def _log_odds(model: PartModel, pixels_rgb: NDArray[np.uint8], turn: int) -> float:
    pump = model.look(np.ascontiguousarray(np.rot90(pixels_rgb, turn))).attributes["pump"]
    return float(np.log(max(pump["yes"], 1e-9)) - np.log(max(pump["no"], 1e-9)))


def _as_the_model_sees(pixels_rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The photo in the pixels that the model gets of it, so that no larger one has to be turned."""
    height, width = pixels_rgb.shape[:2]
    scale = max(height, width) / PICTURE_PX
    return pixels_rgb if scale <= 1 else reduced(pixels_rgb, (round(width / scale), round(height / scale)))
