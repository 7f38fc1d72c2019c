"""Evidence on the pump's attributes from several photos, combined."""

from collections.abc import Sequence

import numpy as np

from features.measured import AttributeEvidence

SHARED_DOUBT = 0.7
"""Photos of one pump fool a finder in the same way: further photos' log evidence counts by this share."""

NEVER_BELOW = 0.002
"""No photo makes an attribute impossible."""


def combine_attributes(evidence: Sequence[AttributeEvidence]) -> tuple[AttributeEvidence, ...]:
    """Multiply likelihoods of each attribute over photos, strongest photo in full, the others discounted.

    Returns:
        One entry an attribute, likelihoods normalized and kept away from 0.
    """
    by_name: dict[str, list[AttributeEvidence]] = {}
    for entry in evidence:
        by_name.setdefault(entry.name, []).append(entry)
    return tuple(_multiplied(name, group) for name, group in by_name.items())


def _multiplied(name: str, group: list[AttributeEvidence]) -> AttributeEvidence:
    values = list(dict.fromkeys(value for entry in group for value in entry.likelihood))
    logs = np.array([[np.log(max(e.likelihood.get(v, 0.0), NEVER_BELOW)) for v in values] for e in group])
    strength = logs.max(axis=1) - logs.mean(axis=1)
    order = np.argsort(-strength)
    shares = np.where(np.arange(len(group)) == 0, 1.0, SHARED_DOUBT)
    total = shares @ logs[order]
    likelihood = np.exp(total - total.max())
    likelihood = np.maximum(likelihood / likelihood.sum(), NEVER_BELOW)
    likelihood /= likelihood.sum()
    photos = tuple(dict.fromkeys(photo for entry in group for photo in entry.photos))
    return AttributeEvidence(name, dict(zip(values, likelihood.tolist(), strict=True)), photos)
