"""The command `splitdrift demo`."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.commands.refresh import bring_up_to_date
from pipeline.commands.terminal import FOLDER, JOBS, open_console
from pipeline.core.resources import shipped


@click.command()
@click.option("--store", type=FOLDER, default=Path("demo-store"), show_default=True, help="Where to put the result.")
@JOBS
@click.option("--flow", is_flag=True, help="Run as a flow of a Prefect server.")
def demo(store: Path, jobs: int | None, flow: bool) -> None:
    """Take an invented club through the whole line. The result is shown."""
    inbox = shipped("data/club")
    bring_up_to_date(inbox, store, jobs=jobs, flow=flow)
    open_console().print(
        f"\nThe club is invented; what it was made to show is written in data/README.md of the project.\n"
        f"Its recordings: {inbox}",
        highlight=False,
        soft_wrap=True,
    )
