"""The named shape choices of a pump and which splits may use them, as data.

A test pump never shares its cover profile, its chamber joint or any other test-only kind with training: those
kinds occur in no train or val pump. Kinds marked TRAIN occur in train and val; VAL ones only in val, to see
during training how well an unknown shape goes. Choices outside `TEST_MUST_DIFFER` may in the test split also
fall on training kinds, as real pumps do.

A kind named free_... has a form drawn at random for each pump. It is for training alone, so that the model learns a
part by what all its forms have in common.
"""

from typing import Literal

import numpy as np

Split = Literal["train", "val", "test"]
Pool = Literal["train", "val", "test", "family"]
"""Whose kinds: a split's, or those of a pump that a family names, which are train's but for the free ones."""

FREE_WEIGHT = 3
"""How many named kinds a free one stands for when kinds are drawn: its form is another in every pump."""


def _kinds(train: str = "", val: str = "", test: str = "", every: str = "") -> dict[str, frozenset[str]]:
    """Kind -> splits; `train` kinds serve val too, `every` all three."""
    groups = ((every, "train val test"), (train, "train val"), (val, "val"), (test, "test"))
    return {kind: frozenset(splits.split()) for kinds, splits in groups for kind in kinds.split()}


KINDS: dict[str, dict[str, frozenset[str]]] = {
    "cover_profile": _kinds(
        train="sphere cone flat_step stepped_dome ellipsoid bell free_profile",
        val="saucer",
        test="ring_bulge double_cone pillow",
    ),
    "cover_ribs": _kinds(every="none", train="radial gussets concentric waffle free_ribs", test="parallel cross"),
    "cover_boss": _kinds(every="none", train="plain disk hex_plug dimple", test="ring square_plug"),
    "band_section": _kinds(train="band_flat band_v band_round free_band", test="band_lipped band_channel"),
    "band_closure": _kinds(train="lugs t_bolt ears free_closure", test="saddle"),
    "rim_outline": _kinds(
        train="rim_round rim_scalloped rim_square_plate rim_squarish free_rim",
        test="rim_two_flats rim_octagon_plate rim_stepped",
    ),
    "bolt_head": _kinds(
        train="hex_washer hex_flange hex socket socket_washer nut_stud_washer", test="nut_stud cap_nut"
    ),
    "bolt_seat": _kinds(every="flush", train="counterbored pads"),
    "manifold": _kinds(
        train="pipe_elbow cast_arch bolted_tee straight_header free_run",
        test="diagonal_pipe block_header webbed_pipe",
    ),
    "manifold_joint": _kinds(
        every="plain", train="round_flange oval_flange small_band", test="square_flange union_nut"
    ),
    "neck": _kinds(every="elbow", train="bulb box free_neck", test="tapered"),
    "flange_build": _kinds(every="fixed", train="loose hub", test="gusseted"),
    "threaded_boss": _kinds(train="round hex ribbed free_boss", test="octagon flared"),
    "air_block": _kinds(train="rectangular rounded finned drum free_block", test="octagonal waisted"),
    "air_valve": _kinds(train="box spool plate free_valve", test="stepped_box upright_spool"),
    "muffler": _kinds(every="none", train="cylinder finned cone", test="bullet canister"),
    "feet": _kinds(train="plate stamped molded free_feet", test="rails splayed pedestal"),
}
"""Choice -> kind -> splits that may use it."""

TEST_MUST_DIFFER = (
    "cover_profile",
    "band_section",
    "band_closure",
    "rim_outline",
    "manifold",
    "air_block",
    "feet",
)
"""Choices for which a test pump takes only kinds that no train or val pump has."""


def is_free(kind: str) -> bool:
    """Whether the kind's form is drawn at random for each pump; such kinds are named free_..."""
    return kind.startswith("free_")


def kinds_for(choice: str, split: Pool) -> tuple[str, ...]:
    """The kinds of one choice that a split may use, in the table's order."""
    if split == "family":
        return tuple(kind for kind in kinds_for(choice, "train") if not is_free(kind))
    allowed = tuple(kind for kind, splits in KINDS[choice].items() if split in splits)
    if split == "test" and choice in TEST_MUST_DIFFER:
        allowed = tuple(kind for kind in allowed if "train" not in KINDS[choice][kind])
    return allowed


def pick_kind(rng: np.random.Generator, choice: str, split: Pool, without: tuple[str, ...] = ()) -> str:
    """Draws one allowed kind, a free one `FREE_WEIGHT` times as often as a named one.

    `without` leaves out kinds that do not fit the pump at hand.
    """
    allowed = [kind for kind in kinds_for(choice, split) if kind not in without]
    lots = [kind for kind in allowed for _ in range(FREE_WEIGHT if is_free(kind) else 1)]
    return str(lots[int(rng.integers(len(lots)))])
