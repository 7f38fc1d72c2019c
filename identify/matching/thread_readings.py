"""What was read of a threaded port in each case it may be: tapered wall or not, chamfer or crests traced.

Each case is its own set of lengths, as likely for a family as its thread's standard says: the wall of NPT is always
tapered. The likelihoods of the cases are added, so that a pitch tells one standard from another by what it would be
for each, instead of by a middle that is true for none.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from features.measured import MeasuredLength
from features.thread_wall import TAPERED_CHANCE, TAPERED_OF, WALL
from features.which_edge import EDGE
from identify.matching.family_table import FamilyTable
from identify.matching.likelihood import Array

_NEVER = -1e9
"""Log chance of a case that can not be."""


@dataclass(frozen=True, eq=False)
class ThreadCase:
    """The lengths in one case, and its log chance for each row of the family table, (R,)."""

    lengths: tuple[MeasuredLength, ...]
    log_chance: Array


def thread_cases(table: FamilyTable, lengths: Sequence[MeasuredLength]) -> Iterator[ThreadCase]:
    """All cases; a single one of chance 1 where no length hangs on them."""
    walls = _either(any(map(WALL.hangs_on, lengths)))
    edges = _either(any(map(EDGE.hangs_on, lengths)))
    for tapered, chamfer in product(walls, edges):
        told, log_chance = tuple(lengths), np.zeros(table.rows)
        if tapered is not None:
            told = tuple(WALL.told(length, tapered) for length in told)
            log_chance = log_chance + _log_of(_tapered(table), tapered)
        if chamfer is not None:
            told = tuple(EDGE.told(length, chamfer) for length in told)
            log_chance = log_chance + _log_of(np.full(table.rows, EDGE.first_chance), chamfer)
        yield ThreadCase(told, log_chance)


def _either(open_still: bool) -> tuple[bool | None, ...]:
    return (True, False) if open_still else (None,)


def _log_of(chance: Array, happens: bool) -> Array:
    share = chance if happens else 1.0 - chance
    return np.where(share > 0.0, np.log(np.maximum(share, 1e-12)), _NEVER)


def _tapered(table: FamilyTable) -> Array:
    """(R,) how often the thread of each row is tapered."""
    words = table.words.get("port_standard", ())
    by_code = np.array([TAPERED_CHANCE, *(TAPERED_OF.get(word, TAPERED_CHANCE) for word in words)])
    return by_code[table.codes["port_standard"]] if words else np.full(table.rows, TAPERED_CHANCE)
