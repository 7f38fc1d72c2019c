"""Freed memory is kept, as the system itself counts it: pages that it had to hand out (getrusage, POSIX)."""

import os
import subprocess
import sys

import pytest

from features.kept_memory import as_environment

resource = pytest.importorskip("resource")
ROUNDS, AT_ONCE, PICTURE_BYTES = 20, 4, 16 << 20
_COUNT = f"""
import resource
faults = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_minflt
make = lambda: [bytes([k]) * {PICTURE_BYTES} for k in range({AT_ONCE})]
make()
before = faults()
for _ in range({ROUNDS}):
    make()
print(faults() - before)
"""


def _pages_handed_out(first="", environment=None):
    told = {name: value for name, value in os.environ.items() if not name.startswith("MALLOC_")}
    command = [sys.executable, "-c", first + _COUNT]
    done = subprocess.run(command, env={**told, **(environment or {})}, capture_output=True, text=True, check=True)
    return int(done.stdout)


@pytest.mark.skipif(not hasattr(os, "confstr") or "CS_GNU_LIBC_VERSION" not in os.confstr_names, reason="glibc only")
def test_the_memory_of_freed_pictures_serves_the_next():
    pages = ROUNDS * AT_ONCE * PICTURE_BYTES // resource.getpagesize()
    assert _pages_handed_out() > 0.9 * pages, "left alone, glibc hands all of it out anew"
    told = "from features.kept_memory import keep_freed_memory; keep_freed_memory()\n"
    assert _pages_handed_out(told) < 0.01 * pages
    assert _pages_handed_out(environment=as_environment()) < 0.01 * pages
