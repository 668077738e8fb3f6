"""The commands `splitdrift show` and `splitdrift dictionary`: the tables and what their columns mean."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.commands.terminal import STORE, open_console, show_club


@click.command()
@click.argument("table", required=False)
@STORE
def show(table: str | None, store: Path) -> None:
    """Show a TABLE in the terminal; without TABLE the club summary. `splitdrift dictionary` lists the tables."""
    from pipeline.commands.show import table_as_it_is
    from pipeline.store.layout import read_table

    if table is None:
        show_club(store, None)
    else:
        console = open_console()
        console.print(table_as_it_is(table, read_table(store, table), width=console.width))


@click.command()
def dictionary() -> None:
    """Every table and column: unit, meaning."""
    from pipeline.tables.dictionary import dictionary as text

    click.echo(text(), nl=False)
