"""From which kilometre, over all runs and in a single one: found where a line breaks, not where it is straight."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.methods.mixed_model import DISTANCE, VALUE, Design, Fit, fit
from pipeline.methods.onset import (
    BETTER_THAN_CURVE,
    FEWEST_SPLITS_OF_RUN,
    FEWEST_UNITS,
    SPLITS_ASIDE_IN_RUN,
    STEP,
    Onset,
    _tail,
    draws_of_units,
    onset,
    run_onsets,
)

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
    for number in range(n_runs):
        distance = (np.arange(1, n_km) + 0.5) / 10
        speed = draw.normal(0, 0.03, len(distance))
        errors = draw.normal(0, error, len(distance))
        for k in range(1, len(distance)):
            errors[k] = rho * errors[k - 1] + np.sqrt(1 - rho**2) * errors[k]
        value = 5.5 - 0.6 * speed + (drift + draw.normal(0, 0.005)) * distance + bend * np.maximum(distance - at, 0)
        columns.append(np.column_stack([value + errors, distance, speed]))
        run += [number] * len(distance)
        gap += [np.nan] + [1.0] * (len(distance) - 1)
    return Design(np.vstack(columns), np.array(run), list(map(str, range(n_runs))), np.array(gap), np.ones(len(run)))


LEVEL = 0.02
#: `runs` leaves out the first kilometre, as the warm-up does.
LONG_ENOUGH = FEWEST_SPLITS_OF_RUN + 1


def of_runs(fitted: Fit, *, seed: int) -> list[Onset | None]:
    """Those of the one metric of a fit."""
    (onsets,) = run_onsets(fitted.of_metrics(None), seed=seed)
    return onsets


def in_runs(design: Design, *, seed: int = 1) -> list[Onset | None]:
    return of_runs(fit(design, (SPEED,)), seed=seed)


def given(onsets: list[Onset | None]) -> list[Onset]:
    return [hinge for hinge in onsets if hinge is not None and hinge.is_given(LEVEL)]


def best_onset(design: Design, *, seed: int = 1) -> Onset | None:
    return onset(fit(design, (SPEED,)), seed=seed)


@pytest.mark.parametrize("bend", [0.06, -0.06])
def test_a_break_is_found_where_it_lies_whatever_its_sign(bend: float) -> None:
    hinge = best_onset(runs(bend=bend, at=1.05, error=0.002))
    assert hinge is not None
    assert hinge.distance == pytest.approx(1.05, abs=2 * STEP)
    assert hinge.before == pytest.approx(0.0, abs=0.01)
    assert hinge.after == pytest.approx(bend, abs=0.01)
    assert hinge.p_value == 0.001


def test_its_interval_holds_it() -> None:
    hinge = best_onset(runs(bend=0.05))
    assert hinge is not None
    assert hinge.low <= 1.0 <= hinge.high
    assert hinge.high - hinge.low < 0.8


@pytest.mark.parametrize(("drift", "rho"), [(0.0, 0.0), (0.0, 0.8), (0.04, 0.5)])
def test_a_straight_line_has_one_as_rarely_as_stated(drift: float, rho: float) -> None:
    p_values = [best_onset(runs(bend=0.0, drift=drift, rho=rho, seed=seed)).p_value for seed in range(60)]  # type: ignore[union-attr]
    # At 5 % of 60, ten or more would happen in 1 of 1,000 such tests.
    assert sum(p_value <= 0.05 for p_value in p_values) < 10
    assert np.mean(p_values) > 0.35


def test_an_early_change_that_fades_out_becomes_flatter_not_steeper() -> None:
    hinge = best_onset(runs(bend=-0.06, drift=0.06, error=0.003))
    assert hinge is not None
    assert hinge.p_value < 0.02
    assert abs(hinge.after) < abs(hinge.before)


def test_the_same_runs_give_the_same_answer_and_other_draws_nearly_the_same() -> None:
    design = runs(bend=0.05)
    assert best_onset(design, seed=1) == best_onset(design, seed=1)
    first, second = best_onset(design, seed=1), best_onset(design, seed=2)
    assert first is not None
    assert second is not None
    assert first.distance == second.distance
    assert first.low == pytest.approx(second.low, abs=0.15)


def test_with_one_run_less_than_needed_there_is_none() -> None:
    assert best_onset(runs(bend=0.06, n_runs=FEWEST_UNITS)) is not None
    assert best_onset(runs(bend=0.06, n_runs=FEWEST_UNITS - 1)) is None


def test_runs_too_short_for_three_splits_on_either_side_have_none() -> None:
    assert best_onset(runs(bend=0.0, n_km=7)) is not None
    assert best_onset(runs(bend=0.0, n_km=6)) is None


def test_a_level_or_a_drift_of_a_single_run_makes_no_break() -> None:
    design = runs(bend=0.05)
    moved = replace(design, columns=design.columns.copy())
    of_third = moved.run == 2
    moved.columns[of_third, VALUE] += 0.3
    before, after = best_onset(design), best_onset(moved)
    assert before is not None
    assert after is not None
    assert after.distance == before.distance
    assert after.after == pytest.approx(before.after, abs=1e-9)
    assert DISTANCE == 1


def test_of_few_units_every_pattern_of_signs_counts_once_and_of_many_a_thousand_drawn_ones():
    for n_units, n_patterns in ((7, 64), (10, 512)):
        signs, counts = draws_of_units(n_units, 1)
        assert len(np.unique(signs, axis=0)) == len(signs) == n_patterns
        assert set(signs[0]) == set(signs[:, 0]) == {1.0}
        assert counts.shape == (999, n_units)
    signs, _ = draws_of_units(11, 1)
    assert signs.shape == (1000, 11)
    assert set(signs[0]) == {1.0}


def curved(*, by: float = 0.04, n_runs: int = 12, n_km: int = 30, seed: int = 1) -> Design:
    """Runs along a parabola, which has no place where it begins."""
    design = runs(bend=0.0, n_runs=n_runs, n_km=n_km, seed=seed)
    columns = design.columns.copy()
    columns[:, VALUE] += by * columns[:, DISTANCE] ** 2
    return replace(design, columns=columns)


def test_a_smooth_curve_is_bent_and_has_no_place():
    for seed in range(6):
        hinge = best_onset(curved(seed=seed))
        assert hinge is not None
        assert hinge.is_bent(LEVEL)
        assert hinge.better_than_curve < BETTER_THAN_CURVE
        assert not hinge.is_given(LEVEL)


def test_most_breaks_do_better_than_a_curve():
    onsets = [best_onset(runs(bend=0.08, seed=seed)) for seed in range(20)]
    assert sum(hinge is not None and hinge.is_given(LEVEL) for hinge in onsets) >= 16


def test_smooth_curves_of_single_runs_have_no_place():
    onsets = in_runs(curved(by=0.03, n_km=42, n_runs=20))
    assert sum(hinge is not None and hinge.is_bent(LEVEL) for hinge in onsets) >= 10
    assert len(given(onsets)) <= 1


def test_the_fewer_units_the_further_out_lie_the_ends_of_the_interval():
    # t(6, 0.975) = 2.4469, times the root of 7 / 6: 2.643, beyond which the normal distribution has 0.41 %.
    assert _tail(7) == pytest.approx(0.00411, abs=1e-5)
    assert _tail(12) == pytest.approx(0.01075, abs=1e-5)
    assert _tail(10_000) == pytest.approx(0.025, abs=1e-4)


@pytest.mark.slow
@pytest.mark.parametrize(("bend", "n_runs", "at"), [(0.08, 12, 1.02), (0.05, 12, 1.02), (0.08, 7, 1.02)])
def test_intervals_hold_the_place_of_a_break(bend: float, n_runs: int, at: float):
    onsets = [best_onset(runs(bend=bend, at=at, n_runs=n_runs, seed=seed)) for seed in range(100)]
    bent = [hinge for hinge in onsets if hinge is not None and hinge.is_bent(LEVEL)]
    assert len(bent) >= 90
    # At 93 % of 100 fewer than 87 would happen in 1 of 100 such tests.
    assert sum(hinge.low - 1e-9 <= at <= hinge.high + 1e-9 for hinge in bent) >= 0.87 * len(bent)


@pytest.mark.slow
@pytest.mark.parametrize("rho", [0.0, 0.8])
def test_half_marathons_along_a_straight_line_have_an_onset_as_rarely_as_stated(rho: float):
    """Twenty splits past the warm-up: blocks of two or three."""
    onsets = [hinge for seed in range(10) for hinge in in_runs(runs(bend=0.0, rho=rho, n_runs=20, n_km=21, seed=seed))]
    assert len(onsets) == 200
    assert all(onsets)
    # At 2 % of 200, ten or more would happen in 1 of 130 such tests.
    assert len(given(onsets)) < 10


# --- In a single run -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("bend", [0.06, -0.06])
def test_the_break_of_each_run_is_found_where_it_lies_whatever_its_sign(bend: float):
    onsets = in_runs(runs(bend=bend, at=2.5, error=0.001, n_runs=4, n_km=42))
    assert len(given(onsets)) == 4
    for hinge in given(onsets):
        assert hinge.distance == pytest.approx(2.5, abs=2 * STEP)
        # Each run has a slope of its own, of about half a percent, beside the bend.
        assert hinge.after - hinge.before == pytest.approx(bend, abs=0.01)
        assert abs(hinge.before) < 0.02
        assert hinge.p_value == 0.001


def test_each_run_has_a_break_of_its_own_in_the_order_of_the_runs():
    early, late = runs(bend=0.06, at=1.2, error=0.001, n_km=42), runs(bend=0.06, at=3.0, error=0.001, n_km=42)
    is_late = early.run % 2 == 1
    mixed = replace(early, columns=np.where(is_late[:, None], late.columns, early.columns))
    places = [hinge.distance for hinge in given(in_runs(mixed))]
    assert places == pytest.approx([1.2, 3.0] * 6, abs=2 * STEP)


def test_most_intervals_of_single_runs_hold_the_break_and_are_not_empty():
    onsets = given(in_runs(runs(bend=0.08, at=2.5, n_runs=20, n_km=42)))
    assert len(onsets) >= 16
    assert all(hinge.low <= hinge.distance <= hinge.high for hinge in onsets)
    assert sum(hinge.low <= 2.5 <= hinge.high for hinge in onsets) >= 0.85 * len(onsets)
    assert all(hinge.low < hinge.high for hinge in onsets)


@pytest.mark.parametrize("drift", [0.0, 0.08])
def test_a_run_along_a_straight_line_has_no_onset_however_steep(drift: float):
    onsets = in_runs(runs(bend=0.0, drift=drift, n_runs=20, n_km=42))
    assert all(onsets)
    # At 2 % of 20, four or more would happen in 1 of 1,600 such tests.
    assert len(given(onsets)) < 4


def test_a_straight_run_without_any_scatter_has_no_onset_and_rounding_makes_none():
    assert in_runs(runs(bend=0.0, drift=0.03, error=0.0, n_runs=5, n_km=30)) == [None] * 5


def test_a_change_that_fades_out_within_the_run_has_no_onset():
    onsets = in_runs(runs(bend=-0.08, drift=0.08, at=2.0, error=0.002, n_runs=4, n_km=42))
    assert all(hinge is not None and hinge.p_value <= LEVEL for hinge in onsets)
    assert given(onsets) == []


def test_an_onset_needs_the_level_exactly_and_a_line_that_becomes_steeper():
    hinge = Onset(distance=2.5, low=2.0, high=3.0, before=0.01, after=0.02, p_value=0.02)
    assert hinge.is_given(0.02)
    assert not hinge.is_given(0.0199)
    assert not replace(hinge, after=0.01).is_given(0.02)
    assert replace(hinge, before=0.01, after=-0.02).is_given(0.02)


def test_eighteen_splits_are_long_enough_for_an_onset_in_a_run_and_seventeen_are_too_short():
    assert LONG_ENOUGH - 1 == 18
    onsets = in_runs(runs(bend=0.3, at=1.2, error=0.001, rho=0.0, n_runs=4, n_km=LONG_ENOUGH))
    assert len(given(onsets)) == 4
    # Of 64 patterns of seven signs one is as good: the smallest p-value there is.
    assert {hinge.p_value for hinge in given(onsets)} == {1 / 64}
    assert in_runs(runs(bend=0.3, at=1.2, error=0.001, rho=0.0, n_runs=4, n_km=LONG_ENOUGH - 1)) == [None] * 4


def test_six_splits_lie_on_either_side_of_the_onset_of_a_run():
    assert SPLITS_ASIDE_IN_RUN == 6
    for at in (0.45, 3.85):
        design = runs(bend=0.5, at=at, error=0.0001, rho=0.0, n_runs=3, n_km=42)
        distance = design.columns[design.run == 0, DISTANCE]
        for hinge in in_runs(design):
            assert hinge is not None
            assert min((distance <= hinge.distance).sum(), (distance > hinge.distance).sum()) == 6


def test_a_run_of_many_splits_too_short_to_hold_a_hinge_has_no_onset():
    design = runs(bend=0.0, n_runs=3, n_km=LONG_ENOUGH)
    columns = design.columns.copy()
    columns[:, DISTANCE] = 0.001 + columns[:, DISTANCE] / 500
    assert in_runs(replace(design, columns=columns, gap_km=design.gap_km / 500)) == [None] * 3


def test_short_runs_beside_a_long_one_have_no_onset_and_do_not_hide_its():
    long, short = runs(bend=0.06, at=2.5, error=0.003, n_runs=1, n_km=42), runs(bend=0.0, n_runs=5, n_km=5, error=0.003)
    both = Design(
        np.vstack([short.columns, long.columns]),
        np.concatenate([short.run, long.run + 5]),
        list("abcdef"),
        np.concatenate([short.gap_km, long.gap_km]),
        np.ones(len(short.run) + len(long.run)),
    )
    *of_short, of_long = in_runs(both)
    assert of_short == [None] * 5
    assert of_long is not None
    assert of_long.is_given(LEVEL)
    assert of_long.distance == pytest.approx(2.5, abs=0.3)


def test_splits_missing_in_the_middle_do_not_move_the_onset_of_a_run():
    design = runs(bend=0.08, at=2.5, error=0.001, n_runs=3, n_km=42)
    kept = (design.columns[:, DISTANCE] < 1.5) | (design.columns[:, DISTANCE] > 2.0)
    gap = design.gap_km.copy()
    gap[design.columns[:, DISTANCE].round(2) == 2.05] = 6.0
    holed = Design(design.columns[kept], design.run[kept], design.run_ids, gap[kept], design.weight[kept])
    assert [hinge.distance for hinge in given(in_runs(holed))] == pytest.approx([2.5] * 3, abs=2 * STEP)


def test_a_bad_split_at_the_end_of_a_run_makes_no_onset():
    design = runs(bend=0.0, n_runs=6, n_km=42)
    spoilt = replace(design, columns=design.columns.copy())
    spoilt.columns[np.append(design.first[1:], len(design.run)) - 1, VALUE] += 0.5
    assert given(in_runs(spoilt)) == []
    by_weight = of_runs(fit(spoilt, (SPEED,)), seed=1)
    evenly = of_runs(replace(fit(spoilt, (SPEED,)), design=spoilt), seed=1)
    for hinge, unweighted in zip(by_weight, evenly, strict=True):
        assert hinge is not None
        assert unweighted is not None
        assert abs(hinge.after - hinge.before) < 0.5 * abs(unweighted.after - unweighted.before)


def test_a_pace_that_breaks_is_no_onset_of_a_metric_that_follows_pace():
    design = runs(bend=0.0, n_runs=10, n_km=42)
    slowing = -0.1 * np.maximum(design.columns[:, DISTANCE] - 2.5, 0)
    columns = design.columns + np.column_stack([-0.6 * slowing, 0 * slowing, slowing])
    assert len(given(in_runs(replace(design, columns=columns)))) < 3
    unadjusted = of_runs(fit(replace(design, columns=columns), ()), seed=1)
    assert len(given(unadjusted)) >= 5


def test_runs_that_all_break_do_not_pass_for_errors_that_fade_slowly():
    design = runs(bend=0.06, at=2.5, rho=0.0, n_runs=12, n_km=42)
    assert fit(design, (SPEED,)).rho >= 0.5
    bent = [hinge for hinge in in_runs(design) if hinge is not None and hinge.is_bent(LEVEL)]
    assert len(bent) >= 11


def test_the_same_run_gives_the_same_onset_and_other_draws_nearly_the_same_interval():
    design = runs(bend=0.08, at=2.5, n_runs=3, n_km=42)
    assert in_runs(design, seed=1) == in_runs(design, seed=1)
    for first, second in zip(in_runs(design, seed=1), in_runs(design, seed=2), strict=True):
        assert first is not None
        assert second is not None
        assert first.distance == second.distance
        assert (first.low, first.high) == pytest.approx((second.low, second.high), abs=0.3)
