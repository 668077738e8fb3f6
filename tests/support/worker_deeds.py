"""What a worker process can be made to do, and which are running."""

from __future__ import annotations

import errno
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence

from pipeline.workers.pool import Loss
from pipeline.workers.process import Limits

#: What a worker does with an item: a word of this list, or a number, which it gives back.
Item = int | str


#: Long against a test, short against a minute.
HANGS_S = 60


def work(shared: str, item: Item) -> str:
    """Give an item back, or do what its name says."""
    if isinstance(item, str):
        DEEDS[item]()
    return f"{shared}{item}"


def work_all(shared: str, items: tuple[Item, ...]) -> list[str]:
    return [work(shared, item) for item in items]


def raise_value_error() -> None:
    raise ValueError("of all numbers, this one")


class PanicException(BaseException):
    """Named as the class that compiled Rust libraries raise, each its own."""


def panic() -> None:
    print("thread panicked", "of its own\n" * 60, file=sys.stderr, flush=True)
    raise PanicException("no such digit")


def grow_a_bytearray() -> None:
    grown = bytearray()
    for _ in range(60):
        grown += bytes(10_000_000)


def fill_arrays_of_numpy() -> object:
    import numpy as np  # noqa: PLC0415 -- every other worker is up sooner without

    return [np.ones(1_000_000) for _ in range(60)]


def fill_frames_of_polars() -> object:
    import polars as pl  # noqa: PLC0415

    return [pl.select(pl.int_range(1_000_000)) for _ in range(60)]


def let_polars_panic() -> None:
    import polars as pl  # noqa: PLC0415

    pl.select(pl.lit("3" * 30_000_000))


def find_the_disk_full() -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def print_what_is_in_the_environment() -> None:
    raise ValueError(os.environ["POLARS_MAX_THREADS"])


DEEDS: dict[str, Callable[[], object]] = {
    "is killed": lambda: os.kill(os.getpid(), signal.SIGKILL),
    "reads where nothing is": lambda: os.kill(os.getpid(), signal.SIGSEGV),
    "gives up": os.abort,
    "leaves": lambda: os._exit(3),
    "sleeps": lambda: time.sleep(HANGS_S),
    "never comes back to the interpreter": lambda: re.match(r"(a+)+$", "a" * 64 + "b"),
    "grows a bytearray": grow_a_bytearray,
    "fills arrays of NumPy": fill_arrays_of_numpy,
    "fills frames of Polars": fill_frames_of_polars,
    "raises": raise_value_error,
    "panics": panic,
    "lets Polars panic for want of memory": let_polars_panic,
    "finds the disk full": find_the_disk_full,
    "takes a moment": lambda: time.sleep(0.3),
    "asks for its threads": print_what_is_in_the_environment,
}


def first_of(items: tuple[Item, ...]) -> Item:
    return items[0]


def described(_shared: str, item: object, loss: Loss) -> str:
    return f"{item}: {loss.words}"


def halves(items: tuple[Item, ...]) -> Sequence[tuple[Item, ...]]:
    middle = len(items) // 2
    return [part for part in (items[:middle], items[middle:]) if part]


def running() -> set[int]:
    """Worker processes of this process: those that it started, and those that its seeds forked."""
    return _children_of(os.getpid(), "pipeline.workers.process").union(*map(forked_by, seeds()))


def seeds() -> set[int]:
    """Seeds of this process."""
    return _children_of(os.getpid(), "pipeline.workers.seed")


def forked_by(seed: int) -> set[int]:
    """Workers of a seed."""
    return _children_of(seed, "pipeline.workers.seed")


def is_alive(pid: int) -> bool:
    """Whether a process has not ended, also where its parent has not been told."""
    told = subprocess.run(["ps", "-o", "stat=", "-p", str(pid)], capture_output=True, text=True, check=False).stdout
    return bool(told.strip()) and not told.startswith("Z")


def _children_of(parent: int, program: str) -> set[int]:
    words = ["pgrep", "-P", f"{parent}", "-f", program]
    found = subprocess.run(words, capture_output=True, text=True, check=False).stdout
    return {int(word) for word in found.split()}


SECOND = Limits(item_s=1)


def say(_shared: str, item: str) -> None:
    """Write to the error output, as a command does that a worker starts."""
    os.write(2, item.encode())
