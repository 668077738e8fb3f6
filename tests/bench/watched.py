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

#: Often enough to meet a peak that lasts as long as one shard; looking takes a few milliseconds.
LOOK_EVERY_S = 0.1


@dataclass(frozen=True)
class Watched:
    """What a command took.

    Attributes:
        seconds: from start to end, the interpreter's start included [s].
        cpu_s: of all its processes; unlike `seconds` hardly touched by what else the machine does [s].
        peak_mb: largest sum of resident memory over the command and its children at one moment [MB]. What processes
            share, such as libraries and what forked ones were born with, counts in each of them.
        shared_once_mb: the same with a page that n processes share counted as an nth in each, so once in all [MB].
        output: what it printed.
    """

    seconds: float
    cpu_s: float
    peak_mb: float
    shared_once_mb: float
    output: str


def watched(command: Sequence[str]) -> Watched:
    """Run a command to its end.

    Args:
        command: program and arguments.

    Raises:
        subprocess.CalledProcessError: it failed.
    """
    peak = shared_once = 0.0
    ended = threading.Event()
    used_before = _cpu_of_children_s()
    began = time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=sys.stderr, text=True) as process:

        def look() -> None:
            nonlocal peak, shared_once
            while not ended.wait(LOOK_EVERY_S):
                peak, shared_once = map(max, (peak, shared_once), resident_mb(process.pid))

        looking = threading.Thread(target=look)
        looking.start()
        output, _ = process.communicate()
        seconds = time.perf_counter() - began
        ended.set()
        looking.join()
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, list(command), output)
    return Watched(seconds, _cpu_of_children_s() - used_before, peak, shared_once, output)


def _cpu_of_children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def resident_mb(pid: int) -> tuple[float, float]:
    """Resident memory of a process and all below it, by /proc [MB]: all of each, and shared pages once."""
    below: dict[int, list[int]] = {}
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            with suppress(OSError):  # it ended while we looked
                # The second field, the name in brackets, may hold blanks.
                parent = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
                below.setdefault(parent, []).append(int(folder.name))
    resident_kb = shared_once_kb = 0
    waiting = [pid]
    while waiting:
        one = waiting.pop()
        waiting += below.get(one, [])
        with suppress(OSError):
            lines = Path(f"/proc/{one}/smaps_rollup").read_text().splitlines()[1:]
            held = {name: int(size.split()[0]) for name, _, size in (line.partition(":") for line in lines)}
            resident_kb += held["Rss"]
            shared_once_kb += held["Pss"]
    return resident_kb * 1024 / 1e6, shared_once_kb * 1024 / 1e6
