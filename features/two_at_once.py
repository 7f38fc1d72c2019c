"""Work on several things, two at a time: numpy and OpenCV let another thread go on while they compute."""

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from typing import TypeVar

import cv2

Thing = TypeVar("Thing")
Result = TypeVar("Result")


@cache
def leave_threads_to_us() -> None:
    """Tell OpenCV once not to share out its own work: two of our threads keep two cores busy.

    Its threads spin while they wait for the next piece, and most pieces are small: that was 6 to 11 % of the processor
    time of surveys of nine photos.
    """
    cv2.setNumThreads(1)


def two_at_once(work: Callable[[Thing], Result], things: Iterable[Thing]) -> list[Result]:
    """What work makes of each thing, in their order; what it raises is raised here."""
    with ThreadPoolExecutor(2) as threads:
        return list(threads.map(work, things))
