"""An error that can only be one of two: which of two edges was traced, which of two walls was read.

Until somebody knows which, a length carries it as a mean and a standard deviation. Whoever judges one case takes it out
again, and the length is what it is in that case.
"""

from dataclasses import dataclass, replace

import numpy as np

from features.measured import Contribution, ContributionName, MeasuredLength


@dataclass(frozen=True)
class TwoValues:
    """One such error.

    Attributes:
        source: its identity in the budget (`features.measured.Contribution`).
        first_chance: how often the first of its two cases is true.
    """

    source: str
    first_chance: float

    def unknown(self, name: ContributionName, first_mm: float, second_over_first: float) -> tuple[float, Contribution]:
        """A length of which nobody knows which case is true: its mean in mm, and the error of not knowing.

        Args:
            name: the error's heading in the budget.
            first_mm: the length in the first case.
            second_over_first: logarithm of what it is in the second, over that.
        """
        sd = second_over_first * float(np.sqrt(self.first_chance * (1 - self.first_chance)))
        mean = first_mm * float(np.exp((1 - self.first_chance) * second_over_first))
        return mean, Contribution(name, self.source, sd, self.first_chance)

    def hangs_on(self, length: MeasuredLength) -> bool:
        """Whether a length is another in the second case."""
        return any(part.source == self.source for part in length.contributions)

    def told(self, length: MeasuredLength, first: bool) -> MeasuredLength:
        """A length in one of the two cases; one that does not hang on it as it is."""
        share = sum(part.relative for part in length.contributions if part.source == self.source)
        if not share:
            return length
        odds = float(np.sqrt((1 - self.first_chance) / self.first_chance))
        # Standard deviations that each of the two lies from their mean.
        moved = -share * odds if first else share / odds
        rest = tuple(part for part in length.contributions if part.source != self.source)
        return replace(length, value_mm=length.value_mm * float(np.exp(moved)), contributions=rest)
