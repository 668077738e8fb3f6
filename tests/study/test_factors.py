from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest

from pipeline.core.errors import NothingDone
from pipeline.study.factors import attributes, factors
from pipeline.study.study_file import Analysis

KNOWN = pl.DataFrame(
    [
        ("ari", "f", "novice", 30.0, 1.70), ("bo", "m", "trained", 40.0, 1.80), ("cy", "f", "trained", 50.0, 1.60),
        ("di", "m", "novice", 20.0, None), ("ed", "m", "trained", 35.0, 1.90),
    ],
    schema=["athlete_id", "sex", "squad", "age", "height_m"], orient="row",
)  # fmt: skip
ALL = KNOWN["athlete_id"]


def asked(**keys: object) -> Analysis:
    return Analysis("groups", "trend", ("cadence_spm",), **keys)  # type: ignore[arg-type]


def test_without_groups_and_covariates_there_is_one_column_of_ones():
    found = factors(KNOWN, asked(), ALL)
    assert found.columns.tolist() == [[1.0]] * 5
    assert [(term.kind, term.part) for term in found.terms] == [("overall", "")]


def test_a_group_has_a_column_and_covariates_are_about_their_mean():
    found = factors(KNOWN, asked(group="sex", covariates=("age",)), ALL)
    assert found.columns.tolist() == [[1, 0, -5], [0, 1, 5], [1, 0, 15], [0, 1, -15], [0, 1, 0]]
    terms = {term.part: (term.kind, term.weights.tolist(), term.n_athletes) for term in found.terms}
    assert terms == {
        "": ("overall", [0.5, 0.5, 0.0], 5),
        "sex f": ("group", [1.0, 0.0, 0.0], 2),
        "sex m": ("group", [0.0, 1.0, 0.0], 3),
        "sex m minus sex f": ("difference", [-1.0, 1.0, 0.0], 5),
        "per year of age": ("covariate", [0.0, 0.0, 1.0], 5),
    }
    assert found.smallest == 2
    assert found.sd.tolist() == [1.0, 1.0, pytest.approx(np.std([30, 40, 50, 20, 35], ddof=1))]


def test_a_number_is_split_at_its_median_or_at_the_bounds_that_are_stated():
    halves = factors(KNOWN, asked(group="age"), ALL)
    assert [term.part for term in halves.terms[1:3]] == ["age, lower half", "age, upper half"]
    assert halves.columns[:, 0].tolist() == [1, 0, 0, 1, 0]  # 35 itself is in the upper half
    stated = factors(KNOWN, asked(group="age", group_at=(35.0,)), ALL)
    assert [term.part for term in stated.terms[1:3]] == ["age below 35 year", "age from 35 year"]


def test_athletes_without_what_is_asked_are_left_out():
    found = factors(KNOWN, asked(covariates=("height_m",)), ALL)
    assert found.athletes == ["ari", "bo", "cy", "ed"]
    assert found.note == "athletes without height_m left out"
    assert found.rows_of(pl.DataFrame({"athlete_id": ["di", "bo"]})).rows() == [("bo",)]


@pytest.mark.parametrize("among", [["ari", "cy"], ["ari", "cy", "bo"]], ids=["one group", "one athlete in a group"])
def test_groups_that_cannot_be_compared_are_refused_with_their_sizes(among: list[str]):
    with pytest.raises(NothingDone, match=r"two groups of at least 2 athletes\. Athletes by group: sex f: 2"):
        factors(KNOWN, asked(group="sex"), pl.Series(among))


def test_an_athlete_alone_in_a_group_is_left_out_where_two_groups_remain():
    known = pl.concat([KNOWN, KNOWN.head(1).with_columns(athlete_id=pl.lit("fi"), sex=pl.lit("x"))])
    found = factors(known, asked(group="sex"), known["athlete_id"])
    assert found.athletes == ["ari", "bo", "cy", "di", "ed"]
    assert found.note == "groups of fewer than 2 left out"
    assert found.columns.shape == (5, 2)


def test_age_is_that_when_the_runs_were_run_and_speed_that_over_all_of_them():
    runs = pl.DataFrame(
        [("ari", datetime(year, 3, 1, tzinfo=UTC), km, s) for year, km, s in ((2025, 10.0, 3e3), (2026, 20.0, 7e3))],
        schema=["athlete_id", "started_at_utc", "distance_km", "moving_s"], orient="row",
    )  # fmt: skip
    roster = pl.DataFrame(
        {"athlete_id": "ari", "sex": "f", "squad": None, "height_m": 1.7, "mass_kg": 60.0, "experience_years": 5.0,
         "born_year": 1990}
    )  # fmt: skip
    [row] = attributes(runs, roster).rows(named=True)
    assert (row["age"], row["speed_m_s"], row["sex"], row["squad"]) == (35.5, 3.0, "f", None)
