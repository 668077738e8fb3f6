"""The adjustment of p-values, divided and undivided, against an independent implementation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import false_discovery_control

from pipeline.methods.corrected_p import adjusted, steps_of


def drawn(n: int, seed: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """P-values of which a third are small, with ties."""
    draws = np.random.default_rng(seed)
    return np.round(np.where(draws.random(n) < 0.3, draws.random(n) ** 4, draws.random(n)), 3)


@pytest.mark.parametrize("n", [1, 2, 7, 500])
@pytest.mark.parametrize("seed", range(5))
def test_it_is_the_adjustment_of_an_independent_library(n: int, seed: int):
    p_values = drawn(n, seed)
    assert adjusted(p_values, steps_of(p_values)) == pytest.approx(false_discovery_control(p_values), rel=1e-12)


@pytest.mark.parametrize("n_parts", [2, 5, 40])
def test_divided_in_any_way_it_is_the_same_to_the_bit(n_parts: int):
    p_values = drawn(400, 9)
    steps = steps_of(np.concatenate([np.sort(part) for part in np.array_split(p_values[::-1], n_parts)]))
    parts = [adjusted(part, steps) for part in np.array_split(p_values, n_parts)]
    assert np.concatenate(parts).tolist() == adjusted(p_values, steps_of(p_values)).tolist()


def test_the_steps_are_few_where_many_p_values_share_one_value():
    p_values = np.linspace(0.01, 1.0, 1000)
    at, values = steps_of(p_values)
    assert len(at) < 20
    assert values[-1] == 1.0


def test_of_none_there_is_none():
    assert adjusted(np.array([]), steps_of(np.array([]))).tolist() == []
