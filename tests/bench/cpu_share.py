"""Hold processes to a share of a core, so that a machine of few cores stands for one of more that are slower.

Linux alone, with control groups of the first version, as root: the kernel stops a group for the rest of each hundredth
of a second once it has used its share.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

_GROUPS = Path("/sys/fs/cgroup/cpu")
_PERIOD_US = 10_000


class CpuShare:
    """A group of processes that have a share of one core together, with all that they start."""

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder

    def take(self, pid: int) -> None:
        """Move a process into the group; what it has started already stays where it is."""
        if self._folder is not None:
            (self._folder / "cgroup.procs").write_text(f"{pid}")

    def starting(self, command: Sequence[str]) -> list[str]:
        """The command that runs another one in the group from its first instant."""
        if self._folder is None:
            return list(command)
        return ["sh", "-c", 'echo $$ >"$0" && exec "$@"', f"{self._folder / 'cgroup.procs'}", *command]


@contextmanager
def cpu_share(name: str, share: float) -> Iterator[CpuShare]:
    """A group of that name.

    Args:
        name: for the group, none of which is there yet.
        share: of one core; 1 or more leaves processes alone.

    Raises:
        OSError: control groups of the first version are missing, or not ours to make.
    """
    if share >= 1:
        yield CpuShare(None)
        return
    folder = _GROUPS / f"splitdrift-bench-{name}"
    folder.mkdir()
    try:
        (folder / "cpu.cfs_period_us").write_text(f"{_PERIOD_US}")
        (folder / "cpu.cfs_quota_us").write_text(f"{round(share * _PERIOD_US)}")
        yield CpuShare(folder)
    finally:
        for pid in (folder / "cgroup.procs").read_text().split():
            with suppress(ProcessLookupError):
                (_GROUPS / "cgroup.procs").write_text(pid)
        folder.rmdir()
