"""The workers of a Dask cluster: one function mapped over many items, a batch of them per task.

Each of them lends a process of its own to what it is given (`lending`), so that limits apply there too.
"""

from __future__ import annotations

import pickle
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from itertools import islice
from typing import Any, Protocol, TypeVar

from pipeline.core.errors import UsageError
from pipeline.core.reasons import Reason, because
from pipeline.workers.batches import BatchSize, batches
from pipeline.workers.lending import lent_worker
from pipeline.workers.pool import Loss, Mapper, WorkerLost

S = TypeVar("S")
T = TypeVar("T")
R = TypeVar("R")

#: By weight: of files that is their number.
BATCH = BatchSize(128, 32)
#: Of an item that says nothing else, such as an athlete.
WEIGHT = 4
#: So many batches for each worker wait or are under way: it never waits for the next, and neither this process nor the
#: scheduler holds them all.
_BATCHES_PER_WORKER = 4
#: Only errors of storage are tried again: a stage would make the same of a file the second time.
_TRIES = 3
_TRY_AGAIN_AFTER_S = 2.0
#: So many functions of a mapper wait or are under way for each of so many workers; each gives out batches of its own.
_WORKERS_PER_DELEGATE = 16


class Delegate(Protocol):
    """Carries out `function(mapper, shared, item)` elsewhere for many items."""

    def __call__(self, function: Callable[[Mapper, S, T], R], shared: S, items: Iterable[T], /) -> Iterator[R]:
        """One result per item, in their order. Items are taken as they are needed; a function may be called again."""


@contextmanager
def cluster_workers(address: str, *, loads: str = "") -> Iterator[Mapper]:
    """Give a function that maps over items on a cluster.

    Args:
        address: of the scheduler, such as tcp://host:8786.
        loads: modules that the processes of its workers import as they start, with a blank between.

    Raises:
        UsageError: the libraries for it are not installed, or it is no address.
        OSError: no scheduler answers there.
    """
    try:
        from distributed import Client
    except ImportError:
        raise UsageError("--cluster takes more libraries: python -m pip install 'splitdrift[cluster]'.") from None
    try:
        client: Any = Client(address, set_as_default=False)  # type: ignore[no-untyped-call]
    except ValueError as error:
        raise UsageError(f"--cluster {address}: {error}. Expected an address such as tcp://host:8786.") from None
    with client:
        yield Cluster(client, loads)


@dataclass(frozen=True)
class Cluster:
    """A `Mapper` over the workers of a cluster.

    Attributes:
        n_delegates: how many of those like it give out batches at the same time.
    """

    client: Any
    loads: str
    n_delegates: int = 1

    def __call__(self, function: Any, shared: Any, items: Sequence[Any], /, **options: Any) -> Iterator[Any]:
        """The first batches are submitted at once, each other when the result of one before it is taken."""
        weight = options.pop("weight", lambda _: WEIGHT)

        def submitted(batch: Sequence[Any]) -> Any:
            # Pickled here: Dask would look through all of it for results of other tasks.
            packed = pickle.dumps((function, shared, batch, options))
            return self.client.submit(_carried_out, self.loads, packed, pure=False)

        n_workers = self._n_workers()
        left = batches(items, BATCH, n_workers, weight=weight)
        n_open = -(-_BATCHES_PER_WORKER * n_workers // self.n_delegates)
        futures = {submitted(batch): batch for batch in islice(left, n_open)}
        smaller, lost = options.get("smaller"), options.get("lost")
        return _results(
            self.client, submitted, futures, left, _OfLost(smaller, partial(lost, shared) if lost else None)
        )

    def delegate(self, function: Callable[[Mapper, S, T], R], shared: S, items: Iterable[T], /) -> Iterator[R]:
        """See `Delegate`. An item over which workers are lost is taken by this process."""
        from distributed import KilledWorker

        n_open = 1 + self._n_workers() // _WORKERS_PER_DELEGATE
        left, waiting = iter(items), deque[tuple[Any, T]]()

        def submit(item: T) -> None:
            packed = pickle.dumps((function, self.loads, n_open, shared, item))
            waiting.append((self.client.submit(_delegated, packed, pure=False), item))

        for item in islice(left, n_open):
            submit(item)
        try:
            while waiting:
                future, item = waiting.popleft()
                try:
                    result = future.result()
                except KilledWorker:
                    result = function(self, shared, item)
                for following in islice(left, 1):
                    submit(following)
                yield result
        finally:
            self.client.cancel([future for future, _ in waiting])

    def _n_workers(self) -> int:
        n_cores: int = sum(self.client.ncores().values())
        return max(1, n_cores)


def _delegated(packed: bytes) -> Any:
    """What a worker of the cluster does with an item of `delegate`; meanwhile it takes on batches like the others."""
    from distributed import worker_client

    function, loads, n_delegates, shared, item = pickle.loads(packed)
    with worker_client() as client:
        return function(Cluster(client, loads, n_delegates), shared, item)


@dataclass(frozen=True)
class _OfLost:
    """Of the items of a batch that workers were lost over: into what each is divided, and what answers for it."""

    smaller: Any
    lost: Any


def _results(
    client: Any, submitted: Any, futures: dict[Any, list[Any]], left: Iterator[list[Any]], of_lost: _OfLost
) -> Iterator[Any]:
    """The items of a batch that workers were lost over follow one by one: each answers for itself."""
    from distributed import KilledWorker, as_completed

    alone = list[Any]()
    try:
        completed: Any = as_completed(list(futures), loop=client.loop)  # type: ignore[no-untyped-call]
        for future in completed:
            batch = futures.pop(future)
            for following in islice(left, 1):
                another = submitted(following)
                futures[another] = following
                completed.add(another)
            try:
                results = future.result()
            except KilledWorker:
                alone += [part for item in batch for part in _parts(item, of_lost.smaller)]
            else:
                yield from results
        for item in alone:
            try:
                results = submitted([item]).result()
            except KilledWorker:
                loss = Loss(because(Reason.CLUSTER_LOST))
                if of_lost.lost is None:
                    raise WorkerLost(f"A task was lost: {loss.words}.") from None
                results = [of_lost.lost(item, loss)]
            yield from results
    finally:
        client.cancel(list(futures))  # after an error nothing more is begun


def _parts(item: Any, smaller: Any) -> Sequence[Any]:
    parts = smaller(item) if smaller is not None else ()
    return parts if len(parts) > 1 else (item,)


def _carried_out(loads: str, packed: bytes) -> list[Any]:
    """What a worker of the cluster does with a batch."""
    function, shared, items, options = pickle.loads(packed)
    for n_left in reversed(range(_TRIES)):
        try:
            with lent_worker(loads) as mapper:
                return list(mapper(function, shared, items, **options))
        except OSError:
            if n_left == 0:
                raise
            time.sleep(_TRY_AGAIN_AFTER_S)
    raise AssertionError("unreachable")
