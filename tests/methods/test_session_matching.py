"""Which run a row of sessions.csv describes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl

from pipeline.methods.session_matching import sessions_of_runs

NINE = datetime(2026, 3, 14, 9, tzinfo=UTC)


def matches(runs: dict[str, int], *rows: tuple[str | None, int | None]) -> list[tuple[int, str, bool]]:
    """Line, run and whether it is used; runs by the seconds after nine of their start, rows by file or seconds."""
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
    found = sessions_of_runs(recorded, pl.DataFrame(listed, schema=schema, orient="row"))
    return found.select("line", "run_id", "is_used").sort("line").rows()


def test_a_start_is_of_the_nearest_run():
    assert matches({"a": 0, "b": 290}, (None, 100), (None, 200)) == [(2, "a", True), (3, "b", True)]


def test_a_start_far_from_every_run_has_none():
    assert matches({"a": 0}, (None, 301)) == []


def test_of_two_rows_for_a_run_the_later_one_is_used():
    assert matches({"a": 0}, (None, 0), (None, 60)) == [(2, "a", False), (3, "a", True)]


def test_a_row_that_names_the_file_comes_first_wherever_it_is():
    assert matches({"a": 0}, ("ari/a.fit", None), (None, 0)) == [(2, "a", True), (3, "a", False)]
