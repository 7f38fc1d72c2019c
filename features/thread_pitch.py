"""The pitch of a female pipe thread, by the spectrum of its grooves along the wall that shows inside the mouth.

Seen at a slant, the mouth of a threaded port shows part of the wall behind it. The mouth's circle is known in space,
so that wall can be unrolled: each of its points has an angle round the axis and a depth below the mouth. There the
grooves are stripes of one period, each a pitch deeper after a turn to the right (pipe threads are right-handed).
"""

from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from features.camera import rotation_taking_z_to
from features.circle_in_space import CircleInSpace
from features.circle_sighting import CASTING_FLAWS
from features.measured import Contribution, MeasuredLength
from features.thread_wall import TAPER, of_unknown_wall, parallel_over_tapered
from features.which_edge import WHICH_EDGE

Array = NDArray[np.float64]

PITCH = "thread_pitch"
_SECTORS, _PER_SECTOR = 36, (5, 15)
"""Parts of the wall read one by one (the light may turn between them), and the least and most angles in each, one a
pixel of its edge, of which the mean is taken: a thread rises by a 36th of its pitch over one."""
_SHALLOWEST, _DEPTH_STEP, _DEEPEST = 0.03, 0.006, 1.8
"""Depths looked at, in radii."""
_DEPTHS = np.arange(_SHALLOWEST, _DEEPEST, _DEPTH_STEP)
_ENDS = (0.5, 0.8, 1.2, 1.8)
"""Depths at which the thread may end, in radii: what lies further in is left out."""
_INSIDE = 0.93
"""A place of the wall counts where it is seen through this part of the mouth: the rest is its chamfer."""
_FINEST, _COARSEST = 0.045, 0.24
"""Pitches tried, in radii of the mouth: from less than 4 inch to more than 1/8 inch pipe has (same standards)."""
_SEARCH_STEP, _STEP, _NEAR = 0.012, 0.004, 0.09
"""Relative steps of the search and of the closer look, and how far round what the search found that one goes."""
_BESIDE = 0.04
"""A sector must be able to show all pitches this near to the likely one, in logarithms."""
_LEAST_PX, _LEAST_TURNS = 2.3, 4.5
"""A pitch of fewer pixels is too near the finest that a picture can show; fewer turns tell no period."""
_LEAST_SLANT_DEG = 8.0
"""Seen more squarely, the wall behind a mouth is too narrow a ring to be read."""
_LEAST_SHARE, _LEAST_LEAD, _LEAST_SECTORS = 0.5, 1.5, 3
"""A thread's stripes are this share of the shades of the sectors that show them, that many times as much as any other
period that is no neighbor and no overtone, in this many sectors."""
_GROOVES = 0.94
"""Where the middle of the grooves lies, over the radius of the mouth: inside its chamfer (same standards)."""
PLANE_SD_DEG = 1.5
"""How far the mouth's plane may be off beyond what its own ellipse tells, before that is looked at."""
ON_FACE_SD_DEG = 0.7
"""The same where a reference lies on the port's face: a card is as little bent as a face is uneven (of 30 rendered ones
the plane was off by 0.4 degrees)."""
_STRIPE, _GRID = 0.25, 0.11
"""How far off a reading is: by this part of a stripe over all of them, and as the pixel grid beats with stripes of few
pixels, by this over the square of their number (70 rendered mouths whose place was given: 1.2 % in all)."""


@dataclass(frozen=True)
class ThreadPitch:
    """A pitch that was read.

    Attributes:
        per_radius: over the radius of the mouth.
        relative_sd: standard uncertainty of the reading itself.
        tilt_relative_sd: the same from the slant of the mouth.
        if_parallel: logarithm of how much larger it is if the wall is not tapered.
        share: of the wall's shades that the thread's stripes make up, 0..1.
        turns: of the thread that were seen.
    """

    per_radius: float
    relative_sd: float
    tilt_relative_sd: float
    if_parallel: float
    share: float
    turns: float

    @property
    def plainness(self) -> float:
        """How much more the stripes stand out than others: of many turns chance shows so large a share less often."""
        return float(self.share * np.sqrt(self.turns))


@dataclass(frozen=True)
class NoPitch:
    """Why no pitch was read. Falsy."""

    reason: str

    def __bool__(self) -> Literal[False]:
        return False


def read_pitch(
    gray: NDArray[np.uint8],
    mouth: CircleInSpace,
    coverage: float = 1.0,
    focal_relative_sd: float | None = None,
    plane_sd_deg: float = PLANE_SD_DEG,
) -> ThreadPitch | NoPitch:
    """Read the pitch of the thread inside a mouth, its wall taken for tapered.

    Args:
        gray: (H, W) the upright photo.
        mouth: the solved circle of the mouth.
        coverage: share of the mouth's edge that was seen.
        focal_relative_sd: of the focal length, where nothing but the mouth tells how its plane lies.
        plane_sd_deg: standard uncertainty of the mouth's plane, before its own ellipse is looked at.
    """
    slant = mouth.slant
    if np.degrees(slant) < _LEAST_SLANT_DEG:
        return NoPitch("the mouth is seen too squarely")
    if _COARSEST * np.sin(slant) * _radius_px(mouth) < _LEAST_PX:
        return NoPitch("the mouth is too small in the picture")
    wall = _unrolled(gray, mouth)
    searched = _read_on(wall, _pitches(_FINEST, _COARSEST, _SEARCH_STEP))
    if not searched:
        return searched
    closer = _pitches(searched.per_radius * np.exp(-_NEAR), searched.per_radius * np.exp(_NEAR), _STEP)
    read = _read_on(wall, closer, rivals=False)
    if not read:
        return read
    stripe_px = read.per_radius * np.sin(slant) * _radius_px(mouth)
    return replace(
        read,
        relative_sd=float(np.hypot(read.relative_sd, _GRID / stripe_px**2)),
        tilt_relative_sd=_tilt_doubt(mouth, slant, coverage, focal_relative_sd, plane_sd_deg),
        if_parallel=parallel_over_tapered(slant),
    )


def _pitches(low: float, high: float, step: float) -> Array:
    return np.asarray(np.exp(np.arange(np.log(low), np.log(high), step)), float)


def _read_on(wall: "_Wall", pitches: Array, rivals: bool = True) -> ThreadPitch | NoPitch:
    """Read the pitch off one unrolling of the wall; the slant's doubt is left to the caller.

    Args:
        wall: the unrolled wall.
        pitches: what to try, evenly spaced in their logarithm.
        rivals: whether any other of them must explain much less.
    """
    best: ThreadPitch | NoPitch = NoPitch("no stripes of one period on the wall")
    for end, shares in zip(_ENDS, _shares(wall, pitches), strict=True):
        one = _agreed(shares[shares.any(axis=1)], pitches, end - _SHALLOWEST, rivals)
        if one and (not best or one.plainness > best.plainness):
            best = one
    return best


def _agreed(shares: Array, pitches: Array, depth: float, rivals: bool) -> ThreadPitch | NoPitch:
    """The pitch that most sectors show, from the share (S, pitches) of its stripes in each."""
    if len(shares) < _LEAST_SECTORS:
        return NoPitch("too little of the wall shows")
    likely = int(np.argmax(shares.sum(axis=0)))
    # Where just enough turns of this pitch show, of a longer one too few do: such a sector would pull to shorter ones.
    beside = np.abs(np.log(pitches / pitches[likely])) < _BESIDE
    showing = (shares[:, likely] > _LEAST_SHARE) & (shares[:, beside] > 0).all(axis=1)
    if showing.sum() < _LEAST_SECTORS:
        return NoPitch("no stripes of one period on the wall")
    share = shares[showing].mean(axis=0)
    best = int(np.clip(np.argmax(share), 1, len(pitches) - 2))
    apart = np.abs(np.log(pitches / pitches[best]))
    others = share[(apart > 0.2) & (np.abs(apart - np.log(2)) > 0.2)]
    if rivals and share[best] < _LEAST_LEAD * others.max():
        return NoPitch("stripes of more than one period on the wall")
    left, middle, right = share[best - 1 : best + 2]
    shift = 0.5 * (left - right) / min(left - 2 * middle + right, -1e-9)
    pitch = float(pitches[best] * (pitches[1] / pitches[0]) ** np.clip(shift, -1, 1))
    turns = depth / pitch
    if turns < _LEAST_TURNS:
        return NoPitch("too few turns of the thread show")
    noise = np.sqrt(max(1 - share[best], 0.05) / share[best])
    return ThreadPitch(pitch, float(_STRIPE * noise / turns), 0.0, 0.0, float(share[best]), turns)


def wall_line_px(mouth: CircleInSpace, pitch: ThreadPitch) -> Array:
    """(2, 2) ends of a line down the middle of the wall that shows, over the turns that were read."""
    center, axis = mouth.center_in_camera_mm, mouth.axis_in_camera
    across = center - (center @ axis) * axis
    radius = mouth.length.value_mm / 2
    depths = np.array([_SHALLOWEST, min(pitch.turns * pitch.per_radius, _DEEPEST)])
    wall = center + radius * (across / np.linalg.norm(across) + depths[:, None] * axis)
    return mouth.camera.project(wall)


def pitch_length(mouth: CircleInSpace, pitch: ThreadPitch) -> MeasuredLength:
    """The pitch in mm: it has its own doubts, and those of the mouth's diameter but for which edge that is.

    Whichever edge was traced, the depths behind it are measured by its own size.
    """
    length = mouth.length
    photo = length.photos[0]
    own = (
        Contribution("reading", f"pitch:{photo}", pitch.relative_sd),
        Contribution("tilt", f"pitch:{photo}:tilt", pitch.tilt_relative_sd),
    )
    value, wall = of_unknown_wall(pitch.per_radius * length.value_mm / 2, pitch.if_parallel)
    per_offset = length.per_offset_mm * value / length.value_mm
    of_mouth = (part for part in length.contributions if not part.source.startswith(WHICH_EDGE))
    contributions = (*of_mouth, *own, wall)
    return MeasuredLength(PITCH, value, contributions, length.photos, length.offset_mm, per_offset)


@dataclass(frozen=True, eq=False)
class _Wall:
    """The unrolled wall where it shows: (sectors, depths) shades, places seen, and pixels of the photo per radius."""

    shades: Array
    seen: NDArray[np.bool_]
    px_per_radius: Array


def _unrolled(gray: NDArray[np.uint8], mouth: CircleInSpace) -> _Wall:
    """Look up every place of a tapered wall in the photo."""
    center, axis = mouth.center_in_camera_mm, mouth.axis_in_camera
    radius = mouth.length.value_mm / 2
    in_each = int(np.clip(2 * np.pi * _radius_px(mouth) / _SECTORS, *_PER_SECTOR))
    angle = np.arange(_SECTORS * in_each) * 2 * np.pi / (_SECTORS * in_each)
    across = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1) @ rotation_taking_z_to(axis).T
    # The half of the wall on this side shows its back.
    showing = (across @ center > -_GROOVES * radius).reshape(_SECTORS, in_each).any(axis=1)
    across = across[np.repeat(showing, in_each)]
    wide = (_GROOVES - TAPER * _DEPTHS)[None, :, None]
    places = center + radius * (across[:, None] * wide + _DEPTHS[:, None] * axis)
    # The sight line of a place meets the mouth's plane where its share of the way is that of the plane's distance.
    through = places * ((center @ axis) / (places @ axis))[..., None] - center
    inside = np.linalg.norm(through, axis=2) < _INSIDE * radius
    facing = np.einsum("aj,adj->ad", across, places) > 0
    px = mouth.camera.project(places)
    height, width = gray.shape
    seen = inside & facing & (px > 1).all(axis=2) & (px < [width - 2, height - 2]).all(axis=2)
    step = np.linalg.norm(np.gradient(px, axis=1), axis=2) / _DEPTH_STEP
    by_sector = (int(showing.sum()), in_each, len(_DEPTHS))
    if not seen.any():
        nothing = np.zeros((0, len(_DEPTHS)))
        return _Wall(nothing, nothing > 0, nothing)
    low, high = np.floor(px[seen].min(axis=0)).astype(int) - 1, np.ceil(px[seen].max(axis=0)).astype(int) + 2
    low = np.maximum(low, 0)
    at = np.where(seen[..., None], px - low, 0.0).astype(np.float32)
    cut = gray[low[1] : high[1], low[0] : high[0]]
    shades = cv2.remap(cut, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    shows = seen.reshape(by_sector).all(axis=1)
    some = shows.any(axis=1)
    return _Wall(
        shades.astype(float).reshape(by_sector).mean(axis=1)[some],
        shows[some],
        step.reshape(by_sector).mean(axis=1)[some],
    )


def _shares(wall: _Wall, pitches: Array) -> list[Array]:
    """Per end of the depths an (S, pitches) share of the shades that stripes of each pitch make up in each sector.

    0 where the pitch is too fine for the picture or too few turns of it show.
    """
    windows = [_windows(wall.seen & (end > _DEPTHS)) for end in _ENDS]
    turns_seen = [(window > 0).sum(axis=1) * _DEPTH_STEP for window in windows]
    px_per_radius = np.array([
        np.median(row[ok]) if ok.any() else 0.0 for row, ok in zip(wall.px_per_radius, wall.seen, strict=True)
    ])  # fmt: skip
    shares = [np.zeros((len(wall.seen), len(pitches))) for _ in _ENDS]
    for k, pitch in enumerate(pitches):
        fine = (pitch * px_per_radius < _LEAST_PX) | (pitch < 2.5 * _DEPTH_STEP)
        if fine.all():
            continue
        stripes = _evened(wall, pitch / _DEPTH_STEP)
        phase = 2 * np.pi * _DEPTHS / pitch
        wave = np.stack([np.cos(phase), np.sin(phase)], axis=1)
        for share, window, seen in zip(shares, windows, turns_seen, strict=True):
            weighted = window * stripes
            explained = 2 * np.sum((weighted @ wave) ** 2, axis=1)
            whole = (weighted * stripes).sum(axis=1) * window.sum(axis=1) + 1e-12
            share[:, k] = np.where(fine | (seen < _LEAST_TURNS * pitch), 0.0, explained / whole)
    return shares


def _windows(seen: NDArray[np.bool_]) -> Array:
    """A window over the seen part of each row, falling to nothing at its ends."""
    out = np.zeros(seen.shape)
    for row, ok in zip(out, seen, strict=True):
        places = np.flatnonzero(ok)
        if len(places) > 4:
            row[places[0] : places[-1] + 1] = np.hanning(places[-1] - places[0] + 3)[1:-1]
    return out


def _evened(wall: _Wall, cells: float) -> Array:
    """The wall without what is much slower than a period of so many cells, its contrast evened out."""
    seen = np.where(wall.seen, 1.0, 0.0)

    def along(values: Array, width: float) -> Array:
        """Twice a running mean, nearly a Gaussian of this standard deviation in periods, at any width as fast."""
        across = 2 * round(1.22 * width * cells) + 1
        once = cv2.blur(values, (across, 1), borderType=cv2.BORDER_CONSTANT)
        return np.asarray(cv2.blur(once, (across, 1), borderType=cv2.BORDER_CONSTANT), float)

    left = seen * (wall.shades - along(seen * wall.shades, 0.7) / np.maximum(along(seen, 0.7), 1e-6))
    contrast = np.sqrt(np.maximum(along(left**2, 1.2), 0.0) / np.maximum(along(seen, 1.2), 1e-6))
    return left / (contrast + 0.5)


def _radius_px(mouth: CircleInSpace) -> float:
    """Half the long axis of the mouth in the picture."""
    outline = mouth.outline_px(24)
    return float(np.linalg.norm(outline - outline.mean(axis=0), axis=1).max())


def _tilt_doubt(
    mouth: CircleInSpace, slant: float, coverage: float, focal_relative_sd: float | None, plane_sd_deg: float
) -> float:
    """Relative doubt of depths below a mouth seen at a slant (rad): their pictures are as long as its sine."""
    # Of a part of an ellipse its flaws tell the shape by the square of that part worse.
    own = CASTING_FLAWS / np.sin(slant) / max(coverage, 0.2) ** 2
    if focal_relative_sd is None:
        sd = 1 / np.hypot(1 / np.deg2rad(plane_sd_deg), 1 / own)
    else:
        # How far aside of the camera's axis a mouth is turns a slant that its picture alone tells.
        center = mouth.center_in_camera_mm
        aside = np.arccos(center[2] / np.linalg.norm(center))
        sd = np.hypot(own, focal_relative_sd * np.sin(aside) * np.cos(aside))
    return float(sd / np.tan(slant))
