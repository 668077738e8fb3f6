"""Shoes, surfaces, complaints and landings in sentences: what the rows say, and too few runs where there are."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import polars as pl
import pytest

from pipeline.pages.season_words import complaint_sentences, contrast_sentences, landing_words
from pipeline.pages.units import MINUS, Units

KM = Units("km", "min/km")


def contrast(**differing: Any) -> dict[str, Any]:
    return {
        "metric": "contact_time_ms", "factor": "shoe", "compared": "fern", "reference": "alder", "n_runs": 5,
        "n_runs_reference": 9, "difference_pct": 1.2, "low": 0.3, "high": 2.1, "drift_difference_pct_per_10km": -0.5,
        "drift_difference_low": -1.4, "drift_difference_high": 0.4,
    } | differing  # fmt: skip


def told(*contrasts: dict[str, Any]) -> list[str]:
    return contrast_sentences(contrasts, lambda row, name: row[name].upper())


# --- Shoes and surfaces -----------------------------------------------------------------------------------------------


def test_of_a_pair_only_what_leaves_out_zero_is_told_under_the_names_shown():
    assert told(contrast()) == [
        "Shoe FERN against ALDER (5 and 9 runs): contact time +1.2 % in level (+0.3 to +2.1).",
    ]
    assert told(contrast(low=-0.3)) == []


def test_level_and_drift_of_several_metrics_are_one_sentence_a_pair():
    steeper = {"low": None, "high": None, "drift_difference_low": -0.9, "drift_difference_high": -0.1}
    trail = {"factor": "surface", "compared": "trail", "reference": "road"}
    assert told(contrast(), contrast(metric="cadence_spm", **steeper), contrast(**trail)) == [
        "Shoe FERN against ALDER (5 and 9 runs): contact time +1.2 % in level (+0.3 to +2.1); "
        f"cadence {MINUS}0.5 % per 10 km in drift ({MINUS}0.9 to {MINUS}0.1).",
        "Surface TRAIL against ROAD (5 and 9 runs): contact time +1.2 % in level (+0.3 to +2.1).",
    ]


# --- Complaints -------------------------------------------------------------------------------------------------------


def drifts(*days: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Runs on days of March with a drift of as many percent; the last of them has none."""
    runs = pl.DataFrame(
        {
            "run_id": [f"ari-{day}" for day in days],
            "started_at_utc": [datetime(2026, 3, day, 23, 59, tzinfo=UTC) for day in days],
        }
    )
    values = [*map(float, days[:-1]), None]
    return runs, runs.select("run_id", metric=pl.lit("cadence_spm"), drift_pct_per_10km=pl.Series(values))


def of_complaint(begins: int, ends: int | None, *days: int, metrics: tuple[str, ...] = ("cadence_spm",)) -> list[str]:
    row = {"from_date": f"2026-03-{begins:02d}", "to_date": None if ends is None else f"2026-03-{ends:02d}"}
    return complaint_sentences(row, *drifts(*days), metrics, 3)


def test_both_ends_of_a_complaint_belong_to_it_and_the_means_are_of_the_runs_that_have_a_drift():
    assert of_complaint(4, 6, 1, 2, 3, 4, 5, 6, 7, 8) == [
        "3 runs in these days.",
        "Cadence, % per 10 km: before +2.0 (3 runs), within +5.0 (3 runs), after too few runs (1).",
    ]


def test_a_complaint_that_is_not_over_has_no_after():
    assert of_complaint(4, None, 1, 2, 4, 9) == [
        "2 runs in these days.",
        "Cadence, % per 10 km: before too few runs (2), within too few runs (1).",
    ]


def test_where_there_is_no_run_there_are_not_too_few():
    (_, told) = of_complaint(4, 5, 1, 2, 3, 9)
    assert told == "Cadence, % per 10 km: before +2.0 (3 runs), within no run, after no run."


def test_a_complaint_without_a_run_says_so_and_without_a_metric_no_more():
    assert of_complaint(4, 5, 1, 9, metrics=()) == ["No run in these days."]


# --- Landings ---------------------------------------------------------------------------------------------------------


def counts(*rows: tuple[float, str, int, int]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=["distance_km", "strike", "n", "n_seen"], orient="row")


def test_the_rearfoot_is_told_at_the_first_and_the_last_distance():
    rows = [(5.0, "rearfoot", 2, 6), (5.0, "midfoot", 4, 6), (10.0, "rearfoot", 6, 6), (15.0, "rearfoot", 5, 6)]
    assert landing_words(counts(*rows), KM) == (
        "Landings seen: on the rearfoot on 2 of 6 dates at km 5.0, on 5 of 6 dates at km 15.0."
    )


def test_where_nobody_landed_on_the_rearfoot_it_is_none():
    assert landing_words(counts((5.0, "forefoot", 1, 1), (15.0, "midfoot", 4, 4)), KM) == (
        "Landings seen: on the rearfoot on 0 of 1 date at km 5.0, on 0 of 4 dates at km 15.0."
    )


@pytest.mark.parametrize("rows", [[], [(5.0, "rearfoot", 2, 6), (5.0, "midfoot", 4, 6)]])
def test_one_distance_is_no_change(rows: list[tuple[float, str, int, int]]):
    frame = counts(*rows) if rows else counts((5.0, "rearfoot", 1, 1)).clear()
    assert landing_words(frame, KM) == ""
