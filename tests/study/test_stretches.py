from __future__ import annotations

import math

import polars as pl
import pytest

from pipeline.study.stretches import by_unit, early_and_late, percent
from pipeline.study.study_file import Analysis

STRETCHES = Analysis("ends", "paired_windows", ("cadence_spm",), early_km=(1.0, 3.0), late_km=(5.0, 6.0))


def rows(*of_run: tuple[str, int, float, float]) -> pl.DataFrame:
    """Splits of one kilometre: run, number of the split, logarithm, seconds run."""
    return pl.DataFrame(
        [(run[:3], run, km - 0.5, float(km), weight, log, 0.01 * km) for run, km, log, weight in of_run],
        schema=["athlete_id", "run_id", "distance_km", "to_km", "weight", "log", "shared"],
        orient="row",
    )


def test_a_split_belongs_to_a_stretch_that_it_lies_in_wholly():
    pairs = early_and_late(
        rows(*(("ari-1", km, log, 1.0) for km, log in [(1, 9.0), (2, 1.0), (3, 2.0), (4, 9.0), (6, 5.0)])),
        STRETCHES,
        split_km=1.0,
    )
    assert pairs.drop("shared", "n_runs").rows() == [("ari", "ari-1", 1.5, 5.0)]
    # Kilometres 2 and 3 against kilometre 6, at 0.01 per kilometre.
    assert pairs["shared"].to_list() == pytest.approx([0.035])


def test_means_are_weighted_by_the_time_run():
    pairs = early_and_late(
        rows(("ari-1", 2, 1.0, 300.0), ("ari-1", 3, 2.0, 100.0), ("ari-1", 6, 5.0, 1.0)), STRETCHES, split_km=1.0
    )
    assert pairs["early"].to_list() == [1.25]


def test_a_run_without_a_split_in_one_of_them_is_absent():
    pairs = early_and_late(rows(("ari-1", 2, 1.0, 1.0), ("ari-1", 5, 5.0, 1.0)), STRETCHES, split_km=1.0)
    assert pairs.is_empty()


def test_quarters_are_of_the_splits_that_each_run_has():
    quarters = Analysis("quarters", "paired_windows", ("cadence_spm",), windows="quarters")
    eight = [("ari-1", km, float(km), 1.0) for km in range(2, 10)]
    four = [("bo_-1", km, float(km), 1.0) for km in range(2, 6)]
    pairs = early_and_late(rows(*eight, *four), quarters, split_km=1.0)
    assert pairs.select("run_id", "early", "late").rows() == [("ari-1", 2.5, 8.5), ("bo_-1", 2.0, 5.0)]


def test_an_athlete_counts_once_however_many_runs():
    pairs = pl.DataFrame(
        [("ari", "ari-1", 1.0, 2.0, 0.1, 1), ("ari", "ari-2", 3.0, 6.0, 0.3, 1), ("bo", "bo-1", 5.0, 5.0, 0.0, 1)],
        schema=["athlete_id", "run_id", "early", "late", "shared", "n_runs"],
        orient="row",
    )
    assert by_unit(pairs, "athlete").rows() == [("ari", 2.0, 4.0, 0.2, 2), ("bo", 5.0, 5.0, 0.0, 1)]
    assert by_unit(pairs, "run").height == 3


def test_a_change_of_logarithm_is_told_in_percent():
    assert percent(math.log(1.02)) == pytest.approx(2.0)
    assert percent(None) is None
