"""Covariates as they are released: means of athletes who are alike."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.study.blocks import with_blocks
from pipeline.study.exposure import n_with_rare_factors


def test_athletes_in_order_of_age_share_the_mean_of_their_block_less_that_of_the_cohort():
    athletes = pl.DataFrame({"athlete_id": list("abcdefgh"), "age": [50, 21, 30, 22, 31, 23, 32, 33]})
    means = with_blocks(athletes, ["age"], 3)["age_of_block"].to_list()
    # 21, 22, 23 have the mean 22; the five others, too few for two blocks, 35.2; all of them 30.25.
    assert means == [4.95, -8.25, 4.95, -8.25, 4.95, -8.25, 4.95, 4.95]


def test_several_covariates_are_shared_together():
    random = np.random.default_rng(5)
    age, height_m = random.uniform(20, 60, 40), random.uniform(1.6, 1.9, 40)
    athletes = with_blocks(pl.DataFrame({"age": age, "height_m": height_m}), ["age", "height_m"], 3)
    sizes = athletes.group_by("age_of_block", "height_m_of_block").len()["len"]
    assert (sizes.len(), sizes.min()) == (13, 3)


def test_the_effect_of_a_covariate_stays_what_it_was():
    random = np.random.default_rng(6)
    slopes = []
    for _ in range(200):
        age = random.uniform(20, 60, 30)
        score = 0.1 * age + random.standard_normal(30)
        of_blocks = with_blocks(pl.DataFrame({"age": age}), ["age"], 5)["age_of_block"].to_numpy()
        slopes.append(np.polyfit(of_blocks, score, 1)[0])
    assert np.mean(slopes) == pytest.approx(0.1, abs=0.003)


def test_who_has_covariates_known_that_too_few_others_have_is_left_out():
    athletes = pl.DataFrame({"age": [20.0, 30.0, 40.0, 50.0], "mass_kg": [60.0, 70.0, 80.0, None]})
    assert with_blocks(athletes, ["age", "mass_kg"], 3)["age_of_block"].to_list() == [0.0, 0.0, 0.0, None]


def test_with_a_least_cell_of_one_each_has_their_own():
    assert with_blocks(pl.DataFrame({"age": [20, 30, 40]}), ["age"], 1)["age_of_block"].to_list() == [-10, 0, 10]


def test_groups_and_covariates_together_are_rare_where_each_is_not():
    told = [("group", "sex f", athlete, 1.0) for athlete in "abc"] + [
        ("group", "sex f", athlete, 0.0) for athlete in "de"
    ]
    ages = [
        ("covariate", "per year of age", athlete, age) for athlete, age in zip("abcde", (1, 1, -1, -1, -1), strict=True)
    ]
    columns = ["term", "part", "athlete", "value"]
    assert n_with_rare_factors(pl.DataFrame(told, schema=columns, orient="row"), 2) == 0
    both = pl.DataFrame([*told, *ages], schema=[*columns[:3], ("value", pl.Float64)], strict=False, orient="row")
    assert n_with_rare_factors(both, 2) == 1  # c, the only older woman
