"""Which run a row of sessions.csv describes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl

from pipeline.methods.session_matching import sessions_of_runs

NINE = datetime(2026, 3, 14, 9, tzinfo=UTC)


def matches(
    runs: dict[str, int], *rows: tuple[str | None, int | None], duplicates: dict[str, str] | None = None
) -> list[tuple[int, str, bool]]:
    """Line, run and whether it is used; runs by the seconds after nine of their start, rows by file or seconds.

    Duplicates are given by the path of the file, or of one in an archive, and the run that was kept.
    """
    recorded = pl.DataFrame(
        [("ari", f"ari/{name}.fit", name, NINE + timedelta(seconds=at)) for name, at in runs.items()],
        schema=["athlete_id", "file", "run_id", "started_at_utc"],
        orient="row",
    ).with_columns(path="file")
    listed = [
        (line, file, "ari", None if at is None else NINE + timedelta(seconds=at))
        for line, (file, at) in enumerate(rows, start=2)
    ]
    schema = {"line": pl.Int64, "file": pl.String, "athlete_id": pl.String, "started_at_utc": pl.Datetime("us", "UTC")}
    ledger = pl.DataFrame(
        [(run_id, "duplicate", path.partition("!")[0], path) for path, run_id in (duplicates or {}).items()],
        schema=dict.fromkeys(("run_id", "status", "file", "path"), pl.String),
        orient="row",
    )
    found = sessions_of_runs(recorded, ledger, pl.DataFrame(listed, schema=schema, orient="row"))
    return found.select("line", "run_id", "is_used").sort("line").rows()


def test_a_start_is_of_the_nearest_run():
    assert matches({"a": 0, "b": 290}, (None, 100), (None, 200)) == [(2, "a", True), (3, "b", True)]


def test_a_start_far_from_every_run_has_none():
    assert matches({"a": 0}, (None, 301)) == []


def test_of_two_rows_for_a_run_the_later_one_is_used():
    assert matches({"a": 0}, (None, 0), (None, 60)) == [(2, "a", False), (3, "a", True)]


def test_a_row_that_names_the_file_comes_first_wherever_it_is():
    assert matches({"a": 0}, ("ari/a.fit", None), (None, 0)) == [(2, "a", True), (3, "a", False)]


def test_a_row_that_names_a_duplicate_is_of_the_run_that_was_kept():
    copies = {"ari/copy.fit": "a", "ari/season.zip!a.fit": "a"}
    for name in (*copies, "ari/season.zip"):
        assert matches({"a": 0}, (name, None), duplicates=copies) == [(2, "a", True)]


def test_a_row_that_names_the_file_itself_comes_before_one_of_a_duplicate_and_that_before_a_start():
    rows = (("ari/a.fit", None), ("ari/copy.fit", None), (None, 0))
    copies = {"ari/copy.fit": "a"}
    assert matches({"a": 0}, *rows, duplicates=copies) == [(2, "a", True), (3, "a", False), (4, "a", False)]
    assert matches({"a": 0}, *rows[1:], duplicates=copies) == [(2, "a", True), (3, "a", False)]
