"""Of fewer people than a study allows nothing is handed on, nor what it could be computed back from."""

from __future__ import annotations

from itertools import product

import polars as pl
import pytest

from pipeline.study.cohort import Flow, Step, in_words
from pipeline.study.conduct import conduct
from pipeline.study.register import Registered
from pipeline.study.released import exposure_of, released_data
from pipeline.study.report import report
from pipeline.study.results import Statistic, results
from pipeline.study.small_cells import shared_groups, suppress_in_flow, suppress_in_results, suppress_small_cells
from pipeline.study.study_reader import read_study
from tests.support.demo_store import Refreshed

LEAST = 3
GROUPS = ("kind", "surface", "device")


def runs(*groups: tuple[int, str | None, str | None, str | None]) -> pl.DataFrame:
    """A run each of so many athletes of their own, with kind, surface and device."""
    rows = [
        (f"{place}.{number}", *description) for place, (n, *description) in enumerate(groups) for number in range(n)
    ]
    schema = dict.fromkeys(("athlete_id", *GROUPS), pl.String)
    return pl.DataFrame(rows, schema=schema, orient="row").with_columns(run_id="athlete_id")


def released(*groups: tuple[int, str | None, str | None, str | None], least: int = LEAST) -> dict[tuple, int]:
    """How many athletes are told of by kind, surface and device."""
    shared = shared_groups(runs(*groups), least)
    return {row[:3]: row[3] for row in shared.group_by(*GROUPS).agg(pl.col("athlete_id").n_unique()).iter_rows()}


# --- Kind, surface, device -------------------------------------------------------------------------------------------


def test_exactly_as_many_athletes_as_are_asked_for_are_told_apart_and_one_fewer_are_not():
    assert released((3, "race", "road", "blue"), (3, "race", "road", "red")) == {
        ("race", "road", "blue"): 3, ("race", "road", "red"): 3,
    }  # fmt: skip
    assert released((3, "race", "road", "blue"), (4, "race", "road", "red"), (2, "test", "road", "red")) == {
        ("race", "road", "red"): 4, (None, None, None): 5,
    }  # fmt: skip


def test_device_is_given_up_before_surface_and_surface_before_kind():
    assert released((2, "race", "road", "blue"), (2, "race", "road", "red"), (5, "test", "sand", "red")) == {
        ("race", "road", None): 4, ("test", "sand", "red"): 5,
    }  # fmt: skip
    assert released((2, "race", "road", "blue"), (2, "race", "sand", "blue"), (5, "test", "road", "red")) == {
        ("race", None, None): 4, ("test", "road", "red"): 5,
    }  # fmt: skip


def test_a_single_group_left_out_is_joined_by_the_next_smallest_so_that_it_is_not_known_by_what_it_is_not():
    assert released((1, "race", "trail", "blue"), (5, "training", "road", "red"), (4, "test", "sand", "green")) == {
        ("training", "road", "red"): 5, (None, None, None): 5,
    }  # fmt: skip


def test_of_everybody_together_too_few_nothing_is_told():
    assert released((1, "race", "road", "blue"), (1, "test", "road", "blue")) == {(None, None, None): 2}


def test_with_a_least_of_one_everything_is_told():
    assert released((1, "race", "trail", "blue"), (1, None, "road", None), least=1) == {
        ("race", "trail", "blue"): 1, (None, "road", None): 1,
    }  # fmt: skip


@pytest.mark.parametrize("seed", range(20))
def test_every_table_over_any_of_the_three_has_cells_of_enough_athletes_alone(seed: int):
    words = list(product(("race", "training", None), ("road", "sand", "trail", None), ("blue", "red", "green", None)))
    drawn = pl.DataFrame({"place": range(len(words))}).sample(40, with_replacement=True, seed=seed)["place"]
    rows = pl.DataFrame(
        [(f"{number % 17}", *words[place]) for number, place in enumerate(drawn)],
        schema=dict.fromkeys(("athlete_id", *GROUPS), pl.String), orient="row",
    )  # fmt: skip
    shared = shared_groups(rows, LEAST)
    for columns in (GROUPS, *product(GROUPS, GROUPS), *((column,) for column in GROUPS)):
        counts = shared.group_by(*set(columns)).agg(pl.col("athlete_id").n_unique())["athlete_id"]
        assert counts.to_numpy().min() >= LEAST, columns
    assert shared_groups(shared, LEAST).equals(shared)


# --- The cohort's way ------------------------------------------------------------------------------------------------


def flow(*steps: tuple[int, int, int]) -> Flow:
    """A way with steps of runs, athletes lost, athletes touched."""
    return Flow(100, 20, tuple(Step(f"step {n}", *step) for n, step in enumerate(steps)), runs((9, None, None, None)))


def counts(of: Flow) -> tuple[object, ...]:
    return of.n_runs, of.n_athletes, [(step.n_runs, step.n_athletes) for step in of.steps]


@pytest.mark.parametrize(
    ("step", "left"),
    [
        ((12, 3, 3), (100, 20, [(12, 3)])),
        ((12, 2, 3), (100, None, [(12, None)])),
        ((12, 0, 3), (100, 20, [(12, 0)])),
        ((12, 2, 2), (None, None, [(None, None)])),
        ((12, 0, 2), (None, 20, [(None, 0)])),
        ((0, 0, 0), (100, 20, [(0, 0)])),
    ],
    ids=str,
)
def test_a_step_of_few_athletes_is_not_told_nor_the_total_that_it_follows_from(step: tuple, left: tuple):
    assert counts(suppress_in_flow(flow(step), LEAST)) == left


def test_the_other_steps_are_told_as_they_are():
    assert counts(suppress_in_flow(flow((40, 6, 9), (2, 1, 1)), LEAST)) == (None, None, [(40, 6), (None, None)])


def test_the_sentence_of_a_guarded_way_has_no_number_that_the_small_one_follows_from():
    said = in_words(suppress_in_flow(flow((40, 6, 9), (2, 1, 1)), LEAST))
    assert said == "9 runs of 9 athletes are included. Left out: 40 step 0; some step 1."


# --- Results ---------------------------------------------------------------------------------------------------------

NUMBERS = ("estimate", "low", "high", "p_value", "p_corrected", "n_athletes", "n_runs")


def results_of(n_athletes: int | None, p_value: float = 0.01) -> pl.DataFrame:
    method = "signs, all patterns counted (exact)"
    row = Statistic("a", "paired_windows", "cadence_spm", "change_pct", 1.5, 1.0, 2.0, 0.95, p_value, True, n_athletes,
                    7, method=method, note=f"{n_athletes} athletes")  # fmt: skip
    return results([row], "holm")


def test_a_number_of_few_people_is_left_out_with_everything_that_tells_it():
    [row] = suppress_in_results(results_of(2), [True], LEAST).to_dicts()
    assert {row[name] for name in NUMBERS} == {None}
    assert (row["note"], row["method"]) == (
        "not published: a number of fewer than 3 people is in it, or follows from it",
        "signs, all patterns counted (exact)",
    )  # fmt: skip
    assert suppress_in_results(results_of(3), [False], LEAST).equals(results_of(3))


@pytest.mark.parametrize(("p_value", "side"), [(0.0499, "p below 0.05"), (0.05, "p 0.05 or above")])
def test_of_a_test_of_counts_it_is_told_on_which_side_its_p_lies(p_value: float, side: str):
    [row] = suppress_in_results(results_of(None, p_value), [True], LEAST).to_dicts()
    assert (row["note"], row["p_value"]) == (
        f"not published: a number of fewer than 3 people is in it, or follows from it; {side}",
        None,
    )


# --- A whole study ---------------------------------------------------------------------------------------------------

STUDY = """
title = "A"
question = "B"
least_cell = {least}
[cohort]
kinds = ["race"]
[[analysis]]
name = "quarters"
design = "paired_windows"
metrics = ["contact_time_ms"]
windows = "quarters"
[[published]]
analysis = "quarters"
metric = "contact_time_ms"
statistic = "change_pct"
value = 13.1
source = "a paper"
read_as = "seen"
"""


@pytest.mark.parametrize(("least", "is_told"), [(8, True), (9, False)])
def test_a_study_of_eight_is_told_at_eight_and_not_at_nine(least: int, is_told: bool, demo: Refreshed):
    whole = conduct(read_study(STUDY.format(least=least), name="study.toml"), demo.store, with_power=True)
    safe = suppress_small_cells(whole)
    assert safe.power is not None
    assert (safe.results["estimate"].null_count() == 0) is is_told
    assert (safe.comparison["ours"][0] is not None) is is_told
    assert (len(safe.figures), safe.power.height > 0) == ((1, True) if is_told else (0, False))
    said = report(safe, Registered("2031-01-01T00:00:00+00:00", 0, 1), exposure_of(safe, released_data(safe)))
    assert ("distance of a run, median (quartiles) [km]" in said) is is_told
    # Eight of ten athletes raced: two more would follow from the store's total.
    assert f"fewer than {least}" in said
    assert "111 runs" not in said
    assert whole.flow.n_athletes == 10


def test_no_range_is_told_whatever_the_least(demo: Refreshed):
    whole = conduct(read_study(STUDY.format(least=1), name="study.toml"), demo.store)
    safe = suppress_small_cells(whole)
    said = report(safe, Registered("2031-01-01T00:00:00+00:00", 0, 1), exposure_of(safe, released_data(safe)))
    assert "(range)" not in said
    assert "The store holds 111 runs of 10 athletes" in said
