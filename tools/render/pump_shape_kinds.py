"""The named shape choices of a pump and which splits may use them, as data.

A test pump never shares its cover profile, its chamber joint or any other test-only kind with training: those kinds
occur in no train or val pump. Kinds marked TRAIN occur in train and val; VAL ones only in val, to see during training
how well an unknown shape goes. Choices outside `TEST_MUST_DIFFER` may in the test split also fall on training kinds,
as real pumps do.
"""

from typing import Literal

import numpy as np

Split = Literal["train", "val", "test"]

_TRAIN: frozenset[str] = frozenset({"train", "val"})
_VAL: frozenset[str] = frozenset({"val"})
_TEST: frozenset[str] = frozenset({"test"})
_ALL: frozenset[str] = frozenset({"train", "val", "test"})

KINDS: dict[str, dict[str, frozenset[str]]] = {
    "cover_profile": {
        "sphere": _TRAIN, "cone": _TRAIN, "flat_step": _TRAIN, "stepped_dome": _TRAIN, "ellipsoid": _TRAIN,
        "bell": _TRAIN, "saucer": _VAL,
        "ring_bulge": _TEST, "double_cone": _TEST, "pillow": _TEST,
    },
    "cover_ribs": {
        "none": _ALL, "radial": _TRAIN, "gussets": _TRAIN, "concentric": _TRAIN, "waffle": _TRAIN,
        "parallel": _TEST, "cross": _TEST,
    },
    "cover_boss": {
        "none": _ALL, "plain": _TRAIN, "disk": _TRAIN, "hex_plug": _TRAIN, "dimple": _TRAIN,
        "ring": _TEST, "square_plug": _TEST,
    },
    "band_section": {
        "band_flat": _TRAIN, "band_v": _TRAIN, "band_round": _TRAIN, "band_lipped": _TEST, "band_channel": _TEST,
    },
    "band_closure": {"lugs": _TRAIN, "t_bolt": _TRAIN, "ears": _TRAIN, "saddle": _TEST},
    "rim_outline": {
        "rim_round": _TRAIN, "rim_scalloped": _TRAIN, "rim_square_plate": _TRAIN, "rim_squarish": _TRAIN,
        "rim_two_flats": _TEST, "rim_octagon_plate": _TEST, "rim_stepped": _TEST,
    },
    "bolt_head": {
        "hex_washer": _TRAIN, "hex_flange": _TRAIN, "hex": _TRAIN, "socket": _TRAIN, "socket_washer": _TRAIN,
        "nut_stud_washer": _TRAIN, "nut_stud": _TEST, "cap_nut": _TEST,
    },
    "bolt_seat": {"flush": _ALL, "counterbored": _TRAIN, "pads": _TRAIN},
    "manifold": {
        "pipe_elbow": _TRAIN, "cast_arch": _TRAIN, "bolted_tee": _TRAIN, "straight_header": _TRAIN,
        "diagonal_pipe": _TEST, "block_header": _TEST,
    },
    "manifold_joint": {
        "round_flange": _TRAIN, "oval_flange": _TRAIN, "small_band": _TRAIN, "plain": _ALL, "square_flange": _TEST,
        "union_nut": _TEST,
    },
    "neck": {"bulb": _TRAIN, "elbow": _ALL, "box": _TRAIN, "tapered": _TEST},
    "flange_build": {"fixed": _ALL, "loose": _TRAIN, "hub": _TRAIN, "gusseted": _TEST},
    "threaded_boss": {"round": _TRAIN, "hex": _TRAIN, "ribbed": _TRAIN, "octagon": _TEST, "flared": _TEST},
    "air_block": {
        "rectangular": _TRAIN, "rounded": _TRAIN, "finned": _TRAIN, "drum": _TRAIN, "octagonal": _TEST,
        "waisted": _TEST,
    },
    "air_valve": {"box": _TRAIN, "spool": _TRAIN, "plate": _TRAIN, "stepped_box": _TEST, "upright_spool": _TEST},
    "muffler": {"cylinder": _TRAIN, "finned": _TRAIN, "cone": _TRAIN, "bullet": _TEST, "canister": _TEST, "none": _ALL},
    "feet": {"plate": _TRAIN, "stamped": _TRAIN, "molded": _TRAIN, "rails": _TEST, "splayed": _TEST},
}  # fmt: skip
"""Choice -> kind -> splits that may use it."""

TEST_MUST_DIFFER = ("cover_profile", "band_section", "band_closure", "rim_outline", "manifold", "air_block", "feet")
"""Choices for which a test pump takes only kinds that no train or val pump has."""


def kinds_for(choice: str, split: Split) -> tuple[str, ...]:
    """The kinds of one choice that a split may use, in the table's order."""
    allowed = tuple(kind for kind, splits in KINDS[choice].items() if split in splits)
    if split == "test" and choice in TEST_MUST_DIFFER:
        allowed = tuple(kind for kind in allowed if "train" not in KINDS[choice][kind])
    return allowed


def pick_kind(rng: np.random.Generator, choice: str, split: Split, without: tuple[str, ...] = ()) -> str:
    """Draws one allowed kind, all alike; `without` leaves out kinds that do not fit the pump at hand."""
    allowed = [kind for kind in kinds_for(choice, split) if kind not in without]
    return str(allowed[int(rng.integers(len(allowed)))])
