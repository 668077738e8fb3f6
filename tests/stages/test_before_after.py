"""Stage `before_after`: the runs after an event against those before, the same differences as in `contrasts`."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.stages.before_after import WINDOW, before_after
from pipeline.stages.contrasts import NOTE, difference_of_drifts, difference_of_levels
from pipeline.tables import empty, publishable

DAY = date(2026, 3, 14)
BEFORE, AFTER = [200.0, 202.0, 204.0, 203.0], [210.0, 208.0, 215.0]
EVENT = {"athlete_id": "ari", "date": "2026-03-14", "line": 2, "kind": "drill", "note": "skips"}
Run = tuple[date, float, str | None]


def drifts(runs: list[Run], metric: str = "contact_time_ms") -> pl.DataFrame:
    return pl.DataFrame(
        {
            "run_id": [f"run {place:02}" for place in range(len(runs))], "athlete_id": "ari", "metric": metric,
            "fresh_level": [level for _, level, _ in runs],
            "drift_pct_per_10km": [1.0 + 0.1 * place for place in range(len(runs))],
            "within_run_se_pct_per_10km": 0.5, "drift_shared": [[0.0]] * len(runs), "level_shared": [[0.0]] * len(runs),
        }
    )  # fmt: skip


def compared(
    runs: list[Run], *events: dict[str, Any], complaints: list[dict[str, Any]] | None = None
) -> list[dict[str, Any]]:
    """Rows of an athlete whose runs have (day, level, shoe)."""
    described = pl.DataFrame(
        {
            "run_id": [f"run {place:02}" for place in range(len(runs))], "athlete_id": "ari",
            "shoe_id": [shoe for *_, shoe in runs], "local_date": [day.isoformat() for day, *_ in runs],
            "started_at_utc": [None] * len(runs),
        },
        schema_overrides={"shoe_id": pl.String, "started_at_utc": pl.Datetime("us", "UTC")},
    )  # fmt: skip
    found = before_after(
        drifts(runs), described, pl.DataFrame(events, schema=empty("events").schema),
        pl.DataFrame(complaints or [], schema=empty("complaints").schema),
    )  # fmt: skip
    return publishable("before_after", found, subject="ari").rows(named=True)


def around(before: list[float] = BEFORE, after: list[float] = AFTER, shoe: str | None = None) -> list[Run]:
    """Runs on the days before the event, and from its day on; those after it in a shoe."""
    return [
        *((DAY - timedelta(days=n + 1), level, None) for n, level in enumerate(before)),
        *((DAY + timedelta(days=n), level, shoe) for n, level in enumerate(after)),
    ]


def test_the_differences_are_those_of_contrasts():
    runs = around()
    (row,) = compared(runs, EVENT)
    before, after = drifts(runs)[:4], drifts(runs)[4:]
    theirs = difference_of_levels(after, before, 7) | difference_of_drifts(after, before)
    assert {name: row[name] for name in theirs} == pytest.approx(theirs, abs=6e-4)
    assert (row["n_runs_before"], row["n_runs_after"], row["note"]) == (4, 3, NOTE)
    assert (row["kind"], row["name"], row["date"]) == ("drill", "skips", "2026-03-14")


def test_the_levels_are_geometric_means():
    (row,) = compared(around([100.0, 100.0, 800.0], [200.0] * 3), EVENT)
    assert (row["level_before"], row["level_after"]) == (200.0, 200.0)
    assert row["difference_pct"] == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize(("n_before", "n_after", "n_rows"), [(3, 3, 1), (2, 3, 0), (3, 2, 0)])
def test_each_side_needs_three_runs(n_before: int, n_after: int, n_rows: int):
    assert len(compared(around(BEFORE[:n_before], AFTER[:n_after]), EVENT)) == n_rows


@pytest.mark.parametrize(("apart", "n_before"), [(WINDOW, 4), (WINDOW + timedelta(days=1), 3)])
def test_runs_more_than_eight_weeks_before_do_not_enter(apart: timedelta, n_before: int):
    runs = [(DAY - apart, 200.0, None), *around(BEFORE[:3])]
    assert compared(runs, EVENT)[0]["n_runs_before"] == n_before


@pytest.mark.parametrize(("apart", "n_after"), [(WINDOW - timedelta(days=1), 4), (WINDOW, 3)])
def test_runs_eight_weeks_after_do_not_enter(apart: timedelta, n_after: int):
    assert compared([*around(), (DAY + apart, 200.0, None)], EVENT)[0]["n_runs_after"] == n_after


def test_the_first_run_in_a_shoe_is_an_event():
    (row,) = compared(around(shoe="lantern"))
    assert (row["kind"], row["name"], row["date"], row["n_other_events"]) == ("new_shoe", "lantern", "2026-03-14", 0)


def test_the_first_day_of_a_complaint_is_an_event():
    complaint = {
        "athlete_id": "ari",
        "from_date": "2026-03-14",
        "line": 2,
        "to_date": None,
        "site": "knee",
        "note": None,
    }
    (row,) = compared(around(), complaints=[complaint])
    assert (row["kind"], row["name"]) == ("complaint", "knee")


def test_a_year_is_compared_with_the_whole_year_before():
    runs = [(date(2025, month, 1), 200.0 + month, None) for month in (1, 6, 12)]
    runs += [(date(2026, month, 1), 210.0 + month, None) for month in (1, 6, 12)]
    (row,) = compared(runs)
    assert (row["kind"], row["name"], row["n_runs_before"], row["n_runs_after"]) == ("year", "2026", 3, 3)


def test_other_events_of_the_same_weeks_are_counted():
    later = EVENT | {"date": "2026-04-01", "line": 3, "kind": "break", "note": None}
    rows = compared(around(shoe="lantern"), EVENT, later)
    assert [(row["kind"], row["n_other_events"]) for row in rows] == [("drill", 2), ("new_shoe", 2)]


def test_without_events_there_are_no_rows():
    assert compared(around()) == []
