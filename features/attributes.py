"""Evidence on the pump's attributes from several photos, combined."""

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from features.measured import AttributeEvidence

SHARED_DOUBT = 0.7
"""Photos of one pump fool a finder in the same way: further photos' log evidence counts by this share."""

OF_THE_SURFACE = ("wetted_material",)
"""Attributes that the look of a surface tells. All photos of a pump show the same surface, so a finish that looks like
another material does so in all of them: of 113 rendered pumps with three photos each the likeliest material was right
for 88 %, where the rule for the others said 97 % and this one says 92 % (of 60 others 90 %, 96 % and 91 %)."""

COATED_ANEW: Mapping[str, float] = MappingProxyType({"body_color": 0.2})
"""How often what all photos show is another value than the one the maker gave, which families record: pumps are painted
over, stained, yellowed, built together from two (common practice; twice what is believed of a person's answer, who can
wipe a spot clean). Photos of one pump share it, so it is allowed for once, after they are put together."""

REPEATED_LOOKS = 0.2
"""Log evidence of a surface grows with this power of the number of photos that tell it."""

TELLS_ALL = 0.5
"""A photo whose log evidence is at least this strong counts as one that tells, a weaker one in proportion."""

NEVER_BELOW = 0.002
"""No photo makes an attribute impossible."""


def combine_attributes(evidence: Sequence[AttributeEvidence]) -> tuple[AttributeEvidence, ...]:
    """Put likelihoods of each attribute together over photos.

    They are multiplied, the strongest photo's in full, the others' discounted; those of a surface are averaged. What a
    pump was made as is told by what it is now, as far as that goes.

    Returns:
        One entry an attribute, likelihoods normalized and kept away from 0.
    """
    by_name: dict[str, list[AttributeEvidence]] = {}
    for entry in evidence:
        by_name.setdefault(entry.name, []).append(entry)
    return tuple(_together(name, group) for name, group in by_name.items())


def _together(name: str, group: list[AttributeEvidence]) -> AttributeEvidence:
    values = list(dict.fromkeys(value for entry in group for value in entry.likelihood))
    logs = np.array([[np.log(max(e.likelihood.get(v, 0.0), NEVER_BELOW)) for v in values] for e in group])
    total = _of_one_surface(logs) if name in OF_THE_SURFACE else _of_many_looks(logs)
    likelihood = np.exp(total - total.max())
    likelihood = np.maximum(likelihood / likelihood.sum(), NEVER_BELOW)
    likelihood /= likelihood.sum()
    anew = COATED_ANEW.get(name, 0.0)
    likelihood = (1 - anew) * likelihood + anew / len(values)
    photos = tuple(dict.fromkeys(photo for entry in group for photo in entry.photos))
    return AttributeEvidence(name, dict(zip(values, likelihood.tolist(), strict=True)), photos)


def _of_many_looks(logs: NDArray[np.float64]) -> NDArray[np.float64]:
    """(V,) log evidence of (N, V) photos that each add something of their own."""
    order = np.argsort(-_strength(logs))
    shares = np.where(np.arange(len(logs)) == 0, 1.0, SHARED_DOUBT)
    return np.asarray(shares @ logs[order])


def _of_one_surface(logs: NDArray[np.float64]) -> NDArray[np.float64]:
    """(V,) log evidence of (N, V) photos that repeat one observation: their mean, a little more for many."""
    weights = np.minimum(_strength(logs) / TELLS_ALL, 1.0)
    telling = float(weights.sum())
    total = weights @ logs
    return np.asarray(total / telling * telling**REPEATED_LOOKS if telling > 1.0 else total)


def _strength(logs: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(logs.max(axis=1) - logs.mean(axis=1))
