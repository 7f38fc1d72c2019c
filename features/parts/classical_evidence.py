"""What the classical finder's readings are worth: attribute likelihoods as flat as its measured errors."""

import numpy as np

from features.measured import AttributeEvidence
from features.parts.bolt_ring import BoltRing
from features.parts.round_things import RoundThing


def chamber_evidence(ring: BoltRing, photo: str) -> tuple[AttributeEvidence, ...]:
    """Joint style and bolt count from the ring at the chamber's edge."""
    bolted = float(np.clip(0.15 + 2.6 * (ring.strength - 0.05), 0.15, 0.95))
    joint = AttributeEvidence("housing_joint", {"bolted": bolted, "clamp_band": 1 - bolted}, (photo,))
    if ring.strength < 0.12:
        return (joint,)
    trust = float(np.clip(3.0 * ring.strength, 0.1, 0.9))
    flat = 1 / len(ring.likelihood)
    count = {value: trust * share + (1 - trust) * flat for value, share in ring.likelihood.items()}
    return joint, AttributeEvidence("chamber_bolt_count", count, (photo,))


def port_evidence(thing: RoundThing, is_flange: bool, photo: str) -> tuple[AttributeEvidence, ...]:
    """Connection and hole count from the ring on a port's face."""
    flanged = 0.9 if is_flange else 0.35
    connection = AttributeEvidence("connection", {"flanged": flanged, "threaded": 1 - flanged}, (photo,))
    if not is_flange:
        return (connection,)
    counts = {value: 0.8 * share + 0.05 for value, share in thing.port_ring.likelihood.items()}
    total = sum(counts.values())
    holes = AttributeEvidence("bolt_hole_count", {v: c / total for v, c in counts.items()}, (photo,))
    return connection, holes
