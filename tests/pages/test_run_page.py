"""The page of a run: its splits in the units asked for, what it has and no more, what was set aside in words."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.core.inclusion import Inclusion
from pipeline.core.metrics import QUANTITIES
from pipeline.core.settings import Settings
from pipeline.formats import READINGS
from pipeline.pages.athlete_tables import against_cells, comparison_words
from pipeline.pages.language import Language
from pipeline.pages.run_page import RunRows, left_out, panels, run_page, split_texts
from pipeline.pages.run_pictures import LEAST_ALTITUDE_RANGE_M
from pipeline.pages.traces import Traces, traced
from pipeline.pages.units import MINUS, Units
from pipeline.tables import TABLES
from tests.support.rows_in_memory import RowsInMemory

KM, MILE = Units("km", "min/km"), Units("mile", "min/mile")
INCLUSION = Settings().inclusion
Row = dict[str, Any]

RUN: Row = {
    "run_id": "ari-1", "athlete_id": "ari", "started_at_utc": datetime(2026, 3, 14, 9, tzinfo=UTC), "distance_km": 2.5,
    "moving_s": 750.0, "paused_s": 0.0, "kind": "race", "surface": None, "shoe_id": "fern", "device": None,
    "sensors": None, "altitude": "steady", "speed_source": "device",
    "climb_m": None, "session_line": None,
}  # fmt: skip


def split(km: int = 1, **differing: Any) -> Row:
    nothing = dict.fromkeys(one.column for one in QUANTITIES)
    return nothing | {
        "km": km, "length_m": 1000.0, "moving_s": 300.4, "speed_m_s": 1000 / 300, "slope_pct": -0.04, "run_share": 1.0,
        "cadence_spm": 170.04, "suspicion": None,
    } | differing  # fmt: skip


def trace(**differing: list[float | None]) -> pl.DataFrame:
    columns = {"distance_km": [0.1, 0.2], "run_share": [1.0, 1.0], "cadence_spm": [170.0, None]} | differing
    return pl.DataFrame(
        {name: [None, None] for name in traced()} | columns, schema_overrides=dict.fromkeys(traced(), pl.Float64)
    )


def page(
    *splits: Row, run: Row | None = None, units: Units = KM, split_length_m: float = 1000.0, is_coded: bool = False,
    language: str = "en", lists: dict[str, list[Row]] | None = None, **rows: Any,
) -> dict[str, Any]:  # fmt: skip
    club = RowsInMemory(runs=[RUN, RUN | {"run_id": "ari-2", "shoe_id": "alder"}], is_coded=is_coded, **(lists or {}))
    inclusion, shown_in = replace(INCLUSION, split_length_m=split_length_m), Language(language, units)
    given = run_rows(*splits, language=shown_in, inclusion=inclusion, **rows)
    return run_page(RUN | (run or {}), given, club=club, language=shown_in, inclusion=inclusion)


def run_rows(*splits: Row, language: Language, inclusion: Inclusion = INCLUSION, **rows: Any) -> RunRows:
    given = columns(*splits)
    return RunRows(given, split_texts(given, language, inclusion), **rows)


def columns(*splits: Row) -> dict[str, list[Any]]:
    rows = splits or [split()]
    return {name: [row[name] for row in rows] for name in rows[0]}


def pictures(*splits: Row, given: pl.DataFrame | None = None, units: Units = KM, **rows: Any) -> dict[str, str]:
    found = {one.name: one.cast(pl.Float64).to_numpy()[None] for one in (trace() if given is None else given)}
    absent = np.full_like(found["distance_km"], np.nan)
    traces = Traces(
        found["distance_km"], found["run_share"] > 0, {name: found.get(name, absent) for name in traced()},
        found["run_share"],
    )  # fmt: skip
    language = Language("en", units)
    (shown,) = panels(
        [(RUN, run_rows(*splits, language=language, **rows))], traces, language=language, inclusion=INCLUSION
    )
    return {one["name"]: one["svg"] for one in shown}


# --- The run ---------------------------------------------------------------------------------------------------------


def test_a_run_has_its_distance_time_and_pace():
    found = page()
    assert [found[name] for name in ("name", "distance", "moving", "speed")] == ["ari", "2.50", "12:30", "5:00"]


def test_the_same_in_miles():
    found = page(units=MILE)
    # 2.5 km are 1.5534 miles; 300 s a kilometre are 482.8 s a mile.
    assert [found[name] for name in ("distance", "speed")] == ["1.55", "8:03"]


def test_a_run_that_did_not_move_has_no_pace():
    assert page(run={"moving_s": 0.0})["speed"] == ""


@pytest.mark.parametrize(("paused_s", "words"), [(0.0, None), (61.0, "1:01"), (None, None)])
def test_a_pause_is_told_where_there_was_one(paused_s: float | None, words: str | None):
    assert page(run={"paused_s": paused_s})["paused"] == words


def test_of_what_is_known_about_a_run_only_that_is_told():
    assert page()["about"] == [("", "race"), ("shoe", "fern")]
    everything = {"surface": "sand", "device": "harbour watch", "sensors": "contact time: native"}
    assert [value for _, value in page(run=everything)["about"]] == [
        "race", "sand", "fern", "harbour watch", "contact time: native",
    ]  # fmt: skip


@pytest.mark.parametrize(("altitude", "words"), [("steady", []), ("absent", ["no altitude"])])
def test_an_altimeter_is_told_of_where_it_is_not_steady(altitude: str, words: list[str]):
    assert [value for _, value in page(run={"altitude": altitude})["about"]][2:] == words


@pytest.mark.parametrize(("climb_m", "words"), [(None, ""), (0.4, "0 m climbed"), (201.0, "201 m climbed")])
def test_the_metres_climbed_are_told_where_they_are_known(climb_m: float | None, words: str):
    assert page(run={"climb_m": climb_m})["climb"] == words


def test_a_shoe_has_its_name_and_drop_and_the_run_the_note_of_its_session():
    lists = {
        "shoes": [{"shoe_id": "fern", "name": "Fern", "heel_toe_drop_mm": 6.0}],
        "sessions": [{"line": 3, "note": "felt heavy"}],
    }
    found = page(run={"session_line": 3}, lists=lists)
    assert (dict(found["about"])["shoe"], found["note"]) == ("Fern (drop 6 mm)", "felt heavy")
    coded = page(run={"session_line": 3}, lists=lists, is_coded=True)
    assert coded["note"] is None
    assert "Fern" not in repr(coded)


def test_where_athletes_are_codes_the_shoe_is_one_too():
    found = page(is_coded=True)
    assert dict(found["about"])["shoe"].startswith("shoe-")
    assert "fern" not in repr(found)
    assert found["name"].startswith("runner-")


# --- Splits ----------------------------------------------------------------------------------------------------------


def cells(found: dict[str, Any]) -> list[list[str]]:
    """The texts of the rows of splits."""
    rows = re.findall(r"<tr>(.*?)</tr>", found["split_rows"])
    return [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row) for row in rows]


def test_a_split_is_a_row_of_what_it_has():
    assert cells(page()) == [["1", "1.00", "5:00", "5:00", "0.0", "100", "170.0"]]


def test_columns_are_those_that_any_split_has_in_their_order():
    found = page(split(heart_rate_bpm=150.5), split(2, contact_time_ms=240.0, cadence_spm=None))
    assert [one[:2] for one in found["columns"]] == [
        ("cadence", "steps/min"), ("contact time", "ms"), ("heart rate", "beats/min"),
    ]  # fmt: skip
    assert [row[6:] for row in cells(found)] == [["170.0", "", "150"], ["", "240.0", ""]]


def test_the_last_split_ends_where_the_run_does():
    rows = cells(page(split(), split(2), split(3, length_m=497.0, run_share=0.955, slope_pct=None)))
    assert [row[1] for row in rows] == ["1.00", "2.00", "2.50"]
    assert (rows[-1][5], rows[-1][4]) == ("96", "")


def test_splits_of_a_mile_end_at_miles():
    found = page(split(length_m=1609.344), split(2, length_m=804.672), units=MILE, split_length_m=1609.344)
    assert [row[1] for row in cells(found)] == ["1.00", "1.50"]


def test_a_split_that_was_not_run_has_no_speed():
    (row,) = cells(page(split(speed_m_s=None, run_share=None, cadence_spm=None)))
    assert (row[3], row[5], row[6:]) == ("", "", [])


# --- Against the usual -----------------------------------------------------------------------------------------------


def against(metric: str = "contact_time_ms", comparison: str = "as_usual", **differing: Any) -> Row:
    return {
        "run_id": "ari-1", "athlete_id": "ari", "metric": metric, "drift_pct_per_10km": 3.0, "n_other_runs": 11,
        "usual_pct_per_10km": 2.0, "usual_low": 0.0, "usual_high": 4.0, "comparison": comparison,
    } | differing  # fmt: skip


@pytest.mark.parametrize(
    ("rows", "sentence"),
    [
        ([against(), against("cadence_spm")], "No unusual changes along this run."),
        ([against(comparison="more"), against("cadence_spm")], "Contact time lengthens more than usual."),
        ([against(comparison="less"), against("cadence_spm", "more")],
         "Cadence rises more than usual; contact time lengthens less than usual."),
        ([against(comparison="cannot_tell")], "Cannot tell from this run alone."),
        ([against("duty_factor", "more"), against()], "No unusual changes along this run."),
        ([], ""),
    ],
)  # fmt: skip
def test_what_is_not_as_usual_is_said_first(rows: list[Row], sentence: str):
    assert page(against=rows)["sentence"] == sentence


@pytest.mark.parametrize(
    ("comparison", "change", "usual", "english", "german"),
    [
        ("more", -4.0, (-2.5, -0.7), "falls more than usual", "sinkt mehr als üblich"),
        ("less", -0.2, (-2.5, -0.7), "falls less than usual", "sinkt weniger als üblich"),
        ("less", 0.3, (-2.5, -0.7), "rises, which is unusual", "steigt, anders als üblich"),
        ("less", -0.3, (0.7, 2.5), "falls, which is unusual", "sinkt, anders als üblich"),
        ("more", 4.0, (-1.0, 0.9), "rises more than usual", "steigt mehr als üblich"),
    ],
)
def test_what_is_not_as_usual_says_which_way(
    comparison: str, change: float, usual: tuple[float, float], english: str, german: str
):
    ends = dict(zip(("usual_low", "usual_high"), usual, strict=True))
    row = against("cadence_spm", comparison, drift_pct_per_10km=change, **ends)
    for code, words in (("en", english), ("de", german)):
        assert comparison_words(row, Language(code, KM)) == words


@pytest.mark.parametrize(
    ("comparison", "change", "shown", "usual"),
    [
        ("more", -2.14, f"{MINUS}2.14", f"{MINUS}2.06 to {MINUS}1.00"),
        ("more", -2.24, f"{MINUS}2.2", f"{MINUS}2.1 to {MINUS}1.0"),
        ("as_usual", -2.08, f"{MINUS}2.1", f"{MINUS}2.1 to {MINUS}1.0"),
    ],
)
def test_what_is_beyond_the_usual_does_not_look_as_if_it_were_at_its_end(
    comparison: str, change: float, shown: str, usual: str
):
    row = against("cadence_spm", comparison, drift_pct_per_10km=change, usual_low=-2.06, usual_high=-1.0)
    (cell,) = against_cells([row], {"cadence_spm": 5.0}, Language("en", KM))
    assert (cell["change"], cell["usual"]) == (shown, usual)


def test_what_is_as_usual_is_one_line_and_what_is_computed_from_it_is_not_in_it():
    rows = [against(), against("duty_factor"), against("heart_rate_bpm", "cannot_tell"), against("cadence_spm", "more")]
    found = page(against=rows)
    assert found["quiet"] == "As usual: contact time. Cannot tell from one run: heart rate."
    assert {row["metric"]: row["is_unusual"] for row in found["against"]}["cadence"]


def test_a_run_stands_next_to_what_is_usual_with_its_numbers():
    (row,) = page(against=[against()])["against"]
    assert (row["metric"], row["drift"], row["usual"], row["n"]) == ("contact time", "+3.0", "0.0 to +4.0", 11)
    assert ('<span class="word">as usual</span>' in row["mark"], row["is_derived"]) == (True, False)


def test_without_enough_other_runs_there_is_no_interval():
    nothing = dict.fromkeys(("usual_pct_per_10km", "usual_low", "usual_high"))
    (row,) = page(against=[against(comparison="cannot_tell", **nothing)])["against"]
    assert row["usual"] == ""
    assert '<span class="word">cannot tell from one run</span>' in row["mark"]
    assert "usual for such a run" not in row["mark"]


def test_the_runs_before_and_after_are_led_to():
    at = datetime(2026, 3, 12, tzinfo=UTC)
    found = page(neighbours=(("a.html", at), None))
    assert (found["before"], found["after"]) == (("a.html", at), None)


def test_what_is_odd_in_the_recording_is_told_where_a_table_of_it_says_so():
    odd = {"quantity": "heart_rate_bpm", "suspicion": "stuck", "fix": "Moisten the strap."}
    assert page(quality=[odd])["quality"] == [
        {
            "what": "heart rate",
            "suspicion": "stuck at one value",
            "fix": "check the sensor: its battery and its connection",
        }
    ]
    assert page()["quality"] == []


# --- Drift, what was set aside ---------------------------------------------------------------------------------------


def test_changes_along_the_run_are_in_the_order_of_the_metrics():
    rows = [
        {
            "metric": metric, "n_splits": 21, "raw_pct_per_10km": 5.25, "drift_pct_per_10km": -3.46, "drift_low": -4.9,
            "drift_high": -2.0, "onset_km": onset,
        }
        for metric, onset in (("contact_time_ms", 16.09344), ("cadence_spm", None))
    ]  # fmt: skip
    first, second = page(drifts=rows, units=MILE)["drifts"]
    assert (first["metric"], first["onset"]) == ("cadence", "")
    assert second == {
        "metric": "contact time", "n_splits": 21, "raw": "+5.2", "drift": f"{MINUS}3.5",
        "interval": f"{MINUS}4.9 to {MINUS}2.0", "onset": "10.0",
    }  # fmt: skip


#: Columns of samples that hold what was recorded; the others say where a sample lies and what was made of it.
RECORDED = [name for name in TABLES["samples"].column_names() if name in READINGS]


@pytest.mark.parametrize("quantity", ["sample", *RECORDED])
def test_everything_that_can_be_set_aside_is_told_in_words(quantity: str):
    (row,) = page(exclusions=[{"quantity": quantity, "reason": "zero", "n_samples": 43}])["exclusions"]
    assert "_" not in row["what"]
    assert (row["reason"], row["n"]) == ("zero", 43)


@pytest.mark.parametrize(
    ("row", "why"),
    [
        (split(2), None),
        (split(1), "warm_up"),
        (split(2, run_share=INCLUSION.min_run_share - 0.001), "walked"),
        (split(2, run_share=INCLUSION.min_run_share), None),
        (split(2, run_share=None), "walked"),
        (split(2, length_m=1000 * INCLUSION.min_length_share - 1), "short"),
        (split(2, suspicion="faster_than_records"), "suspected"),
    ],
)
def test_stretches_that_did_not_enter_say_why(row: Row, why: str | None):
    found = left_out(RunRows(columns(row), {}), INCLUSION)
    assert [reason for *_, reason in found] == ([] if why is None else [why])


@pytest.mark.parametrize(
    ("row", "has_single", "why"),
    [
        (split(cadence_spm=None), True, "nothing of form was recorded."),
        (split(), True, "the athlete has too few runs."),
        (split(), False, "too few of its splits are whole, run, past the warm-up and credibly measured."),
    ],
)
def test_a_run_that_did_not_enter_says_the_one_reason_why(row: Row, has_single: bool, why: str):
    assert f"athlete's numbers: {why}" in page(row, has_single=has_single)["not_entered"]


# --- The pictures ----------------------------------------------------------------------------------------------------


def test_there_is_a_panel_for_what_was_recorded_and_no_other():
    assert list(pictures()) == ["cadence_spm"]
    assert list(pictures(given=trace(heart_rate_bpm=[150.0, 151.0], speed_m_s=[3.3, 3.2]))) == [
        "speed_m_s", "cadence_spm", "heart_rate_bpm",
    ]  # fmt: skip


def readings(svg: str) -> list[str]:
    found = re.search(r'data-says="([^"]*)"', svg)
    assert found
    return found[1].split("|")


def test_a_panel_reads_the_means_of_the_splits_and_what_is_usual():
    rows = (split(1), split(2, cadence_spm=168.0), split(3, cadence_spm=None))
    shown = pictures(*rows, expected={"cadence_spm": np.array([[np.nan] * 2, [165.0, 175.0], [np.nan] * 2])})
    assert readings(shown["cadence_spm"]) == [
        "170.0 steps/min", "168.0 steps/min; usual 165.0 to 175.0", "no reading",
    ]  # fmt: skip
    assert 'class="expected"' in shown["cadence_spm"]
    assert 'class="expected"' not in pictures(*rows)["cadence_spm"]


def test_a_small_range_of_altitude_is_no_mountain():
    svg = pictures(given=trace(altitude_m=[10.0, 12.0]))["altitude_m"]
    (path,) = re.findall(r'd="([^"]*)" class="trace"', svg)
    (steps,) = re.findall(r"l([-\d ]+)", path)
    assert abs(int(steps.split(" ")[1])) == pytest.approx(1000 * 2 / LEAST_ALTITUDE_RANGE_M, abs=2)


THREE_STEPS = pl.DataFrame(
    {"distance_km": [0.1, 0.2, 0.3], "run_share": [1.0, 1.0, 1.0], "cadence_spm": [170.0, None, 172.0]}
)


def test_a_gap_of_the_sensor_is_a_gap_of_the_line():
    svg = pictures(given=THREE_STEPS)
    (path,) = re.findall(r'd="([^"]*)" class="trace"', svg["cadence_spm"])
    assert path.count("M") == 2
