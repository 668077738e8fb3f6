"""The page of an athlete: what is in the tables, in words and units, and nothing that is not."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.core.metrics import METRICS
from pipeline.core.settings import Settings
from pipeline.pages.athlete_page import athlete_page
from pipeline.pages.club_rows import ClubRows, Pages
from pipeline.pages.units import MINUS, Units, signed
from pipeline.pages.worth_a_look import looks
from pipeline.store.generations import current
from tests.support.demo_store import Refreshed
from tests.support.rows_in_memory import RowsInMemory

Row = dict[str, Any]
LABELS = {metric.label: metric.column for metric in METRICS}
ATHLETES = ["brine", "crag", "ember", "gull", "moss", "pip", "quill", "tallow", "tarn", "wick"]


def run(day: int = 1, **differing: Any) -> Row:
    return {
        "run_id": f"ari-{day}", "athlete_id": "ari", "started_at_utc": datetime(2026, 3, day, 9, tzinfo=UTC),
        "distance_km": 10.0, "moving_s": 3000.0, "paused_s": 0.0, "altitude": "steady", "speed_source": "device",
    } | differing  # fmt: skip


def drift(metric: str = "contact_time_ms", finding: str = "holds", **differing: Any) -> Row:
    return {
        "athlete_id": "ari", "metric": metric, "finding": finding, "n_runs": 9, "n_splits": 99,
        "fresh_level": 240.04, "reference_speed_m_s": 1000 / 300, "drift_pct_per_10km": 0.5, "drift_low": -0.5,
        "drift_high": 1.5, "smallest_change_pct": 2.0,
    } | differing  # fmt: skip


def page(*drifts: Row, is_coded: bool = False, settings: Settings | None = None, **tables: Any) -> dict[str, Any]:
    tables = {"runs": [run()], "athlete_drift": list(drifts)} | tables
    pages = Pages(Path("nowhere"), None, settings or Settings(), "token")
    return athlete_page(pages, RowsInMemory(is_coded=is_coded, **tables), "ari")


def of_demo(demo: Refreshed, athlete_id: str, *, is_coded: bool = False, **settings: str) -> dict[str, Any]:
    built = current(demo.store)
    assert built is not None
    club = ClubRows(built, is_coded=is_coded)
    club.__dict__["_key"] = b"a key of this test"
    return athlete_page(Pages(built, None, Settings(**settings), "token"), club, athlete_id)


# --- Against the published tables -------------------------------------------------------------------------------------


@pytest.mark.parametrize("athlete_id", ATHLETES)
def test_the_numbers_are_those_of_the_tables(demo: Refreshed, athlete_id: str):
    rows = demo.table("athlete_drift").filter(pl.col("athlete_id") == athlete_id)
    published = {row["metric"]: row for row in rows.iter_rows(named=True)}
    shown = of_demo(demo, athlete_id)["numbers"]
    assert {LABELS[row["metric"]] for row in shown} == set(published)
    for row in shown:
        own = published[LABELS[row["metric"]]]
        parts = ("raw_pct_per_10km", "speed_part_pct", "slope_part_pct", "drift_pct_per_10km")
        assert [row[name] for name in ("raw", "pace", "hill", "drift")] == [signed(own[name]) for name in parts]
        assert row["n_runs"] == own["n_runs"]


@pytest.mark.parametrize("athlete_id", ATHLETES)
def test_every_run_is_listed_latest_first_with_its_page(demo: Refreshed, athlete_id: str):
    runs = demo.table("runs").filter(pl.col("athlete_id") == athlete_id).sort("started_at_utc", descending=True)
    found = of_demo(demo, athlete_id)
    assert [row["date"] for row in found["runs"]] == runs["started_at_utc"].to_list()
    assert [row["page"] for row in found["runs"]] == [f"{at:%Y%m%dT%H%M%SZ}.html" for at in runs["started_at_utc"]]
    assert found["n_runs"] == runs.height


@pytest.mark.parametrize("athlete_id", ATHLETES)
def test_what_is_drawn_fits_together(demo: Refreshed, athlete_id: str):
    data = of_demo(demo, athlete_id)["data"]
    json.dumps(data, allow_nan=False, default=str)
    own = demo.table("run_drift").filter(pl.col("athlete_id") == athlete_id)
    n_splits = len(data["splits"]["run"])
    assert len(data["splits"]["km"]) == len(data["splits"]["speed"]) == n_splits
    assert set(data["metrics"]) == set(own["metric"])
    for metric, drawn in data["metrics"].items():
        rows = own.filter(pl.col("metric") == metric)
        assert len(drawn["splits"]) == n_splits
        assert sum(value is not None for value in drawn["splits"]) == rows["n_splits"].sum()
        assert len(drawn["lines"]) == rows.height
        assert len(drawn["season"]) == rows["drift_pct_per_10km"].count()
        # The parts add up to the whole, up to the last digit shown.
        pace, hill, rest, whole = drawn["parts"]
        assert (1 + pace / 100) * (1 + hill / 100) * (1 + rest / 100) == pytest.approx(1 + whole / 100, abs=1e-4)


def test_the_same_numbers_are_drawn_whatever_unit_the_pages_have(demo: Refreshed):
    in_km, in_miles = of_demo(demo, "brine")["data"], of_demo(demo, "brine", page_distance="mile")["data"]
    assert in_miles.pop("units") == {"distance": "mile", "speed": "min/km"}
    assert in_km.pop("units") == {"distance": "km", "speed": "min/km"}
    assert in_km == in_miles


def test_nothing_that_people_wrote_is_shown_where_athletes_are_codes(demo: Refreshed):
    found = of_demo(demo, "brine", is_coded=True)
    named = of_demo(demo, "brine")
    text = json.dumps({name: value for name, value in found.items() if name not in ("units", "listed")}, default=str)
    assert named["complaints"][0]["note"]
    assert found["complaints"][0] == named["complaints"][0] | {"site": "complaint 1", "note": None}
    shoes = {run["shoe"] for run in named["runs"]} - {None}
    assert shoes == {"lantern", "ropewalk"}
    written = [named["complaints"][0][name] for name in ("site", "note")]
    assert not [word for word in ("brine", *shoes, *written) if word in text.lower()]
    assert len({run["shoe"] for run in found["runs"]} - {None}) == 2


# --- In short ---------------------------------------------------------------------------------------------------------


def test_the_head_sums_the_runs_up():
    found = page(drift(), runs=[run(3, distance_km=9.7), run(1)], settings=Settings(page_distance="mile"))
    assert (found["n_runs"], found["n_km"], found["units"]) == (2, "12", Units("mile", "min/km"))
    assert (found["first_run"].day, found["last_run"].day) == (1, 3)
    assert found["reference"] == "5:00"


def test_an_athlete_of_whom_nothing_was_recorded_has_a_page():
    found = page()
    assert (found["numbers"], found["drawn"], found["first"], found["reference"]) == ([], [], None, "")
    assert found["cannot_say"][0].startswith("Never recorded, or not computable from what was: cadence, contact time")


def test_what_was_never_recorded_is_told_by_the_metrics_without_a_row():
    told = page(*(drift(metric.column) for metric in METRICS if metric.column != "heart_rate_bpm"))["cannot_say"]
    assert "Never recorded, or not computable from what was: heart rate." in told


@pytest.mark.parametrize(
    ("drifts", "first"),
    [
        ([drift("cadence_spm"), drift("contact_time_ms")], "contact_time_ms"),
        ([drift("cadence_spm", "falls"), drift("contact_time_ms")], "cadence_spm"),
        ([drift("cadence_spm", "falls"), drift("contact_time_ms", "rises")], "contact_time_ms"),
        ([drift("heart_rate_bpm", "rises"), drift("cadence_spm")], "cadence_spm"),
        ([drift("heart_rate_bpm", "rises")], "heart_rate_bpm"),
        ([drift("contact_time_ms", "unclear", drift_pct_per_10km=None), drift("cadence_spm")], "cadence_spm"),
    ],
    ids=[
        "both hold",
        "one falls",
        "both change",
        "the heart is no form",
        "the heart alone",
        "none without an estimate",
    ],
)
def test_the_first_picture_is_of_a_measured_metric_that_changes(drifts: list[Row], first: str):
    found = page(*drifts)
    assert found["first"] == found["data"]["first"] == first
    assert first in [metric.column for metric in found["drawn"]]


def test_changes_are_told_in_full_and_what_holds_is_listed():
    found = page(drift("cadence_spm", "falls"), drift(), drift("duty_factor"))
    assert [size for size, _, _ in found["changes"]] == [f"Cadence falls +0.5 % per 10 km ({MINUS}0.5 to +1.5)."]
    assert found["holds"] == ["contact time", "duty factor"]


@pytest.mark.parametrize(("finding", "beside"), [("rises", True), ("holds", False)])
def test_that_heart_rate_lags_pace_stands_beside_its_finding_where_it_has_one(finding: str, beside: bool):
    found = page(drift(finding="falls"), drift("heart_rate_bpm", finding, speed_part_pct=-7.3))
    told = [caution for _, _, caution in found["changes"]]
    assert told[0] == ""
    assert ("comes out too low" in told[-1]) is beside
    assert ("comes out too low" in found["lag"]) is not beside


# --- Rows of tables ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("q", "shown"),
    [(None, ""), (0.000499, "< 0.001"), (0.0005, "0.001"), (0.0014, "0.001"), (0.05, "0.050"), (1.0, "1.000")],
)
def test_small_probabilities_are_below_what_is_shown(q: float | None, shown: str):
    (row,) = page(drift(q_value=q))["numbers"]
    assert row["q"] == shown


def test_a_level_has_the_decimals_of_its_metric():
    rows = page(drift("duty_factor", fresh_level=0.33714), drift(), drift("heart_rate_bpm", fresh_level=149.6))
    assert [(row["fresh"], row["unit"]) for row in rows["numbers"]] == [
        ("240.0", "ms"), ("0.337", "contact / stride"), ("150", "beats/min"),
    ]  # fmt: skip


def test_pacing_is_told_where_there_is_any():
    row = {
        "athlete_id": "ari", "n_runs": 9, "n_splits": 99, "n_walked_splits": 0, "speed_pct_per_10km": -2.4,
        "speed_low": -3.0, "speed_high": -1.8, "cadence_part_pct": -1.0, "cadence_part_low": -1.2,
        "cadence_part_high": -0.8, "step_length_part_pct": -1.4, "step_length_part_low": -2.0,
        "step_length_part_high": -0.8,
    }  # fmt: skip
    found = page(pacing=[row])
    assert [one["part"] for one in found["pacing"][0]] == ["speed", "by cadence", "by step length"]
    assert found["pacing"][0][0]["interval"] == f"{MINUS}3.0 to {MINUS}1.8"
    assert [one[:2] for one in found["data"]["pacing"]] == [
        ["speed", -2.4], ["by cadence", -1.0], ["by step length", -1.4],
    ]  # fmt: skip
    none = page(pacing=[row | dict.fromkeys(name for name in row if name.endswith(("pct", "km", "low", "high")))])
    assert (none["pacing"], none["data"]["pacing"]) == ([], [])


def contrast(factor: str, compared: str, reference: str) -> Row:
    return {
        "athlete_id": "ari", "metric": "contact_time_ms", "factor": factor, "compared": compared,
        "reference": reference, "n_runs": 3, "n_runs_reference": 8, "difference_pct": 0.65, "note": "observational",
    }  # fmt: skip


def test_shoes_compared_are_codes_where_athletes_are_codes_and_surfaces_stay():
    rows = [contrast("shoe", "fern", "alder"), contrast("surface", "trail", "road")]
    runs = [run(1, shoe_id="alder"), run(2, shoe_id="fern")]
    named = page(drift(), contrasts=rows, runs=runs)["contrasts"]
    coded = page(drift(), contrasts=rows, runs=runs, is_coded=True)["contrasts"]
    assert [row["compared"] for row in named] == ["shoe fern against alder", "surface trail against road"]
    assert coded[1]["compared"] == "surface trail against road"
    assert re.fullmatch(r"shoe shoe-\w{5} against shoe-\w{5}", coded[0]["compared"])


def test_two_runs_of_a_day_are_told_apart_by_their_number_everywhere():
    at = datetime(2026, 3, 2, 7, tzinfo=UTC)
    runs = [run(1), run(2), run(3, started_at_utc=at)]
    found = page(drift(), runs=runs)
    assert [row["session"] for row in found["runs"]] == [2, 1, None]
    assert [row["session"] for row in found["data"]["runs"]] == [None, 1, 2]


def test_that_a_metric_rests_on_level_splits_is_said_where_it_has_fewer_than_others():
    rows = [
        drift(),
        drift("leg_stiffness_kn_m", n_splits=80),
        drift("vertical_stiffness_kn_m"),
        drift("duty_factor", n_splits=80),
    ]
    told = {row["metric"]: row["is_level"] for row in page(*rows)["numbers"]}
    assert told == {"contact time": False, "leg stiffness": True, "vertical stiffness": False, "duty factor": False}


def test_complaints_are_in_order_of_their_days_and_open_ones_have_no_end():
    rows = [
        {"athlete_id": "ari", "line": line, "from_date": day, "to_date": to, "site": site, "note": "sore"}
        for line, day, to, site in ((2, "2026-03-09", None, "left calf"), (3, "2026-03-02", "2026-03-04", None))
    ]
    found = page(complaints=rows)
    assert [(one["from"], one["to"]) for one in found["complaints"]] == [
        ("2026-03-02", "2026-03-04"), ("2026-03-09", None),
    ]  # fmt: skip
    assert {one["site"] for one in found["data"]["complaints"]} == {"a complaint", "left calf"}


# --- Worth a look -----------------------------------------------------------------------------------------------------


def test_looks_at_changes_come_first_each_with_its_own():
    found = page(drift("cadence_spm"), drift("contact_time_ms", "rises"))["looks"]
    assert [one["about"] for one in found] == ["contact time rises", "holds"]
    assert found[0]["looks"] == list(looks("contact_time_ms", "rises"))


def test_looks_at_form_come_before_those_at_the_heart_and_no_text_twice():
    rows = [drift("heart_rate_bpm", "rises"), drift("step_length_m", "falls"), drift("cadence_spm", "falls"), drift()]
    found = page(*rows)["looks"]
    assert [one["about"] for one in found][:2] == ["cadence falls", "step length falls"]
    assert [one["about"] for one in found].index("heart rate rises") == len(found) - 2
    texts = [(look.examine, look.evidence) for one in found for look in one["looks"]]
    assert len(texts) == len(set(texts)) > 3


def test_findings_that_change_nothing_have_one_text_for_all():
    found = page(drift("cadence_spm"), drift("contact_time_ms"), drift("duty_factor", "unclear"))["looks"]
    assert [one["about"] for one in found] == ["holds", "not clear"]
