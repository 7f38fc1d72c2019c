"""Corrects a told ellipse by the outline that the part map draws: the ellipse knows the shape, the map the border."""

import cv2
import numpy as np
from numpy.typing import NDArray

from features.ellipse import Ellipse, direct_fits, sampson_px
from features.parts.part_maps import RoundPart
from features.parts.part_model import PartMaps
from features.parts.part_vocabulary import PART_CLASSES, PART_STRIDE

Array = NDArray[np.float64]

OWN_PARTS: dict[str, tuple[str, ...]] = {
    "chamber": ("chamber_cover", "clamp_band", "bolted_rim", "bolt"),
    "flange": ("flange", "bolt", "port_opening"),
    "mouth": ("port_opening",),
}
"""Classes inside the outline of each round part."""
HIDING_PARTS: dict[str, tuple[str, ...]] = {
    "chamber": ("manifold", "flange", "companion", "threaded_boss", "scale_reference", "feet", "port_opening"),
    "flange": ("scale_reference", "companion"),
    "mouth": ("scale_reference", "companion"),
}
"""Classes that may lie over the part: where one meets it, the border is not the part's own."""
RAYS = 180
NEAR, FAR = 0.72, 1.35
"""Where along a ray the border is looked for, the told outline being 1."""
TRIALS, ROUNDS = 80, 3
"""How many ellipses through border points are tried, and how often the best one is fitted to the points near it."""
AGREES = 0.025
"""Distance from the fitted outline, as a share of its size, within which a border point agrees."""
LEAST_SHARE = 0.22
"""Share of rays that must agree for the map to correct the ellipse."""


def by_the_map(maps: PartMaps, part: RoundPart, seed: int = 0) -> RoundPart:
    """The part with its ellipse fitted to the map's border; unchanged where the map shows too little of it."""
    border = border_places(maps, part)
    fitted = _robust(border, seed)
    if fitted is None:
        return part
    turn = np.array(
        [[np.cos(fitted.angle_rad), -np.sin(fitted.angle_rad)], [np.sin(fitted.angle_rad), np.cos(fitted.angle_rad)]]
    )
    shape_unit = turn @ np.diag(fitted.semi_axes_px) @ turn.T
    center = part.center_px + part.shape_px @ fitted.center_px
    # The unit circle goes to the fitted ellipse, then to the photo; the symmetric root names the same ellipse.
    both = part.shape_px @ shape_unit
    return RoundPart.of_square(part.name, part.score, center, both @ both.T)


def border_places(maps: PartMaps, part: RoundPart) -> Array:
    """(N, 2) where the map's border of the part is met along rays, the told outline being the unit circle."""
    angle = np.linspace(0, 2 * np.pi, RAYS, endpoint=False)
    cell_px = PART_STRIDE * maps.window.scale
    steps = int(np.clip((FAR - NEAR) * float(part.semi_axes_px.mean()) / (0.5 * cell_px), 16, 240))
    reach = np.linspace(NEAR, FAR, steps)
    unit = np.stack([np.cos(angle), np.sin(angle)], 1)
    places = reach[None, :, None] * unit[:, None, :]
    in_photo = part.center_px + places.reshape(-1, 2) @ part.shape_px.T
    cells = maps.window.to_cells(in_photo, maps.cell_px).astype(np.float32).reshape(RAYS, steps, 2)
    own = _sum(maps.shares, OWN_PARTS[part.name])
    hiding = _sum(maps.shares, HIDING_PARTS[part.name])
    rows, columns = own.shape
    inside = ((cells >= 0) & (cells <= [columns - 1, rows - 1])).all(axis=2)
    mine = np.where(inside, cv2.remap(own, cells[..., 0], cells[..., 1], cv2.INTER_LINEAR), np.nan)
    over = np.where(inside, cv2.remap(hiding, cells[..., 0], cells[..., 1], cv2.INTER_LINEAR), np.nan)
    falls = (mine[:, :-1] >= 0.5) & (mine[:, 1:] < 0.5)
    rays, last = np.arange(RAYS), steps - 2 - np.argmax(falls[:, ::-1], axis=1)
    # A border against something that lies over the part, or against the picture's edge, is not the part's.
    beyond = over[rays, np.minimum(last + 3, steps - 1)]
    own_border = falls.any(axis=1) & np.isfinite(beyond) & ~(beyond > 0.35) & ~(over[rays, last] > 0.35)
    rays, last = rays[own_border], last[own_border]
    inner, outer = mine[rays, last], mine[rays, last + 1]
    between = (inner - 0.5) / np.maximum(inner - outer, 1e-6)
    return np.asarray((reach[last] + between * (reach[1] - reach[0]))[:, None] * unit[rays], float)


def border_px(maps: PartMaps, part: RoundPart) -> Array:
    """(N, 2) the same places in the photo."""
    return np.asarray(part.center_px + border_places(maps, part) @ part.shape_px.T)


def shares_at(maps: PartMaps, names: tuple[str, ...], places_px: Array) -> Array:
    """(N,) probability that some of the named parts are seen at places (N, 2) of the photo; 0 outside the window."""
    cells = maps.window.to_cells(places_px, maps.cell_px).astype(np.float32)
    x, y = np.ascontiguousarray(cells.T)[:, None]
    share = cv2.remap(_sum(maps.shares, names), x, y, cv2.INTER_LINEAR, borderValue=0.0)
    return np.asarray(share.ravel(), float)


def _robust(border: Array, seed: int) -> Ellipse | None:
    """The ellipse that most border points agree on; None when too few do.

    Points are picked by their directions and ellipses weighed smoothly: one border point more or less changes little.
    """
    least = int(LEAST_SHARE * RAYS)
    if len(border) < least:
        return None
    angle = np.arctan2(border[:, 1], border[:, 0])
    order = np.argsort(angle)
    directions = np.random.default_rng(seed).uniform(-np.pi, np.pi, (TRIALS, 8))
    picks = order[np.searchsorted(angle[order], directions) % len(border)]
    trials = direct_fits(border[picks])
    trials = trials[_are_likely(trials)]
    if not len(trials):
        return None
    off = sampson_px(trials, border) / (2.0 * AGREES)
    best = trials[int(np.argmax((np.maximum(0.0, 1.0 - off**2) ** 2).sum(axis=1)))]
    fitted: Ellipse | None = None
    for _ in range(ROUNDS):
        agree = np.abs(sampson_px(best, border)) < AGREES
        again = Ellipse.fit(border[agree]) if agree.sum() >= least else None
        if not again or not _are_likely(again.parameters[None])[0]:
            break
        fitted, best = again, again.parameters
    return fitted


def _are_likely(ellipses: Array) -> NDArray[np.bool_]:
    """(T,) which (T, 5) lie not far from the unit circle: the told ellipse is a few percent off, no more."""
    near = np.linalg.norm(ellipses[:, :2], axis=1) < 0.25
    return np.asarray(near & (ellipses[:, 3] > np.log(0.75)) & (ellipses[:, 2] < np.log(1.33)))


def _sum(shares: NDArray[np.float32], names: tuple[str, ...]) -> NDArray[np.float32]:
    return np.ascontiguousarray(shares[[PART_CLASSES.index(name) for name in names]].sum(axis=0), np.float32)
