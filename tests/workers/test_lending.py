"""Lent workers: each thread has its own for so long, none is started while one waits, none waits for ever."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator

import pytest

from pipeline.workers import lending
from pipeline.workers.lending import end_waiting_workers, lent_worker
from tests.support.worker_deeds import SECOND, described, running, work


@pytest.fixture(autouse=True)
def none_waiting(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """No worker is left of a test before, and nobody looks after those."""
    monkeypatch.setattr(lending, "_waiting", lending._Waiting())
    yield
    end_waiting_workers()


def pid(_shared: None, _item: object) -> int:
    return os.getpid()


def pid_of_a_lent_worker() -> int:
    with lent_worker() as mapper:
        return next(mapper(pid, None, [1]))


def test_a_worker_that_waits_is_lent_again():
    before = running()
    assert pid_of_a_lent_worker() == pid_of_a_lent_worker()
    assert len(running() - before) == 1
    end_waiting_workers()
    assert running() == before


def test_threads_that_want_one_at_the_same_time_get_one_each():
    told: list[int] = []
    both = threading.Barrier(2)

    def take() -> None:
        with lent_worker() as mapper:
            told.extend(mapper(pid, None, [1]))
            both.wait(60)

    threads = [threading.Thread(target=take) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(set(told)) == 2


def test_what_is_done_in_it_is_held_to_limits_and_the_worker_that_replaces_it_is_lent_on():
    with lent_worker() as mapper:
        told = list(mapper(work, "", [1, "sleeps", 2, "leaves", 3], lost=described, limits=SECOND))
    lost = ["sleeps: it took longer than 1 s", "leaves: it ended its process (exit code 3)"]
    assert told == ["1", lost[0], "2", lost[1], "3"]
    assert pid_of_a_lent_worker() == pid_of_a_lent_worker()


def raise_in_a_lent_worker() -> None:
    with lent_worker() as mapper:
        list(mapper(work, "", ["raises"]))


def leave_a_lent_worker_at_work() -> None:
    with lent_worker() as mapper:
        next(mapper(work, "", [1, "sleeps"]))


def test_a_worker_that_was_left_at_work_or_over_an_error_is_not_lent_on():
    before = running()
    with pytest.raises(ValueError, match="of all numbers"):
        raise_in_a_lent_worker()
    leave_a_lent_worker_at_work()
    assert running() == before


def test_a_worker_that_nobody_wants_for_long_is_ended(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("pipeline.workers.lending.IDLE_S", 0.3)
    before = running()
    first = pid_of_a_lent_worker()
    until = time.monotonic() + 60
    while running() != before and time.monotonic() < until:
        time.sleep(0.05)
    assert running() == before
    assert pid_of_a_lent_worker() != first
