"""Two draws from a random source that read as words."""

import numpy as np

Rng = np.random.Generator


def chance(rng: Rng, probability: float) -> bool:
    """True with this probability."""
    return bool(rng.random() < probability)


def between(rng: Rng, low: float, high: float) -> float:
    """Uniform on [low, high]."""
    return float(rng.uniform(low, high))
