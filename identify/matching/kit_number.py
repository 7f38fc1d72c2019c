"""A kit number on an old box or invoice as evidence: it speaks for the families that take that kit.

The number is looked up among the kits, superseded numbers included; the family table gets a column that says which
families take it. It is never taken for certain: the box may have been bought for another pump.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from features.measured import AttributeEvidence
from identify.matching.family_table import FamilyTable
from identify.matching.settings import MatchSettings

KIT_ATTRIBUTE = "kit_no"
ANOTHER_KIT = "another kit"
_MOST_KITS = 32_000
"""Kits told from each other; all beyond are one."""


@dataclass(frozen=True, eq=False)
class KitEvidence:
    """The family table with a column for the kit said, and the evidence that goes with it."""

    table: FamilyTable
    evidence: AttributeEvidence


def kit_evidence(
    table: FamilyTable, kit_no: str, rows: Sequence[int], own_kits: Sequence[str], settings: MatchSettings
) -> KitEvidence:
    """Let a kit number speak for the families that take it.

    A number of another pump may be that of any other kit: each is as unlikely as the error over their number.

    Args:
        table: the families.
        kit_no: the number, as the set writes it.
        rows: families that take it, by position.
        own_kits: a kit number of the same section by which each family's kits are known, "" where it has none.
        settings: how often such a number is of another pump.
    """
    others = sorted({number for number in own_kits if number} - {kit_no})[:_MOST_KITS]
    words = (kit_no, *others, ANOTHER_KIT)
    code = {word: place for place, word in enumerate(words, start=1)}
    codes = np.full(table.rows, code[ANOTHER_KIT], dtype=np.int16)
    codes[: table.count] = [code.get(number, code[ANOTHER_KIT]) for number in own_kits]
    codes[list(rows)] = code[kit_no]
    error = settings.typed_error_of(KIT_ATTRIBUTE)
    likelihood = {word: error / (len(words) - 1) for word in words[1:]}
    marked = replace(
        table,
        codes={**table.codes, KIT_ATTRIBUTE: codes},
        words={**table.words, KIT_ATTRIBUTE: words},
        frequencies={**table.frequencies, KIT_ATTRIBUTE: dict(Counter(words[c - 1] for c in codes[: table.count]))},
    )
    return KitEvidence(marked, AttributeEvidence(KIT_ATTRIBUTE, {kit_no: 1.0 - error, **likelihood}))
