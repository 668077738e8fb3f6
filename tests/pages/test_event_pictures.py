"""Before and after events on the page of an athlete: the numbers of the table, in pictures and words."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date
from typing import Any

import pytest

from pipeline.pages.event_pictures import MOST_EVENTS, events_shown, numbers_of_event
from pipeline.pages.language import Language
from pipeline.pages.units import MINUS, Units
from tests.support.rows_in_memory import Row, RowsInMemory, run

ENGLISH = Language("en", Units("km", "min/km"))
LEVELS = [(date(2026, 3, day), level) for day, level in ((1, 230.0), (4, 232.0), (9, 228.0), (14, 240.0), (20, 242.0))]


def event(kind: str = "drill", name: str | None = "skips", **differing: Any) -> Row:
    return {
        "athlete_id": "ari", "metric": "contact_time_ms", "event": 1, "date": "2026-03-14", "kind": kind, "name": name,
        "n_runs_before": 3, "n_runs_after": 2, "level_before": 230.0, "level_after": 241.0, "difference_pct": 4.783,
        "low": 1.2, "high": 8.5, "drift_difference_pct_per_10km": -0.5, "drift_difference_low": -1.5,
        "drift_difference_high": 0.5, "n_other_events": 0,
    } | differing  # fmt: skip


def shown(*rows: Row, is_coded: bool = False, happened: Sequence[Row] = (), **levels: Any) -> list[dict[str, Any]]:
    club = RowsInMemory(is_coded=is_coded, runs=[run()], shoes=[{"shoe_id": "fern", "name": "Fern"}])
    return events_shown(rows, levels or {"contact_time_ms": LEVELS}, happened, club, ENGLISH)


def test_the_sentence_has_levels_and_differences_with_their_intervals():
    ((one,),) = [found["metrics"] for found in shown(event())]
    assert one["sentence"] == (
        "When fresh: 230.0 ms before, 241.0 ms after: +4.8 % (+1.2 to +8.5). "
        f"Change along the run: {MINUS}0.5 % per 10 km ({MINUS}1.5 to +0.5). 3 runs before, 2 after."
    )


def test_other_events_in_the_same_weeks_are_named_and_dated():
    oil, fern, year, own = (
        {"event": number, "kind": kind, "name": name, "day": day}
        for number, kind, name, day in (
            (2, "other", "oil", date(2026, 5, 8)), (3, "new_shoe", "fern", date(2026, 5, 9)),
            (4, "year", "2026", date(2026, 1, 1)), (1, "drill", "skips", date(2026, 3, 14)),
        )
    )  # fmt: skip
    (found,) = shown(event(n_other_events=1), happened=[oil, fern, year, own])
    assert found["others"] == (
        "Another event lies in the same weeks, and its effect is in the difference too: Event, 8 May 2026: oil."
    )
    (found,) = shown(
        event("year", "2026", event=4, date="2026-01-01", n_other_events=3), happened=[oil, fern, year, own]
    )
    assert found["others"].endswith("Event, 8 May 2026: oil; First run in Fern, 9 May 2026; Drill, 14 Mar 2026: skips.")


def test_without_a_difference_of_drifts_only_the_levels_are_told():
    (found,) = shown(event(drift_difference_pct_per_10km=None, drift_difference_low=None, drift_difference_high=None))
    assert "Change along" not in found["metrics"][0]["sentence"]


def test_every_run_of_either_side_is_a_dot_and_each_mean_a_line_that_ends_at_the_day():
    (found,) = shown(event())
    svg = found["metrics"][0]["svg"]
    early, late = (re.search(rf'd="([^"]*)" class="{kind}"', svg)[1] for kind in ("early", "late"))  # type: ignore[index]
    assert (early.count("M"), late.count("M")) == (3, 2)
    (day,) = re.findall(r'd="M(\d+) \d+L\1 \d+" class="break"', svg)
    means = re.findall(r'd="M(\d+) (\d+)L(\d+) (\d+)" class="month"', svg)
    assert [(before_x, after_x) for before_x, _, after_x, _ in means] == [("0", day), (day, "1000")]
    # Higher values are further up.
    assert int(means[0][1]) > int(means[1][1])
    assert "14 Mar 2026: 240.0 ms" in svg


@pytest.mark.parametrize(("low", "high", "holds_the_mean_before"), [(1.2, 8.5, False), (-1.2, 8.5, True)])
def test_the_interval_of_the_difference_is_a_band_about_the_mean_after(
    low: float, high: float, holds_the_mean_before: bool
):
    (found,) = shown(event(low=low, high=high))
    svg = found["metrics"][0]["svg"]
    (band,) = re.findall(r'd="([^"]*)" class="interval"', svg)
    heights = [int(height) for height in re.findall(r"\d+ (\d+)", band)]
    (before,) = re.findall(r'd="M\d+ (\d+)L1000 \1" class="total"', svg)
    after = re.findall(r'd="M\d+ (\d+)L1000 \1" class="month"', svg)[0]
    assert min(heights) <= int(after) <= max(heights)
    assert (min(heights) <= int(before) <= max(heights)) == holds_the_mean_before


@pytest.mark.parametrize(
    ("row", "named", "coded"),
    [
        (event(), "Drill, 14 Mar 2026: skips", "Drill, 14 Mar 2026"),
        (event(name=None), "Drill, 14 Mar 2026", "Drill, 14 Mar 2026"),
        (event("complaint", "knee"), "Complaint, 14 Mar 2026: knee", "Complaint, 14 Mar 2026"),
        (event("new_shoe", "fern"), "First run in Fern, 14 Mar 2026", r"First run in shoe-\w{5}, 14 Mar 2026"),
        (event("year", "2026"), "2026 against the year before", "2026 against the year before"),
    ],
)
def test_what_people_wrote_is_left_out_where_athletes_are_codes(row: Row, named: str, coded: str):
    assert shown(row)[0]["title"] == named
    assert re.fullmatch(coded, shown(row, is_coded=True)[0]["title"])


def test_the_latest_events_have_pictures_and_other_events_are_named():
    rows = [event(event=number, n_other_events=number - 1) for number in range(1, MOST_EVENTS + 2)]
    found = shown(*rows, happened=[row | {"day": date(2026, 3, 14)} for row in rows])
    assert len(found) == MOST_EVENTS
    assert found[0]["others"].startswith(f"{MOST_EVENTS} other events")
    assert shown(event())[0]["others"] == ""


def test_what_follows_by_arithmetic_has_its_sentence_and_no_picture():
    (found,) = shown(event(metric="duty_factor"), duty_factor=LEVELS)
    assert found["metrics"][0]["svg"] is None
    assert found["metrics"][0]["sentence"]


def test_a_metric_without_pictures_is_in_the_table_alone():
    row = event(metric="cadence_spm")
    assert shown(row) == []
    club = RowsInMemory(runs=[run()])
    assert numbers_of_event(row, club, ENGLISH)["level"] == "+4.8"
