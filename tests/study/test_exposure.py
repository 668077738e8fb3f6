"""Readers with lists of results: whom they would find in what a study releases, and whom they found before."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.study.conduct import conduct
from pipeline.study.exposure import Exposure, cautions, exposure, found, released_lengths, reveals_speed
from pipeline.study.material import Material
from pipeline.study.released import exposure_of, released_data
from pipeline.study.small_cells import suppress_small_cells
from pipeline.study.study_file import Analysis
from pipeline.study.study_reader import read_study
from tests.support.cohorts import cohort_of
from tests.support.demo_store import Refreshed

COLUMNS = ("athlete_id", "run_id", "length", "moving_s")


# --- How a reader looks ----------------------------------------------------------------------------------------------


def runs(*rows: tuple[str, float, float]) -> pl.DataFrame:
    numbered = [(athlete, f"{athlete}-{place}", *row) for place, (athlete, *row) in enumerate(rows)]
    return pl.DataFrame(numbered, schema=COLUMNS, orient="row")


def test_a_time_that_no_other_has_names_a_person_and_one_that_another_has_does_not():
    three = runs(("ari", 10.0, 2400.0), ("bo", 10.0, 2405.0), ("cy", 10.0, 2700.0))
    assert found(three, three, within=1e-9) == (3, 3)
    assert found(three, three, within=10 / 2400) == (1, 1)
    assert found(three, three, within=None) == (0, 0)


def test_a_length_that_no_other_ran_names_a_person():
    one_far = runs(("ari", 30.0, 0.0), ("bo", 10.0, 0.0), ("cy", 10.0, 0.0))
    assert found(one_far, one_far, within=None) == (1, 1)


def test_two_lists_name_who_alone_ran_both():
    both = runs(("ari", 10.0, 0.0), ("ari", 20.0, 0.0), ("bo", 10.0, 0.0), ("cy", 20.0, 0.0))
    assert found(both, both, within=None) == (0, 1)


def test_two_races_of_one_length_need_two_runs_of_it():
    twice = runs(("ari", 10.0, 0.0), ("ari", 10.0, 0.0), ("bo", 10.0, 0.0))
    assert found(twice, twice, within=None) == (0, 1)


@pytest.mark.parametrize("within", [None, 10 / 3600, 0.02, 0.05])
def test_whoever_is_found_is_found_by_comparing_every_race_with_every_run(within: float | None):
    random = np.random.default_rng(2)
    lengths, times = random.choice([5.0, 10.0], 60), random.uniform(1200, 1500, 60)
    everyone = runs(
        *((f"a{who % 20:02}", float(km), float(s)) for who, (km, s) in enumerate(zip(lengths, times, strict=True)))
    )
    rows = everyone.rows()
    by_one = {
        of
        for of, _, length, took in rows
        if {who for who, _, km, s in rows if km == length and (within is None or abs(s - took) <= within * took)}
        == {of}
    }
    assert found(everyone, everyone, within=within)[0] == len(by_one)


def test_what_whoever_passes_a_release_on_has_to_know_is_said_in_sentences():
    safe = Exposure(100, 2, 5, reveals_speed=False, reveals_mass=False)
    assert cautions(safe, 3) == []
    told = cautions(Exposure(100, 2, 6, reveals_speed=True, reveals_mass=True, n_by_factors=4), 3)
    assert [next(word for word in ("list of names", "Groups", "Step length", "Stiffness") if word in one)
            for one in told] == ["list of names", "Groups", "Step length", "Stiffness"]  # fmt: skip
    assert "fewer than 3 athletes for 4 of them" in told[1]


@pytest.mark.parametrize(
    ("metrics", "is_revealed"),
    [
        (["step_length_m", "cadence_spm"], True),
        (["step_length_m", "contact_time_ms", "flight_time_ms"], True),
        (["step_length_m", "contact_time_ms"], False),
        (["cadence_spm", "contact_time_ms", "duty_factor"], False),
    ],
)
def test_speed_is_step_length_times_cadence_or_what_gives_it(metrics: list[str], is_revealed: bool):
    assert reveals_speed(metrics) is is_revealed


# --- Whom they find --------------------------------------------------------------------------------------------------


@cache
def large_club() -> tuple[Material, pl.DataFrame]:
    """Two hundred athletes, each with races of 10 and 21 km and six training runs; their runs, two thirds as races."""
    random = np.random.default_rng(7)
    speed = 3.2 * np.exp(0.12 * random.standard_normal((200, 1)) + 0.04 * random.standard_normal((200, 8)))
    km = np.column_stack([np.full(200, 10), np.full(200, 21), random.integers(5, 31, (200, 6))])
    material = cohort_of(
        lambda athlete, _run, at: 240.0 + athlete / 10 + at / 10, n_athletes=200, n_runs=8,
        km=lambda athlete, run: int(km[athlete, run]), least_cell=3,
    )  # fmt: skip
    about = [
        (
            f"a{athlete:02}-{run}",
            float(1000 * km[athlete, run] / speed[athlete, run]),
            "race" if run < 2 else "training",
        )
        for athlete, run in np.ndindex(200, 8)
    ]
    times = pl.DataFrame(about, schema=["run_id", "moving_s", "kind"], orient="row")
    return material, material.runs.drop("kind").join(times, on="run_id")


def test_of_two_hundred_total_times_name_nearly_all_and_what_is_released_names_no_one():
    material, all_runs = large_club()
    timed = all_runs.with_columns(length="distance_km")
    races = timed.filter(pl.col("kind") == "race")
    # By their durations, which used to be released.
    assert found(timed, races, within=1 / 3600) == (178, 200)
    assert found(timed, races, within=10 / 3600) == (33, 172)
    line = Analysis("line", "trend", ("contact_time_ms",), adjust=())
    rows = {"splits": material.values(line).rename({"run_id": "run"})}
    exposed = exposure(all_runs, released_lengths(rows), measured={"contact_time_ms"})
    assert (exposed.n_athletes, exposed.n_by_one_list, exposed.n_by_two_lists, exposed.is_safe) == (200, 0, 0, True)


SHIPPED = Path(__file__).parents[2] / "data" / "studies" / "demo"
WHOLE_CLUB = """
title = "Whole club"
question = "Does cadence change?"
[[analysis]]
design = "trend"
metrics = ["cadence_spm", "contact_time_ms"]
"""


@pytest.mark.parametrize(
    ("stated", "found_by_lists", "speed_follows"),
    [
        (SHIPPED / "contact-time-marathon.toml", (0, 0), False),
        (SHIPPED / "cadence-ultra.toml", (0, 0), False),
        (WHOLE_CLUB, (0, 0), False),
        # Step length and cadence give speed away, at the athlete's usual speed or as it was; the report says so.
        (SHIPPED / "repeatability-of-slopes.toml", (0, 0), True),
        (SHIPPED / "time-trial-5km.toml", (3, 5), True),
    ],
    ids=["marathon", "ultra", "whole club", "repeatability", "time trial"],
)
def test_in_studies_of_the_demo_club_no_one_is_found_but_where_speed_follows(
    stated: Path | str, found_by_lists: tuple[int, int], speed_follows: bool, demo: Refreshed
):
    text = stated.read_text(encoding="utf-8") if isinstance(stated, Path) else stated
    result = suppress_small_cells(conduct(read_study(text, name="study.toml"), demo.store))
    exposed = exposure_of(result, released_data(result))
    assert (exposed.n_athletes, exposed.n_by_one_list, exposed.n_by_two_lists) == (8, *found_by_lists)
    assert (exposed.is_safe, exposed.reveals_speed) == (found_by_lists == (0, 0), speed_follows)
