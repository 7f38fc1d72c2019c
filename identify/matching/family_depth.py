"""A card on a chamber's joint or cover stands in front of the joint's edge by what each family's own record says.

The survey has to assume one distance for all pumps and carries its uncertainty. Judging a family that states its own
(`joint_rise_mm` or `cover_depth_mm` among its extra columns) that assumption is replaced by the family's: its
expected reading moves, and its spread takes the place of the survey's.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from features.measured import Contribution, MeasuredLength
from identify.matching.family_table import FamilyTable
from identify.matching.likelihood import Array
from reference_geometry.families import LENGTH_NAMES

_JOINT = "chamber_diameter"
_LIFT_MM, _LIFT_SD_MM = 2.5, 3.0
"""How far before a rim's highest bolts a taped card lies, which never lies quite flat (common practice)."""
_COVER_SHARE, _COVER_SHARE_SD = 0.83, 0.11
"""Share of a cover's whole depth at which a card lies on it: seldom on its highest spot, often beside its boss or on
its flank. A mild belief (common practice) that covers the 0.69 to 0.97 of the rendered demo pumps."""


def family_depth_mm(table: FamilyTable, card_at: str) -> Array | None:
    """(R,) depth of the joint's edge behind a card that lies there, by each family's record; None elsewhere."""
    if card_at == "rim":
        return table.joint_rise_mm + _LIFT_MM
    return _COVER_SHARE * table.cover_depth_mm if card_at == "cover" else None


def _depth_sd_mm(depth_mm: Array, card_at: str) -> Array:
    """(R,) how exactly that depth holds for one card on one pump."""
    if card_at == "rim":
        return np.full(len(depth_mm), _LIFT_SD_MM)
    return depth_mm * (_COVER_SHARE_SD / _COVER_SHARE)


@dataclass(frozen=True, eq=False)
class DepthAdjusted:
    """Table and lengths as the geometry should compare them.

    Attributes:
        table: expected readings and their spread for this survey.
        lengths: the measured lengths, without the error that moved into the table.
    """

    table: FamilyTable
    lengths: tuple[MeasuredLength, ...]


def use_family_depth(table: FamilyTable, lengths: Sequence[MeasuredLength], card_at: str) -> DepthAdjusted:
    """Let families that state their joint's depth be judged by it; everything else stays as it is.

    With g the relative change of the measured diameter per mm, d0 the distance assumed and d the family's,
    the expected log reading moves by -g (d - d0). Only for a card said to lie on the rim or the cover.
    """
    unchanged = DepthAdjusted(table, tuple(lengths))
    place = next((i for i, length in enumerate(lengths) if length.name == _JOINT), None)
    depth_mm = family_depth_mm(table, card_at)
    if place is None or depth_mm is None or not np.isfinite(depth_mm).any():
        return unchanged
    joint = lengths[place]
    assumed = _own_offsets(joint, lengths)
    if joint.offset_mm is None or not assumed:
        return unchanged
    per_mm = joint.per_offset_mm / joint.value_mm
    known = np.isfinite(depth_mm)
    shift = np.where(known, per_mm * (depth_mm - joint.offset_mm), 0.0)
    carried = sum(part.relative**2 for part in assumed)
    spread = np.where(known, (per_mm * _depth_sd_mm(depth_mm, card_at)) ** 2, carried)
    kept = replace(joint, contributions=tuple(part for part in joint.contributions if part not in assumed))
    moved = replace(
        table,
        log_mean=_with_row(table.log_mean, -shift),
        log_variance=_with_row(table.log_variance, spread),
    )
    return DepthAdjusted(moved, (*lengths[:place], kept, *lengths[place + 1 :]))


def _own_offsets(joint: MeasuredLength, lengths: Sequence[MeasuredLength]) -> tuple[Contribution, ...]:
    """Offset errors that no other length shares; a shared one must stay where all can see it."""
    shared = {part.source for length in lengths if length is not joint for part in length.contributions}
    return tuple(part for part in joint.contributions if part.name == "offset" and part.source not in shared)


def _with_row(columns: Array, change: Array) -> Array:
    changed = columns.copy()
    changed[LENGTH_NAMES.index(_JOINT)] += change
    return changed
