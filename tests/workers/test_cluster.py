"""Batches of a cluster: a few for each worker are given to it at a time, and every item has its result."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

pytest.importorskip("distributed")

from distributed import Client, KilledWorker

from pipeline.workers.cluster import BATCH, Cluster


@pytest.fixture(scope="module")
def client() -> Iterator[Any]:
    """A cluster of one worker, in this process."""
    with Client(processes=False, n_workers=1, threads_per_worker=1, dashboard_address=None) as one:  # type: ignore[no-untyped-call]
        yield one


class Watched:
    """A client that counts the batches that were given out and whose results were not taken."""

    def __init__(self, client: Any) -> None:
        self._client, self.given, self.most_open, self.n_taken = client, 0, 0, 0

    def __getattr__(self, name: str) -> Any:
        return getattr(self._client, name)

    def submit(self, *arguments: Any, **options: Any) -> Any:
        self.given += 1
        self.most_open = max(self.most_open, self.given - self.n_taken)
        return self._client.submit(*arguments, **options)


def weight_of_a_batch(_: object) -> int:
    return BATCH.most


def added(shared: int, item: int) -> int:
    return shared + item


def test_no_more_than_four_batches_per_worker_are_open_and_none_is_left_out(client: Any):
    watched, results = Watched(client), []
    for result in Cluster(watched, "")(added, 1000, range(60), weight=weight_of_a_batch):
        watched.n_taken += 1
        results.append(result)
    assert sorted(results) == list(range(1000, 1060))
    assert watched.given == 60
    assert watched.most_open == 5, "the next is given as the result of one is taken, so that none waits"


def doubled_by(mapper: Any, shared: int, item: int) -> tuple[int, int, list[int]]:
    """What maps by itself; and how many like it give out batches at a time."""
    return item, mapper.n_delegates, sorted(mapper(added, shared, range(item, item + 3)))


def test_what_gives_out_batches_is_a_task_too(client: Any):
    results = list(Cluster(client, "").delegate(doubled_by, 100, iter(range(5))))
    assert results == [(item, 1, [100 + item, 101 + item, 102 + item]) for item in range(5)]


class Losing:
    """A client whose workers are lost over every task."""

    def __getattr__(self, _: str) -> Any:
        return lambda *_, **__: self

    def ncores(self) -> dict[str, int]:
        return {"one": 40}

    def result(self) -> Any:
        raise KilledWorker("task", "worker", 3)  # type: ignore[no-untyped-call]


def told_where(mapper: Any, shared: str, item: int) -> str:
    return f"{shared} {item} by {type(mapper.client).__name__}, {mapper.n_delegates} at a time"


def test_a_task_that_gives_out_batches_and_costs_its_workers_is_done_here():
    told = list(Cluster(Losing(), "").delegate(told_where, "section", range(3)))
    assert told == [f"section {item} by Losing, 1 at a time" for item in range(3)]
