"""The whole line, from an inbox to a store: nothing is lost on the way, a state is published whole or not at all."""

from __future__ import annotations

import csv
import io
import os
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.core.errors import BrokenPromise, NothingDone, UsageError
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.by_section import SHARD_FILES
from pipeline.refresh.redraw import rebuild_pages
from pipeline.refresh.refresh import check, refresh
from pipeline.store.layout import read_table
from pipeline.tables import TABLES, publishable
from pipeline.workers.pool import FEW_FILES
from tests.support.demo_store import CLUB, Refreshed
from tests.support.fit_runs import fit_run

Make = Callable[[Mapping[str, bytes | str]], Path]
TRUTH = CLUB.parent / "truth.csv"


@pytest.fixture
def line(
    tiny_inbox: Make,
    tmp_path: Path,
    no_outputs: None,  # noqa: ARG001
) -> Callable[[Mapping[str, bytes | str]], Refreshed]:
    """Take an inbox of the files given by path through the line, up to the tables."""

    def run(files: Mapping[str, bytes | str]) -> Refreshed:
        inbox = read_inbox(tiny_inbox({"settings.toml": 'pages = "none"\n', **files}))
        return Refreshed(tmp_path / "store", refresh(inbox, tmp_path / "store", jobs=1))

    return run


RunContext = Callable[[Mapping[str, bytes | str]], Refreshed]


def fates(refreshed: Refreshed) -> dict[str, str]:
    return dict(refreshed.ledger.select("path", "status").iter_rows())


# --- The ledger ------------------------------------------------------------------------------------------------------


def test_every_file_of_the_demo_club_has_a_row_in_the_ledger(demo: Refreshed):
    files = {path.relative_to(CLUB).as_posix() for path in CLUB.glob("*/**/*") if path.is_file()}
    assert set(demo.ledger["path"]) == files
    assert_frame_equal(demo.table("recordings").sort("path", "session"), demo.ledger)


def test_every_accepted_run_is_in_runs_and_no_other(demo: Refreshed):
    used = demo.ledger.filter(pl.col("status").is_in(["accepted", "salvaged"]))
    runs = demo.table("runs")
    assert sorted(used["run_id"]) == sorted(runs["run_id"])
    assert runs["run_id"].is_unique().all()
    assert demo.ledger.filter(pl.col("status").is_in(["rejected", "not_running"]))["run_id"].null_count() == 2


def test_what_is_odd_in_the_demo_club_meets_the_fate_that_its_page_tells(demo: Refreshed):
    odd = demo.ledger.filter(pl.col("status") != "accepted").select("path", "session", "status").rows()
    assert odd == [
        ("brine/copy-from-the-old-phone.fit.gz", 1, "duplicate"),
        ("ember/2026-05-09-ride-then-run.fit.gz", 1, "not_running"),
        ("gull/2026-04/2026-04-03-oil-round-by-bicycle.fit.gz", 1, "not_running"),
        ("tallow/2026-05-28-battery-died.fit", 1, "salvaged"),
    ]


def test_everything_that_was_not_used_says_why(demo: Refreshed):
    assert (demo.ledger["reason"].str.len_chars() > 10).all()
    rejected = pl.read_csv(demo.store / "rejected" / "rejected.csv")
    assert rejected["status"].to_list() == ["duplicate", "not_running", "not_running"]


# --- Sums ------------------------------------------------------------------------------------------------------------


def test_splits_sum_to_runs(demo: Refreshed):
    sums = demo.table("splits").group_by("run_id").agg(
        km=pl.col("length_m").sum() / 1000, moving_s=pl.col("moving_s").sum(), last=pl.col("km").max(), n=pl.len()
    )  # fmt: skip
    both = demo.table("runs").join(sums, on="run_id", how="full", validate="1:1")
    assert both.null_count()["run_id"][0] == both.null_count()["run_id_right"][0] == 0
    assert both["last"].to_list() == both["n"].to_list()
    # Each split is rounded to 0.01 m and 0.01 s, each run to 1 m and 0.1 s.
    assert (both["distance_km"] - both["km"]).abs().max() < 0.0005 + 0.005 * 31 / 1000
    assert (both["moving_s"] - both["moving_s_right"]).abs().max() < 0.05 + 0.005 * 31


def test_samples_sum_to_runs_and_belong_to_them(demo: Refreshed):
    sums = (
        demo.table("samples")
        .group_by("run_id")
        .agg(km=pl.col("covered_m").sum() / 1000, end=pl.col("distance_m").max())
    )
    both = demo.table("runs").join(sums, on="run_id", how="full", validate="1:1")
    assert both.null_count()["run_id"][0] == both.null_count()["run_id_right"][0] == 0
    assert (both["distance_km"] - both["end"] / 1000).abs().max() < 0.002
    assert (both["distance_km"] - both["km"]).abs().max() < 0.05


@pytest.mark.parametrize("table", TABLES)
def test_no_row_speaks_of_a_run_that_is_not_in_runs(demo: Refreshed, table: str):
    rows = demo.table(table)
    if "run_id" in rows.columns and table != "recordings":
        assert set(rows["run_id"]) <= set(demo.table("runs")["run_id"])
    assert rows.select(TABLES[table].primary_key()).is_duplicated().sum() == 0


# --- The same answer -------------------------------------------------------------------------------------------------


def assert_equal_stores(one: Path, other: Path) -> None:
    for table in TABLES:
        assert_frame_equal(read_table(one, table), read_table(other, table), check_exact=True)


@pytest.mark.slow
def test_two_workers_give_the_same_tables_as_one_process(tiny_inbox: Make, tmp_path: Path):
    days = range(1, 1 + FEW_FILES // 2)
    inbox = read_inbox(
        tiny_inbox({f"{name}/{day}.fit": fit_run(f"2026-03-{day:02}T09:00:00", km=1) for name in "ab" for day in days})
    )
    for n_workers in (1, 2):
        refresh(inbox, tmp_path / f"{n_workers}", jobs=n_workers)
    assert_equal_stores(tmp_path / "1", tmp_path / "2")
    for name in ("athlete_drift.csv", "recordings.csv"):
        assert len({(tmp_path / f"{n_workers}" / "exports" / name).read_bytes() for n_workers in (1, 2)}) == 1


def test_a_second_refresh_of_the_same_inbox_changes_nothing(line: RunContext, tmp_path: Path):
    first = line({"ari/a.fit": fit_run(), "ari/b.csv": "elapsed_s,distance_m\n0,0\n9,30\n", "bo/c.fit": b"broken"})
    again = refresh(read_inbox(tmp_path / "inbox"), tmp_path / "again", jobs=1)
    assert_frame_equal(first.ledger, again)
    assert_equal_stores(first.store, tmp_path / "again")


def test_check_judges_as_refresh_does_and_writes_nothing(line: RunContext, tmp_path: Path):
    files = {f"ari/{day:02}.fit": fit_run(f"2026-03-{day:02}T09:00:00", km=0.2) for day in range(1, SHARD_FILES + 2)}
    refreshed = line(files | {"ari/copy.fit": files["ari/01.fit"], "bo/x.fit": b"broken"})
    before = sorted(tmp_path.rglob("*"))
    assert_frame_equal(check(read_inbox(tmp_path / "inbox"), jobs=1), refreshed.ledger)
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.usefixtures("no_outputs")
def test_progress_counts_every_file_once(tiny_inbox: Make, tmp_path: Path):
    folder = tiny_inbox({f"{name}/{number}.fit": fit_run(km=0.1) for name in ("ari", "bo") for number in range(3)})
    told: list[tuple[int, int]] = []
    refresh(read_inbox(folder), tmp_path / "store", jobs=1, progress=lambda done, total: told.append((done, total)))
    assert told == [(3, 6), (6, 6)]


# --- Runs and duplicates ---------------------------------------------------------------------------------------------


def test_two_runs_of_an_athlete_are_two_runs(line: RunContext):
    found = line(
        {"ari/a.fit": fit_run("2026-03-14T09:00:00", km=2.5), "ari/b.fit": fit_run("2026-03-15T09:00:00", km=1)}
    )
    assert found.table("runs").select("run_id", "distance_km").rows() == [
        ("ari-20260314T090000Z", 2.5),
        ("ari-20260315T090000Z", 1.0),
    ]
    assert found.table("splits").select("run_id", "km", "length_m").rows() == [
        ("ari-20260314T090000Z", 1, 1000.0),
        ("ari-20260314T090000Z", 2, 1000.0),
        ("ari-20260314T090000Z", 3, 500.0),
        ("ari-20260315T090000Z", 1, 1000.0),
    ]


def test_the_same_start_of_two_athletes_is_two_runs(line: RunContext):
    found = line({"ari/a.fit": fit_run(km=1), "bo/a.fit": fit_run(km=1)})
    assert found.table("runs")["run_id"].to_list() == ["ari-20260314T090000Z", "bo-20260314T090000Z"]


@pytest.mark.parametrize("n_between", [0, SHARD_FILES], ids=["in one shard", "across shards"])
def test_of_two_recordings_of_a_run_the_fuller_one_is_kept_and_counted_once(line: RunContext, n_between: int):
    lost = {"contact_time_ms": 5000.0}  # impossible: set aside, in both recordings
    between = {f"ari/b{day:02}.fit": fit_run(f"2026-02-{day:02}T09:00:00", km=0.1) for day in range(1, n_between + 1)}
    found = line(
        {
            "ari/a.fit": fit_run(km=2, **lost),
            **between,
            "ari/c.fit": fit_run(km=2, heart_rate_bpm=150.0, **lost),
        }
    )
    ledger = {row["path"]: row for row in found.ledger.iter_rows(named=True)}
    assert ledger["ari/a.fit"]["status"] == "duplicate"
    assert ledger["ari/a.fit"]["reason"] == "The same run as ari/c.fit, which holds at least as much."
    assert ledger["ari/a.fit"]["run_id"] == ledger["ari/c.fit"]["run_id"] == "ari-20260314T090000Z"
    splits = found.table("splits").filter(run_id="ari-20260314T090000Z")
    assert splits.select("km", "length_m", "heart_rate_bpm").rows() == [(1, 1000.0, 150.0), (2, 1000.0, 150.0)]
    assert found.table("exclusions").filter(run_id="ari-20260314T090000Z").height == 1


@pytest.mark.parametrize("n_between", [0, SHARD_FILES], ids=["in one shard", "across shards"])
def test_what_overlaps_only_with_a_duplicate_is_a_run_of_its_own(line: RunContext, n_between: int):
    # A is better than B and worse than C; it overlaps with both by more than half, but they hardly with each other.
    between = {f"ari/b{day:02}.fit": fit_run(f"2026-02-{day:02}T09:00:00", km=0.1) for day in range(1, n_between + 1)}
    found = line(
        {
            "ari/a.fit": fit_run("2026-03-14T09:07:00", km=3, altitude_m=5.0),
            "ari/b.fit": fit_run("2026-03-14T09:14:00", km=3),
            **between,
            "ari/c.fit": fit_run("2026-03-14T09:00:00", km=3, altitude_m=5.0, heart_rate_bpm=150.0),
        }
    )
    runs = dict(found.ledger.select("path", "run_id").iter_rows())
    assert [fates(found)[f"ari/{name}.fit"] for name in "abc"] == ["duplicate", "accepted", "accepted"]
    assert runs["ari/a.fit"] == runs["ari/c.fit"] == "ari-20260314T090000Z"
    assert found.table("runs").filter(pl.col("run_id") == runs["ari/b.fit"])["distance_km"].to_list() == [3.0]


# --- Odd inboxes -----------------------------------------------------------------------------------------------------


def test_one_bad_file_stops_nothing(line: RunContext):
    found = line({"ari/a.fit": fit_run(km=1), "ari/b.fit": b"broken", "ari/c.xyz": b"", "bo/empty.csv": b""})
    assert fates(found) == {
        "ari/a.fit": "accepted", "ari/b.fit": "rejected", "ari/c.xyz": "rejected", "bo/empty.csv": "rejected",
    }  # fmt: skip


def test_a_file_in_the_inbox_itself_belongs_to_no_athlete(line: RunContext):
    found = line({"ari/a.fit": fit_run(km=1), "loose.fit": fit_run(km=1)})
    row = found.ledger.row(by_predicate=pl.col("path") == "loose.fit", named=True)
    assert (row["athlete_id"], row["status"]) == (None, "rejected")
    assert row["reason"] == "The file is in the inbox itself, so it belongs to no athlete."
    assert row["fix"] == (
        "Give its athlete in sessions.csv (columns file, athlete_id), or let `splitdrift sort` put it and others like "
        "it into the athletes' folders; if it is no recording, move it out of the inbox."
    )


@pytest.mark.usefixtures("no_outputs")
def test_a_file_that_cannot_be_opened_is_rejected_with_the_systems_words(tiny_inbox: Make, tmp_path: Path):
    folder = tiny_inbox({"ari/a.fit": fit_run(km=1), "ari/b.fit": fit_run(km=1)})
    inbox = read_inbox(folder)
    (folder / "ari" / "b.fit").unlink()
    row = refresh(inbox, tmp_path / "store", jobs=1).row(1, named=True)
    assert (row["path"], row["status"]) == ("ari/b.fit", "rejected")
    assert row["reason"] == "The file cannot be opened: No such file or directory."
    assert row["fix"] == "Check its permissions and its name; a name that is not valid UTF-8 must be changed."


@pytest.mark.usefixtures("no_outputs")
def test_a_name_that_is_no_utf8_does_not_stop_the_others(tiny_inbox: Make, tmp_path: Path):
    folder = tiny_inbox({"ari/a.fit": fit_run(km=1)})
    with open(os.fsencode(folder / "ari") + b"/\xff.fit", "wb") as file:
        file.write(fit_run(km=1))
    ledger = refresh(read_inbox(folder), tmp_path / "store", jobs=1)
    assert ledger.select("path", "status").rows() == [("ari/\\xff.fit", "rejected"), ("ari/a.fit", "accepted")]


def test_an_archive_with_two_files_of_one_name_gives_both_runs(line: RunContext):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("spring/a.fit", fit_run("2026-03-14T09:00:00", km=1))
        archive.writestr("spring/b.fit", fit_run("2026-03-15T09:00:00", km=1))
        archive.writestr("spring/./a.fit", b"broken")
    found = line({"ari/all.zip": packed.getvalue()})
    assert found.ledger.height == 3
    assert found.table("runs").height == 2


def test_a_recording_without_a_clock_takes_its_start_from_sessions(line: RunContext):
    rows = "elapsed_s,distance_m\n" + "".join(f"{second},{3 * second}\n" for second in range(400))
    found = line(
        {
            "ari/a.csv": rows,
            "ari/b.csv": rows,
            "sessions.csv": "file,started_at_utc,kind\nari/a.csv,2026-03-14T09:30:00Z,test\n",
        }
    )
    assert found.table("runs").select("run_id", "kind").rows() == [("ari-20260314T093000Z", "test")]
    row = found.ledger.row(by_predicate=pl.col("path") == "ari/b.csv", named=True)
    assert row["reason"] == "The file says how much time went by but not when it began."
    assert row["fix"] == ('Add a line "ari/b.csv,YYYY-MM-DDTHH:MM:SSZ" under "file,started_at_utc" in sessions.csv.')


def test_a_run_on_the_spot_covers_no_distance_and_is_rejected(line: RunContext):
    found = line({"ari/a.fit": fit_run(km=1), "ari/b.csv": "time_utc,distance_m\n" + "".join(
        f"2026-03-14T12:00:{second:02}Z,0\n" for second in range(60))})  # fmt: skip
    row = found.ledger.row(by_predicate=pl.col("path") == "ari/b.csv", named=True)
    assert (row["status"], row["reason"]) == ("rejected", "The session covers no distance.")


def test_settings_of_the_inbox_are_in_force(line: RunContext):
    found = line({"ari/a.fit": fit_run(km=2), "settings.toml": "split_length_m = 500\n"})
    assert found.table("splits")["length_m"].to_list() == [500.0] * 4


def test_athletes_and_stores_may_have_any_name_that_a_folder_may_have(tiny_inbox: Make, tmp_path: Path):
    names = ["007", "50% fit", "a=b", "Ödön [2]", "o'neil"]
    store = tmp_path / "the coach's [old] store"
    refresh(read_inbox(tiny_inbox({f"{name}/a.fit": fit_run(km=1) for name in names})), store, jobs=1)
    for table in ("samples", "splits"):
        lazy = pl.scan_parquet(store / "tables" / table, hive_partitioning=True, glob=False)
        assert sorted(lazy.select("athlete_id").unique().collect()["athlete_id"]) == sorted(names)
    assert Refreshed(store, pl.DataFrame()).table("samples")["run_id"].n_unique() == len(names)
    assert rebuild_pages(store, jobs=1) == len(names)


# --- Whole or not at all ---------------------------------------------------------------------------------------------


def state(store: Path) -> dict[str, bytes]:
    return {path.relative_to(store).as_posix(): path.read_bytes() for path in store.rglob("*") if path.is_file()}


def test_an_inbox_without_any_run_leaves_the_old_store_and_names_the_first_reason(line: RunContext, tmp_path: Path):
    store = line({"ari/a.fit": fit_run(km=1)}).store
    before = state(store)
    (tmp_path / "inbox" / "ari" / "a.fit").write_bytes(b"broken")
    with pytest.raises(NothingDone, match=r"The only file in .*inbox gave no run\. ari/a\.fit: "):
        refresh(read_inbox(tmp_path / "inbox"), store, jobs=1)
    assert state(store) == before


def test_a_refresh_that_breaks_half_way_leaves_the_old_store(
    line: RunContext, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    store = line({"ari/a.fit": fit_run(km=1)}).store
    before = state(store)
    (tmp_path / "inbox" / "ari" / "b.fit").write_bytes(fit_run("2026-03-15T09:00:00", km=1))

    def full_disk(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pipeline.refresh.club.write_table", full_disk)
    with pytest.raises(OSError, match="No space left on device"):
        refresh(read_inbox(tmp_path / "inbox"), store, jobs=1)
    assert state(store) == before


def test_a_store_that_holds_other_things_is_refused_before_anything_is_read(tiny_inbox: Make, tmp_path: Path):
    folder = tiny_inbox({"ari/a.fit": fit_run(km=1)})
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "dear-coach.txt").write_text("hello")
    with pytest.raises(UsageError, match=r"letters holds other things than a store of splitdrift"):
        refresh(read_inbox(folder), tmp_path / "letters", jobs=1)
    assert state(tmp_path / "letters") == {"dear-coach.txt": b"hello"}


def test_an_athlete_who_left_the_inbox_leaves_the_store(line: RunContext, tmp_path: Path):
    store = line({"ari/a.fit": fit_run(km=1), "bo/a.fit": fit_run(km=1)}).store
    (tmp_path / "inbox" / "bo" / "a.fit").unlink()
    refresh(read_inbox(tmp_path / "inbox"), store, jobs=1)
    assert read_table(store, "splits")["athlete_id"].unique().to_list() == ["ari"]
    assert [path.name for path in (store / "tables" / "samples").iterdir()] == ["athlete_id=ari"]


def test_a_run_that_breaks_a_promise_of_ours_leaves_no_samples_behind(
    line: RunContext, monkeypatch: pytest.MonkeyPatch
):
    def broken(table: str, rows: pl.DataFrame, **more: Any) -> pl.DataFrame:
        if table == "splits" and "bo" in rows["run_id"].str.slice(0, 2).to_list():
            raise BrokenPromise("a rule")
        return publishable(table, rows, **more)

    monkeypatch.setattr("pipeline.refresh.shard.publishable", broken)
    refreshed = line({"ari/a.fit": fit_run(km=1), "bo/a.fit": fit_run(km=1)})
    assert fates(refreshed) == {"ari/a.fit": "accepted", "bo/a.fit": "rejected"}
    assert [path.name for path in (refreshed.store / "tables" / "samples").iterdir()] == ["athlete_id=ari"]


def test_a_run_whose_laps_break_a_promise_of_ours_is_in_no_table(line: RunContext, monkeypatch: pytest.MonkeyPatch):
    def broken(table: str, rows: pl.DataFrame, **more: Any) -> pl.DataFrame:
        if table == "lap_splits" and rows["run_id"].str.contains("20260315").any():
            raise BrokenPromise("a rule")
        return publishable(table, rows, **more)

    monkeypatch.setattr("pipeline.refresh.shard.publishable", broken)
    refreshed = line({f"ari/{day}.fit": fit_run(f"2026-03-{day}T09:00:00", km=5, laps_s=(300,)) for day in (14, 15)})
    assert fates(refreshed) == {"ari/14.fit": "accepted", "ari/15.fit": "rejected"}
    tables = ("recordings", "runs", "quality", "splits", "lap_splits", "single_runs")
    named = {run_id for table in tables for run_id in refreshed.table(table)["run_id"].drop_nulls()}
    assert named == {"ari-20260314T090000Z"}


# --- What was planted in the demo club -------------------------------------------------------------------------------


def truth() -> list[dict[str, str]]:
    with TRUTH.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


#: Cadence and contact time of athletes with enough runs, where the drift is a straight line from the start.
PLANTED = [
    (row["athlete_id"], row["metric"], float(row["planted_drift_pct_per_10km"]))
    for row in truth()
    if row["metric"] in ("cadence_spm", "contact_time_ms")
    and not row["onset_km"]
    and row["athlete_id"] not in ("pip", "moss")
]


def drift_of(demo: Refreshed, athlete_id: str, metric: str) -> dict[str, float]:
    rows = demo.table("athlete_drift").filter(athlete_id=athlete_id, metric=metric)
    return rows.row(0, named=True)


@pytest.mark.parametrize(("athlete_id", "metric", "planted"), PLANTED)
def test_what_was_planted_lies_in_the_interval(demo: Refreshed, athlete_id: str, metric: str, planted: float):
    # Fourteen 95 % intervals miss once in two clubs by chance alone: each is widened by half of its reach, to 99.7 %.
    row = drift_of(demo, athlete_id, metric)
    reach = (row["drift_high"] - row["drift_low"]) / 2
    assert row["drift_low"] - reach / 2 <= planted <= row["drift_high"] + reach / 2
    assert 0 < reach < 2.5


@pytest.mark.parametrize("metric", ["cadence_spm", "contact_time_ms"])
def test_who_only_slows_down_changes_in_the_raw_numbers_but_not_at_equal_speed(demo: Refreshed, metric: str):
    row = drift_of(demo, "tallow", metric)
    raw, sign = row["raw_pct_per_10km"], {"cadence_spm": -1, "contact_time_ms": 1}[metric]
    assert sign * raw > 1.2
    assert row["drift_low"] < 0 < row["drift_high"]
    assert abs(row["drift_pct_per_10km"]) < abs(raw) / 3
    assert sign * row["speed_part_pct"] > 0


def test_whose_hills_come_late_changes_with_slope_but_not_on_the_level(demo: Refreshed):
    row = drift_of(demo, "crag", "contact_time_ms")
    assert abs(row["slope_part_pct"]) > abs(row["drift_pct_per_10km"])


@pytest.mark.parametrize(("metric", "sign"), [("cadence_spm", -1), ("contact_time_ms", 1)])
def test_whose_form_breaks_at_km_9_is_found_to_drift_that_way(demo: Refreshed, metric: str, sign: int):
    row = drift_of(demo, "brine", metric)
    assert sign * row["drift_pct_per_10km"] > 0
    assert row["drift_low"] > 0 or row["drift_high"] < 0


@pytest.mark.parametrize("metric", ["cadence_spm", "contact_time_ms"])
def test_two_runs_are_too_few_to_tell(demo: Refreshed, metric: str):
    row = drift_of(demo, "pip", metric)
    assert (row["n_runs"], row["drift_pct_per_10km"], row["p_value"]) == (2, None, None)


def test_who_records_neither_cadence_nor_contact_time_has_no_drift_of_them(demo: Refreshed):
    rows = demo.table("athlete_drift").filter(pl.col("athlete_id") == "moss")
    assert rows["drift_pct_per_10km"].null_count() == rows.height


def test_a_store_inside_the_inbox_is_refused():
    found = read_inbox(CLUB)
    with pytest.raises(UsageError, match=r"--store .*store is inside the inbox .*, whose folders are athletes"):
        refresh(found, CLUB / "store", jobs=1)
    assert not (CLUB / "store").exists()
