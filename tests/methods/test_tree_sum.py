"""Sums over athletes in a tree: the same to the last bit, however the athletes are divided and in whatever order."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.core.arrays import Array
from pipeline.methods.tree_sum import digest_of, tree_sum

NAMES = [f"athlete-{number:04d}" for number in range(700)]
DRAWS = np.random.default_rng(7)
VALUES = DRAWS.normal(size=(700, 3)) * 10.0 ** DRAWS.integers(-8, 9, size=(700, 3))


def in_sections(of: int) -> Array:
    """The sum of sections, each pair of which is added on the way up."""
    places = [[place for place, name in enumerate(NAMES) if digest_of(name) % of == number] for number in range(of)]
    sums = [tree_sum(VALUES[own], [NAMES[place] for place in own]) for own in places]
    while len(sums) > 1:
        half = len(sums) // 2
        sums = [sums[number] + sums[number + half] for number in range(half)]
    return sums[0]


@pytest.mark.parametrize("of", [1, 2, 8, 64])
def test_the_sums_of_sections_add_up_to_the_last_bit(of: int):
    assert in_sections(of).tolist() == tree_sum(VALUES, NAMES).tolist()


def test_the_order_does_not_matter_as_it_does_for_a_plain_sum():
    order = DRAWS.permutation(len(NAMES))
    assert tree_sum(VALUES[order], [NAMES[place] for place in order]).tolist() == tree_sum(VALUES, NAMES).tolist()
    assert VALUES[order].sum(axis=0).tolist() != VALUES.sum(axis=0).tolist()


def test_it_is_the_sum():
    whole_numbers = np.arange(700.0)[:, None]
    assert tree_sum(whole_numbers, NAMES).tolist() == [699 * 700 / 2]
    assert tree_sum(VALUES[:1], NAMES[:1]).tolist() == VALUES[0].tolist()


def test_names_with_the_same_digest_are_both_counted():
    assert digest_of("plumless") == digest_of("buckeroo")
    assert tree_sum(np.array([[1.0], [2.0]]), ["buckeroo", "plumless"]).tolist() == [3.0]
