"""The commands `splitdrift show` and `splitdrift dictionary`: the tables and what their columns mean."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.terminal import AS_JSON, STORE, open_console, show_club

if TYPE_CHECKING:
    import polars as pl


@click.command()
@click.argument("table", required=False)
@STORE
@click.option(
    "--where", metavar="EXPR", help='Only rows for which this expression of DuckDB holds, e.g. "distance_km > 10".'
)
@click.option("--csv", "as_csv", is_flag=True, help="All rows as CSV on the standard output.")
@AS_JSON
def show(*, table: str | None, store: Path, where: str | None, as_csv: bool, as_json: bool) -> None:
    """Show a TABLE in the terminal; without TABLE the club summary. `splitdrift dictionary` lists the tables.

    \b
    splitdrift show --store store
    splitdrift show splits --store store --where "athlete_id = 'ari' AND km > 10" --csv > late.csv

    An expression sees the columns of its table and nothing else: no other table, no file.
    """  # noqa: D301 -- click needs the control character itself
    from pipeline.commands.as_json import print_json, rows_of
    from pipeline.commands.show import table_as_it_is
    from pipeline.store.layout import settings_of

    if as_csv and as_json:
        raise click.UsageError("Give either --csv or --json.")
    if table is None and (as_csv or where is not None):
        raise click.UsageError("--csv and --where take a TABLE, e.g. splitdrift show splits --store STORE --csv.")
    if table is None and not as_json:
        show_club(store, None)
        return
    name = table or "athlete_drift"
    rows = _rows(store, name, where)
    if as_csv:
        from pipeline.store.exports import csv_text

        click.echo(csv_text(rows), nl=False)
    elif as_json:
        print_json("show", {"table": name, "rows": rows_of(rows)})
    else:
        console = open_console()
        console.print(table_as_it_is(name, rows, width=console.width, registry=settings_of(store).registry))


def _rows(store: Path, table: str, where: str | None) -> pl.DataFrame:
    """The rows of a table for which a condition holds; a table that may be larger than memory is never all in it."""
    from pipeline.core.places import is_remote
    from pipeline.core.queries import rows_of_files, rows_where
    from pipeline.store.generations import published
    from pipeline.store.layout import files_of, read_table, require_sound, settings_of, table_folder
    from pipeline.tables import PARTITIONED, schema_of

    state = published(store)
    folder, files = table_folder(state, table), files_of(state, Path("tables") / table)
    if table in PARTITIONED and where is not None and not is_remote(store) and files:
        require_sound(state, files)
        schema = schema_of(table, settings_of(store).registry)
        return rows_of_files(folder, table, schema.column_names(), where).sort(schema.primary_key())
    rows = read_table(store, table)
    return rows if where is None else rows_where(table, rows, where)


@click.command()
def dictionary() -> None:
    """Every table and column: unit, meaning."""
    from pipeline.tables.dictionary import dictionary as text

    click.echo(text(), nl=False)
