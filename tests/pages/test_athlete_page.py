"""The page of an athlete: what is in the tables, in words and units, and nothing that is not."""

from __future__ import annotations

import html
import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.core.metrics import METRIC_OF, METRICS
from pipeline.core.settings import Settings
from pipeline.pages.adjusted import included
from pipeline.pages.athlete_page import MOST_LOOKS, athlete_page
from pipeline.pages.athlete_pictures import LATEST
from pipeline.pages.club_rows import ClubRows, Pages
from pipeline.pages.units import MINUS, number, signed
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
        "distance_km": 10.0, "moving_s": 3000.0, "paused_s": 0.0, "altitude": "steady",
        "speed_source": "device",
    } | differing  # fmt: skip


def drift(metric: str = "contact_time_ms", finding: str = "holds", **differing: Any) -> Row:
    return {
        "athlete_id": "ari", "metric": metric, "finding": finding, "n_runs": 9, "n_splits": 99,
        "fresh_level": 240.04, "reference_speed_m_s": 1000 / 300, "drift_pct_per_10km": 0.5, "drift_low": -0.5,
        "drift_high": 1.5, "smallest_change_pct": 2.0, "smallest_change_at_usual_distance_pct": 3.0,
        "raw_pct_per_10km": 1.0, "usual_distance_km": 18.0, "change_at_usual_distance_pct": 0.9,
    } | differing  # fmt: skip


def page(*drifts: Row, is_coded: bool = False, settings: Settings | None = None, **tables: Any) -> dict[str, Any]:
    tables = {
        "runs": [run()],
        "athlete_drift": list(drifts),
        "usual": [usual(row["metric"]) for row in drifts],
    } | tables
    pages = Pages(Path("nowhere"), None, settings or Settings(), "token")
    club = RowsInMemory(is_coded=is_coded, **tables)
    club.__dict__["_notes"] = {}
    return drawn(pages, club, "ari")


def of_demo(demo: Refreshed, athlete_id: str, *, is_coded: bool = False, **settings: str) -> dict[str, Any]:
    built = current(demo.store)
    assert built is not None
    club = ClubRows(built, is_coded=is_coded)
    club.__dict__ |= {"_key": b"a key of this test", "_notes": {"brine": "WRITTEN"}}
    return drawn(Pages(built, None, Settings(**settings), "token"), club, athlete_id)


def drawn(pages: Pages, club: ClubRows, athlete_id: str) -> dict[str, Any]:
    splits, drifts = (club.own(name, athlete_id) for name in ("splits", "athlete_drift"))
    return athlete_page(pages, club, athlete_id, included(splits, drifts, inclusion=pages.settings.inclusion))


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


def test_runs_of_an_athlete_with_too_few_have_their_unadjusted_change(demo: Refreshed):
    rows = demo.table("single_runs").filter(athlete_id="pip", metric="contact_time_ms").to_dicts()
    changes = [one["changes"] for one in of_demo(demo, "pip")["single_runs"]]
    assert len(rows) == len(changes) == 2
    for row in rows:
        told = f"contact time {signed(row['unadjusted_pct_per_10km'])} % ({signed(row['unadjusted_low'])} to "
        assert sum(told in one for one in changes) == 1
    assert of_demo(demo, "brine")["single_runs"] == []


@pytest.mark.parametrize("athlete_id", ATHLETES)
def test_every_run_is_listed_latest_first_with_its_page(demo: Refreshed, athlete_id: str):
    runs = demo.table("runs").filter(pl.col("athlete_id") == athlete_id).sort("started_at_utc", descending=True)
    found = of_demo(demo, athlete_id)
    assert [row["date"] for row in found["runs"]] == runs["started_at_utc"].to_list()
    assert [row["page"] for row in found["runs"]] == [f"{at:%Y%m%dT%H%M%SZ}.html" for at in runs["started_at_utc"]]
    assert found["n_runs"] == runs.height


def reading(picture: str) -> list[str]:
    found = re.search(r'data-says="([^"]*)"', picture)
    assert found
    return html.unescape(found[1]).split("|")


def labels(picture: str) -> list[str]:
    """Of the points that lead to a run; a picture that has these says no more at its places."""
    assert "data-says" not in picture
    return [html.unescape(label) for label in re.findall(r'<a href="[^"]*" aria-label="([^"]*)"', picture)]


def points(picture: str, kind: str) -> list[tuple[float, float]]:
    """The places of a path, from 0 to 1000 across and down."""
    found = re.search(rf'<path d="([^"]*)" class="{kind}"', picture)
    assert found, kind
    return [(float(x), float(y)) for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", found[1])]


@pytest.mark.parametrize("athlete_id", ATHLETES)
def test_every_metric_with_an_estimate_is_drawn_from_its_rows(demo: Refreshed, athlete_id: str):
    shown = {one["column"]: one for one in of_demo(demo, athlete_id)["pictures"]}
    rows = demo.table("athlete_drift").filter(pl.col("athlete_id") == athlete_id)
    estimated = rows.drop_nulls("drift_pct_per_10km")
    assert set(shown) == set(estimated["metric"])
    own = demo.table("usual_course").filter(pl.col("athlete_id") == athlete_id).sort("km")
    for metric, one in shown.items():
        course = own.filter(pl.col("metric") == metric)
        decimals = METRIC_OF[metric].decimals
        expected = [
            f"km {row['distance_km']:g}: {number(row['level'], decimals)} " for row in course.iter_rows(named=True)
        ]
        assert [text[: len(start)] for text, start in zip(reading(one["course"]), expected, strict=True)] == expected
        assert all(f"{n} runs" in text for text, n in zip(reading(one["course"]), course["n_runs"], strict=True))
        drifts = demo.table("run_drift").filter(pl.col("athlete_id") == athlete_id, pl.col("metric") == metric)
        changes = drifts.drop_nulls("drift_pct_per_10km")
        told = labels(one["season"])
        places = re.search(r'data-x="([^"]*)"', one["season"])
        assert places
        assert len(places[1].split()) == len(told) == changes.height
        assert all(f": {signed(value)} % per 10 km" in "".join(told) for value in changes["drift_pct_per_10km"])


@pytest.mark.parametrize("metric", ["contact_time_ms", "cadence_spm"])
def test_means_stand_where_their_numbers_are(demo: Refreshed, metric: str):
    shown = {one["column"]: one for one in of_demo(demo, "brine")["pictures"]}
    course = demo.table("usual_course").filter(athlete_id="brine", metric=metric).sort("km")
    places = points(shown[metric]["course"], "mean")
    assert len(places) == course.height
    across, down = ([place[axis] for place in places] for axis in (0, 1))
    for drawn, values, sign in ((across, course["distance_km"], 1), (down, course["level"], -1)):
        fit = np.polyfit(values.to_numpy(), drawn, 1)
        assert np.sign(fit[0]) == sign
        assert np.abs(np.polyval(fit, values.to_numpy()) - drawn).max() < 1.0  # places are whole


def test_every_run_is_a_line_and_the_last_three_are_told_apart(demo: Refreshed):
    (one,) = [one for one in of_demo(demo, "brine")["pictures"] if one["column"] == "contact_time_ms"]
    starts = [
        path.count("M")
        for kind in ("run", "run latest")
        for path in re.findall(rf'd="([^"]*)" class="{kind}"', one["course"])
    ]
    n_runs = demo.table("run_drift").filter(athlete_id="brine", metric="contact_time_ms").height
    assert starts == [n_runs - LATEST, LATEST]


def test_the_same_numbers_are_drawn_whatever_unit_the_pages_have(demo: Refreshed):
    in_km, in_miles = (of_demo(demo, "brine", page_distance=unit)["pictures"] for unit in ("km", "mile"))
    for one, other in zip(in_km, in_miles, strict=True):
        assert points(one["course"], "mean") == points(other["course"], "mean")
        assert "mile 0.9: " in reading(other["course"])[0]


def test_nothing_that_people_wrote_is_shown_where_athletes_are_codes(demo: Refreshed):
    found = of_demo(demo, "brine", is_coded=True)
    named = of_demo(demo, "brine")
    text = json.dumps(found, default=str)
    assert (named["note"], found["note"]) == ("WRITTEN", None)
    assert named["complaints"][0]["note"]
    assert found["complaints"][0] == named["complaints"][0] | {"site": "complaint 1", "note": None}
    shoes = {run["shoe"] for run in named["runs"]} - {""}
    assert shoes == {"Lantern", "Ropewalk"}
    written = [named["complaints"][0][name] for name in ("site", "note")]
    assert not [word for word in ("brine", *shoes, *written) if word in text.lower()]
    assert len({run["shoe"] for run in found["runs"]} - {""}) == 2


# --- In short ---------------------------------------------------------------------------------------------------------


def test_the_head_sums_the_runs_up():
    found = page(drift(), runs=[run(3, distance_km=9.7), run(1)], settings=Settings(page_distance="mile"))
    assert (found["n_runs"], found["n_km"]) == (2, "12")
    assert (found["first_run"].day, found["last_run"].day) == (1, 3)
    assert found["reference"] == "5:00"


def test_an_athlete_of_whom_nothing_was_recorded_has_a_page():
    found = page()
    assert (found["numbers"], found["pictures"], found["first"], found["reference"]) == ([], [], None, "")
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
    assert found["first"] == first


def usual(metric: str = "contact_time_ms", start: float = 240.0, end: float = 252.0, **differing: Any) -> Row:
    return {
        "athlete_id": "ari", "metric": metric, "start_level": start, "usual_distance_km": 18.0,
        "level_at_usual_distance": end, "n_more_runs": None,
    } | differing  # fmt: skip


def changes(metric: str, finding: str, percent: float) -> Row:
    return drift(metric, finding, change_at_usual_distance_pct=percent, usual_distance_km=18.0)


def test_facts_are_answered_and_consequences_folded():
    rows = [changes("contact_time_ms", "rises", 5.0), changes("step_length_m", "falls", -2.0), drift("cadence_spm"),
            drift("duty_factor"), drift("flight_time_ms", "unclear")]  # fmt: skip
    along = [usual(), usual("step_length_m", 1.106, 1.084), usual("flight_time_ms", n_more_runs=3)]
    found = page(*rows, usual=along)
    assert found["answer"] == "Contact time gradually lengthens, from 240 to 252 ms by km 18 at the same pace."
    assert found["steady"] == "Steady: cadence within ±2 %."
    assert found["follows"] == ["Step length shrinks, from 1.106 to 1.084 m by km 18."]
    assert found["follows_steady"] == "Steady: duty factor within ±2 %."
    assert [sentence.partition(":")[0] for sentence in found["follows_open"]] == ["Flight time"]


def test_the_limit_of_what_is_steady_is_not_said_twice():
    assert page(drift())["steady"] == ""
    assert page(drift())["answer"] == "Steady at the same pace: contact time within ±2 %."


# --- Rows of tables ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("q", "shown"),
    [
        (None, ""),
        (0.000499, "< 0.001"),
        (0.0005, "0.001"),
        (0.0014, "0.001"),
        (0.05, "0.050"),
        (0.0996, "0.100"),
        (0.1, "0.10"),
        (1.0, "1.00"),
    ],
)
def test_small_probabilities_have_three_decimals_and_others_two(q: float | None, shown: str):
    (row,) = page(drift(q_value=q))["numbers"]
    assert row["q"] == shown


def test_a_level_has_the_decimals_of_its_metric():
    rows = page(drift("duty_factor", fresh_level=0.33714), drift(), drift("heart_rate_bpm", fresh_level=149.6))
    assert [(row["fresh"], row["unit"]) for row in rows["numbers"]] == [
        ("240.0", "ms"), ("0.337", "of the stride"), ("150", "beats/min"),
    ]  # fmt: skip


def test_pacing_is_told_where_there_is_any():
    row = {
        "athlete_id": "ari", "n_runs": 9, "n_splits": 99, "n_walked_splits": 0, "speed_pct_per_10km": -2.4,
        "speed_low": -3.0, "speed_high": -1.8, "cadence_part_pct": -1.0, "cadence_part_low": -1.2,
        "cadence_part_high": -0.8, "step_length_part_pct": -1.4, "step_length_part_low": -2.0,
        "step_length_part_high": -0.8,
    }  # fmt: skip
    found = page(pacing=[row])
    assert [one["part"] for one in found["pacing"]] == ["speed", "by cadence", "by step length"]
    assert found["pacing"][0]["interval"] == f"{MINUS}3.0 to {MINUS}1.8"
    none = page(pacing=[row | dict.fromkeys(name for name in row if name.endswith(("pct", "km", "low", "high")))])
    assert none["pacing"] == []


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
    assert [one["site"] for one in found["complaints"]] == [None, "left calf"]


# --- Worth a look -----------------------------------------------------------------------------------------------------


def test_looks_are_at_most_three_with_different_titles_changes_first():
    rows = [
        changes("heart_rate_bpm", "rises", 3), changes("step_length_m", "falls", -3),
        drift("duty_factor", "unclear"), changes("cadence_spm", "falls", -3), changes("contact_time_ms", "rises", 3),
    ]  # fmt: skip
    found = page(*rows)["looks"]
    assert len(found) == MOST_LOOKS == 3
    assert [one["about"] for one in found] == ["Contact time lengthens", "Cadence falls", "Step length shrinks"]
    assert len({one["look"].title for one in found}) == 3
    assert found[0]["look"] == looks("contact_time_ms", "rises")[0]


def test_what_is_steady_or_open_has_looks_of_its_own():
    found = page(drift("cadence_spm"), drift("contact_time_ms"), drift("duty_factor", "unclear"))["looks"]
    assert [one["about"] for one in found][:2] == ["Steady", "Cannot tell yet"]
