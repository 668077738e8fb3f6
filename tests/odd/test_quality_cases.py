"""Recordings with faults, taken through the whole line, against the runs that they are of.

Distances are within 0.5 % of the truth, times exact, and the planted drifts inside their intervals.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl
import pytest

from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.quality_notices import quality_notices
from pipeline.refresh.refresh import refresh
from pipeline.store.layout import read_table
from tests.odd.quality_files import PLANTED_CADENCE, PLANTED_CONTACT, Case, cases

CADENCE, CONTACT, HEART_RATE, DISTANCE = "cadence_spm", "contact_time_ms", "heart_rate_bpm", "distance_m"


@dataclass(frozen=True)
class Made:
    """The cases by athlete (of several the last), and the tables that came of them."""

    cases: Mapping[str, Case]
    tables: Mapping[str, pl.DataFrame]

    def quality(self, athlete_id: str, quantity: str) -> dict[str, object]:
        [row] = self.tables["quality"].filter(athlete_id=athlete_id, quantity=quantity).to_dicts()
        return row

    def drift(self, athlete_id: str, metric: str) -> dict[str, object]:
        [row] = self.tables["athlete_drift"].filter(athlete_id=athlete_id, metric=metric).to_dicts()
        return row

    def splits(self, athlete_id: str) -> pl.DataFrame:
        return self.tables["splits"].filter(athlete_id=athlete_id)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    folder = tmp_path_factory.mktemp("odd")
    everything = cases()
    assert {case.athlete_id for case in everything} == {*SINGLE, "stuck", "never-stuck", "indoors"}
    for case in everything:
        file = folder / "inbox" / case.name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(case.content)
    ledger = refresh(read_inbox(folder / "inbox"), folder / "store", jobs=1)
    assert set(ledger["status"]) == {"accepted"}
    names = ("recordings", "runs", "exclusions", "quality", "splits", "athlete_drift")
    tables = {name: read_table(folder / "store", name) for name in names}
    return Made({case.athlete_id: case for case in everything}, tables)


#: The faults with one file each. Written down, since making the files takes a second in every process that collects.
SINGLE = (
    "good", "astray", "astray-at-the-start", "astray-for-a-minute", "one-foot", "both-feet-fit", "both-feet-gpx",
    "both-feet-tcx", "twice", "tunnel", "tunnel-fit", "too-fast", "locked", "slipped", "summer-time",
)  # fmt: skip


@pytest.mark.parametrize("athlete_id", SINGLE)
def test_distance_is_within_half_a_percent_and_time_exact(made: Made, athlete_id: str):
    truth = made.cases[athlete_id].truth
    [run] = made.tables["runs"].filter(athlete_id=athlete_id).to_dicts()
    assert run["distance_km"] == pytest.approx(truth.km, rel=0.005)
    assert run["moving_s"] == truth.duration_s
    assert run["paused_s"] == 0


@pytest.mark.parametrize("athlete_id", SINGLE)
def test_every_kilometre_takes_as_long_as_it_took(made: Made, athlete_id: str):
    truth = made.cases[athlete_id].truth
    own = made.splits(athlete_id).filter(pl.col("length_m") == 1000)
    # A second is the resolution of the files; what was frozen for 480 m is known at its ends only.
    slack_s = 6 if athlete_id.startswith("tunnel") else 1.5
    for km, moving_s in own.select("km", "moving_s").iter_rows():
        ends = [float(truth.elapsed_s[(truth.distance_m >= 1000 * at).argmax()]) for at in (km - 1, km)]
        assert moving_s == pytest.approx(ends[1] - ends[0], abs=slack_s)


def test_a_good_recording_has_nothing_to_say(made: Made):
    own = made.tables["quality"].filter(athlete_id="good")
    assert own["suspicion"].to_list() == [None] * own.height
    assert own.filter(pl.col("quantity").is_in([CADENCE, CONTACT, HEART_RATE]))["measured_share"].to_list() == [1.0] * 3


@pytest.mark.parametrize("athlete_id", ["astray", "astray-at-the-start", "astray-for-a-minute"])
def test_positions_astray_are_left_out_and_counted(made: Made, athlete_id: str):
    case, row = made.cases[athlete_id], made.quality(athlete_id, DISTANCE)
    assert row["suspicion"] == "positions_astray"
    assert row["interpolated_share"] == pytest.approx(case.about["n_astray"] / case.truth.n, abs=1e-4)


@pytest.mark.parametrize(
    ("athlete_id", "suspicion", "share", "factor"),
    [
        ("one-foot", "one_foot_counted", "halved_share", "`cadence_factor = 2`"),
        ("both-feet-fit", "counted_twice", "doubled_share", "`cadence_factor = 0.5`"),
        ("both-feet-gpx", "counted_twice", "doubled_share", "`cadence_factor = 0.5`"),
        ("both-feet-tcx", "counted_twice", "doubled_share", "`cadence_factor = 0.5`"),
        ("twice", "counted_twice", "doubled_share", "`cadence_factor = 0.5`"),
    ],
)
def test_cadence_of_half_or_twice_what_is_run_is_excluded_and_says_the_factor(
    made: Made, athlete_id: str, suspicion: str, share: str, factor: str
):
    row = made.quality(athlete_id, CADENCE)
    assert (row["suspicion"], row[share], row["measured_share"]) == (suspicion, 1.0, 0.0)
    assert factor in str(row["fix"])
    # Without cadence, speed tells that it was run; and the summary says why there is none.
    assert made.splits(athlete_id)["run_share"].to_list() == [1.0] * made.splits(athlete_id).height
    drift = made.drift(athlete_id, CADENCE)
    assert (drift["finding"], drift["suspicion"]) == ("too_little_data", suspicion)
    assert str(drift["reason"]).startswith("cadence excluded in 1 of 1 runs: looks like ")


def test_a_sensor_stuck_from_kilometre_5_is_excluded_from_there_on(made: Made):
    stuck = made.splits("stuck").filter(pl.col("run_id").str.contains("2026040[5-8]"))
    early, late = stuck.filter(pl.col("km") <= 5), stuck.filter(pl.col("km") > 5)
    for share, column in (("cadence_share", CADENCE), ("contact_time_share", CONTACT)):
        assert early[share].min() == pytest.approx(1.0, abs=0.01)
        assert late[share].max() == pytest.approx(0.0, abs=0.01)
        assert late.filter(pl.col("km") > 6)[column].null_count() == late.filter(pl.col("km") > 6).height
    assert late["heart_rate_share"].to_list() == [1.0] * late.height


@pytest.mark.parametrize("athlete_id", ["never-stuck", "stuck"])
@pytest.mark.parametrize(
    ("metric", "planted", "finding"), [(CONTACT, PLANTED_CONTACT, "rises"), (CADENCE, PLANTED_CADENCE, "falls")]
)
def test_the_planted_drift_is_found_although_half_of_the_runs_are_stuck(
    made: Made, athlete_id: str, metric: str, planted: float, finding: str
):
    row = made.drift(athlete_id, metric)
    assert row["finding"] == finding
    # In percent of the fresh level, planted linearly: a straight line of its logarithm differs by the curvature.
    curvature = 100 * planted**2
    assert float(str(row["drift_low"])) - curvature <= 100 * planted <= float(str(row["drift_high"])) + curvature
    assert row["suspicion"] == ("stuck" if athlete_id == "stuck" else None)


@pytest.mark.parametrize("athlete_id", ["tunnel", "tunnel-fit"])
def test_the_leap_after_a_tunnel_is_spread_over_it_and_marked(made: Made, athlete_id: str):
    truth, row = made.cases[athlete_id].truth, made.quality(athlete_id, DISTANCE)
    n_inside = int(((truth.distance_m > 3200) & (truth.distance_m < 3680)).sum())
    assert row["suspicion"] == "frozen_and_mended"
    assert row["corrected_share"] == pytest.approx(n_inside / truth.n, abs=3 / truth.n)


def test_ten_kilometres_faster_than_the_record_do_not_enter(made: Made):
    row = made.quality("too-fast", "speed_m_s")
    assert (row["suspicion"], row["from_km"]) == ("faster_than_records", 0.0)
    assert set(made.splits("too-fast")["suspicion"]) == {"faster_than_records"}
    drift = made.drift("too-fast", CONTACT)
    assert (drift["n_splits"], drift["suspicion"]) == (0, "faster_than_records")


@pytest.mark.parametrize("metric", [CONTACT, CADENCE, "step_length_m"])
def test_speed_that_is_made_of_steps_tells_no_drift_and_splits_keep_what_was_recorded(made: Made, metric: str):
    drift = made.drift("indoors", metric)
    assert (drift["finding"], drift["n_splits"], drift["suspicion"]) == ("too_little_data", 0, "made_of_steps")
    splits = made.splits("indoors")
    assert set(splits["suspicion"]) == {"made_of_steps"}
    truth = made.cases["indoors"].truth
    last = splits.filter(pl.col("run_id") == pl.col("run_id").max())
    mean_ms = float((last[CONTACT] * last["running_s"]).sum() / last["running_s"].sum())
    assert mean_ms == pytest.approx(float(truth.contact_time_ms.mean()), rel=0.001)


def test_heart_rate_that_follows_cadence_is_excluded_and_cadence_is_kept(made: Made):
    truth, row = made.cases["locked"].truth, made.quality("locked", HEART_RATE)
    n_locked = int(((truth.distance_m > 3000) & (truth.distance_m < 6000)).sum())
    assert (row["suspicion"], row["copied_share"]) == ("copied", pytest.approx(n_locked / truth.n, abs=0.005))
    assert made.quality("locked", CADENCE)["suspicion"] is None


def test_a_sensor_that_slipped_is_found_where_it_did_and_nothing_is_excluded(made: Made):
    row = made.quality("slipped", CONTACT)
    assert (row["suspicion"], row["measured_share"]) == ("sudden_step", 1.0)
    assert row["from_km"] == pytest.approx(made.cases["slipped"].about["step_km"], abs=0.3)


def test_a_clock_that_is_set_back_during_the_run_is_moved_on(made: Made):
    row = made.quality("summer-time", "clock")
    assert row["suspicion"] == "clock_set_back"
    assert row["corrected_share"] == pytest.approx(1841 / 3342, abs=0.001)


def test_each_run_with_something_to_say_has_one_line(made: Made):
    lines = quality_notices(made.tables["quality"], made.tables["recordings"], most=100)
    silent = {"good", "never-stuck"}
    assert {line.partition("/")[0] for line in lines} == set(made.cases) - silent
    assert (
        "one-foot/a.csv: cadence: 100 % excluded, looks like one foot counted; "
        "put `cadence_factor = 2` for it into corrections.toml if so."
    ) in lines
