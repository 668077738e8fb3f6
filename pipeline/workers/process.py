"""What a worker process does: it carries out calls, each within limits on time and memory, and ends when it cannot.

Loads nothing by itself, so that a worker is up as soon as what it needs is.
"""

from __future__ import annotations

import errno
import gc
import os
import resource
import select
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from importlib import import_module
from multiprocessing.connection import Connection
from multiprocessing.reduction import ForkingPickler
from pathlib import Path
from traceback import format_exception
from typing import NoReturn

#: The first answer, to no question.
READY = b"ready"
#: How a worker ends that is out of memory but still master of itself.
EXIT_OUT_OF_MEMORY = 77


@dataclass(frozen=True)
class Limits:
    """What one item may take; None for no limit.

    Attributes:
        item_s: time by the wall [s].
        item_mb: memory on top of what its worker held before [MB].
    """

    item_s: float | None = None
    item_mb: float | None = None


def serve(loads: str, pipe: Connection) -> NoReturn:
    """What a worker does: it gets ready, then answers until the pipe ends, by will or with the parent.

    Args:
        loads: modules to be imported first, with a blank between.
        pipe: where questions come from and answers go to.
    """
    # An interrupt from the keyboard is for the parent, which ends its workers itself.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # Without a handler the system itself ends this process when its time is up, in any code, and even if
    # the parent is busy.
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    threading.Thread(target=_end_with, args=(pipe.fileno(),), daemon=True).start()
    try:
        import_all(loads)
        answer = READY
    except Exception as error:
        answer = _packed_error(error)
    with suppress(EOFError, OSError):
        while True:
            pipe.send_bytes(answer)
            answer = _answer(pipe.recv_bytes())
    os._exit(0)


def import_all(loads: str) -> None:
    """Import modules, given with a blank between."""
    gc.disable()  # modules are no garbage: to look for some among them takes a tenth of the time
    try:
        for module in loads.split():
            import_module(module)
    finally:
        gc.freeze()  # nor is there any later; in workers that were forked it would copy the pages of all of them
        gc.enable()


def _end_with(pipe: int) -> None:
    """End this process when the other end of the pipe is gone, in any state: another may do the same again."""
    wait_for_break(pipe)
    os._exit(0)


def wait_for_break(pipe: int) -> None:
    """Wait until the other end of a pipe is gone."""
    poll = select.poll()
    poll.register(pipe, 0)  # nothing but that it broke off
    poll.poll()


def _answer(question: bytes) -> bytes:
    limits = Limits()
    try:
        limits, function, shared, item = ForkingPickler.loads(question)
        with _held_to(limits):
            return bytes(ForkingPickler.dumps((None, "", function(shared, item))))
    except BaseException as error:  # also what is no Exception, such as a panic of a compiled library
        if _is_out_of_memory(error) or (limits.item_mb is not None and is_panic(error)):
            # State left half changed cannot be relied on. Compiled libraries panic when they get no memory.
            os._exit(EXIT_OUT_OF_MEMORY)
        return _packed_error(error)


@contextmanager
def _held_to(limits: Limits) -> Iterator[None]:
    statm = Path("/proc/self/statm")
    before = resource.getrlimit(resource.RLIMIT_DATA)
    if limits.item_mb is not None:
        # What libraries print as they run out of memory is pages long, and says no more than the answer.
        with open(os.devnull, "wb") as nothing:
            os.dup2(nothing.fileno(), 2)
    if limits.item_mb is not None and statm.exists():
        # Not the address space, of which allocators reserve much more than they use. Libraries, and memory that
        # earlier items left to the allocator, are not this item's.
        held = int(statm.read_text().split()[5]) * resource.getpagesize()
        most = held + int(limits.item_mb * 1_000_000)
        if before[1] == resource.RLIM_INFINITY or most < before[1]:
            resource.setrlimit(resource.RLIMIT_DATA, (most, before[1]))
    signal.setitimer(signal.ITIMER_REAL, limits.item_s or 0)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        resource.setrlimit(resource.RLIMIT_DATA, before)


def _is_out_of_memory(error: BaseException) -> bool:
    """DuckDB's own error is recognised by its name, without importing DuckDB."""
    return (
        isinstance(error, MemoryError)
        or type(error).__name__ == "OutOfMemoryException"
        or (isinstance(error, OSError) and error.errno == errno.ENOMEM)
    )


def is_panic(error: BaseException) -> bool:
    """Whether compiled Rust code panicked. Each library has its own class of this name, so the name is compared."""
    return type(error).__name__ == "PanicException"


def _packed_error(error: BaseException) -> bytes:
    traceback = "".join(format_exception(error))
    try:
        packed = bytes(ForkingPickler.dumps((error, traceback, None)))
        ForkingPickler.loads(packed)  # some errors can be pickled but not made again
    except Exception:
        packed = bytes(ForkingPickler.dumps((RuntimeError(f"{type(error).__name__}: {error}"), traceback, None)))
    return packed


def ending(exit_code: int) -> str:
    """How a process ended, as its parent is told."""
    if exit_code >= 0:
        return f"exit code {exit_code}"
    with suppress(ValueError):
        return f"signal {signal.Signals(-exit_code).name}"
    return f"signal {-exit_code}"
