"""Batches: each item once, in order, and the last batches no longer than what others then still have to do."""

from __future__ import annotations

from itertools import chain

import pytest

from pipeline.workers.batches import BatchSize, batches


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
    divided = list(batches(range(n_items), BatchSize(most=64, least=8), n_workers))
    assert [len(batch) for batch in divided] == sizes
    assert list(chain.from_iterable(divided)) == list(range(n_items))


def test_what_weighs_more_than_a_batch_may_is_a_batch_of_its_own() -> None:
    weights = [5, 5, 200, 5, 60, 5, 3, 1]
    divided = batches(weights, BatchSize(most=64, least=8), 2, weight=lambda one: one)
    assert list(divided) == [[5, 5], [200], [5], [60], [5, 3], [1]]
