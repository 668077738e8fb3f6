"""Run a command and watch what it takes: time, and the memory of it and all its children."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
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
        peak_mb: largest sum of resident memory over the command and its children at one moment [MB]. Libraries, which
            processes share, count once in each, so the true figure is lower.
        own_mb: the same with libraries as often as in the one with most of them [MB]. What forked workers share
            otherwise with the process that forked them counts in each, so the true figure is still lower.
        output: what it printed.
    """

    seconds: float
    cpu_s: float
    peak_mb: float
    own_mb: float
    output: str


def watched(command: Sequence[str]) -> Watched:
    """Run a command to its end.

    Args:
        command: program and arguments.

    Raises:
        subprocess.CalledProcessError: it failed.
    """
    peak = own = 0.0
    ended = threading.Event()
    used_before = _cpu_of_children_s()
    began = time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=sys.stderr, text=True) as process:

        def look() -> None:
            nonlocal peak, own
            while not ended.wait(LOOK_EVERY_S):
                peak, own = map(max, (peak, own), resident_mb(process.pid))

        looking = threading.Thread(target=look)
        looking.start()
        output, _ = process.communicate()
        seconds = time.perf_counter() - began
        ended.set()
        looking.join()
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, list(command), output)
    return Watched(seconds, _cpu_of_children_s() - used_before, peak, own, output)


def _cpu_of_children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def resident_mb(pid: int) -> tuple[float, float]:
    """Resident memory of a process and all below it, by /proc [MB]: all of each, and with libraries counted once."""
    below: dict[int, list[int]] = {}
    resident: dict[int, tuple[int, int]] = {}
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                # The second field, the name in brackets, may hold blanks.
                parent = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
                all_pages, of_files = (folder / "statm").read_text().split()[1:3]
                resident[int(folder.name)] = int(all_pages), int(of_files)
            except (OSError, IndexError, ValueError):
                continue  # ended while we looked
            below.setdefault(parent, []).append(int(folder.name))
    held, waiting = [], [pid]
    while waiting:
        one = waiting.pop()
        held.append(resident.get(one, (0, 0)))
        waiting += below.get(one, [])
    all_pages, of_files = (list(pages) for pages in zip(*held, strict=True))
    mb = os.sysconf("SC_PAGE_SIZE") / 1e6
    return sum(all_pages) * mb, (sum(all_pages) - sum(of_files) + max(of_files)) * mb
