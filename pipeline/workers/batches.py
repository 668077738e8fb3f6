"""Batches: few tasks, since submitting each takes time, but the last ones no longer than what the others still do."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeVar

T = TypeVar("T")


@dataclass(frozen=True)
class BatchSize:
    """What a batch may weigh at first, and what it need not be less than."""

    most: int
    least: int


def batches(
    items: Sequence[T], size: BatchSize, n_workers: int, *, weight: Callable[[T], int] = lambda _: 1
) -> Iterator[list[T]]:
    """Batches of items in their order, the smaller the less is left.

    Args:
        size: what a batch may weigh: at first `most`, then half of what each worker would have to do of all that is
            left, but not less than `least`. What weighs more by itself is a batch of its own.
    """
    left = sum(map(weight, items))
    batch: list[T] = []
    weighs = 0
    for item in items:
        weight_of_item, room = weight(item), min(size.most, max(size.least, left // (2 * n_workers)))
        if batch and weighs + weight_of_item > room:
            yield batch
            batch, left, weighs = [], left - weighs, 0
        batch.append(item)
        weighs += weight_of_item
    if batch:
        yield batch
