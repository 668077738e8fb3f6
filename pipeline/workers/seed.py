"""The seed of a pool: a process that imports what workers need and then forks one whenever it is asked to.

So modules are imported once, not by every worker, and a worker that was lost is replaced within milliseconds.

Of the threads of a process a forked one has only that which forks: what the others had locked at that moment stays
locked in it for ever. Therefore a seed does nothing but import, and forks nothing where that has started a thread of a
library, such as those of Polars, which the first query starts. The pool then starts workers afresh.
"""

from __future__ import annotations

import ctypes
import os
import signal
import sys
import threading
import warnings
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection, Pipe
from multiprocessing.reduction import recv_handle, send_handle
from pathlib import Path
from subprocess import TimeoutExpired
from typing import NoReturn

from pipeline.workers.process import import_all, serve, wait_for_break
from pipeline.workers.start import start

#: Elsewhere threads cannot be counted, nor a worker be tied to its seed.
CAN_FORK = sys.platform == "linux"

#: Polars starts it as it is imported, to delete what queries spilled to the disk. Where none ran it waits for a message
#: and has nothing locked; in a worker, which lacks it, queries that spill were seen to end as well.
_HARMLESS_THREADS = frozenset({"polars-ooc-clea"})

_FORK, _KILL, _WAIT = "fork", "kill", "wait"
#: Of `prctl`, as the kernel's header has it.
_PR_SET_PDEATHSIG = 1
#: A seed that was told to end has to kill its workers, and one that is asked how a worker ended may wait for that; a
#: seed that is stopped does neither.
_ENDS_WITHIN_S = 5.0


# --- In the process of the pool --------------------------------------------------------------------------------------


class Seed:
    """A seed that has been started. Whatever ends it also ends the workers that it forked.

    Args:
        loads: modules that it imports, with a blank between.
        environment: what its workers have in their environment on top of what this process has.
    """

    def __init__(self, loads: str, environment: Mapping[str, str]) -> None:
        self._process, self._pipe = start(fork_workers, loads, environment)
        self._n_forked = 0

    def fork(self) -> tuple[Forked, Connection]:
        """Ask for a worker, which comes once everything is imported; returns it and this process's end of its pipe.

        Raises:
            ConnectionError: the seed has ended.
            OSError: this process may open no more files.
        """
        ours, theirs = Pipe()
        with theirs:
            self.ask(_FORK, self._n_forked)
            send_handle(self._pipe, theirs.fileno(), self._process.pid)
        self._n_forked += 1
        return Forked(self, self._n_forked - 1, ours), ours

    def ask(self, what: str, number: int) -> None:
        """Ask for something to be done with a worker, by its number.

        Raises:
            OSError: the seed has ended.
        """
        self._pipe.send((what, number))

    def answer(self) -> int:
        """How a worker ended. A seed that does not say is stopped: it is killed.

        Raises:
            EOFError, OSError: the seed has ended.
        """
        if not self._pipe.poll(_ENDS_WITHIN_S):
            self._process.kill()
        exit_code: int = self._pipe.recv()
        return exit_code

    def end(self) -> None:
        """End it and its workers, which it waits for, so that what they used is counted as used by this process."""
        self._process.terminate()
        try:
            self._process.wait(_ENDS_WITHIN_S)
        except TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._pipe.close()


@dataclass(frozen=True)
class Forked:
    """A worker that a seed was asked for; for the pool, what `subprocess.Popen` is of one that was started."""

    seed: Seed
    number: int
    pipe: Connection

    def kill(self) -> None:
        """End it."""
        with suppress(OSError):  # it has ended with the seed
            self.seed.ask(_KILL, self.number)

    def wait(self) -> int | None:
        """Wait for its end; returns how it ended as `subprocess` has it, or None where it ended with the seed."""
        try:
            self.seed.ask(_WAIT, self.number)
            return self.seed.answer()
        except (EOFError, OSError):
            wait_for_break(self.pipe.fileno())
            return None


# --- In the seed -----------------------------------------------------------------------------------------------------


def fork_workers(loads: str, pipe: Connection) -> NoReturn:
    """What a seed does, until the pipe ends or it is told to end.

    Args:
        loads: modules to be imported first, with a blank between.
        pipe: where it is asked for workers and for their ends.
    """
    # Whoever started this may ignore it, which is inherited: nobody would be told how a worker ended.
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # of the keyboard, which is for the parent
    with suppress(Exception):  # a worker reports it: it tries the same again
        import_all(loads)
    workers: dict[int, int] = {}
    # Only now, since there was nothing to be killed before.
    signal.signal(signal.SIGTERM, lambda *_: _end(workers))
    with suppress(EOFError, OSError):
        while _can_tie() and not _other_threads() - _HARMLESS_THREADS:
            what, number = pipe.recv()
            if what == _FORK:
                theirs = recv_handle(pipe)
                # Told to end now, it would miss a worker not noted yet, or a worker would take itself for the seed.
                signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
                workers[number] = _fork(loads, theirs, pipe)
                signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGTERM})
            elif what == _KILL:
                os.kill(workers[number], signal.SIGKILL)  # no other process has its number before it was waited for
            else:
                _, status = os.waitpid(workers.pop(number), 0)
                pipe.send(os.waitstatus_to_exitcode(status))
    _end(workers)


def _end(workers: Mapping[int, int]) -> NoReturn:
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    for pid in workers.values():
        with suppress(OSError):
            os.kill(pid, signal.SIGKILL)
    for pid in workers.values():
        with suppress(OSError):
            os.waitpid(pid, 0)
    os._exit(0)


def _other_threads() -> set[str]:
    own = str(threading.get_native_id())
    tasks = [task for task in Path("/proc/self/task").iterdir() if task.name != own]
    return {(task / "comm").read_text(encoding="utf-8").strip() for task in tasks}


def _fork(loads: str, theirs: int, pipe: Connection) -> int:
    """Fork a worker with one end of its own pipe and no other; returns its process id."""
    seed = os.getpid()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of Python, which counts the harmless threads, too
        pid = os.fork()
    if pid:
        os.close(theirs)
        return pid
    try:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGTERM})
        pipe.close()
        _tie_to(seed)
        serve(loads, Connection(theirs))
    finally:
        os._exit(1)


def _can_tie() -> bool:
    """Whether the system lets processes be tied; where a sandbox forbids it, workers could outlive their seed."""
    return bool(ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, 0) == 0)


def _tie_to(seed: int) -> None:
    """Let the system kill this process when its seed ends, in any state, since who asks how it ended would not know."""
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != seed:
        os._exit(1)
