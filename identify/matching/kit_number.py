"""A kit number on an old box or invoice as evidence: it speaks for the families that take that kit.

The number is looked up among the kits, superseded numbers included; the family table gets a column that says which
families take it. It is never taken for certain: the box may have been bought for another pump.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from features.measured import AttributeEvidence
from identify.matching.family_table import FamilyTable
from identify.matching.settings import MatchSettings

KIT_ATTRIBUTE = "kit_no"
ANOTHER_KIT = "another kit"


@dataclass(frozen=True, eq=False)
class KitEvidence:
    """The family table with a column for the kit said, and the evidence that goes with it."""

    table: FamilyTable
    evidence: AttributeEvidence


def kit_evidence(table: FamilyTable, kit_no: str, rows: Sequence[int], settings: MatchSettings) -> KitEvidence:
    """Let a kit number speak for the families that take it.

    Args:
        table: the families.
        kit_no: the number, as the set writes it.
        rows: families that take it, by position.
        settings: how often such a number is of another pump.
    """
    codes = np.full(table.rows, 2, dtype=np.int16)
    codes[list(rows)] = 1
    marked = replace(
        table,
        codes={**table.codes, KIT_ATTRIBUTE: codes},
        words={**table.words, KIT_ATTRIBUTE: (kit_no, ANOTHER_KIT)},
        frequencies={
            **table.frequencies,
            KIT_ATTRIBUTE: {kit_no: len(rows), ANOTHER_KIT: table.count - len(rows)},
        },
    )
    error = settings.typed_error_of(KIT_ATTRIBUTE)
    return KitEvidence(marked, AttributeEvidence(KIT_ATTRIBUTE, {kit_no: 1.0 - error, ANOTHER_KIT: error}))
