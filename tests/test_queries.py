"""The files of sql/: one SELECT each, a header that is true, and the columns of their table."""

from __future__ import annotations

import re
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.inbox import read_inbox
from pipeline.queries import connect, run_query, shipped, statement
from pipeline.tables import TABLES, empty

SQL = Path(__file__).parents[1] / "sql"
NAMES = sorted(path.stem for path in SQL.glob("*.sql"))
CLUB = SQL.parent / "data" / "club"

#: Frames that are no table of the store, by the name under which a query reads them: column = type.
OTHER_FRAMES = {
    "measured": {
        "run_id": pl.String, "athlete_id": pl.String, "file": pl.String, "started_at_utc": pl.Datetime("us", "UTC"),
        "paused_s": pl.Float64, "device": pl.String, "sensors": pl.String, "altitude": pl.String,
    },
    "landings": {
        "athlete_id": pl.String, "date": pl.String, "distance_km": pl.Float64, "strike": pl.String,
        "angle_deg": pl.Float64,
    },
    "runners": {
        "athlete_id": pl.String, "date": pl.String, "distance_km": pl.Float64, "strike": pl.String,
        "angle_deg": pl.Float64,
    },
}  # fmt: skip
#: Columns that Python adds to what the query gives; not those that a stage adds from other knowledge.
ADDED_IN_PYTHON = {"splits": {"athlete_id"}}


def header(name: str) -> dict[str, str]:
    """The header lines, each a word and what follows it."""
    lines = re.findall(r"^-- (A row is|Reads|Grain|Parameters):? (.+)$", statement(name), re.MULTILINE)
    return {word: text.strip().rstrip(".") for word, text in lines}


def listed(text: str) -> set[str]:
    return set() if text == "none" else set(re.split(r",\s*", text))


@pytest.mark.parametrize("name", NAMES)
def test_a_file_holds_one_select(name: str):
    with connect() as connection:
        (only,) = connection.extract_statements(statement(name))
    assert only.type == duckdb.StatementType.SELECT_STATEMENT


@pytest.mark.parametrize("name", NAMES)
def test_the_header_comes_first_and_says_row_reads_grain_and_parameters(name: str):
    assert list(header(name)) == ["A row is", "Reads", "Grain", "Parameters"]
    assert statement(name).startswith("-- A row is")


@pytest.mark.parametrize("name", NAMES)
def test_the_parameters_of_the_header_are_those_that_are_used(name: str):
    with connect() as connection:
        used = connection.extract_statements(statement(name))[0].named_parameters
    assert {one.removeprefix("$") for one in listed(header(name)["Parameters"])} == set(used)


@pytest.mark.parametrize("name", NAMES)
def test_the_grain_of_the_header_is_the_key_of_the_table(name: str):
    assert listed(header(name)["Grain"]) == set(TABLES[name].primary_key())


@pytest.mark.parametrize("name", NAMES)
def test_over_empty_frames_a_query_gives_the_columns_and_types_of_its_table(name: str):
    reads = listed(header(name)["Reads"])
    frames = {one: frame(one) for one in reads}
    parameters = {one.removeprefix("$"): 1.0 for one in listed(header(name)["Parameters"])}
    rows = run_query(name, frames, parameters)
    expected = empty(name).schema
    assert rows.is_empty()
    assert set(rows.columns) <= set(expected) | UNPUBLISHED.get(name, set())
    must = {one for one, column in TABLES[name].columns().items() if not column.nullable}
    assert must - ADDED_IN_PYTHON.get(name, set()) <= set(rows.columns)
    for column in set(rows.columns) & set(expected):
        given, wanted = rows.schema[column], expected[column]
        # Counts come as 128-bit sums at times, and are made 64 bits at publication.
        assert given == wanted or (given.is_integer() and wanted.is_integer()) or given == pl.Null, column


#: Columns that a query gives for Python to work on, and that are not published.
UNPUBLISHED = {"strike_counts": {"n_seen"}}


def frame(name: str) -> pl.DataFrame:
    if name == "sessions":
        return read_inbox(CLUB).sessions.clear()
    return pl.DataFrame(schema=OTHER_FRAMES[name]) if name in OTHER_FRAMES else empty(name)


def test_a_python_variable_is_not_readable_as_a_table():
    secret = pl.DataFrame({"name": ["nobody asked for this"]})
    with connect() as connection, pytest.raises(duckdb.CatalogException, match="secret does not exist"):
        connection.sql("SELECT * FROM secret").fetchall()
    assert secret.height == 1


def test_a_missing_table_is_named():
    with pytest.raises(duckdb.CatalogException, match="samples does not exist"):
        run_query("splits", {}, {"split_length_m": 1000.0})


def test_a_missing_parameter_is_named():
    with pytest.raises(duckdb.Error, match="split_length_m"):
        run_query("splits", {"samples": empty("samples")})


def test_times_are_read_as_utc_wherever_the_machine_stands():
    with connect() as connection:
        assert connection.sql("SELECT TIMESTAMPTZ '2026-03-14 23:30:00'::VARCHAR").fetchall() == [
            ("2026-03-14 23:30:00+00",)
        ]


def test_what_is_not_shipped_is_named():
    with pytest.raises(FileNotFoundError, match=r"sql/nothing\.sql is missing from this installation"):
        shipped("sql/nothing.sql")
