"""Which recordings of an athlete are of one run."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipeline.refresh.duplicates import best_of_each_start, with_several_athletes, without_duplicates

NINE = datetime(2026, 3, 14, 9, tzinfo=UTC)
SAME = {
    "lacks": None, "n_quantities": 2, "is_damaged": False, "n_samples": 100, "session": 1, "is_corrected": False,
    "is_listed": False,
}  # fmt: skip


def recorded(*runs: dict[str, object]) -> list[tuple[str, int, str]]:
    """Rows of (path, session, run kept) for runs given by path, minutes of start and end, and what differs."""
    rows = [
        {
            **SAME,
            **run,
            "run_id": f"run of {run['path']}",
            "started_at_utc": NINE + timedelta(minutes=run["from"]),  # type: ignore[arg-type]
            "ended_at_utc": NINE + timedelta(minutes=run["to"]),  # type: ignore[arg-type]
        }
        for run in runs
    ]
    return without_duplicates(pl.DataFrame(rows)).rows()


def test_runs_that_follow_each_other_are_different_runs():
    assert recorded({"path": "a", "from": 0, "to": 30}, {"path": "b", "from": 31, "to": 60}) == []


def test_a_run_that_begins_in_the_instant_another_ends_is_a_run_of_its_own():
    assert recorded({"path": "a", "from": 0, "to": 30}, {"path": "b", "from": 30, "to": 60}) == []


@pytest.mark.parametrize(("begun", "same"), [(45, [("b", 1, "run of a")]), (46, [])])
def test_runs_that_share_half_of_the_shorter_are_one(begun: int, same: list[tuple[str, int, str]]):
    assert recorded({"path": "a", "from": 0, "to": 60}, {"path": "b", "from": begun, "to": begun + 30}) == same


@pytest.mark.parametrize(
    "better",
    [
        {"n_quantities": 3, "is_damaged": True, "n_samples": 1},  # most quantities, whatever else
        {"n_samples": 101},
    ],
)
def test_the_recording_that_measured_more_is_kept(better: dict[str, object]):
    worse = {"path": "a", "from": 0, "to": 30}
    assert recorded(worse, {"path": "b", "from": 0, "to": 30, **better}) == [("a", 1, "run of b")]


def test_with_equal_quantities_the_undamaged_one_is_kept_even_if_shorter():
    assert recorded(
        {"path": "a", "from": 0, "to": 30, "is_damaged": True, "n_samples": 999}, {"path": "b", "from": 0, "to": 30}
    ) == [("a", 1, "run of b")]


def test_with_everything_equal_the_first_path_then_the_first_session_is_kept():
    equal = {"from": 0, "to": 30}
    assert recorded({"path": "b", **equal}, {"path": "a", **equal, "session": 2}, {"path": "a", **equal}) == [
        ("a", 2, "run of a"),
        ("b", 1, "run of a"),
    ]


@pytest.mark.parametrize(
    ("of_first", "of_second", "lost"),
    [
        ({}, {"is_listed": True}, "a"),
        ({}, {"is_corrected": True}, "a"),
        ({"is_listed": True}, {"is_corrected": True}, "a"),
        ({"is_listed": True}, {"is_listed": True}, "b"),
        ({"n_samples": 101}, {"is_corrected": True, "is_listed": True}, "b"),  # the better one, whatever is said of it
    ],
)
def test_of_equally_good_ones_that_which_corrections_then_sessions_name_is_kept(
    of_first: dict[str, object], of_second: dict[str, object], lost: str
):
    equal = {"from": 0, "to": 30}
    told = recorded({"path": "a", **equal, **of_first}, {"path": "b", **equal, **of_second})
    assert [path for path, _, _ in told] == [lost]


def test_of_two_that_begin_in_the_same_second_the_better_one_is_taken_and_of_no_two_all_are():
    rows = pl.DataFrame(
        [
            {**SAME, "lacks": "distance", "run_id": "x", "path": "a"},
            {**SAME, "run_id": "x", "path": "b"},
            {**SAME, "run_id": "y", "path": "c"},
        ],
        schema_overrides={"lacks": pl.String},
    )
    assert sorted(best_of_each_start(rows)["path"]) == ["b", "c"]
    assert best_of_each_start(rows[1:])["path"].to_list() == ["b", "c"]


def test_no_runs_have_no_duplicates():
    rows = pl.DataFrame(schema={"path": pl.String, **dict.fromkeys(SAME, pl.Int64)})
    none = rows.with_columns(run_id=pl.lit(""), started_at_utc=pl.lit(NINE), ended_at_utc=pl.lit(NINE))
    assert without_duplicates(none).schema == {"path": pl.String, "session": pl.Int64, "duplicate_of": pl.String}


# --- One recording, several athletes ---------------------------------------------------------------------------------


def ledger(*rows: tuple[str, str, str]) -> pl.DataFrame:
    """Rows of path, SHA-256 and status; the athlete is the folder."""
    named = pl.DataFrame(rows, schema=["path", "sha256", "status"], orient="row")
    return named.with_columns(athlete_id=pl.col("path").str.split("/").list.first())


def test_recordings_that_lie_with_two_athletes_are_named_once_a_pair():
    assert with_several_athletes(
        ledger(
            ("ari/a.fit", "11", "accepted"), ("bo/b.fit", "11", "accepted"), ("ari/c.fit", "22", "salvaged"),
            ("bo/c.fit", "22", "accepted"), ("bo/own.fit", "33", "accepted"),
        )
    ) == [
        "2 recordings of ari and bo are the same to the byte and count for each of them, such as 'ari/a.fit' and "
        "'bo/b.fit'. Keep each only with the athlete who ran it."
    ]  # fmt: skip


def test_a_recording_that_lies_with_three_is_told_in_one_sentence():
    assert with_several_athletes(
        ledger(("ari/a.fit", "11", "accepted"), ("bo/a.fit", "11", "accepted"), ("cy/a.fit", "11", "accepted"))
    ) == [
        "1 recording of ari and 2 others is the same to the byte and counts for each of them, such as 'ari/a.fit' and "
        "'bo/a.fit'. Keep each only with the athlete who ran it."
    ]


@pytest.mark.parametrize("status", ["rejected", "duplicate"])
def test_what_is_not_used_twice_is_not_named(status: str):
    assert with_several_athletes(ledger(("ari/a.fit", "11", "accepted"), ("bo/a.fit", "11", status))) == []


def test_copies_in_one_athletes_folder_and_files_that_could_not_be_opened_are_not_named():
    copies = ledger(("ari/a.fit", "11", "accepted"), ("ari/b.fit", "11", "accepted"))
    unread = ledger(("ari/a.fit", "11", "accepted"), ("bo/a.fit", "11", "accepted")).with_columns(
        sha256=pl.lit(None, dtype=pl.String)
    )
    assert (with_several_athletes(copies), with_several_athletes(unread)) == ([], [])
