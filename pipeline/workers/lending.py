"""Worker processes lent to the threads of a flow, or of a cluster's worker, so that they read no file themselves.

Such a process runs many tasks side by side and one after the other, and may live for weeks: a worker process is taken
from those that wait or started, given back, and ended after a while without use.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager

from pipeline.workers.pool import Mapper, Pool
from pipeline.workers.process import Limits

#: A worker that waits longer is ended: from one task to the next it is less, from one refresh to the next mostly more.
IDLE_S = 30.0


class _Waiting:
    """The workers that wait, the one that has waited longest first, each with the time since when."""

    def __init__(self) -> None:
        self._pools: deque[tuple[float, Pool]] = deque()
        self._lock = threading.Lock()
        self._is_watched = False

    def take(self) -> Pool | None:
        with self._lock:
            return self._pools.pop()[1] if self._pools else None

    def put(self, pool: Pool) -> None:
        with self._lock:
            self._pools.append((time.monotonic(), pool))
            if not self._is_watched:
                self._watch()

    def _watch(self) -> None:
        self._is_watched = True
        timer = threading.Timer(IDLE_S, self._end_the_unwanted)
        timer.daemon = True  # as this process ends, its workers do so by themselves
        timer.start()

    def _end_the_unwanted(self) -> None:
        self.end(IDLE_S)
        with self._lock:
            self._is_watched = False
            if self._pools:
                self._watch()

    def end(self, idle_s: float) -> None:
        """End those that have waited so long."""
        latest = time.monotonic() - idle_s
        unwanted = []
        with self._lock:
            while self._pools and self._pools[0][0] <= latest:
                unwanted.append(self._pools.popleft()[1])
        for pool in unwanted:
            pool.end()


_waiting = _Waiting()


@contextmanager
def lent_worker(loads: str = "") -> Iterator[Mapper]:
    """Give a function that maps over items in one worker process, which no other thread uses meanwhile.

    Args:
        loads: modules that a worker imports as it starts, with a blank between; the same with every call.
    """
    pool = _waiting.take()
    if pool is None:
        pool = Pool(loads, Limits())
    try:
        yield pool.map
    except BaseException:
        pool.end()
        raise
    if pool.is_at_work:
        pool.end()
    else:
        _waiting.put(pool)


def end_waiting_workers() -> None:
    """End all workers that wait."""
    _waiting.end(0.0)
