"""Shoes, surfaces and complaints in sentences: what the rows say, and too few runs where there are."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import polars as pl

from pipeline.pages.language import Language
from pipeline.pages.season_words import complaint_sentences, contrast_sentences, open_complaints
from pipeline.pages.units import MINUS, Units
from tests.support.rows_in_memory import RowsInMemory

ENGLISH = Language("en", Units("km", "min/km"))


def contrast(**differing: Any) -> dict[str, Any]:
    return {
        "metric": "contact_time_ms", "factor": "shoe", "compared": "fern", "reference": "alder", "n_runs": 5,
        "n_runs_reference": 9, "difference_pct": 1.2, "low": 0.3, "high": 2.1, "drift_difference_pct_per_10km": -0.5,
        "drift_difference_low": -1.4, "drift_difference_high": 0.4,
    } | differing  # fmt: skip


def told(*contrasts: dict[str, Any]) -> list[str]:
    return contrast_sentences(contrasts, RowsInMemory(), ENGLISH)


# --- Shoes and surfaces -----------------------------------------------------------------------------------------------


def test_of_a_pair_only_what_leaves_out_zero_is_told_under_the_names_shown():
    assert told(contrast()) == [
        "Shoe fern against alder (5 and 9 runs): contact time +1.2 % in level (+0.3 to +2.1).",
    ]
    assert told(contrast(low=-0.3)) == []


def test_level_and_drift_of_several_metrics_are_one_sentence_a_pair():
    steeper = {"low": None, "high": None, "drift_difference_low": -0.9, "drift_difference_high": -0.1}
    trail = {"factor": "surface", "compared": "trail", "reference": "road"}
    assert told(contrast(), contrast(metric="cadence_spm", **steeper), contrast(**trail)) == [
        "Shoe fern against alder (5 and 9 runs): contact time +1.2 % in level (+0.3 to +2.1); "
        f"cadence {MINUS}0.5 % per 10 km in change ({MINUS}0.9 to {MINUS}0.1).",
        "Surface trail against road (5 and 9 runs): contact time +1.2 % in level (+0.3 to +2.1).",
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
    return complaint_sentences(row, *drifts(*days), metrics, language=ENGLISH, min_runs=3)


def test_both_ends_of_a_complaint_belong_to_it_and_the_means_are_of_the_runs_that_have_a_drift():
    assert of_complaint(4, 6, 1, 2, 3, 4, 5, 6, 7, 8) == [
        "3 runs in these days.",
        "Cadence, % per 10 km: before +2.0 (3 runs), during +5.0 (3 runs), after too few runs (1).",
    ]


def test_a_complaint_that_is_not_over_has_no_after():
    assert of_complaint(4, None, 1, 2, 4, 9) == [
        "2 runs in these days.",
        "Cadence, % per 10 km: before too few runs (2), during too few runs (1).",
    ]


def test_where_there_is_no_run_there_are_not_too_few():
    (_, told) = of_complaint(4, 5, 1, 2, 3, 9)
    assert told == "Cadence, % per 10 km: before +2.0 (3 runs), during no run, after no run."


def test_a_complaint_without_a_run_says_so_and_without_a_metric_no_more():
    assert of_complaint(4, 5, 1, 9, metrics=()) == ["No run in these days."]


def test_an_open_complaint_says_since_when_and_with_codes_not_where():
    rows = pl.DataFrame(
        {
            "line": [3, 2], "from_date": ["2026-03-09", "2026-03-02"], "to_date": [None, "2026-03-04"],
            "site": ["left calf", "knee"],
        }
    )  # fmt: skip
    assert open_complaints(rows, RowsInMemory(), ENGLISH) == ["A complaint is open since 9 Mar 2026 (left calf)"]
    assert open_complaints(rows, RowsInMemory(is_coded=True), ENGLISH) == ["A complaint is open since 9 Mar 2026"]
