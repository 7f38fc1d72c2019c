"""What is made of a picture once and kept as long as the picture is in use."""

import weakref
from collections.abc import Callable
from typing import Any, TypeVar

from numpy.typing import NDArray

Made = TypeVar("Made")


def made_once(picture: NDArray[Any], kept: dict[int, Made], make: Callable[[], Made]) -> Made:
    """What was made of a picture before, or is made now.

    Args:
        picture: not to be written on while it is in use.
        kept: by the pictures' identities; what was made of one leaves it with the picture.
        make: makes it.
    """
    if id(picture) not in kept:
        weakref.finalize(picture, kept.pop, id(picture), None)
        kept.setdefault(id(picture), make())
    return kept[id(picture)]
