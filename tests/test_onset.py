"""From which kilometre: found where a line breaks, not where it is straight."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.methods.mixed_model import DISTANCE, VALUE, Design, fit
from pipeline.methods.onset import FEWEST_RUNS, STEP, Onset, onset

SPEED = 2


def runs(
    *,
    bend: float,
    at: float = 1.0,
    drift: float = 0.0,
    error: float = 0.01,
    rho: float = 0.5,
    n_runs: int = 12,
    n_km: int = 20,
    seed: int = 1,
) -> Design:
    """Runs whose log metric bends at a distance [10 km], with speed wandering and errors that fade."""
    draw = np.random.default_rng(seed)
    columns, run, gap = [], [], []
    for one in range(n_runs):
        distance = (np.arange(1, n_km) + 0.5) / 10
        speed = draw.normal(0, 0.03, len(distance))
        errors = draw.normal(0, error, len(distance))
        for k in range(1, len(distance)):
            errors[k] = rho * errors[k - 1] + np.sqrt(1 - rho**2) * errors[k]
        value = 5.5 - 0.6 * speed + (drift + draw.normal(0, 0.005)) * distance + bend * np.maximum(distance - at, 0)
        columns.append(np.column_stack([value + errors, distance, speed]))
        run += [one] * len(distance)
        gap += [np.nan] + [1.0] * (len(distance) - 1)
    return Design(np.vstack(columns), np.array(run), list(map(str, range(n_runs))), np.array(gap), np.ones(len(run)))


def found(design: Design, *, seed: int = 1) -> Onset | None:
    return onset(fit(design, (SPEED,)), seed=seed)


@pytest.mark.parametrize("bend", [0.06, -0.06])
def test_a_break_is_found_where_it_lies_whatever_its_sign(bend: float) -> None:
    one = found(runs(bend=bend, at=1.05, error=0.002))
    assert one is not None
    assert one.distance == pytest.approx(1.05, abs=2 * STEP)
    assert one.before == pytest.approx(0.0, abs=0.01)
    assert one.after == pytest.approx(bend, abs=0.01)
    assert one.p_value == 0.001


def test_its_interval_holds_it() -> None:
    one = found(runs(bend=0.05))
    assert one is not None
    assert one.low <= 1.0 <= one.high
    assert one.high - one.low < 0.8


@pytest.mark.parametrize(("drift", "rho"), [(0.0, 0.0), (0.0, 0.8), (0.04, 0.5)])
def test_a_straight_line_has_one_as_rarely_as_stated(drift: float, rho: float) -> None:
    p_values = [found(runs(bend=0.0, drift=drift, rho=rho, seed=seed)).p_value for seed in range(60)]  # type: ignore[union-attr]
    # At 5 % of 60, ten or more would happen in 1 of 1,000 such tests.
    assert sum(p_value <= 0.05 for p_value in p_values) < 10
    assert np.mean(p_values) > 0.35


def test_an_early_change_that_fades_out_becomes_flatter_not_steeper() -> None:
    one = found(runs(bend=-0.06, drift=0.06, error=0.003))
    assert one is not None
    assert one.p_value < 0.02
    assert abs(one.after) < abs(one.before)


def test_the_same_runs_give_the_same_answer_and_other_draws_nearly_the_same() -> None:
    design = runs(bend=0.05)
    assert found(design, seed=1) == found(design, seed=1)
    first, second = found(design, seed=1), found(design, seed=2)
    assert first is not None
    assert second is not None
    assert first.distance == second.distance
    assert first.low == pytest.approx(second.low, abs=0.15)


def test_with_one_run_less_than_needed_there_is_none() -> None:
    assert found(runs(bend=0.06, n_runs=FEWEST_RUNS)) is not None
    assert found(runs(bend=0.06, n_runs=FEWEST_RUNS - 1)) is None


def test_runs_too_short_for_three_splits_on_either_side_have_none() -> None:
    assert found(runs(bend=0.0, n_km=7)) is not None
    assert found(runs(bend=0.0, n_km=6)) is None


def test_a_level_or_a_drift_of_a_single_run_makes_no_break() -> None:
    design = runs(bend=0.05)
    moved = replace(design, columns=design.columns.copy())
    of_third = moved.run == 2
    moved.columns[of_third, VALUE] += 0.3
    before, after = found(design), found(moved)
    assert before is not None
    assert after is not None
    assert after.distance == before.distance
    assert after.after == pytest.approx(before.after, abs=1e-9)
    assert DISTANCE == 1
