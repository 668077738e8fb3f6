"""Workers: every item is answered exactly once, and one that hangs, crashes or eats memory costs itself only."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import pytest

from pipeline.workers.pool import Budget, Mapper, Options, Pool, WorkerLost, here, workers
from pipeline.workers.process import Limits
from tests.support.worker_deeds import (
    SECOND,
    Item,
    described,
    first_of,
    halves,
    is_alive,
    raise_value_error,
    running,
    say,
    work,
    work_all,
)

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def mapper() -> Iterator[Mapper]:
    """Two workers, started once; that they outlive what each test does to them is part of what is tested."""
    with workers(100, 2, few=0, loads="tests.support.worker_deeds") as given:
        yield given


SMALL = Limits(item_mb=300)


# --- Every item once -------------------------------------------------------------------------------------------------


def test_every_item_has_one_result(mapper: Mapper):
    assert sorted(mapper(work, "", range(100))) == sorted(str(item) for item in range(100))
    assert list(mapper(work, "", [])) == []


def test_two_mappings_at_a_time_do_not_get_each_others_results(mapper: Mapper):
    one, other = mapper(work, "a", range(20)), mapper(work, "b", range(20))
    assert {next(other)[0] for _ in range(20)} == {"b"}
    assert sorted(one) == sorted(f"a{item}" for item in range(20))


def test_a_mapping_that_nobody_follows_to_its_end_does_not_disturb_the_next(mapper: Mapper):
    first = next(mapper(work, "a", range(50)))
    assert first.startswith("a")
    assert sorted(mapper(work, "b", range(9))) == [f"b{item}" for item in range(9)]


def test_results_larger_than_a_pipe_come_whole(mapper: Mapper):
    assert [len(result) for result in mapper(work, "x" * 5_000_000, range(4))] == [5_000_001] * 4


@pytest.mark.parametrize(("limits", "seen"), [(Limits(), "said"), (SMALL, "")])
def test_the_error_output_of_a_worker_is_shown_unless_it_may_run_out_of_memory(
    capfd: pytest.CaptureFixture[str], limits: Limits, seen: str
):
    with workers(100, 2, few=0, loads="tests.support.worker_deeds") as own:
        assert list(own(say, "", ["said"], limits=limits)) == [None]
    assert capfd.readouterr().err == seen


# --- An item that costs its worker -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("deed", "reason"),
    [
        ("reads where nothing is", r"it ended its process \(signal SIGSEGV\)"),
        ("gives up", r"it ended its process \(signal SIGABRT\)"),
        ("leaves", r"it ended its process \(exit code 3\)"),
        (
            "is killed",
            r"it ended its process \(signal SIGKILL\), perhaps because it needed more memory than there is",
        ),
    ],
)
def test_an_item_that_ends_its_process_is_lost_and_no_other(mapper: Mapper, deed: str, reason: str):
    items: list[Item] = [*range(10), deed, *range(10, 20)]
    results = sorted(mapper(work, "", items, lost=described))
    assert results[:-1] == sorted(str(number) for number in range(20))
    assert re.fullmatch(f"{deed}: {reason}", results[-1])


@pytest.mark.parametrize("deed", ["sleeps", "never comes back to the interpreter"])
def test_an_item_that_takes_too_long_is_lost_and_no_other(mapper: Mapper, deed: str):
    results = sorted(mapper(work, "", [*range(5), deed, *range(5, 9)], lost=described, limits=SECOND))
    assert results == [*(str(number) for number in range(9)), f"{deed}: it took longer than 1 s"]


def test_many_items_in_less_than_the_limit_each_may_take_longer_together(mapper: Mapper):
    assert len(list(mapper(work, "", ["takes a moment"] * 8, limits=SECOND))) == 8


def test_a_worker_that_waits_longer_than_an_item_may_take_stays(mapper: Mapper):
    assert len(list(mapper(work, "", range(9), limits=Limits(item_s=0.2)))) == 9
    before = running()
    time.sleep(0.4)
    assert running() == before


@pytest.mark.parametrize(
    ("deed", "reason"),
    [
        ("grows a bytearray", "it needed more than 300 MB of memory"),
        ("fills arrays of NumPy", "it needed more than 300 MB of memory"),
        # Polars ends the process when it gets no memory, so this much is known and no more.
        (
            "fills frames of Polars",
            "it ended its process (signal SIGABRT), perhaps because it needed more than 300 MB of memory",
        ),
    ],
)
@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere the system cannot be asked to limit memory")
def test_an_item_that_eats_memory_is_lost_and_no_other(mapper: Mapper, deed: str, reason: str):
    results = sorted(mapper(work, "", [*range(5), deed, *range(5, 9)], lost=described, limits=SMALL))
    assert results == [*(str(number) for number in range(9)), f"{deed}: {reason}"]


def test_an_item_without_a_limit_may_take_what_an_item_before_it_might_not(mapper: Mapper):
    assert list(mapper(work, "", ["fills arrays of NumPy"], lost=described, limits=SMALL)) != ["fills arrays of NumPy"]
    assert list(mapper(work, "", ["takes a moment"] * 2, limits=SECOND)) == ["takes a moment"] * 2
    assert list(mapper(work, "", [1, 2, 3], limits=SMALL))
    assert list(mapper(work, "", ["fills arrays of NumPy"])) == ["fills arrays of NumPy"]


def test_all_workers_may_be_lost_at_once_and_more_often_than_there_are_workers(mapper: Mapper):
    items: list[Item] = ["leaves", "leaves", 1, "leaves", 2, 3]
    results = sorted(mapper(work, "", items, lost=described))
    assert results == ["1", "2", "3", *["leaves: it ended its process (exit code 3)"] * 3]


def test_workers_that_end_while_they_wait_cost_nothing(mapper: Mapper):
    waiting = running()
    for pid in waiting:
        os.kill(pid, signal.SIGKILL)
    assert are_gone_within(2, waiting)
    assert sorted(mapper(work, "", range(9))) == [str(number) for number in range(9)]


# --- A budget --------------------------------------------------------------------------------------------------------


def of_owners(mapper: Mapper, items: list[tuple[Item, ...]], seconds: float) -> list[list[str]]:
    """What becomes of items whose first element names their owner."""
    lost = partial(list_of, described)
    return list(mapper(work_all, "", items, budget=Budget(first_of, seconds), lost=lost))


def list_of(function: Callable[..., str], *arguments: object) -> list[str]:
    return [function(*arguments)]


def test_an_owner_whose_budget_is_spent_waits_and_no_other(mapper: Mapper):
    told = of_owners(mapper, [(1, "takes a moment")] * 8 + [(2, number) for number in range(8)], seconds=0.5)
    not_begun = "(1, 'takes a moment'): those that share its time had spent their 0.5 s"
    assert sorted(result for result in told if result[0] == "2") == [["2", str(number)] for number in range(8)]
    assert 5 <= told.count([not_begun]) <= 6, "two workers begin one each, and perhaps a third before half a second"
    assert told.count(["1", "takes a moment"]) == 8 - told.count([not_begun])


def test_a_budget_counts_for_each_mapping_anew(mapper: Mapper):
    for _ in range(2):
        assert ["1", "takes a moment"] in of_owners(mapper, [(1, "takes a moment")], seconds=0.1)


def test_who_cost_a_worker_comes_after_the_others():
    with workers(9, 1, few=0, item_s=60) as mapper:
        told = of_owners(mapper, [(1, "leaves"), (1, 5), (2, 6), (1, 7), (3, 8)], seconds=60)
    lost = ["(1, 'leaves'): it ended its process (exit code 3)"]
    assert [result for result in told if result != lost][:2] in ([["2", "6"], ["3", "8"]], [["1", "5"], ["2", "6"]])
    assert told[-1] == ["1", "7"]


def test_parts_of_what_was_lost_share_its_budget(mapper: Mapper):
    budget = Budget(first_of, 60)
    options: Options = {"smaller": halves, "lost": partial(list_of, described), "budget": budget}
    told = [result for results in mapper(work_all, "", [(1, 2, "leaves"), (4, 5)], **options) for result in results]
    assert sorted(told) == ["('leaves',): it ended its process (exit code 3)", "1", "2", "4", "5"]


# --- Dividing --------------------------------------------------------------------------------------------------------


def test_an_item_that_costs_its_worker_is_divided_until_only_the_culprit_is_lost(mapper: Mapper):
    items: list[tuple[Item, ...]] = [(1, 2, 3, "leaves", 5), (6, 7), (8, "leaves")]
    told = list(mapper(work_all, "", items, smaller=halves, lost=lambda *of: [described(*of)]))
    lost = "('leaves',): it ended its process (exit code 3)"
    assert sorted(result for results in told for result in results) == [lost, lost, *"1235678"]


def test_what_cannot_be_divided_is_lost(mapper: Mapper):
    for parts in ([], ["one"]):
        (told,) = mapper(work, "", ["leaves"], smaller=lambda _, parts=parts: parts, lost=described)
        assert told == "leaves: it ended its process (exit code 3)"


def test_parts_that_are_no_smaller_come_to_an_end(mapper: Mapper, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("pipeline.workers.pool._MOST_DIVISIONS", 1)
    told = list(mapper(work, "", ["leaves"], smaller=lambda item: [item, item], lost=described))
    assert told == ["leaves: it ended its process (exit code 3)"] * 2


def test_who_does_not_say_what_is_to_be_done_is_told_of_the_loss(mapper: Mapper):
    with pytest.raises(WorkerLost, match=r"A worker process was lost over its task: it took longer than 1 s\."):
        list(mapper(work, "", ["sleeps"], limits=SECOND))
    assert list(mapper(work, "", [1])) == ["1"]


# --- Errors ----------------------------------------------------------------------------------------------------------


def test_an_error_is_raised_here_with_the_workers_traceback_and_nothing_more_is_begun(mapper: Mapper, tmp_path: Path):
    with pytest.raises(ValueError, match="of all numbers") as caught:
        list(mapper(touch_or_raise, tmp_path, ["raise", *map(str, range(50))]))
    assert "in raise_value_error" in "".join(caught.value.__notes__)
    assert list(mapper(work, "", [1])) == ["1"]
    assert len(list(tmp_path.iterdir())) < 10


def test_where_losses_are_answered_for_whatever_is_raised_over_an_item_costs_that_item_and_a_full_disk_stops(
    mapper: Mapper,
):
    told = list(mapper(work, "", ["raises", "panics", 1], lost=described))
    internal = "it caused an internal error"
    assert sorted(told) == ["1", f"panics: {internal} (PanicException)", f"raises: {internal} (ValueError)"]
    with pytest.raises(OSError, match="No space left on device"):
        list(mapper(work, "", ["finds the disk full"], lost=described))


def test_a_library_that_panics_for_want_of_memory_says_so_at_once_and_prints_nothing(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv("RUST_BACKTRACE", "1")
    deed = "lets Polars panic for want of memory"
    with workers(2, 1, few=0, loads="polars tests.support.worker_deeds", item_s=20, item_mb=95) as mapper:
        assert list(mapper(work, "", [deed], lost=described)) == [f"{deed}: it needed more than 95 MB of memory"]
    assert capfd.readouterr().err == ""


def touch_or_raise(folder: Path, name: str) -> None:
    if name == "raise":
        raise_value_error()
    time.sleep(0.05)
    (folder / name).touch()


def test_what_cannot_be_pickled_is_an_error_and_costs_no_worker(mapper: Mapper):
    before = running()
    with pytest.raises((TypeError, AttributeError), match="pickle"):
        list(mapper(work, "", [lambda: None]))  # type: ignore[list-item]
    with pytest.raises((TypeError, AttributeError), match="pickle"):
        list(mapper(give_what_cannot_be_pickled, "", [1]))
    with pytest.raises(RuntimeError, match="TakesTwo: one and two"):
        list(mapper(raise_what_cannot_be_made_again, "", [1]))
    assert running() == before


def give_what_cannot_be_pickled(_shared: str, _item: int) -> object:
    return SimpleNamespace(function=lambda: None)


class TakesTwo(Exception):
    def __init__(self, one: str, two: str) -> None:
        super().__init__(f"{one} and {two}")


def raise_what_cannot_be_made_again(_shared: str, _item: int) -> None:
    raise TakesTwo("one", "two")


# --- Beginning and end -----------------------------------------------------------------------------------------------


def test_without_a_limit_few_items_stay_here_and_with_one_they_never_do():
    with workers(2, None, few=3) as few, workers(9, 1, few=3) as one:
        assert few is here
        assert one is here
        assert list(few(work, "", [1, 2], smaller=list, lost=described)) == ["1", "2"]
    with workers(1, 1, few=3, item_s=60, loads="tests.support.worker_deeds") as held:
        assert next(held(work, "", [1, "leaves"], lost=described)) == "1"


@pytest.mark.parametrize(("at_once", "n_started"), [(False, 0), (True, 3)])
def test_workers_may_be_started_with_the_first_items(at_once: bool, n_started: int, monkeypatch: pytest.MonkeyPatch):
    started = []
    start_one = Pool._start_one
    monkeypatch.setattr(Pool, "_start_one", lambda pool: (started.append(pool), start_one(pool)))
    with workers(9, 3, few=0, item_s=60, loads="tests.support.worker_deeds", at_once=at_once) as held:
        assert list(held(work, "", [])) == []
        assert len(started) == n_started
        assert sorted(held(work, "", [1, 2])) == ["1", "2"]
        assert len(started) == 3
        assert list(held(work, "", [3])) == ["3"]
    assert len(started) == 3


def test_each_worker_is_told_to_use_one_core_and_this_process_is_as_before(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("POLARS_MAX_THREADS", "7")
    with (
        workers(1, 1, few=0, item_s=60, loads="tests.support.worker_deeds") as held,
        pytest.raises(ValueError, match=r"^1(\n|$)"),
    ):
        list(held(work, "", ["asks for its threads"]))
    assert os.environ["POLARS_MAX_THREADS"] == "7"


def test_a_worker_that_cannot_load_what_it_needs_says_so():
    with workers(9, 2, few=0, loads="pipeline.no_such_module") as held, pytest.raises(ModuleNotFoundError):
        list(held(work, "", [1]))


def script(tmp_path: Path, body: str, **settings: object) -> subprocess.Popen[str]:
    """A script that gets two workers; one of its own lines is `body`."""
    path = tmp_path / "script.py"
    given = "".join(f", {name}={value!r}" for name, value in settings.items())
    path.write_text(
        "import time\n"
        "from pipeline.workers.pool import workers\n"
        "from tests.support.worker_deeds import running, seeds, work\n"
        "def tell():\n"
        "    print(*running(), *seeds(), flush=True)\n"
        f"with workers(2, 2, few=0, loads='tests.workers.test_pool'{given}) as mapper:\n"
        "    list(mapper(work, '', range(9)))\n"
        f"    {body}\n"
    )
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    return subprocess.Popen(
        [sys.executable, str(path)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment
    )


def processes_of(parent: subprocess.Popen[str]) -> set[int]:
    """What the script tells of its two workers and their seed, when it has them."""
    assert parent.stdout is not None
    return {int(word) for word in parent.stdout.readline().split()}


def are_gone_within(seconds: float, pids: set[int]) -> bool:
    until = time.monotonic() + seconds
    while any(is_alive(pid) for pid in pids):
        if time.monotonic() > until:
            return False
        time.sleep(0.05)
    return True


@pytest.mark.slow
@pytest.mark.parametrize(
    ("body", "settings", "seconds"),
    [
        ("tell(); time.sleep(60)", {}, 2),
        ("tasks = mapper(work, '', ['takes a moment'] * 99); tell(); list(tasks)", {}, 3),
        ("tasks = mapper(work, '', ['sleeps'] * 2); tell(); list(tasks)", {}, 3),
        ("tasks = mapper(work, '', ['never comes back to the interpreter'] * 2); tell(); list(tasks)", {}, 3),
    ],
    ids=["waiting", "at work", "hanging", "never back"],
)
def test_workers_end_when_their_parent_is_killed(
    tmp_path: Path, body: str, settings: dict[str, object], seconds: float
):
    parent = script(tmp_path, body, **settings)
    ours = processes_of(parent)
    assert len(ours) == 3
    parent.kill()
    parent.wait()  # not for the end of its output, which the workers have, too
    is_over = are_gone_within(seconds, ours)
    parent.communicate()
    assert is_over


@pytest.mark.slow
def test_workers_do_not_keep_their_parent_from_ending(tmp_path: Path):
    parent = script(tmp_path, "tasks = mapper(work, '', ['sleeps'] * 2); tell()")
    ours = processes_of(parent)
    began = time.monotonic()
    output, errors = parent.communicate()
    assert time.monotonic() - began < 2
    assert (output, errors, parent.returncode) == ("", "", 0)
    assert are_gone_within(1, ours)


@pytest.mark.slow
def test_workers_that_end_as_they_start_are_not_started_for_ever(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    (tmp_path / "leaves_at_once.py").write_text("import os\nos._exit(3)\n")
    monkeypatch.syspath_prepend(tmp_path)
    with (
        workers(9, 2, few=0, loads="leaves_at_once") as held,
        pytest.raises(WorkerLost, match=r"Worker processes end before they are ready \(exit code 3\)\."),
    ):
        list(held(work, "", [1]))
