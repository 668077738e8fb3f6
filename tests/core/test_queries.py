"""The files of sql/: one SELECT each, a header that is true, and the columns of their table."""

from __future__ import annotations

import re
import sys
from collections.abc import Mapping
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline import ON_DEMAND, tables_of
from pipeline.core.queries import connect, run_query, statement
from pipeline.core.resources import shipped
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import refresh
from pipeline.tables import TABLES, empty
from tests.support.fit_runs import fit_run

SQL = Path(__file__).parents[2] / "sql"
NAMES = sorted(path.stem for path in SQL.glob("*.sql"))
BY_STAGES = [name for name in NAMES if name not in set(tables_of(ON_DEMAND))]

#: Columns of a table that its stage adds in Python; those that a query gives for Python to work on are not published.
ADDED_IN_PYTHON = {
    "strike_counts": {"low", "high"},
    "strike_shift": {"compared", "statistic", "p_value", "method"},
}

Handed = Mapping[str, tuple[dict[str, pl.DataFrame], dict[str, object]]]


@pytest.fixture(scope="module")
def handed(tmp_path_factory: pytest.TempPathFactory) -> Handed:
    """For each query what the stages hand to it on the way of one run: frames, without their rows, and parameters."""
    noted: dict[str, tuple[dict[str, pl.DataFrame], dict[str, object]]] = {}

    def noting(
        name: str, tables: Mapping[str, pl.DataFrame], parameters: Mapping[str, object] | None = None
    ) -> pl.DataFrame:
        noted[name] = ({table: frame.clear() for table, frame in tables.items()}, dict(parameters or {}))
        return run_query(name, tables, parameters)

    folder = tmp_path_factory.mktemp("handed")
    (folder / "inbox" / "ari").mkdir(parents=True)
    (folder / "inbox" / "ari" / "a.fit").write_bytes(fit_run())
    strikes = "athlete_id,date,distance_km,strike\nari,2026-01-01,1,rearfoot\n"
    (folder / "inbox" / "strikes.csv").write_text(strikes, encoding="utf-8")
    users = [one for name, one in sys.modules.items() if name.startswith("pipeline.") and hasattr(one, "run_query")]
    with pytest.MonkeyPatch.context() as patch:
        for module in users:
            patch.setattr(module, "run_query", noting)
        refresh(read_inbox(folder / "inbox"), folder / "store", jobs=1)
    return noted


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
    assert only.type == duckdb.StatementType.SELECT


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
    key = set(TABLES[name].primary_key()) - ADDED_IN_PYTHON.get(name, set())
    assert listed(header(name)["Grain"]) == key


def test_every_query_is_run_by_a_stage_or_on_demand(handed: Handed):
    assert sorted(handed) == BY_STAGES


@pytest.mark.parametrize("name", BY_STAGES)
def test_a_query_is_handed_the_frames_and_parameters_that_its_header_names(handed: Handed, name: str):
    frames, parameters = handed[name]
    assert set(frames) == listed(header(name)["Reads"])
    assert set(parameters) == {one.removeprefix("$") for one in listed(header(name)["Parameters"])}


@pytest.mark.parametrize("name", BY_STAGES)
def test_over_frames_without_rows_a_query_gives_the_columns_and_types_of_its_table(handed: Handed, name: str):
    rows = run_query(name, *handed[name])
    expected = empty(name).schema
    needed = {one for one, column in TABLES[name].columns().items() if not column.nullable}
    assert rows.is_empty()
    assert needed - ADDED_IN_PYTHON.get(name, set()) <= set(rows.columns)
    for column in set(rows.columns) & set(expected):
        given, wanted = rows.schema[column], expected[column]
        # Sums of counts come as 128 bits; publication makes them 64.
        assert given == wanted or (given.is_integer() and wanted.is_integer()), column


def test_a_python_variable_is_not_readable_as_a_table():
    secret = pl.DataFrame({"name": ["nobody asked for this"]})
    with connect() as connection, pytest.raises(duckdb.CatalogException, match="secret does not exist"):
        connection.sql("SELECT * FROM secret").fetchall()
    assert secret.height == 1


def test_a_missing_table_is_named():
    with pytest.raises(duckdb.CatalogException, match="landings does not exist"):
        run_query("strike_shift", {})


def test_a_missing_parameter_is_named(handed: Handed):
    frames, parameters = handed["runs"]
    assert set(parameters) == {"after_ride_s", "overlap_s"}
    with pytest.raises(duckdb.Error, match=r"after_ride_s|overlap_s"):
        run_query("runs", frames)


def test_times_are_read_as_utc_wherever_the_machine_stands():
    with connect() as connection:
        assert connection.sql("SELECT TIMESTAMPTZ '2026-03-14 23:30:00'::VARCHAR").fetchall() == [
            ("2026-03-14 23:30:00+00",)
        ]


def test_what_is_not_shipped_is_named():
    with pytest.raises(FileNotFoundError, match=r"sql/nothing\.sql is missing from this installation"):
        shipped("sql/nothing.sql")
