"""Worker processes: one function mapped over many items, here or in several processes."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from importlib import import_module
from multiprocessing import get_context
from typing import Protocol, TypeVar

S = TypeVar("S")
T = TypeVar("T")
R = TypeVar("R")

#: Called with what is done and what there is in all.
Progress = Callable[[int, int], None]

#: Fewer files than this are read sooner by one process than by workers.
FEW_FILES = 12

#: Each worker has one core, so the libraries in it start no threads of their own.
_ONE_THREAD = ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")


def _begin(loads: str) -> None:
    """Get a worker ready. An interrupt from the keyboard is for the parent, which ends its workers itself."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    import_module(loads)


class Spread(Protocol):
    """Maps `function(shared, item)` over items; results come in whatever order they end."""

    def __call__(self, function: Callable[[S, T], R], shared: S, items: Sequence[T], /) -> Iterator[R]:
        """One result an item."""


@contextmanager
def workers(n_items: int, jobs: int | None, *, few: int, loads: str = "pipeline.athlete") -> Iterator[Spread]:
    """Give a function that maps over items, here or in worker processes.

    Workers are started afresh (spawn), since forking after Polars has run can deadlock. A script that gets here must do
    so under `if __name__ == "__main__":`. They start at once and load what they will need while this process goes on.

    Args:
        n_items: how many items there will be.
        jobs: worker processes; None for one a core.
        few: with fewer items workers, which take a second to start, would be slower than this process.
        loads: module that each worker imports as it starts.
    """
    wanted = jobs if jobs is not None else os.cpu_count() or 1
    if wanted <= 1 or n_items < few:
        yield lambda function, shared, items: (function(shared, item) for item in items)
        return
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    try:
        context = get_context("spawn")
        pool = ProcessPoolExecutor(wanted, mp_context=context, initializer=_begin, initargs=(loads,))
        pool.submit(int)  # the first task is what starts them all

        def spread(function: Callable[[S, T], R], shared: S, items: Sequence[T], /) -> Iterator[R]:
            tasks = [pool.submit(function, shared, item) for item in items]
            return (task.result() for task in as_completed(tasks))

        try:
            yield spread
        finally:
            # After an error what is left need not be done; after success the workers end while this process goes on.
            pool.shutdown(wait=False, cancel_futures=True)
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
