"""Work on several things, two at a time: numpy and OpenCV let another thread go on while they compute."""

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Thing = TypeVar("Thing")
Result = TypeVar("Result")


def two_at_once(work: Callable[[Thing], Result], things: Iterable[Thing]) -> list[Result]:
    """What work makes of each thing, in their order; what it raises is raised here."""
    with ThreadPoolExecutor(2) as threads:
        return list(threads.map(work, things))
