"""What the part model says of a pump's attributes, as likelihoods."""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from features.measured import AttributeEvidence
from features.parts.body_color import body_color
from features.parts.bolt_count import CountedRing
from features.parts.color_words import color_likelihood
from features.parts.flange_holes import TOO_MANY
from features.parts.part_maps import part_share
from features.parts.part_model import PartMaps
from features.parts.part_vocabulary import ATTRIBUTES, EVIDENCE_PARTS, TELLING_VIEWS

SEEN_SHARE = 0.004
"""Share of the photo that an attribute's parts fill when they are well seen."""
OF_THE_PUMP = ("connection", "housing_joint", "port_position", "wetted_material", "air_valve_side")
CHAMBER_COUNT_TRUST = 0.8
"""Share of joints in full view whose bolts are counted right (82 of 101 on two sets of test photos)."""
NEXT_COUNT = 0.25
"""Of the joints counted wrong, the share that lies one too low, and one too high (6 of 16); the others lie anywhere."""
COUNT_TRUST = 0.9
"""Share of photos in which a flange's holes can be believed; in the others any count may be true."""


def photo_evidence(maps: PartMaps, photo: str) -> tuple[AttributeEvidence, ...]:
    """Attributes of the whole photo; weak where the parts that show them are hardly in the picture."""
    evidence = []
    for name in OF_THE_PUMP:
        if name in TELLING_VIEWS:
            seen = sum(maps.attributes["view"].get(view, 0.0) for view in TELLING_VIEWS[name])
        else:
            seen = part_share(maps, EVIDENCE_PARTS[name]) / SEEN_SHARE
        trust = float(np.clip(seen, 0.05, 1.0))
        flat = 1 / len(ATTRIBUTES[name])
        told = {value: trust * p + (1 - trust) * flat for value, p in maps.attributes[name].items()}
        evidence.append(AttributeEvidence(name, told, (photo,)))
    return tuple(evidence)


def color_evidence(
    pixels_rgb: NDArray[np.uint8], maps: PartMaps, papers_px: Sequence[NDArray[np.float64]], photo: str
) -> tuple[AttributeEvidence, ...]:
    """The color of the wetted parts; empty where too little of them is seen."""
    seen = body_color(pixels_rgb, maps, papers_px)
    return () if seen is None else (AttributeEvidence("body_color", color_likelihood(seen), (photo,)),)


def chamber_count_evidence(ring: CountedRing | None, maps: PartMaps, photo: str) -> tuple[AttributeEvidence, ...]:
    """The bolt count of a chamber's joint, as far as the joint is bolted at all."""
    bolted = maps.attributes["housing_joint"]["bolted"]
    if ring is None or bolted < 0.3:
        return ()
    trust = CHAMBER_COUNT_TRUST * bolted
    flat = 1 / len(ring.likelihood)
    told = {}
    for count, share in ring.likelihood.items():
        beside = NEXT_COUNT * sum(ring.likelihood.get(count + one, 0.0) for one in (-1, 1))
        told[str(count)] = trust * share + (1 - trust) * (beside + (1 - 2 * NEXT_COUNT) * flat)
    return (AttributeEvidence("chamber_bolt_count", told, (photo,)),)


def hole_count_evidence(likelihood: Mapping[int, float], photo: str) -> tuple[AttributeEvidence, ...]:
    """The number of bolts or holes of a port's flange, from the likelihood of each; empty where none were seen."""
    of_ports = {count: share for count, share in likelihood.items() if count != TOO_MANY}
    total = sum(of_ports.values())
    if not total:
        return ()
    flat = 1 / len(of_ports)
    told = {str(count): COUNT_TRUST * share / total + (1 - COUNT_TRUST) * flat for count, share in of_ports.items()}
    return (AttributeEvidence("bolt_hole_count", told, (photo,)),)
