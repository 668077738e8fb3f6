"""Real recordings, where the folder that holds them is at hand: what the devices themselves wrote down per lap.

The recordings are other people's and no part of the project. `laps.csv` beside them holds each device's own averages.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.core.errors import Refused
from pipeline.formats import READINGS, RUNNING, Recording
from pipeline.formats.fit import decode
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import refresh
from pipeline.stages.samples import RunSamples, samples
from pipeline.stages.splits import laps_of, means
from pipeline.tables import publishable
from tests.support.splits import split_means

FOLDER = Path(__file__).parents[3] / "shared" / "recordings"
UNIX_OF_FIT_EPOCH = 631_065_600

pytestmark = [
    pytest.mark.recordings,
    pytest.mark.skipif(not FOLDER.exists(), reason="the folder of real recordings is not beside the repository"),
]

FILES = sorted(path.relative_to(FOLDER).as_posix() for path in FOLDER.rglob("*.fit"))


def settled(recording: Recording) -> RunSamples:
    return samples(recording, gap_s=10, slope_window_m=100, slope_window_rough_m=400, rough_altitude_m=0.6).named("r")


@pytest.mark.parametrize("name", FILES)
def test_a_recording_decodes_or_is_refused_with_a_reason_a_person_can_read(name: str):
    try:
        recordings, reason = decode((FOLDER / name).read_bytes()), None
    except Refused as refused:
        recordings, reason = [], refused.reason
    if reason is not None:
        assert name.startswith("odd/")
        assert reason.endswith(".")
        assert not any(word in reason for word in ("Error", "Traceback", "0x", "None", "fitdecode", "fitfast"))
    else:
        assert recordings
    for one in recordings:
        assert one.readings.schema == dict.fromkeys(READINGS, pl.Float64())
        if one.sport in (None, RUNNING) and one.readings["time_s"].count() > 1:
            run = settled(one)
            publishable("samples", run.samples, subject=name)
            found = split_means(run.samples, split_length_m=1000)
            publishable("splits", found.with_columns(pl.lit("a").alias("athlete_id")), subject=name)
            assert found["length_m"].sum() == pytest.approx(run.samples["distance_m"].max(), abs=0.01)


def laps_of_a_kilometre() -> pl.DataFrame:
    """Laps of one kilometre that follow on one another from the start of their file."""
    laps = pl.read_csv(FOLDER / "laps.csv", infer_schema_length=None)
    is_kilometre = (pl.col("total_distance_m") - 1000).abs() <= 1
    return laps.filter(
        is_kilometre.cast(pl.Int64).cum_prod().over("file", order_by="lap") == 1,
        pl.col("file").str.starts_with("runs/"),
    ).with_columns((pl.col("lap") + 1).alias("km"))


def kilometres(name: str) -> pl.DataFrame:
    [run] = [one for one in decode((FOLDER / name).read_bytes()) if one.sport == RUNNING]
    return split_means(settled(run).samples, split_length_m=1000)


def beside(column: str) -> pl.DataFrame:
    """Kilometres beside the device's laps, where the device averaged that quantity."""
    laps = laps_of_a_kilometre().drop_nulls(column)
    tables = [
        kilometres(name).select(
            pl.lit(name).alias("file"), "km", "cadence_spm", "contact_time_ms", "moving_s", "run_share"
        )
        for name in laps["file"].unique()
    ]
    return laps.join(pl.concat(tables), on=["file", "km"])


def test_the_kilometres_cadence_is_that_of_the_devices_laps():
    both = beside("avg_running_cadence_strides_min")
    lap = both["avg_running_cadence_strides_min"] + both["avg_fractional_cadence"].fill_null(0)
    assert both.height >= 10
    assert float(np.median((both["cadence_spm"] / 2 - lap).abs())) < 1


def test_the_kilometres_contact_time_is_that_of_the_devices_laps():
    both = beside("avg_stance_time_ms")
    assert both.height >= 10
    assert float(np.median((both["contact_time_ms"] - both["avg_stance_time_ms"]).abs())) < 2


def test_the_kilometres_time_is_the_devices_timer_time():
    both = beside("total_timer_s").filter(pl.col("run_share") == 1)
    assert both.height >= 10
    assert float(np.median((both["moving_s"] - both["total_timer_s"]).abs())) < 2


def laps_next_to_the_devices() -> pl.DataFrame:
    """Laps of at least half a minute, run throughout, next to what the device wrote down of them."""
    tables = []
    for (name,), own in pl.read_csv(FOLDER / "laps.csv", infer_schema_length=None).group_by("file"):
        runs = [one for one in decode((FOLDER / str(name)).read_bytes()) if one.sport == RUNNING]
        if len(runs) == 1 and len(runs[0].laps) == own.height and str(name).startswith("runs/"):
            run = settled(runs[0])
            _, found = means(run.samples, laps_of("r", runs[0], run.started_s), split_length_m=1000)
            tables.append(found.join(own.with_columns(lap=pl.col("lap") + 1), on="lap"))
    return pl.concat(tables, how="diagonal_relaxed").filter(run_share=1).filter(pl.col("total_timer_s") >= 30)


def test_laps_are_those_of_the_device():
    both = laps_next_to_the_devices()
    cadence = both["avg_running_cadence_strides_min"] + both["avg_fractional_cadence"].fill_null(0)
    difference = {
        "cadence": both["cadence_spm"] / 2 - cadence,
        "contact": both["contact_time_ms"] - both["avg_stance_time_ms"],
        "balance": both["contact_balance_pct"] - both["avg_stance_time_balance"],
        "time": both["moving_s"] - both["total_timer_s"],
        "distance": both["length_m"] - both["total_distance_m"],
    }
    median = {name: float(values.drop_nulls().abs().median()) for name, values in difference.items()}
    assert min(values.drop_nulls().len() for values in difference.values()) >= 20
    assert median["cadence"] < 0.2
    assert median["contact"] < 0.5
    assert median["balance"] < 0.05
    assert median["time"] < 1
    assert median["distance"] < 4


@pytest.mark.slow
def test_all_of_them_go_through_one_refresh_and_each_has_a_fate_and_a_reason(tmp_path: Path):
    found = read_inbox(FOLDER)
    ledger = refresh(found, tmp_path / "store", jobs=1)
    files = {path.relative_to(FOLDER).as_posix() for path in FOLDER.rglob("*") if path.is_file()}
    assert set(ledger["path"].str.split("!").list.first()) == files
    assert (ledger["reason"].str.len_chars() > 15).all()
    assert not ledger["reason"].str.contains("splitdrift failed").any()
    assert {"accepted", "salvaged", "not_running", "rejected"} <= set(ledger["status"])
