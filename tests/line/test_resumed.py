"""An interrupted or killed refresh is gone on with: nothing is read twice, and the result is that of a full rebuild."""

from __future__ import annotations

import math
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from pipeline.core.errors import Interrupted
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh import refresh as module
from pipeline.refresh.refresh import refresh
from pipeline.store.contents import CONTENTS
from pipeline.store.finished import n_files_kept
from pipeline.store.generations import current, unfinished
from tests.line.test_unbroken import assert_tables, dying_after, tables_of
from tests.support.nights import Nights, drifting_run, leave_hollow

ROOT = Path(__file__).parents[2]


def run(day: int, *, seed: int, km: float = 6.0) -> bytes:
    """Without contact time, so that there are few metrics to estimate."""
    return drifting_run(day, seed=seed, km=km, contact_time_ms=np.nan)


@pytest.fixture
def club(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Nights:
    """Nine runs of three athletes, two of which are recordings of one run, in shards of two files."""
    monkeypatch.setattr("pipeline.refresh.by_section.SHARD_FILES", 2)
    monkeypatch.setattr(module, "WORTH_KEEPING_FILES", 3)
    nights = Nights(tmp_path, outputs=False)
    nights.put("settings.toml", 'pages = "none"\n')  # tests of pages draw them
    for place, name in enumerate("abc"):
        for day in range(3):
            nights.put(f"{name}/{day}.fit", run(day, seed=10 * place + day))
    nights.put("b/twin.fit", run(2, seed=12, km=5.0))
    nights.put("c/broken.fit", b"no recording")
    return nights


def interrupt_at(club: Nights, n_files: int) -> Interrupted:
    def progress(done: int, _total: int) -> None:
        if done >= n_files:
            raise KeyboardInterrupt

    with pytest.raises(Interrupted) as caught:
        refresh(read_inbox(club.inbox), club.store, jobs=1, progress=progress)
    return caught.value


def test_the_next_refresh_reads_only_what_was_not_read_and_gives_what_a_full_one_gives(club: Nights):
    interrupt = interrupt_at(club, 5)
    assert str(interrupt) == (
        "Interrupted. The store is as it was before. What 5 of 11 files gave is kept: the next refresh goes on from "
        "there."
    )
    assert current(club.store) is None
    assert club.refresh().read == ["b/2.fit", "b/twin.fit", "c/0.fit", "c/1.fit", "c/2.fit", "c/broken.fit"]
    assert unfinished(club.store) == []
    club.assert_as_if_done_anew()


def test_a_refresh_may_be_interrupted_again_and_again(club: Nights):
    assert [interrupt_at(club, n_files).n_kept for n_files in (2, 4, 8)] == [2, 5, 9]
    assert club.refresh().read == ["c/2.fit", "c/broken.fit"]
    club.assert_as_if_done_anew()


def test_an_interrupt_before_it_is_known_what_is_to_be_read_keeps_what_was_kept(
    club: Nights, monkeypatch: pytest.MonkeyPatch
):
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    interrupt_at(club, 5)
    with monkeypatch.context() as patched:
        patched.setattr(module, "look_at", interrupted)
        with pytest.raises(Interrupted, match=r"What 5 files gave is kept"):
            refresh(read_inbox(club.inbox), club.store, jobs=1)
    assert len(club.refresh().read) == 6


def test_an_interrupt_after_all_was_read_leaves_only_the_analysis(club: Nights, monkeypatch: pytest.MonkeyPatch):
    def interrupted(*_: object, **_more: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(module, "write_known", interrupted)
        with pytest.raises(Interrupted):
            refresh(read_inbox(club.inbox), club.store, jobs=1)
    # The samples of the recording that is not kept were removed: its shard is read again.
    assert set(club.refresh().read) <= {"b/2.fit", "b/twin.fit"}
    club.assert_as_if_done_anew()


def test_what_changed_in_between_is_read_again(club: Nights):
    interrupt_at(club, 5)
    club.put("a/0.fit", run(0, seed=77))
    club.put("a/3.fit", run(3, seed=78))
    (club.inbox / "b" / "0.fit").unlink()
    read = club.refresh().read
    assert {"a/0.fit", "a/1.fit", "a/3.fit", "b/1.fit"} <= set(read), "with what shared a shard with them"
    assert "a/2.fit" not in read
    club.assert_as_if_done_anew()


def test_other_settings_of_reading_begin_anew(club: Nights):
    interrupt_at(club, 5)
    club.put("settings.toml", 'gap_s = 8.0\npages = "none"\n')
    assert len(club.refresh().read) == 11
    club.assert_as_if_done_anew()


def test_few_files_are_not_worth_it(club: Nights, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(module, "WORTH_KEEPING_FILES", 12)
    assert "starts over" in str(interrupt_at(club, 5))
    assert list((club.store / "generations").iterdir()) == []


DIES = """
import os, signal, sys
from pathlib import Path
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh import by_section, refresh as module
by_section.SHARD_FILES, module.WORTH_KEEPING_FILES = 2, 3
n_files, kind, inbox, store = int(sys.argv[1]), *sys.argv[2:]
def dies(done, total):
    if done >= n_files:
        os.kill(os.getpid(), getattr(signal, kind))
module.refresh(read_inbox(Path(inbox)), Path(store), jobs=1, progress=dies)
"""


#: A first refresh that is killed right after so many changes on the disk.
def test_what_files_gave_is_kept_until_the_new_state_is_on_the_disk(club: Nights, monkeypatch: pytest.MonkeyPatch):
    def interrupted() -> None:
        assert list(club.store.glob(f"generations/*/{CONTENTS}"))
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(os, "sync", interrupted)
        assert interrupt_at(club, 99).n_kept == 11
    # The samples of a duplicate are gone by then, so the shard that it was read with is read again.
    assert club.refresh().read == ["b/2.fit", "b/twin.fit"]
    club.assert_as_if_done_anew()


DIES_AFTER = """
import os, signal, sys
from pathlib import Path
import pytest
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh import by_section, refresh as module
from tests.line.test_unbroken import dying_after
from tests.support.nights import leave_hollow
by_section.SHARD_FILES, module.WORTH_KEEPING_FILES = 2, 3
leave_hollow(pytest.MonkeyPatch())
n_changes, inbox, store = sys.argv[1:]
with dying_after(int(n_changes), lambda: os.kill(os.getpid(), signal.SIGKILL)):
    module.refresh(read_inbox(Path(inbox)), Path(store), jobs=1)
"""


@pytest.mark.depth
def test_a_first_refresh_killed_at_any_instant_loses_nothing_that_it_kept_and_the_next_one_finishes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("pipeline.refresh.by_section.SHARD_FILES", 2)
    monkeypatch.setattr(module, "WORTH_KEEPING_FILES", 3)
    leave_hollow(monkeypatch)
    club = Nights(tmp_path)
    club.put("settings.toml", 'pages = "none"\n')
    for place, name in enumerate("ab"):
        for day in range(3):
            club.put(f"{name}/{day}.fit", run(day, seed=10 * place + day, km=3.0))
    with dying_after(math.inf) as changes:
        refresh(read_inbox(club.inbox), club.store, jobs=1)
    undisturbed, n_kept, n_complete = tables_of(club.store), list[int](), 0
    for n_changes in np.linspace(1, len(changes) - 1, 25).astype(int):
        shutil.rmtree(club.store)
        died = subprocess.run(
            [sys.executable, "-c", DIES_AFTER, str(n_changes), str(club.inbox), str(club.store)],
            cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=False,
            timeout=120,
        )  # fmt: skip
        assert died.returncode == -signal.SIGKILL, died.stderr
        is_complete = any(club.store.glob(f"generations/*/{CONTENTS}"))
        n_complete += is_complete
        if current(club.store) is not None:
            assert_tables(club.store, undisturbed)
        elif not is_complete:  # afterwards nothing is kept for an interrupt
            n_kept.append(n_files_kept(club.store))
        read = club.refresh().read
        assert is_complete or len(read) == 6 - n_kept[-1], f"killed after {n_changes} changes"
        assert_tables(club.store, undisturbed)
        assert len(list((club.store / "generations").iterdir())) == 1, f"something is left of {n_changes} changes"
    assert n_kept == sorted(n_kept)
    assert set(n_kept) > {0, 6}, "of nothing, some and all"
    assert 0 < n_complete < 6


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["SIGKILL", pytest.param("SIGTERM", marks=pytest.mark.depth)])
def test_a_killed_refresh_is_gone_on_with_too(club: Nights, kind: str):
    words = [sys.executable, "-c", DIES, "7", kind, str(club.inbox), str(club.store)]
    died = subprocess.run(words, cwd=ROOT, capture_output=True, check=False)
    assert died.returncode == -getattr(signal, kind), died.stderr.decode()
    assert 0 < len(club.refresh().read) < 11
    club.assert_as_if_done_anew()


@pytest.mark.slow
def test_ctrl_c_in_the_terminal_says_what_is_kept_and_exits_with_130(tmp_path: Path):
    club = Nights(tmp_path)
    club.put("settings.toml", 'pages = "none"\n')
    for day in range(240):
        club.put(f"{'abcd'[day % 4]}/{day}.fit", run(day, seed=day, km=1.0))
    words = ["refresh", "--inbox", str(club.inbox), "--store", str(club.store), "--jobs", "1"]
    process = subprocess.Popen(
        [sys.executable, "-m", "pipeline", *words],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    deadline = time.monotonic() + 60
    while not list(club.store.glob("generations/*/finished/*/about.json")) and time.monotonic() < deadline:
        time.sleep(0.01)
    os.killpg(process.pid, signal.SIGINT)
    output, said = process.communicate(timeout=60)
    assert process.returncode == 130, (output, said)
    assert "Interrupted. The store is as it was before. What " in said
    assert "Traceback" not in said
    assert len(unfinished(club.store)) == 1
