"""The lock of a store: one process at a time; a killed holder holds nothing; the error names the holder."""

from __future__ import annotations

import os
import pickle
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline.core.errors import Held, LockLost
from pipeline.store.lock import locked

HOLD = """
import subprocess, sys, time
from pathlib import Path
from pipeline.store.lock import locked
if __name__ == "__main__":
    with locked(Path(sys.argv[1])):
        child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"]) if "child" in sys.argv else None
        print(child.pid if child else 0, flush=True)
        time.sleep(float(sys.argv[2]))
"""
SPAWN = """
import sys, time
from multiprocessing import get_context
from pathlib import Path
from pipeline.store.lock import locked
if __name__ == "__main__":
    with locked(Path(sys.argv[1])):
        worker = get_context("spawn").Process(target=time.sleep, args=(60,))
        worker.start()
        print(worker.pid, flush=True)
        time.sleep(60)
"""


@dataclass
class Started:
    """What a test has started and what that has started, to be ended after it."""

    processes: list[subprocess.Popen[str]] = field(default_factory=list)
    children: list[int] = field(default_factory=list)


@pytest.fixture
def started() -> Iterator[Started]:
    started = Started()
    yield started
    for process in started.processes:
        process.kill()
        process.wait()
    for child in started.children:
        with suppress(ProcessLookupError):
            os.kill(child, signal.SIGKILL)


def holder(
    store: Path,
    tmp_path: Path,
    started: Started,
    *,
    seconds: float = 60,
    words: tuple[str, ...] = (),
    code: str = HOLD,
) -> tuple[subprocess.Popen[str], int]:
    """A process that holds the lock of a store already, and the id of the child that it has started since."""
    script = tmp_path / "hold.py"  # a file, since a worker that is started afresh reads it again
    script.write_text(code)
    process = subprocess.Popen(
        [sys.executable, str(script), str(store), str(seconds), *words],
        stdout=subprocess.PIPE, text=True, env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip
    started.processes.append(process)
    assert process.stdout is not None
    child = int(process.stdout.readline())
    process.stdout.close()
    if child:
        started.children.append(child)
    return process, child


def is_alive(process: int) -> bool:
    return not re.search(r"State:\s+Z", Path(f"/proc/{process}/status").read_text())


def test_the_second_process_gets_an_error_with_process_host_and_time(tmp_path: Path, started: Started):
    before = datetime.now(UTC).replace(microsecond=0)
    process, _ = holder(tmp_path, tmp_path, started)
    with pytest.raises(Held) as raised, locked(tmp_path):
        pass
    held = raised.value
    assert (held.store, held.holder) == (tmp_path, f"process {process.pid} on {socket.gethostname()}")
    assert before <= datetime.fromisoformat(held.since or "") <= datetime.now(UTC)
    assert held.exit_code == 1


def test_the_wording_of_the_errors_about_the_lock():
    assert str(Held("store", "process 7 on host", "2026-11-26T03:00:00+00:00")) == (
        "store is being changed by process 7 on host, since 2026-11-26T03:00:00+00:00. Wait until it has ended "
        "(`splitdrift refresh` does with --wait SECONDS); readers need not wait."
    )
    assert Held("store").fact == "store is being changed by another process."
    assert str(LockLost("store")) == (
        "The lock of store expired or was removed, and another process may have taken it."
    )


def test_the_error_survives_being_sent_between_processes():
    held = pickle.loads(pickle.dumps(Held("store", "process 7 on host", "now")))
    assert (held.store, held.holder, held.since) == ("store", "process 7 on host", "now")


def test_a_waiting_process_gets_the_lock_once_it_is_free(tmp_path: Path, started: Started):
    holder(tmp_path, tmp_path, started, seconds=0.7)
    began = time.monotonic()
    with locked(tmp_path, wait_s=30):
        assert 0.3 < time.monotonic() - began < 15


def test_waiting_ends_with_the_error_after_the_time_given(tmp_path: Path, started: Started):
    holder(tmp_path, tmp_path, started)
    began = time.monotonic()
    with pytest.raises(Held) as raised, locked(tmp_path, wait_s=0.5):
        pass
    assert raised.value.holder is not None
    assert 0.5 <= time.monotonic() - began < 5


def test_one_process_cannot_take_the_lock_twice(tmp_path: Path):
    with locked(tmp_path), pytest.raises(Held) as raised, locked(tmp_path):
        pass
    assert raised.value.holder == f"process {os.getpid()} on {socket.gethostname()}"
    with locked(tmp_path):
        pass


def test_a_killed_holder_holds_nothing(tmp_path: Path, started: Started):
    process, _ = holder(tmp_path, tmp_path, started)
    process.kill()
    process.wait()
    assert b"process" in (tmp_path / ".lock").read_bytes(), "what the killed process wrote is still there"
    with locked(tmp_path):
        pass


def test_a_holder_whose_store_was_removed_is_told_before_he_publishes(tmp_path: Path):
    store = tmp_path / "store"
    store.mkdir()
    with locked(store) as check_still_held:
        check_still_held()
        shutil.rmtree(store)
        with pytest.raises(LockLost):
            check_still_held()
        store.mkdir()
        with locked(store) as check_of_another:
            check_of_another()
            with pytest.raises(LockLost):
                check_still_held()
    with locked(store):
        pass


def test_an_error_under_the_lock_frees_it(tmp_path: Path):
    with pytest.raises(ZeroDivisionError), locked(tmp_path):
        _ = 1 / 0
    with locked(tmp_path):
        assert f'"process": {os.getpid()}'.encode() in (tmp_path / ".lock").read_bytes()
    assert (tmp_path / ".lock").read_bytes() == b"", "it names no process that no longer holds it"


GARBAGE = [b"", b"\xff\xfe\x00garbage", b"{", b"[1, 2]", b"7", b'{"process": 1}', b"null", b"\0" * 9000]


@pytest.mark.parametrize("garbage", GARBAGE)
def test_garbage_in_the_file_does_not_block_the_lock(tmp_path: Path, garbage: bytes):
    (tmp_path / ".lock").write_bytes(garbage)
    with locked(tmp_path):
        pass
    with locked(tmp_path):
        (tmp_path / ".lock").write_bytes(garbage)
        with pytest.raises(Held) as raised, locked(tmp_path):
            pass
        assert (raised.value.holder, raised.value.since) == (None, None)


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="needs /proc to see whether the child is alive")
@pytest.mark.parametrize(("code", "words"), [(HOLD, ("child",)), (SPAWN, ())], ids=["a program", "a worker process"])
def test_children_of_a_killed_holder_do_not_keep_the_lock(
    tmp_path: Path, started: Started, code: str, words: tuple[str, ...]
):
    process, child = holder(tmp_path, tmp_path, started, words=words, code=code)
    process.kill()
    process.wait()
    assert is_alive(child)
    with locked(tmp_path):
        pass


def test_the_file_is_accessible_to_its_owner_only(tmp_path: Path):
    with locked(tmp_path):
        assert (tmp_path / ".lock").stat().st_mode & 0o777 == 0o600


def test_the_lock_of_one_store_is_not_that_of_another(tmp_path: Path):
    for name in ("one", "other"):
        (tmp_path / name).mkdir()
    with locked(tmp_path / "one"), locked(tmp_path / "other"):
        pass
