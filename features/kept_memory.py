"""Memory that one step frees is kept for the next, where the C library (glibc) can be told so.

A survey makes and drops some hundred pictures of 1 to 30 MB. Left alone, the library gives each back to the system and
asks for the next one anew, which hands it out page by page and zeroed: that was a tenth of a survey's processor time.
"""

import ctypes
import sys
from functools import cache

KEPT_BYTES = 256 << 20
"""So much may lie free at the end of the heap before it is given back."""
LARGEST_KEPT_BYTES = 32 << 20
"""Larger pieces are given back at once: they are few, and numpy asks for large pages for them."""
_HEAPS = 1
"""Threads share one heap: what one of them frees serves the others, and only this heap's end is kept so long."""
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8
"""Numbers of glibc's `mallopt` (malloc.h)."""


@cache
def keep_freed_memory() -> None:
    """Tell the C library once; nothing happens where it is another one."""
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None) if sys.platform.startswith("linux") else None
    if mallopt is None:
        return
    mallopt(_M_TRIM_THRESHOLD, KEPT_BYTES)
    mallopt(_M_MMAP_THRESHOLD, LARGEST_KEPT_BYTES)
    mallopt(_M_ARENA_MAX, _HEAPS)


def as_environment() -> dict[str, str]:
    """The same for a process that is yet to be started."""
    return {
        "MALLOC_TRIM_THRESHOLD_": str(KEPT_BYTES),
        "MALLOC_MMAP_THRESHOLD_": str(LARGEST_KEPT_BYTES),
        "MALLOC_ARENA_MAX": str(_HEAPS),
    }
