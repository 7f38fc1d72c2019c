"""What measured lengths rest on that no photo shows, in words."""

from collections.abc import Sequence

from features.measured import MeasuredLength
from features.ruler import FLANGE_SOURCE
from features.standing_circle import HEIGHT_OF_DIAMETER, HEIGHT_SD, HEIGHT_SOURCE


def length_assumptions(lengths: Sequence[MeasuredLength]) -> tuple[str, ...]:
    """A sentence for the height at which a chamber was taken to stand, and for a flange that was taken as ruler."""
    sources = {part.source for length in lengths for part in length.contributions}
    said = []
    if HEIGHT_SOURCE in sources:
        said.append(
            f"The scale lies on the floor, and the chamber's middle is taken to stand {HEIGHT_OF_DIAMETER:g} +/- "
            f"{HEIGHT_SD:g} times its diameter above it."
        )
    for size in sorted(source.removeprefix(FLANGE_SOURCE) for source in sources if source.startswith(FLANGE_SOURCE)):
        said.append(f"The port's flange is taken to be as large as standards have it: {size} in.")
    return tuple(said)
