"""The command `splitdrift settings`."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.commands.terminal import FOLDER


@click.command()
@click.option("--inbox", type=FOLDER, help="Show the settings in force for this inbox. [default: the defaults]")
def settings(inbox: Path | None) -> None:
    """Every setting: its value, its unit, and why that default."""
    from pipeline.core.settings import Settings
    from pipeline.inbox.inbox import read_inbox

    in_force = read_inbox(inbox).settings if inbox is not None else Settings()
    for name, value, unit, reason in in_force.describe():
        click.echo(f"{name} = {value}" + (f"   # {unit}" if unit else ""))
        click.echo(click.wrap_text(reason, width=100, initial_indent="    # ", subsequent_indent="    # "))
