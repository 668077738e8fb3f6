"""Memory that was freed, and that C's allocator keeps."""

from __future__ import annotations

import ctypes
import sys


def give_back_freed_memory() -> None:
    """Give freed memory back to the system, where C's allocator can be asked to (glibc).

    A worker lets it keep some (`pipeline.workers.start`), which files one after the other need again. After a step that
    takes much more than others it is what the process holds in vain.
    """
    if sys.platform == "linux":
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)
