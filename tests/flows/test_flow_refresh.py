"""The Prefect flow and the in-process line: one order of stages, the same tables."""

from __future__ import annotations

import pickle
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import chain
from pathlib import Path

import pytest
from polars.testing import assert_frame_equal

from pipeline.core.resources import shipped
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import refresh
from pipeline.store.layout import read_table
from pipeline.tables import TABLES
from pipeline.workers.pool import here
from tests.support.added_stages import add_stages, assert_ran_in_order, note_calls
from tests.support.bad_files import BadFiles
from tests.support.demo_store import Refreshed
from tests.support.worker_deeds import running


@pytest.fixture(scope="module", autouse=True)
def prefect_home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """A folder of Prefect's own, which it reads when it is imported."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PREFECT_HOME", str(tmp_path_factory.mktemp("prefect")))
        yield


@pytest.mark.slow
@pytest.mark.filterwarnings("default")  # Prefect's own dependencies warn of things to come
def test_the_flow_gives_the_same_tables_as_the_line_in_process(
    tmp_path: Path, small_club: Path, small: Refreshed
) -> None:
    from flows.refresh import refresh_with_prefect  # noqa: PLC0415 - it reads the environment when imported

    inbox, seen = read_inbox(small_club), list[tuple[int, int]]()
    refresh_with_prefect(inbox, tmp_path / "by-flow", progress=lambda done, total: seen.append((done, total)))
    for table in TABLES:
        assert_frame_equal(read_table(tmp_path / "by-flow", table), read_table(small.store, table))
    assert seen[-1] == (len(inbox.files), len(inbox.files))


@pytest.mark.slow
@pytest.mark.filterwarnings("default")
def test_files_that_hang_crash_or_eat_memory_cost_the_flow_themselves_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from flows.refresh import refresh_with_prefect  # noqa: PLC0415

    files, before = BadFiles(tmp_path), running()
    for name, value in files.environment.items():
        monkeypatch.setenv(name, value)
    refresh_with_prefect(read_inbox(files.inbox), tmp_path / "store", jobs=2)
    files.assert_cost_themselves_only(tmp_path / "store")
    assert running() == before


class Watched:
    """Something that notes who looks at it; Dask digests what it finds by writing it out."""

    def __init__(self) -> None:
        self.seen: list[str] = []

    def __reduce__(self) -> tuple[type[str], tuple[()]]:
        self.seen.append("Dask")
        return str, ()


def looked_into(given: object, noted: Watched) -> list[str]:
    """Who came upon what is noted, looking through what a task is given."""
    from dask.tokenize import tokenize  # noqa: PLC0415 - Prefect's home is set by then
    from prefect.utilities.collections import visit_collection  # noqa: PLC0415

    noted.seen.clear()
    visit_collection(given, lambda one: noted.seen.append("Prefect") if one is noted else None, return_data=False)
    tokenize(given)
    return sorted(set(noted.seen))


@pytest.mark.filterwarnings("default")
def test_neither_prefect_nor_dask_looks_into_what_a_task_is_given() -> None:
    from flows.refresh import Sealed  # noqa: PLC0415

    noted = Watched()
    assert looked_into([noted], noted) == ["Dask", "Prefect"]
    assert looked_into(Sealed([noted]), noted) == []
    assert pickle.loads(pickle.dumps(Sealed(["all of it"]))).content == ["all of it"]


@pytest.mark.filterwarnings("default")
@pytest.mark.parametrize(
    ("n_items", "n_workers", "sizes"),
    [
        (83, 1, [41, 21, 10, 8, 3]),
        (83, 2, [20, 15, 12, 9, 8, 8, 8, 3]),
        (83, 50, [8, 8, 8, 8, 8, 8, 8, 8, 8, 8, 3]),
        (300, 2, [64, 59, 44, 33, 25, 18, 14, 10, 8, 8, 8, 8, 1]),
        (0, 2, []),
    ],
)
def test_batches_grow_smaller_the_less_is_left_for_each_worker(n_items: int, n_workers: int, sizes: list[int]) -> None:
    from flows.refresh import BatchSize, batches  # noqa: PLC0415

    divided = list(batches(range(n_items), BatchSize(most=64, least=8), n_workers))
    assert [len(batch) for batch in divided] == sizes
    assert list(chain.from_iterable(divided)) == list(range(n_items))


@pytest.mark.filterwarnings("default")
def test_what_weighs_more_than_a_batch_may_is_a_batch_of_its_own() -> None:
    from flows.refresh import BatchSize, batches  # noqa: PLC0415

    weights = [5, 5, 200, 5, 60, 5, 3, 1]
    divided = batches(weights, BatchSize(most=64, least=8), 2, weight=lambda one: one)
    assert list(divided) == [[5, 5], [200], [5], [60], [5, 3], [1]]


@pytest.mark.filterwarnings("default")
def test_what_the_flow_is_given_does_not_travel_with_its_tasks(tmp_path: Path) -> None:
    from flows.refresh import Given  # noqa: PLC0415

    found = read_inbox(shipped("data/club"))
    assert len(pickle.dumps(found)) > 10_000
    given = Given(found, tmp_path, jobs=1, is_cluster=True, wait_s=0.0, progress=None)
    assert len(pickle.dumps(given)) < 100


@pytest.mark.slow
@pytest.mark.filterwarnings("default")
def test_the_flow_runs_the_stages_in_the_order_of_the_registry_and_added_ones_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from flows import refresh as by_flow  # noqa: PLC0415

    @contextmanager
    def here_instead(_loads: str) -> Iterator[object]:
        yield here  # a lent worker would not tell what it called

    monkeypatch.setattr(by_flow, "lent_worker", here_instead)
    add_stages(monkeypatch)
    calls = note_calls(monkeypatch)
    found = read_inbox(shipped("data/club"))
    few = replace(found, files=tuple(file for file in found.files if file.athlete_id == "quill"))
    by_flow.refresh_with_prefect(few, tmp_path / "by-flow", jobs=1)
    assert_ran_in_order(calls)
    refresh(few, tmp_path / "in-process", jobs=1)
    for table in ("evenness", "steadiest"):
        rows = read_table(tmp_path / "by-flow", table)
        assert rows.height == 1
        assert_frame_equal(rows, read_table(tmp_path / "in-process", table))


@pytest.mark.filterwarnings("default")
def test_a_task_is_named_for_the_first_of_its_stages() -> None:
    from flows import refresh as by_flow  # noqa: PLC0415

    tasks = [by_flow.recording, by_flow.samples, by_flow.splits, by_flow.athletes, by_flow.athletes_after_club]
    assert [task.name for task in (*tasks, by_flow.club)] == [
        "recording", "samples", "splits", "responses", "drift", "strikes",
    ]  # fmt: skip
