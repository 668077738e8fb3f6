"""Memory that was freed, and that C's allocator keeps."""

from __future__ import annotations

import ctypes
import sys


def give_back_freed_memory() -> None:
    """Give freed memory back to the system, where C's allocator can be asked to (glibc).

    A worker lets the allocator keep some (`pipeline.workers.start`), because the next file needs it again. After a step
    that takes much more memory than others, nothing that follows needs what was kept.
    """
    if sys.platform == "linux":
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)
