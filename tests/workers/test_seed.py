"""Workers of a seed: each is forked with a pipe of its own and nothing of the others; whatever ends the seed, no item
is lost; and where nothing can be forked they are started.
"""

from __future__ import annotations

import os
import resource
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.refresh import REFRESH_LOADS
from pipeline.workers.pool import Mapper, Pool, workers
from tests.support.worker_deeds import HANGS_S, described, forked_by, is_alive, seeds, work

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="elsewhere all workers are started")


@pytest.fixture
def mapper() -> Iterator[Mapper]:
    """Two workers of a seed, both ready."""
    with workers(9, 2, few=0, loads="tests.support.worker_deeds") as given:
        list(given(work, "", ["takes a moment"] * 2))
        yield given


def parent_of(_shared: None, _item: int) -> int:
    time.sleep(0.1)  # long enough for the other worker to take one, too
    return os.getppid()


def process_of(_shared: None, _item: int) -> int:
    time.sleep(0.1)
    return os.getpid()


def test_all_workers_are_forked_from_one_seed_also_in_place_of_one_that_was_lost(mapper: Mapper):
    (seed,) = seeds()
    assert set(mapper(parent_of, None, range(4))) == {seed}
    lost = list(mapper(work, "", ["leaves"] * 3, lost=described))
    assert lost == ["leaves: it ended its process (exit code 3)"] * 3
    assert set(mapper(parent_of, None, range(4))) == {seed}
    assert len(forked_by(seed)) == 2


def test_one_worker_needs_no_seed():
    with workers(9, 1, few=0, item_s=60, loads="tests.support.worker_deeds") as one:
        assert set(one(parent_of, None, [1])) == {os.getpid()}
        assert seeds() == set()


def test_what_a_refresh_needs_is_imported_without_starting_a_thread_so_that_its_workers_can_be_forked():
    with workers(9, 2, few=0, loads=REFRESH_LOADS) as of_refresh:
        assert set(of_refresh(parent_of, None, range(2))) == seeds()


def sockets_of(_shared: None, _item: int) -> frozenset[str]:
    time.sleep(0.1)
    links = set()
    for number in os.listdir("/proc/self/fd"):
        try:
            links.add(os.readlink(f"/proc/self/fd/{number}"))
        except FileNotFoundError:  # that of the listing itself
            continue
    return frozenset(link for link in links if link.startswith("socket:"))


def test_a_worker_has_its_own_pipe_open_and_none_of_another_worker_or_the_seed(mapper: Mapper):
    list(mapper(work, "", ["leaves"], lost=described))  # the one in its place is forked when the seed has a past
    held = set(mapper(sockets_of, None, range(20)))
    assert [len(sockets) for sockets in held] == [1, 1]


# --- A seed that ends ------------------------------------------------------------------------------------------------


def test_a_seed_that_is_killed_ends_its_workers_and_costs_no_item(mapper: Mapper):
    (seed,) = seeds()
    results = mapper(work, "", ["takes a moment", 1, "takes a moment", "takes a moment", 2, 3], lost=described)
    first = next(results)
    forked = forked_by(seed)
    os.kill(seed, signal.SIGKILL)
    assert sorted([first, *results]) == ["1", "2", "3", *["takes a moment"] * 3]
    assert not any(map(is_alive, forked))
    assert set(mapper(parent_of, None, range(4))) == {os.getpid()}


def test_what_ends_a_worker_after_its_seed_was_killed_is_told_as_before(mapper: Mapper):
    os.kill(*seeds(), signal.SIGKILL)
    results = sorted(mapper(work, "", [1, "leaves", "gives up", 2], lost=described))
    assert results[:2] == ["1", "2"]
    assert results[2:] == [
        "gives up: it ended its process (signal SIGABRT)", "leaves: it ended its process (exit code 3)"
    ]  # fmt: skip


def test_a_seed_that_is_killed_while_it_imports_costs_no_item(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    module(tmp_path, monkeypatch, "import time; time.sleep(60)")
    with workers(9, 2, few=0, loads="tests.support.worker_deeds one_more") as own:
        os.kill(*seeds(), signal.SIGKILL)
        (tmp_path / "one_more.py").write_text("")
        assert sorted(own(work, "", range(9))) == [str(number) for number in range(9)]


def module(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: str) -> None:
    """A module `one_more` for workers to load."""
    (tmp_path / "one_more.py").write_text(code)
    monkeypatch.syspath_prepend(tmp_path)


def test_a_seed_that_was_stopped_costs_no_item(mapper: Mapper, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("pipeline.workers.seed._ENDS_WITHIN_S", 0.2)
    os.kill(*seeds(), signal.SIGSTOP)
    assert sorted(mapper(work, "", [1, "leaves", 2], lost=described)) == [
        "1", "2", "leaves: it ended its process (exit code 3)"
    ]  # fmt: skip
    assert seeds() == set()


def test_where_this_process_may_open_no_more_files_it_says_so_and_loses_no_other_worker(mapper: Mapper):
    (seed,) = seeds()
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    with open(os.devnull) as nothing:
        resource.setrlimit(resource.RLIMIT_NOFILE, (nothing.fileno(), before[1]))
    try:
        with pytest.raises(OSError, match="Too many open files"):
            list(mapper(work, "", ["leaves"], lost=described))
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)
    assert set(mapper(parent_of, None, range(4))) == {seed}


def test_workers_that_could_not_be_started_are_forked_from_the_same_seed_later(monkeypatch: pytest.MonkeyPatch):
    with workers(9, 2, few=0, at_once=False) as own:
        with monkeypatch.context() as patched:
            patched.setattr(Pool, "_start_one", lambda _pool: 1 / 0)
            with pytest.raises(ZeroDivisionError):
                list(own(parent_of, None, [1]))
        assert set(own(parent_of, None, range(4))) == seeds()


@pytest.fixture
def ends_ignored() -> Iterator[None]:
    """That processes end is ignored by this one, and so it is by those that it starts, until they say otherwise."""
    before = signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    yield
    signal.signal(signal.SIGCHLD, before)


@pytest.mark.usefixtures("ends_ignored")
def test_how_a_worker_ended_is_told_also_where_this_process_ignores_ends():
    with workers(9, 2, few=0, loads="tests.support.worker_deeds") as own:
        (seed,) = seeds()
        results = sorted(own(work, "", [1, "gives up", 2], lost=described))
        assert results == ["1", "2", "gives up: it ended its process (signal SIGABRT)"]
        assert set(own(parent_of, None, range(4))) == {seed}


#: In the third worker, forked in place of one that was lost.
_TOLD_TO_END_AS_IT_IS_FORKED = """
import os, signal
fork, forked = os.fork, []
def told_to_end():
    forked.append(fork())
    if len(forked) == 3 and not forked[-1]:
        os.kill(os.getpid(), signal.SIGTERM)
    return forked[-1]
os.fork = told_to_end
"""


def test_a_worker_that_is_told_to_end_as_it_is_forked_ends_no_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    module(tmp_path, monkeypatch, _TOLD_TO_END_AS_IT_IS_FORKED)
    with workers(9, 2, few=0, loads="tests.support.worker_deeds one_more") as own:
        list(own(work, "", ["takes a moment"] * 2))  # so that both are there
        results = sorted(own(work, "", ["takes a moment", "leaves"], lost=described))
    assert results == ["leaves: it ended its process (exit code 3)", "takes a moment"]


def test_a_seed_that_is_told_to_end_while_it_does_so_ends_well(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
):
    again = "import os, signal; kill = os.kill; os.kill = lambda *of: (kill(os.getpid(), signal.SIGTERM), kill(*of))"
    module(tmp_path, monkeypatch, again)
    with workers(9, 2, few=0, loads="one_more") as own:
        forked = set(own(process_of, None, range(4)))
    assert capfd.readouterr().err == ""
    assert not any(map(is_alive, forked))


def test_workers_can_be_ended_while_their_seed_imports(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    over = tmp_path / "over"
    module(tmp_path, monkeypatch, f"import time; time.sleep({HANGS_S}); open({str(over)!r}, 'w').close()")
    with workers(9, 2, few=0, loads="one_more"):
        assert len(seeds()) == 1
    assert not over.exists()
    assert seeds() == set()


@pytest.mark.parametrize(
    "code",
    [
        "import threading, time; threading.Thread(target=time.sleep, args=(60,), daemon=True).start()",
        "import polars; polars.LazyFrame({'of': [1, 2]}).select(polars.col('of').sum()).collect()",
        "import os; os.fork = lambda: os.kill(1 << 22, 0)",
        "import pipeline.workers.seed; pipeline.workers.seed._PR_SET_PDEATHSIG = -1",
    ],
    ids=["a thread runs", "Polars was used", "no process can be forked", "no worker can be tied to it"],
)
def test_where_a_seed_may_not_or_cannot_fork_workers_are_started(
    code: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    module(tmp_path, monkeypatch, code)
    with workers(9, 2, few=0, loads="one_more") as own:
        assert set(own(parent_of, None, range(4))) == {os.getpid()}
        assert seeds() == set()


# --- The end ---------------------------------------------------------------------------------------------------------


def compute(_shared: None, seconds: float) -> float:
    while (used := time.process_time()) < seconds:
        pass
    return used


def test_what_forked_workers_used_of_the_processor_is_counted_as_used_by_children_of_this_process():
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    with workers(9, 2, few=0) as own:
        used = sum(own(compute, None, [0.2, 0.2]))
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime >= used
