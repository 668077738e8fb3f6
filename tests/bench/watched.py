"""Run a command and watch what it takes: time, and the memory of it and all its children."""

from __future__ import annotations

import resource
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

#: To look takes some 15 ms of processor time, which a command that is timed must hardly notice.
LOOK_EVERY_S = 0.5


@dataclass(frozen=True)
class Watched:
    """What a command took.

    Attributes:
        seconds: from start to end, the interpreter's start included [s].
        cpu_s: of all its processes; unlike `seconds` hardly touched by what else the machine does [s].
        peak_mb: the most memory that the command and its children had at one moment [MB]. A page that n of them share,
            such as of libraries and of what forked ones were born with, counts as an nth in each, so once in all.
        each_mb: the same with a page counted in each that shares it, so too much.
        output: what it printed.
    """

    seconds: float
    cpu_s: float
    peak_mb: float
    each_mb: float
    output: str


def watched(command: Sequence[str], look_every_s: float = LOOK_EVERY_S) -> Watched:
    """Run a command to its end.

    Args:
        command: program and arguments.
        look_every_s: how often to look at its memory [s]; a peak between two looks is missed.

    Raises:
        subprocess.CalledProcessError: it failed.
    """
    peak = each = 0.0
    ended = threading.Event()
    used_before = _cpu_of_children_s()
    began = time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=sys.stderr, text=True) as process:

        def look() -> None:
            nonlocal peak, each
            wait_s = min(0.1, look_every_s)  # some commands take no longer
            while not ended.wait(wait_s):
                peak, each = map(max, (peak, each), resident_mb(process.pid))
                wait_s = min(2 * wait_s, look_every_s)

        looking = threading.Thread(target=look)
        looking.start()
        output, _ = process.communicate()
        seconds = time.perf_counter() - began
        ended.set()
        looking.join()
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, list(command), output)
    return Watched(seconds, _cpu_of_children_s() - used_before, peak, each, output)


def _cpu_of_children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def resident_mb(pid: int) -> tuple[float, float]:
    """Resident memory of a process and all below it, by /proc [MB]: shared pages once, and all of each."""
    once_kb = each_kb = 0
    waiting = [pid]
    while waiting:
        one = waiting.pop()
        with suppress(OSError):  # it ended while we looked
            for task in Path(f"/proc/{one}/task").iterdir():
                waiting += map(int, (task / "children").read_text().split())
            lines = Path(f"/proc/{one}/smaps_rollup").read_text().splitlines()[1:]
            held = {name: int(size.split()[0]) for name, _, size in (line.partition(":") for line in lines)}
            once_kb += held["Pss"]
            each_kb += held["Rss"]
    return once_kb * 1024 / 1e6, each_kb * 1024 / 1e6
