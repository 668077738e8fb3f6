"""Odd clocks, sensors and pairs of recordings: what is said of each, and what one correction makes of it.

The files are made by `correction_files`, which shares no code with the pipeline. Distances are held to 0.5 %, times to
the millisecond, as published.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from datetime import timedelta
from itertools import product
from pathlib import Path

import polars as pl
import pytest

from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.notices import notices_of
from pipeline.refresh.refresh import check, refresh
from pipeline.store import sections
from pipeline.store.layout import read_table
from tests.odd import correction_files as files
from tests.odd.correction_files import Truth

pytestmark = pytest.mark.usefixtures("no_outputs")


class Club:
    """An inbox and its store."""

    def __init__(self, root: Path) -> None:
        self.inbox, self.store = root / "inbox", root / "store"
        self.put({"settings.toml": 'pages = "none"\n'})

    def put(self, content: Mapping[str, str]) -> None:
        for name, text in content.items():
            path = self.inbox / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")

    def correct(self, toml: str, where: str = "corrections.toml") -> None:
        self.put({where: f"[[correction]]\n{toml}\n"})

    def refresh(self) -> pl.DataFrame:
        """The ledger after a refresh; where there was a store, its tables are those of a full rebuild."""
        is_first = not self.store.exists()
        ledger = refresh(read_inbox(self.inbox), self.store, jobs=1)
        if is_first:
            return ledger
        anew = self.store.with_name(f"{self.store.name}-anew")
        refresh(read_inbox(self.inbox), anew, jobs=1)
        for table in ("recordings", "corrections", "runs", "splits", "run_drift"):
            assert self.table(table).equals(read_table(anew, table)), table
        return ledger

    def table(self, name: str) -> pl.DataFrame:
        return read_table(self.store, name)

    def said(self) -> list[str]:
        inbox = read_inbox(self.inbox)
        return notices_of(inbox, check(inbox, jobs=1))

    def run(self) -> dict[str, object]:
        """The one run of the store."""
        (row,) = self.table("runs").rows(named=True)
        return row

    def run_of(self, athlete_id: str) -> dict[str, object]:
        """The one run of an athlete."""
        (row,) = self.table("runs").filter(pl.col("athlete_id") == athlete_id).rows(named=True)
        return row


@pytest.fixture
def club(tmp_path: Path) -> Club:
    return Club(tmp_path)


def assert_true(run: Mapping[str, object], truth: Truth) -> None:
    assert run["started_at_utc"] == truth.began_at
    assert run["distance_km"] == pytest.approx(truth.distance_km, rel=0.005)
    assert run["moving_s"] == pytest.approx(truth.n_seconds - 1, abs=1e-3)


def test_steps_of_one_foot_are_doubled_and_only_where_they_are_of_one_foot(club: Club):
    one, both = files.run(), files.run("2026-03-15T09:00:00")
    club.put({"ari/a.csv": files.csv(one, cadence=0.5), "ari/b.csv": files.csv(both)})
    club.correct("cadence_factor = 2\nonly_if_cadence_below = 100")
    ledger = club.refresh()
    means = club.table("splits").group_by("run_id").agg(pl.col("cadence_spm").mean()).sort("run_id")["cadence_spm"]
    assert means.to_list() == pytest.approx([one.cadence_spm.mean(), both.cadence_spm.mean()], rel=0.005)
    assert ledger["reason"].str.contains("Corrected: cadence × 2 (corrections.toml)", literal=True).to_list() == [
        True, False,
    ]  # fmt: skip
    assert club.table("corrections").select("status", "n_applied", "n_guard_not_met").rows() == [("applied", 1, 1)]


def test_the_distance_of_a_treadmill_is_put_right(club: Club):
    truth = files.run()
    club.put({"ari/a.csv": files.csv(truth, distance=0.92)})
    club.refresh()
    assert club.run()["distance_km"] == pytest.approx(0.92 * truth.distance_km, rel=0.005)
    club.correct('file = "*.csv"\ndistance_factor = 1.086957', "ari/corrections.toml")
    club.refresh()
    assert_true(club.run(), truth)


def test_a_run_under_the_name_of_another_sport_becomes_one(club: Club):
    truth = files.run()
    club.put({f"{sport}/a.tcx": files.tcx((sport, truth)) for sport in ("Other", "biking")})
    club.put({"ari/b.csv": files.csv(files.run("2026-03-16T09:00:00"))})
    assert club.refresh()["status"].to_list() == ["not_running", "accepted", "not_running"]
    club.correct('file = "*/a.tcx"\nsport = "running"')
    assert club.refresh()["status"].to_list() == ["accepted"] * 3
    for run in club.table("runs").filter(pl.col("athlete_id") != "ari").rows(named=True):
        assert_true(run, truth)


def test_a_recording_is_left_out_for_a_reason_and_comes_back(club: Club):
    club.put({"ari/a.csv": files.csv(files.run()), "ari/b.csv": files.csv(files.run("2026-03-16T09:00:00"))})
    club.correct('from_date = 2026-03-16\nleave_out = "strap was lost"')
    ledger = club.refresh()
    assert ledger.select("status", "reason").row(1) == ("left_out", "Left out: strap was lost.")
    assert (club.table("runs").height, ledger["fix"].to_list()) == (1, [None, None])
    (club.inbox / "corrections.toml").unlink()
    assert club.refresh()["status"].to_list() == ["accepted", "accepted"]


def test_a_clock_that_was_slow_is_shifted(club: Club):
    truth = files.run()
    club.put({"ari/a.csv": files.csv(truth, clock_off_s=-5025)})
    club.correct('athlete_id = "ari"\nto_date = 2026-03-31\nclock_shift_s = 5025')
    club.refresh()
    assert_true(club.run(), truth)


def test_local_times_that_a_file_gives_for_utc_are_read_in_their_zone(club: Club):
    winter, summer = files.run(), files.run("2026-07-14T09:00:00")
    club.put({"ari/a.gpx": files.gpx(winter, clock_off_s=3600), "ari/b.gpx": files.gpx(summer, clock_off_s=7200)})
    club.correct('file = "*.gpx"\ntime_zone = "Europe/Berlin"', "ari/corrections.toml")
    club.refresh()
    for row, truth in zip(club.table("runs").rows(named=True), (winter, summer), strict=True):
        assert_true(row, truth)


def test_a_run_across_the_end_of_summer_time_keeps_its_order_by_a_local_clock(club: Club):
    truth = files.run("2026-10-25T00:50:00")  # in Berlin 02:50 of summer time; ten minutes later it is 02:00 again
    club.put({"ari/a.csv": files.csv(truth, local="Europe/Berlin")})
    club.correct('time_zone = "Europe/Berlin"')
    ledger = club.refresh()
    assert_true(club.run(), truth)
    assert "The clock was set back during the recording" in ledger["reason"][0]
    samples = pl.read_parquet(club.store / "tables" / "samples" / "**" / "*.parquet", hive_partitioning=False)
    assert samples["elapsed_s"].to_list() == [float(second) for second in range(truth.n_seconds)]
    assert samples["distance_m"].to_list() == pytest.approx(truth.distance_m.tolist(), abs=0.01)


def test_tags_reach_the_runs(club: Club):
    club.put({"ari/a.csv": files.csv(files.run()), "bo/b.csv": files.csv(files.run())})
    club.correct('athlete_id = "ari"\ntags = { weather = "heat", team = "north" }')
    club.refresh()
    assert club.table("runs").select("athlete_id", "tags").rows() == [("ari", "team=north; weather=heat"), ("bo", None)]


# --- Two recordings of one run ----------------------------------------------------------------------------------------


def assert_contact_time_is_true(club: Club, truth: Truth) -> None:
    splits = club.table("splits").filter(pl.col("length_m") > 999)
    assert splits.height == int(truth.distance_km)
    for km, contact_time_ms in splits.select("km", "contact_time_ms").iter_rows():
        assert contact_time_ms == pytest.approx(truth.contact_time_of_km(km), abs=0.5), km


@pytest.mark.parametrize("clock_off_s", [0.0, 7.0, -40.0])
def test_steps_without_distance_are_joined_to_the_recording_that_has_it(club: Club, clock_off_s: float):
    truth = files.run()
    club.put({"ari/insole.csv": files.steps(truth, clock_off_s=clock_off_s), "ari/watch.csv": files.csv(truth)})
    insole, watch = club.refresh().rows(named=True)
    assert_true(club.run(), truth)
    assert_contact_time_is_true(club, truth)
    assert (insole["status"], watch["status"]) == ("duplicate", "accepted")
    assert insole["clock_shift_s"] == pytest.approx(-clock_off_s, abs=1)
    assert insole["clock_agreement"] > 0.9
    assert insole["joined_quantities"] == "contact time, left share of contact"
    assert insole["reason"].startswith(
        "The same run as ari/watch.csv, to which it adds contact time, left share of contact. Its clock was aligned by"
    )
    assert str(club.run()["sensors"]).startswith("contact_time_ms: joined from another recording")
    quality = {row["quantity"]: row for row in club.table("quality").iter_rows(named=True)}
    assert quality["contact_time_ms"]["measured_share"] > 0.98


def test_two_recordings_that_begin_in_the_same_second_are_joined_too(club: Club):
    truth = files.run()
    positions = files.gpx(truth)
    club.put({"ari/a.gpx": positions, "ari/b.csv": files.csv(truth, contact=True, cadence=None, every_s=5)})
    ledger = club.refresh()
    assert ledger["status"].to_list() == ["duplicate", "accepted"]
    club.put({"ari/c.csv": files.csv(truth)})  # with cadence only: which one is kept, the others add what it lacks
    club.refresh()
    assert_true(club.run(), truth)
    assert_contact_time_is_true(club, truth)
    means = club.table("splits").select(pl.col("cadence_spm").mean()).item()
    assert means == pytest.approx(truth.cadence_spm.mean(), rel=0.005)


def test_altitude_is_joined_with_its_slope(club: Club):
    truth = files.run()
    club.put({"ari/pod.csv": files.csv(truth, contact=True), "ari/watch.gpx": files.gpx(truth, slope_pct=2.0)})
    pod, watch = club.refresh().rows(named=True)
    assert (pod["status"], watch["status"], watch["joined_quantities"]) == ("accepted", "duplicate", "altitude")
    assert watch["clock_agreement"] > 0.9  # by speed
    inner = club.table("splits").filter(pl.col("km").is_between(2, 4))
    assert inner["slope_pct"].to_list() == pytest.approx([2.0] * 3, abs=0.02)
    assert (club.run()["altitude"], inner["altitude"].unique().to_list()) == ("steady", ["steady"])
    assert_contact_time_is_true(club, truth)


def test_a_recording_that_goes_takes_with_it_what_it_added(club: Club):
    truth = files.run()
    club.put({"ari/watch.csv": files.csv(truth)})
    club.refresh()
    club.put({"ari/insole.csv": files.steps(truth, clock_off_s=3)})
    club.refresh()
    assert_contact_time_is_true(club, truth)
    (club.inbox / "ari" / "insole.csv").unlink()
    club.refresh()
    assert club.table("splits")["contact_time_ms"].null_count() == club.table("splits").height


def test_steps_alone_are_refused_with_what_to_do(club: Club):
    club.put({"ari/insole.csv": files.steps(files.run()), "ari/other.csv": files.csv(files.run("2026-03-15T09:00:00"))})
    insole, _ = club.refresh().rows(named=True)
    assert (insole["status"], insole["run_id"]) == ("rejected", None)
    assert "neither distance, speed, pace nor positions" in insole["reason"]
    assert "put another recording of the run next to it" in insole["fix"]


def test_steps_with_their_length_are_a_run_of_their_own(club: Club):
    truth = files.run()
    club.put({"ari/insole.csv": files.steps(truth, length=True)})
    club.refresh()
    run = club.run()
    assert run["distance_km"] == pytest.approx(truth.distance_km, rel=0.005)
    assert_contact_time_is_true(club, truth)


def test_a_clock_an_hour_off_is_said_and_one_correction_makes_one_run(club: Club):
    truth = files.run()
    club.put(
        {
            "ari/pod.csv": files.csv(truth, contact=True, cadence=None, clock_off_s=3605),
            "ari/watch.csv": files.csv(truth),
        }
    )
    pod, watch = club.refresh().rows(named=True)
    assert club.table("runs").height == 2
    named, other = (watch, pod) if watch["same_as_run"] else (pod, watch)
    assert named["same_as_run"] == other["run_id"]
    assert [one for one in club.said() if f'file = "{named["path"]}"' in one and "clock_shift_h = " in one] != []
    sign = "-" if named is pod else ""
    assert f"clock_shift_h = {sign}1." in named["fix"]
    club.correct(f'file = "{named["path"]}"\nclock_shift_h = {sign}1')
    assert sorted(club.refresh()["status"]) == ["accepted", "duplicate"]
    assert club.run()["distance_km"] == pytest.approx(truth.distance_km, rel=0.005)
    assert_contact_time_is_true(club, truth)
    assert club.said() == []


def test_two_runs_an_hour_apart_at_another_pace_are_two_runs(club: Club):
    club.put({"ari/a.csv": files.csv(files.run()), "ari/b.csv": files.csv(files.run("2026-03-14T10:00:00", km=5.3))})
    assert club.refresh()["same_as_run"].to_list() == [None, None]


# --- Off the bike -----------------------------------------------------------------------------------------------------


def after(truth: Truth, minutes: float, **more: object) -> Truth:
    begins = truth.began_at + timedelta(seconds=truth.n_seconds - 1, minutes=minutes)
    return files.run(begins.strftime("%Y-%m-%dT%H:%M:%S"), **more)  # type: ignore[arg-type]


def test_a_run_within_half_an_hour_of_a_ride_is_marked_with_the_length_of_the_ride(club: Club):
    ride = files.run(km=12)
    runs = {minutes: after(ride, minutes, seed=8) for minutes in (0, 29, 31)}
    for minutes, run in runs.items():
        club.put({f"one-file-{minutes}/a.tcx": files.tcx(("Biking", ride), ("Running", run))})
        club.put({f"two-files-{minutes}/a.gpx": files.gpx(ride, kind="cycling")})
        club.put({f"two-files-{minutes}/b.csv": files.csv(run)})
    club.refresh()
    rows = {row["athlete_id"]: row for row in club.table("runs").iter_rows(named=True)}
    assert len(rows) == 6
    for (minutes, run), kind in product(runs.items(), ("one-file", "two-files")):
        row = rows[f"{kind}-{minutes}"]
        assert_true(row, run)
        assert row["after_ride"] is (minutes < 30), row["athlete_id"]
        if minutes < 30:
            assert row["ride_km"] == pytest.approx(ride.distance_km, rel=0.005)
            assert row["ride_s"] == ride.n_seconds - 1


# --- Copies -----------------------------------------------------------------------------------------------------------


def zipped(name: str, content: str) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr(name, content)
    return packed.getvalue()


@pytest.mark.parametrize(
    ("n_sections", "copy"),
    [
        (1, "ari/0-copies.zip"),
        (1, "ari/z-copy.csv"),
        (4, "ari/0-copy.csv"),
        *(
            pytest.param(*of, marks=pytest.mark.depth)
            for of in ((1, "ari/0-copy.csv"), (4, "ari/0-copies.zip"), (4, "ari/z-copy.csv"))
        ),
    ],
)
def test_a_copy_of_a_recording_takes_nothing_from_what_is_said_of_it(
    club: Club, monkeypatch: pytest.MonkeyPatch, copy: str, n_sections: int
):
    monkeypatch.setattr(sections, "MOST_ATHLETES", 1024 if n_sections == 1 else 1)
    truth = files.run()
    content = files.csv(truth, distance=1 / 1.05)
    club.put(
        {"ari/long.csv": content, "bo/a.csv": files.csv(files.run(seed=4)), "cai/a.csv": files.csv(files.run(seed=5))}
    )
    club.put({"sessions.csv": "file,kind,surface\nari/long.csv,race,trail\n"})
    club.correct('file = "ari/long.csv"\ndistance_factor = 1.05')
    club.refresh()
    before = club.run_of("ari")
    assert_true(before, truth)
    (club.inbox / copy).write_bytes(zipped("a.csv", content) if copy.endswith(".zip") else content.encode())
    ledger = club.refresh()
    assert ledger.filter(pl.col("file") == copy)["status"].to_list() == ["duplicate"]
    assert club.run_of("ari") == before
    assert club.table("corrections").select("status", "n_applied", "n_duplicates").rows() == [("applied", 1, 0)]
    assert club.said() == []


@pytest.mark.parametrize("copy", ["ari/0-copy.csv", "ari/z-copy.csv"])
def test_what_is_said_of_a_copy_is_said_of_the_run(club: Club, copy: str):
    content = files.csv(files.run())
    club.put({"ari/long.csv": content, copy: content, "sessions.csv": f"file,kind,surface\n{copy},race,trail\n"})
    club.refresh()
    club.correct('file = "ari/long.csv"\ndistance_factor = 1.05')
    ledger = club.refresh()  # the correction decides which is kept, and the line is of the run all the same
    assert ledger.filter(pl.col("status") == "accepted")["path"].to_list() == ["ari/long.csv"]
    assert [club.run()[column] for column in ("kind", "surface", "session_line")] == ["race", "trail", 2]
    assert club.table("corrections")["status"].to_list() == ["applied"]
    (club.inbox / "corrections.toml").unlink()
    ledger = club.refresh()
    assert ledger.filter(pl.col("status") == "accepted")["path"].to_list() == [copy]
    assert [club.run()[column] for column in ("kind", "surface")] == ["race", "trail"]
