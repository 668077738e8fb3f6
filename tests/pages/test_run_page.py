"""The page of a run: its splits in the units asked for, what it has and no more, what was set aside in words."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import polars as pl
import pytest

from pipeline.core.metrics import QUANTITIES
from pipeline.formats import READINGS
from pipeline.pages.run_page import EXCLUDED, TRACE_LABELS, drawn, run_page
from pipeline.pages.traces import TRACED
from pipeline.pages.units import MINUS, Units
from pipeline.tables import TABLES
from tests.support.rows_in_memory import RowsInMemory

KM, MILE = Units("km", "min/km"), Units("mile", "min/mile")
Row = dict[str, Any]

RUN: Row = {
    "run_id": "ari-1", "athlete_id": "ari", "started_at_utc": datetime(2026, 3, 14, 9, tzinfo=UTC), "distance_km": 2.5,
    "moving_s": 750.0, "paused_s": 0.0, "kind": "race", "surface": None, "shoe_id": "fern", "device": None,
    "sensors": None, "altitude": "steady", "speed_source": "device",
}  # fmt: skip


def split(km: int = 1, **differing: Any) -> Row:
    nothing = dict.fromkeys(one.column for one in QUANTITIES)
    return nothing | {
        "km": km, "length_m": 1000.0, "moving_s": 300.4, "speed_m_s": 1000 / 300, "slope_pct": -0.04, "run_share": 1.0,
        "cadence_spm": 170.04,
    } | differing  # fmt: skip


def trace(**differing: list[float | None]) -> pl.DataFrame:
    columns = {"distance_km": [0.1, 0.2], "run_share": [1.0, 1.0], "cadence_spm": [170.0, None]} | differing
    return pl.DataFrame(
        {name: [None, None] for name in TRACED} | columns, schema_overrides=dict.fromkeys(TRACED, pl.Float64)
    )


def page(
    *splits: Row, run: Row | None = None, drifts: list[Row] | None = None, exclusions: list[Row] | None = None,
    traced: pl.DataFrame | None = None, units: Units = KM, split_length_m: float = 1000.0, is_coded: bool = False,
) -> dict[str, Any]:  # fmt: skip
    club = RowsInMemory(runs=[RUN, RUN | {"run_id": "ari-2", "shoe_id": "alder"}], is_coded=is_coded)
    return run_page(
        RUN | (run or {}), splits or [split()], drifts or [], exclusions or [],
        club=club, units=units, split_length_m=split_length_m,
    ) | {"data": drawn(trace() if traced is None else traced, units)}  # fmt: skip


# --- The run ----------------------------------------------------------------------------------------------------------


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
    assert page()["about"] == [("kind", "race"), ("shoe", "fern"), ("altitude", "steady")]
    everything = {"surface": "sand", "device": "harbour watch", "sensors": "contact time: native"}
    assert [heading for heading, _ in page(run=everything)["about"]] == [
        "kind", "surface", "shoe", "device", "sensors", "altitude",
    ]  # fmt: skip


def test_where_athletes_are_codes_the_shoe_is_one_too():
    found = page(is_coded=True)
    assert dict(found["about"])["shoe"].startswith("shoe-")
    assert "fern" not in repr(found)
    assert found["name"].startswith("runner-")


# --- Splits -----------------------------------------------------------------------------------------------------------


def test_a_split_is_a_row_of_what_it_has():
    (row,) = page()["splits"]
    assert row == {
        "km": 1, "to": "1.00", "moving": "5:00", "speed": "5:00", "slope": "0.0", "run": "100", "values": ["170.0"],
    }  # fmt: skip


def test_columns_are_those_that_any_split_has_in_their_order():
    found = page(split(heart_rate_bpm=150.5), split(2, contact_time_ms=240.0, cadence_spm=None))
    assert found["columns"] == [("cadence", "steps/min"), ("contact time", "ms"), ("heart rate", "beats/min")]
    assert [row["values"] for row in found["splits"]] == [["170.0", "", "150"], ["", "240.0", ""]]


def test_the_last_split_ends_where_the_run_does():
    rows = page(split(), split(2), split(3, length_m=497.0, run_share=0.955, slope_pct=None))["splits"]
    assert [row["to"] for row in rows] == ["1.00", "2.00", "2.50"]
    assert [(row["run"], row["slope"]) for row in rows][-1] == ("96", "")


def test_splits_of_a_mile_end_at_miles():
    rows = page(
        split(length_m=1609.344), split(2, length_m=804.672), units=MILE, split_length_m=1609.344
    )["splits"]  # fmt: skip
    assert [row["to"] for row in rows] == ["1.00", "1.50"]


def test_a_split_that_was_not_run_has_no_speed():
    (row,) = page(split(speed_m_s=None, run_share=None, cadence_spm=None))["splits"]
    assert (row["speed"], row["run"], row["values"]) == ("", "", [])


# --- Drift, what was set aside, what is drawn ----------------------------------------------------------------------


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
    assert row == {"what": EXCLUDED[quantity], "reason": "zero", "n": 43}


def test_what_is_drawn_is_what_the_trace_has():
    data = page(units=MILE)["data"]
    assert data == {
        "units": {"distance": "mile", "speed": "min/mile"}, "km": [0.1, 0.2], "run_share": None,
        "traces": {"cadence_spm": [170.0, None]}, "labels": {"cadence_spm": "cadence, steps/min"},
    }  # fmt: skip


def test_walking_is_drawn_where_there_was_any():
    assert page(traced=trace(run_share=[1.0, 0.4]))["data"]["run_share"] == [1.0, 0.4]


def test_every_trace_has_a_label():
    assert set(TRACE_LABELS) == set(TRACED)
