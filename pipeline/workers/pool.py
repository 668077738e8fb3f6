"""Worker processes: one function mapped over many items, here or in several processes.

An item whose worker hangs, crashes or eats memory costs itself only. The pool is our own because the standard one
breaks as a whole when a worker dies, and pebble's when a waiting one does.
"""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections import defaultdict, deque
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from multiprocessing.reduction import ForkingPickler
from typing import Any, Protocol, TypedDict, TypeVar, Unpack

from pipeline.core.errors import SplitdriftError, in_words
from pipeline.core.reasons import Because, Reason, because, words
from pipeline.workers.process import EXIT_OUT_OF_MEMORY, READY, Limits, ending, serve
from pipeline.workers.seed import CAN_FORK, Forked, Seed
from pipeline.workers.start import ENVIRONMENT, start

S = TypeVar("S")
T = TypeVar("T")
R = TypeVar("R")

#: Called with what is done and the total.
Progress = Callable[[int, int], None]

#: Fewer files than this are read sooner by one process than by workers.
FEW_FILES = 12

#: An item is not divided more often than this: the end of a `smaller` that makes nothing smaller.
_MOST_DIVISIONS = 16
#: So many workers may end while they start, with none between that got ready, before it is said that none can start.
_MOST_FAILED_STARTS = 4


#: Where the machine may have been the cause, or others. Of time the machine would have to be thousands of times slower
#: than usual.
_MAY_HAVE_PASSED = (Reason.KILLED, Reason.CLUSTER_LOST, Reason.BUDGET_SPENT)


@dataclass(frozen=True)
class Loss:
    """What cost an item its worker, or why it was not begun.

    Attributes:
        because: of the kinds that `pipeline.core.reasons` has for workers.
    """

    because: Because

    @property
    def kind(self) -> Reason:
        """What cost it."""
        return Reason(self.because["kind"])

    @property
    def words(self) -> str:
        """The same for a message, to follow a colon."""
        return words([self.because])[0]

    @property
    def may_have_passed(self) -> bool:
        """Whether the same item may be read at the next try."""
        return self.kind in _MAY_HAVE_PASSED


@dataclass(frozen=True)
class Budget:
    """What items may take together that have the same owner. Once it is spent, no more of them are begun.

    Those of an owner who cost a worker are left until the others are done.

    Attributes:
        owner: of an item; a function that can be pickled.
        seconds: summed over workers [s].
    """

    owner: Callable[[Any], Hashable]
    seconds: float


class WorkerLost(SplitdriftError):
    """An item ended its worker process, and the caller gave no `lost`."""


class Options(TypedDict, total=False):
    """What becomes of an item that costs its worker.

    Attributes:
        smaller: parts of an item; fewer than two where it cannot be divided.
        lost: makes the result of an item that cost its worker, of `shared`, the item and the loss. Called in this
            process.
        limits: others than those that the workers were started with.
        weight: of an item; asked where several make a batch, on a cluster.
        budget: what is not begun because of it is lost; on a cluster each batch has its own.
    """

    smaller: Callable[[Any], Sequence[Any]]
    lost: Callable[[Any, Any, Loss], Any]
    limits: Limits
    weight: Callable[[Any], int]
    budget: Budget


class Mapper(Protocol):
    """Maps `function(shared, item)` over items; results come in the order in which they end."""

    def __call__(
        self, function: Callable[[S, T], R], shared: S, items: Sequence[T], /, **options: Unpack[Options]
    ) -> Iterator[R]:
        """One result per item, or per part where an item had to be divided.

        What the function raises is raised here, after which nothing more is begun. It is otherwise with an item that
        costs its worker, because the process died or the item went over a limit: its parts are tried again, each with
        the whole limit; what has no parts is answered for by `lost`. Where that is given, so it is with an item over
        which the function raises anything but what the environment causes, such as a full disk.

        Args:
            function: can be pickled, like everything that it takes and gives.
            shared: what it is given with every item.
            items: what it is mapped over.
            options: see `Options`.

        Raises:
            WorkerLost: an item cost its worker, and there is no `lost`.
        """


def here(function: Callable[[S, T], R], shared: S, items: Sequence[T], /, **_options: Unpack[Options]) -> Iterator[R]:
    """A `Mapper` in this process, one item after the other: no limits, and an item that crashes takes all with it."""
    return (function(shared, item) for item in items)


@contextmanager
def workers(
    n_items: int,
    jobs: int | None,
    *,
    few: int,
    loads: str = "",
    item_s: float | None = None,
    item_mb: float | None = None,
    at_once: bool = True,
) -> Iterator[Mapper]:
    """Give a function that maps over items, here or in worker processes.

    Workers are no copies of this process, since forking after Polars has run can deadlock: one is started afresh,
    several are forked from one that was. So they know nothing of the script that runs here, and take functions of
    modules only. They load what they will need while this process goes on.

    Args:
        n_items: how many items there will be.
        few: with fewer items workers, which take a second to start, would be slower than this process. With a limit
            there are always workers, since this process can be held to none.
        loads: modules that workers have imported when they are ready, with a blank between.
        item_s: time an item may take [s].
        item_mb: memory an item may take, where the system can be asked for it (Linux) [MB].
        at_once: whether workers are started now; if not, with the first items, if any come.
    """
    wanted = jobs if jobs is not None else os.cpu_count() or 1
    limits = Limits(item_s, item_mb)
    if limits == Limits() and (wanted <= 1 or n_items < few):
        yield here
        return
    pool = Pool(loads, limits, n_workers=max(1, min(wanted, n_items)))
    try:
        if at_once:
            pool.start()
        yield pool.map
    finally:
        pool.end()


# --- In this process -------------------------------------------------------------------------------------------------


@dataclass(eq=False)
class _Call:
    """One mapping, and what has become of its items: an answer in bytes, an error, or why the worker was lost."""

    function: Callable[[Any, Any], Any]
    shared: Any
    limits: Limits
    budget: Budget | None = None
    events: deque[tuple[_Task, bytes | BaseException | Loss]] = field(default_factory=deque)
    spent_s: defaultdict[Hashable, float] = field(default_factory=lambda: defaultdict(float))


@dataclass(eq=False)
class _Task:
    call: _Call
    item: Any
    n_divisions: int = 0
    begun_at: float = 0.0

    @property
    def owner(self) -> Hashable:
        """Of its item; None where there is no budget."""
        return None if self.call.budget is None else self.call.budget.owner(self.item)

    def has_ended(self) -> None:
        """Count the time that it took."""
        self.call.spent_s[self.owner] += time.monotonic() - self.begun_at


@dataclass(eq=False)
class _Worker:
    process: subprocess.Popen[bytes] | Forked
    pipe: Connection
    is_ready: bool = False
    task: _Task | None = None


class Pool:
    """Workers with a pipe each, so that the loss of one affects no other. Each holds one task at most.

    For one thread at a time. Its arguments are those of `workers`, and what its workers have in their environment on
    top of what this process has.
    """

    def __init__(
        self, loads: str, limits: Limits, *, n_workers: int = 1, environment: Mapping[str, str] = ENVIRONMENT
    ) -> None:
        self._loads, self._limits, self._n_workers, self._environment = loads, limits, n_workers, environment
        self._seed: Seed | None = None
        self._workers: list[_Worker] = []
        self._waiting: deque[_Task] = deque()
        self._n_failed_starts = 0

    def start(self) -> None:
        """Start all workers; they get ready while this process goes on."""
        if CAN_FORK and self._n_workers > 1 and self._seed is None and not self._workers:
            self._seed = Seed(self._loads, self._environment)
        for _ in range(len(self._workers), self._n_workers):
            self._start_one()

    def _start_one(self) -> None:
        process, pipe = self._forked() or start(serve, self._loads, self._environment)
        self._workers.append(_Worker(process, pipe))

    def _forked(self) -> tuple[Forked, Connection] | None:
        """A worker from the seed; None if there is none, or it has ended."""
        if self._seed is not None:
            with suppress(ConnectionError):
                return self._seed.fork()
            self._seed.end()
            self._seed = None
        return None

    def end(self) -> None:
        """End the workers. After an error what they are about need not be done; after success they only wait."""
        if self._seed is not None:
            self._seed.end()  # it may still be importing, and would answer no sooner
        for worker in self._workers:
            worker.process.kill()
        for worker in self._workers:
            worker.process.wait()  # or it might still write where the caller cleans up
            worker.pipe.close()

    @property
    def is_at_work(self) -> bool:
        """Whether there are tasks whose results were not taken."""
        return bool(self._waiting) or any(worker.task is not None for worker in self._workers)

    def map(
        self, function: Callable[[S, T], R], shared: S, items: Sequence[T], /, **options: Unpack[Options]
    ) -> Iterator[R]:
        """See `Mapper`."""
        call = _Call(function, shared, options.get("limits", self._limits), options.get("budget"))
        tasks = [_Task(call, item) for item in items]
        if tasks:
            self.start()
        self._waiting.extend(tasks)
        self._feed()
        return self._results(call, len(tasks), options.get("smaller"), options.get("lost"))

    def _results(
        self,
        call: _Call,
        n_open: int,
        smaller: Callable[[Any], Sequence[Any]] | None,
        lost: Callable[[Any, Any, Loss], Any] | None,
    ) -> Iterator[Any]:
        try:
            while n_open:
                while not call.events:
                    self._listen()
                task, event = call.events.popleft()
                n_open -= 1
                if isinstance(event, BaseException):
                    raise event
                if isinstance(event, bytes):
                    error, result = _opened(event)
                    if error is None:
                        yield result
                        continue
                    if lost is None or in_words(error) is not None:
                        raise error
                    event = Loss(because(Reason.RAISED, error=type(error).__name__))
                if n_parts := self._divide(task, event, smaller):
                    n_open += n_parts
                elif lost is not None:
                    yield lost(call.shared, task.item, event)
                else:
                    raise WorkerLost(f"A worker process was lost over its task: {event.words}.")
        finally:
            # After an error, or when the caller stops early, nothing more is begun.
            self._waiting = deque(task for task in self._waiting if task.call is not call)

    def _divide(self, task: _Task, loss: Loss, smaller: Callable[[Any], Sequence[Any]] | None) -> int:
        """Let the parts of a lost task wait, if it has any; returns their number."""
        call, parts = (
            task.call,
            smaller(task.item) if smaller is not None and task.n_divisions < _MOST_DIVISIONS else (),
        )
        tasks = [_Task(call, part, task.n_divisions + 1) for part in parts] if len(parts) > 1 else []
        if call.budget is None:
            self._waiting.extendleft(reversed(tasks))
        else:
            self._waiting.extend(tasks)
            if loss.kind is not Reason.BUDGET_SPENT:
                of_owner = {id(one) for one in self._waiting if one.call is call and one.owner == task.owner}
                self._waiting = deque(sorted(self._waiting, key=lambda one: id(one) in of_owner))
        self._feed()
        return len(tasks)

    def _feed(self) -> None:
        """Give every worker that waits something to do."""
        for worker in self._workers:
            if worker.is_ready and worker.task is None and (task := self._next_task()) is not None:
                call = task.call
                try:
                    packed = ForkingPickler.dumps((call.limits, call.function, call.shared, task.item))
                except Exception as error:  # pickling calls what it pickles, so anything may come
                    call.events.append((task, error))
                    continue
                try:
                    worker.pipe.send_bytes(packed)
                    worker.task, task.begun_at = task, time.monotonic()
                except OSError:  # it died as it waited, which is no fault of the item's; the pipe will tell
                    self._waiting.appendleft(task)

    def _next_task(self) -> _Task | None:
        """The next one that may begin; those before it are answered for."""
        while self._waiting:
            task = self._waiting.popleft()
            budget = task.call.budget
            if budget is None or task.call.spent_s[task.owner] < budget.seconds:
                return task
            task.call.events.append((task, Loss(because(Reason.BUDGET_SPENT, most_s=budget.seconds))))
        return None

    def _listen(self) -> None:
        """Wait until a worker is ready, answers or dies."""
        pipes = {worker.pipe: worker for worker in self._workers}
        for pipe in wait(list(pipes)):
            worker = pipes[pipe]  # type: ignore[index] # the stubs know sockets and handles too
            try:
                answer = worker.pipe.recv_bytes()
            except (EOFError, OSError):  # with or without half an answer
                self._replace(worker)
                continue
            task, worker.task = worker.task, None
            if task is not None:
                task.has_ended()
                task.call.events.append((task, answer))
            elif answer == READY:
                worker.is_ready, self._n_failed_starts = True, 0
            else:
                error, _ = _opened(answer)
                raise error or WorkerLost("A worker process answered before it was asked.")
        # Answers are unpickled later: workers must not wait for that.
        self._feed()

    def _replace(self, worker: _Worker) -> None:
        worker.process.kill()  # if it closed the pipe and lives on; otherwise how it ends is settled before
        exit_code = worker.process.wait()
        worker.pipe.close()
        self._workers.remove(worker)
        task = worker.task
        if exit_code is None:  # it ended with the seed, which is no fault of the item's
            if task is not None:
                self._waiting.appendleft(task)
            self._start_one()
            return
        if not worker.is_ready:
            self._n_failed_starts += 1
            if self._n_failed_starts > _MOST_FAILED_STARTS:
                raise WorkerLost(f"Worker processes end before they are ready ({ending(exit_code)}).")
        self._start_one()
        if task is not None:
            task.has_ended()
            task.call.events.append((task, _loss(exit_code, task.call.limits)))


def _loss(exit_code: int, limits: Limits) -> Loss:
    mb = limits.item_mb
    memory = because(Reason.MEMORY_OVER_ALL) if mb is None else because(Reason.MEMORY_OVER_LIMIT, most_mb=mb)
    if exit_code == -signal.SIGALRM and limits.item_s is not None:
        return Loss(because(Reason.TOOK_TOO_LONG, most_s=limits.item_s))
    if exit_code == EXIT_OUT_OF_MEMORY:
        return Loss(because(Reason.OUT_OF_MEMORY, memory=memory))
    if exit_code == -signal.SIGKILL:
        return Loss(because(Reason.KILLED, ending=ending(exit_code), memory=memory))
    is_abort = exit_code == -signal.SIGABRT and mb is not None
    return Loss(because(Reason.DIED, ending=ending(exit_code), memory=memory if is_abort else ""))


def _opened(answer: bytes) -> tuple[BaseException | None, Any]:
    """What a worker's function raised, or its result."""
    error, traceback, result = ForkingPickler.loads(answer)
    if error is not None:
        error.add_note(f"In a worker process:\n{traceback}")
    return error, result
