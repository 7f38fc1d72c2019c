"""The slant of a plane that only round things tell, summed over instead of guessed.

Near a square view the shape of a rim changes with the square of the slant, and a slant to one side looks much like the
same slant to the other. There is no best slant then, only many possible ones: what follows from them is averaged with
their probabilities, and its spread is the uncertainty that the slant leaves (summed on an adaptive grid).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_FARTHEST_DEG = 64.0
_FIRST_STEP_DEG = 7.0
_LEVELS = 3
_SPLIT = 3
_DEPTH = 10.0
_LEAST_CELLS, _MOST_CELLS = 12, 40
_ONE_MODE_DEG = 24.0
_OTHER_MODE = 0.02

HELD_SQUARE_SD_DEG = 12.0
_HELD_DEGREES = 3.0
"""How people hold phones: roughly square on, a dozen degrees per axis, with a wide tail (Student's t of 3 degrees of
freedom; common practice, and the six photographs of coins lie within 5 degrees)."""


@dataclass(frozen=True, eq=False)
class SlantPosterior:
    """Possible slants with their probabilities.

    Attributes:
        slants: (G, 2) rotation vectors about the camera's x and y axes, rad.
        weights: (G,) probabilities, sum 1.
        log_density: (G,) logarithm of the density, up to a constant.
    """

    slants: Array
    weights: Array
    log_density: Array

    @property
    def best(self) -> int:
        """Index of the most probable slant."""
        return int(np.argmax(self.log_density))

    def without_less_than(self, share: float) -> "SlantPosterior":
        """Leave out cells of less than a share of the probability."""
        kept = self.weights > share
        return SlantPosterior(self.slants[kept], self.weights[kept] / self.weights[kept].sum(), self.log_density[kept])

    def modes(self) -> Array:
        """(1 or 2, 2) the best slant of one half plane and, where it is possible too, of the other half.

        A circle seen at a slant looks alike tilted one way and the other. Seen squarely the two are one, their mean.
        """
        top = self.slants[self.best]
        same = self.slants @ top >= 0.0
        other = self.slants[int(np.argmax(np.where(same, -np.inf, self.log_density)))]
        if float(np.linalg.norm(top - other)) < np.deg2rad(_ONE_MODE_DEG):
            return np.asarray(self.weights @ self.slants)[None]
        return np.array([top, other] if self.weights[~same].sum() > _OTHER_MODE else [top])


def held_log_prior(slants: Array) -> Array:
    """Log density of how people hold a phone, of (G, 2) slants in rad."""
    square = np.sum(slants**2, axis=1) / np.deg2rad(HELD_SQUARE_SD_DEG) ** 2
    return np.asarray(-0.5 * (_HELD_DEGREES + 2) * np.log1p(square / _HELD_DEGREES))


def slant_posterior(log_density: Callable[[Array], Array]) -> SlantPosterior:
    """Sum a density over all slants.

    Args:
        log_density: (G, 2) slants to (G,) log posterior density, up to a constant.

    Returns:
        Cells of an adaptive grid, fine where the density is.
    """
    step = np.deg2rad(_FIRST_STEP_DEG)
    line = np.arange(-np.floor(np.deg2rad(_FARTHEST_DEG) / step), np.floor(np.deg2rad(_FARTHEST_DEG) / step) + 1) * step
    cells = np.stack(np.meshgrid(line, line), axis=-1).reshape(-1, 2)
    cells = cells[np.hypot(*cells.T) <= np.deg2rad(_FARTHEST_DEG)]
    logs, areas = log_density(cells), np.full(len(cells), step**2)
    inner = np.stack(np.meshgrid(*[np.arange(_SPLIT) - (_SPLIT - 1) / 2] * 2), axis=-1).reshape(-1, 2)
    for _ in range(_LEVELS):
        order = np.argsort(-logs)
        enough = int(np.clip(np.sum(logs > logs[order[0]] - _DEPTH), _LEAST_CELLS, _MOST_CELLS))
        split, kept = order[:enough], order[enough:]
        # Only cells of the finest size are split again: what was left coarse before stays so.
        coarse = areas[split] > areas.min() * 1.01
        kept, split = np.concatenate([kept, split[coarse]]), split[~coarse]
        step /= _SPLIT
        finer = (cells[split][:, None] + step * inner).reshape(-1, 2)
        cells = np.concatenate([cells[kept], finer])
        logs = np.concatenate([logs[kept], log_density(finer)])
        areas = np.concatenate([areas[kept], np.full(len(finer), step**2)])
    weights = areas * np.exp(logs - logs.max())
    return SlantPosterior(cells, weights / weights.sum(), logs)


def slant_rotations(slants: Array) -> Array:
    """(G, 2) slants to (G, 3, 3) rotations, plane frame to camera axes (Rodrigues, no turn in the plane)."""
    angle = np.hypot(*slants.T)
    small = angle < 1e-9
    x, y = np.where(small[:, None], [[1.0, 0.0]], slants / np.where(small, 1.0, angle)[:, None]).T
    c, s = np.cos(angle), np.sin(angle)
    v, zero = 1.0 - c, np.zeros_like(c)
    rows = [[c + x * x * v, x * y * v, y * s], [x * y * v, c + y * y * v, -x * s], [-y * s, x * s, c + zero]]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)
