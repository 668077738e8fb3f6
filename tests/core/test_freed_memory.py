"""Freed memory: what the allocator keeps is given back when it is asked for."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from pipeline.workers.start import ENVIRONMENT

_PROGRAM = """
import os
from pathlib import Path
from pipeline.core.freed_memory import give_back_freed_memory

def resident_mb():
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6

before = resident_mb()
pieces = [b"x" * 500_000 for _ in range(80)]
del pieces
kept = resident_mb()
give_back_freed_memory()
print(kept - before, resident_mb() - before)
"""


@pytest.mark.skipif("CS_GNU_LIBC_VERSION" not in os.confstr_names, reason="asks glibc's allocator")
def test_what_a_worker_has_freed_is_given_back():
    environment = {**os.environ, **ENVIRONMENT}
    output = subprocess.check_output([sys.executable, "-c", _PROGRAM], env=environment, text=True)
    kept_mb, held_mb = map(float, output.split())
    assert kept_mb > 30
    assert held_mb < 10
