"""Whether somebody cut a picture out of a photo before sending it, and what that leaves to be believed of its camera.

People crop a photo to the pump, or send what a screen showed of it. The lens then looks past the picture's middle, and
more pixels lie between the same two directions than the picture's size tells. Some files still say how large the photo
was; of the others the shape tells: cameras make pictures of a few shapes, and hands cut to any.
"""

import math
from dataclasses import dataclass

from features.camera import CENTER_PRIOR_SD

SAME_SHAPE = 0.01
"""How far two pictures' ratios of sides may differ for them to be of one shape."""

_WHOLE_SHAPES = (1.0, 4 / 3, 3 / 2, 16 / 10, 16 / 9, 18 / 9, 18.5 / 9, 19 / 9, 19.5 / 9, 20 / 9, 21 / 9)
_SHAPE_ERROR = 0.008
"""Ratios of sides that cameras and webcams offer (common practice), and how far makers' counts of pixels are off them:
4080 x 3072, 1296 x 968 and 1920 x 1088 by 0.4 to 0.6 % (from memory). Of 208 renders cut freely one in ten is taken for
one of these."""

_SCREEN, _OF_SCREEN, _OF_SCREEN_SD = 1.9, 0.75, 0.35
"""A picture longer than the first shows what a phone's screen did, unless its file says that a camera took it: photos
that long are rare (common practice). Upright photos fill the screen's width, others less of it, pulled up ones more, so
that the focal length is such a part of what the screen's size makes of it, with such a spread of the logarithm."""

_KEPT, _KEPT_SD = 0.7, 0.3
"""Part of a photo's sides that is left where the file does not tell, and the spread of its logarithm: 0.4 to 1 in all
but one of twenty (common practice, from memory)."""

_UNTOLD_CENTER_SD = 0.08
"""How far the lens's middle then lies from the picture's, per axis, over the focal length. People aim at the pump and
cut round it: of 112 windows cut round what 120 renders show, 0.04 to 0.11."""

_KEPT_WHOLE_PX = 16
"""A side that lacks no more than this is whole: makers round to blocks of a compressed picture (common practice)."""

_CUT_SD = 0.06
"""Of log(focal) where the file tells the photo's size: writers of such files are not of one mind what they tell."""


@dataclass(frozen=True)
class Frame:
    """Longer and shorter side in pixels."""

    long_px: float
    short_px: float

    @property
    def diagonal_px(self) -> float:
        """Between opposite corners."""
        return math.hypot(self.long_px, self.short_px)

    @property
    def shape(self) -> float:
        """Longer side over shorter one."""
        return self.long_px / self.short_px


@dataclass(frozen=True)
class Cropping:
    """What became of a photo between the camera and us.

    Attributes:
        taken: the frame the camera took, in pixels of this picture, as far as the file tells.
        scale: this picture's pixels over those the file tells of, along a line.
        is_cropped: whether something was cut away.
        focal_times: the focal length in pixels over what `taken` makes of it.
        focal_sd: what cutting adds to the standard deviation of its logarithm.
        center_sd: standard deviation of the principal point about the middle, per axis, over the focal length.
    """

    taken: Frame
    scale: float = 1.0
    is_cropped: bool = False
    focal_times: float = 1.0
    focal_sd: float = 0.0
    center_sd: float = CENTER_PRIOR_SD


def cropping(stored: Frame, written: Frame | None) -> Cropping:
    """What was cut away of a photo.

    Args:
        stored: the picture's sides.
        written: sides that the file says the camera took, if it says so.
    """
    if written is None or abs(written.shape / stored.shape - 1.0) <= SAME_SHAPE:
        if written is None and stored.shape > _SCREEN:
            return Cropping(stored, 1.0, True, _OF_SCREEN, _OF_SCREEN_SD, _UNTOLD_CENTER_SD)
        scale = 1.0 if written is None else stored.long_px / written.long_px
        if any(abs(stored.shape / shape - 1.0) <= _SHAPE_ERROR for shape in _WHOLE_SHAPES):
            return Cropping(stored, scale)
        return Cropping(stored, scale, True, 1.0 / _KEPT, _KEPT_SD, _UNTOLD_CENTER_SD)
    if stored.long_px > written.long_px or stored.short_px > written.short_px:
        return Cropping(stored, 1.0, True, focal_sd=_CUT_SD)  # a smaller copy of a part, or junk
    return Cropping(written, 1.0, True, focal_sd=_CUT_SD, center_sd=_center_sd(stored, written))


def _center_sd(stored: Frame, written: Frame) -> float:
    """Of a picture whose pixels are the camera's own, so that the focal length is the one of the whole photo.

    Cut on two sides alone, as cameras do that offer several shapes, it has kept its middle.
    """
    cut_px = written.long_px - stored.long_px, written.short_px - stored.short_px
    if min(cut_px) <= _KEPT_WHOLE_PX:
        return CENTER_PRIOR_SD
    return max(CENTER_PRIOR_SD, math.hypot(*cut_px) / math.sqrt(24.0) / (0.6 * written.diagonal_px))
