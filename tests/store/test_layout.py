"""The store: what its files say of themselves, and how they are read."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl
import pyarrow.parquet as pq
import pytest

from pipeline import ON_DEMAND, STAGES
from pipeline.core.code import own_version
from pipeline.core.errors import NothingDone, UsageError
from pipeline.core.settings import READING, SUMMARIES, Settings
from pipeline.store.generations import published
from pipeline.store.layout import partition, read_table, read_where
from pipeline.tables import PARTITIONED, TABLES, meaning_of, unit_of
from tests.support.demo_store import Refreshed

#: Of lists that the demo club does not have.
ABSENT = ("corrections",)
#: The tables that a refresh fills.
MADE = sorted({table for stage in STAGES if stage.level != ON_DEMAND for table in stage.writes})

# --- What the files say ----------------------------------------------------------------------------------------------


def files_of(store: Path, table: str) -> list[Path]:
    return sorted((store / "tables" / table).rglob("*.parquet"))


@pytest.mark.parametrize("table", MADE)
def test_every_parquet_file_says_what_it_holds_and_what_it_was_made_from(demo_store: Path, table: str):
    files = files_of(demo_store, table)
    assert files
    for file in files[:3]:
        about = {key.decode(): text.decode() for key, text in pq.read_schema(file).metadata.items()}
        assert about["splitdrift.table"] == table
        assert about["splitdrift.meaning"] == meaning_of(table)
        step = READING if table in PARTITIONED else SUMMARIES
        assert about["splitdrift.settings_sha256"] == Settings().digest(step)
        assert len(about["splitdrift.inputs_sha256"]) == 64
        assert about["splitdrift.version"] == own_version()


@pytest.mark.parametrize("table", MADE)
def test_every_column_of_a_parquet_file_carries_unit_and_meaning(demo_store: Path, table: str):
    schema = pq.read_schema(files_of(demo_store, table)[0])
    assert set(schema.names) == set(TABLES[table].column_names())
    for name, column in TABLES[table].columns().items():
        about = schema.field(name).metadata
        assert about[b"unit"].decode() == unit_of(column)
        assert about[b"meaning"].decode() == column.description
        assert schema.field(name).nullable == column.nullable


@pytest.mark.parametrize("table", ["runs", "splits", "quality"])
def test_rows_that_are_chosen_file_by_file_are_those_of_the_whole_table(demo: Refreshed, table: str):
    whole, chosen = demo.table(table), pl.col("run_id").str.ends_with("0Z")
    rows = read_where(published(demo.store), table, chosen)
    assert 0 < rows.height < whole.height
    assert rows.equals(whole.filter(chosen))
    key = TABLES[table].primary_key()
    assert read_where(published(demo.store), table, chosen, key).equals(rows.select(key))


def test_the_samples_of_a_run_name_the_digest_of_its_file(demo: Refreshed):
    digests = dict(
        demo.table("recordings").filter(pl.col("status") == "accepted").select("run_id", "sha256").iter_rows()
    )
    for file in files_of(demo.store, "samples")[:5]:
        assert (
            pq.read_schema(file).metadata[b"splitdrift.inputs_sha256"].decode()
            == digests[file.stem[: -len("-01234567")]]
        )


@pytest.mark.parametrize("table", PARTITIONED)
def test_partitions_are_read_by_polars_with_athlete_and_month(demo: Refreshed, table: str):
    lazy = pl.scan_parquet(demo.store / "tables" / table, hive_partitioning=True)
    run_ids = lazy.filter(athlete_id="ember", month="2026-03").select("run_id").unique().collect()["run_id"]
    runs = demo.table("runs").filter(
        (pl.col("athlete_id") == "ember") & (pl.col("started_at_utc").dt.strftime("%Y-%m") == "2026-03")
    )
    assert sorted(run_ids) == sorted(runs["run_id"])
    assert len(run_ids) == 4


@pytest.mark.parametrize("table", PARTITIONED)
def test_partitions_are_read_by_duckdb_with_athlete_and_month(demo: Refreshed, table: str):
    pattern = demo.store / "tables" / table / "**" / "*.parquet"
    query = f"SELECT DISTINCT athlete_id, month FROM read_parquet('{pattern}', hive_partitioning = true)"
    lazy = pl.scan_parquet(demo.store / "tables" / table)
    runs = demo.table("runs").join(lazy.select("run_id").unique().collect(), on="run_id", how="semi")
    assert runs.height > 90
    assert set(duckdb.sql(query).fetchall()) == set(
        zip(runs["athlete_id"], runs["started_at_utc"].dt.strftime("%Y-%m"), strict=True)
    )


def test_signs_that_mean_something_in_a_partitions_name_are_written_by_number():
    assert partition("splits", "a=b 50%", "2026-03").as_posix() == "tables/splits/athlete_id=a%3Db 50%25/month=2026-03"


# --- For SQL users ---------------------------------------------------------------------------------------------------


def test_the_duckdb_file_has_every_table_by_name_with_comments_on_all_columns(demo_store: Path):
    with duckdb.connect(str(demo_store / "splitdrift.duckdb"), read_only=True) as connection:
        kinds = dict(
            connection.sql("SELECT table_name, comment FROM duckdb_tables() UNION ALL "
                           "SELECT view_name, comment FROM duckdb_views() WHERE NOT internal").fetchall()
        )  # fmt: skip
        comments = {
            (table, column): comment
            for table, column, comment in connection.sql(
                "SELECT table_name, column_name, comment FROM duckdb_columns() WHERE NOT internal"
            ).fetchall()
        }
    assert kinds.pop("run_splits")
    assert kinds == {table: meaning_of(table) for table in TABLES}
    of_tables = {(table, name) for table, name in comments if table != "run_splits"}
    assert of_tables == {(table, name) for table in TABLES for name in TABLES[table].column_names()}
    assert comments["runs", "distance_km"] == "Distance covered while the clock ran. [km]"
    assert comments["runs", "run_id"] == "Athlete and start of the run."
    assert all(comments.values())


@pytest.mark.parametrize("table", TABLES)
def test_the_duckdb_file_and_the_parquet_files_hold_the_same_rows(demo: Refreshed, table: str):
    rows = read_table(demo.store, table)
    key = TABLES[table].primary_key()
    assert demo.table(table).select(rows.columns).sort(key).equals(rows)
    assert (rows.height > 0) == (table in MADE and table not in ABSENT)


def test_an_unknown_table_is_wrong_use_and_the_known_ones_are_listed(demo_store: Path):
    with pytest.raises(UsageError, match=r"^There is no table 'xyzzy'\. Tables: recordings, corrections, runs, "):
        read_table(demo_store, "xyzzy")


def test_a_store_that_is_not_there_yet_says_how_to_make_one(tmp_path: Path):
    with pytest.raises(
        NothingDone, match=r"is not a store yet\. `splitdrift refresh --inbox DIR --store .*` makes one"
    ):
        read_table(tmp_path, "runs")
