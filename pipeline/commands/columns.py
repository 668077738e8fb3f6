"""The command `splitdrift columns`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.terminal import open_console
from pipeline.core.errors import UsageError

if TYPE_CHECKING:
    from rich.table import Table

    from pipeline.formats.proposal import Proposal

COLUMNS_FILE = "columns.toml"

#: Folders above that of the file whose columns.toml may apply, unless lists show that an inbox begins there.
_MOST_FOLDERS_UP = 3
_TOP_OF_INBOX = ("roster.csv", "sessions.csv", "settings.toml")


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--write", is_flag=True, help="Add what is proposed to columns.toml.")
def columns(file: Path, write: bool) -> None:
    """Say what the columns of a CSV FILE are taken for. A columns.toml is proposed.

    Lines with # in front are choices that the file cannot settle: keep one of each and delete the #.
    """
    from pipeline.formats.column_mapping import ColumnMapping
    from pipeline.formats.proposal import propose

    content, name = _csv_content(file)
    place = _columns_file(file.resolve())
    text = _text(place)
    own = _own_metrics(file.resolve())
    mapping = replace(_mapping(text, name, tuple(own.values())) or ColumnMapping(), own=own)
    proposal = propose(content, mapping, name)
    console = open_console()
    console.print(_as_table(proposal))
    for sentence in proposal.missing:
        click.echo(sentence)
    if write:
        _write(place, text, name, proposal)
        click.echo(f"Written to {place}.")
    else:
        click.echo(f"\nFor {place} (--write adds it there):\n\n{proposal.toml}", nl=False)
    if proposal.n_left_out:
        click.echo(
            f"Columns left out: {proposal.n_left_out}. Give those that you want used their names in columns.toml."
        )
    if proposal.n_asked:
        click.echo(
            f"Choices that are yours: {proposal.n_asked}. Of each, keep one line with # in front, without the #."
        )


def _csv_content(file: Path) -> tuple[bytes, str]:
    from pipeline.core.settings import Settings
    from pipeline.formats.archive import unpack

    limits = Settings()
    if not file.name.lower().endswith((".csv", ".csv.gz", ".txt")):
        raise UsageError(
            f"{file.name} is no CSV file. Other formats have no columns to name; `splitdrift check` reads them."
        )
    members = unpack(
        file.name, file.read_bytes(), max_unpacked_bytes=limits.max_unpacked_bytes, max_members=limits.max_members
    )
    if len(members) > 1:
        raise UsageError(f"{file.name} is an archive of several files. Unpack it and name one of them.")
    return members[0].content, members[0].name


def _columns_file(file: Path) -> Path:
    """The columns.toml that applies to a file, else the one next to it, which is not there yet."""
    for folder in file.parents[: _MOST_FOLDERS_UP + 1]:
        if (folder / COLUMNS_FILE).is_file():
            return folder / COLUMNS_FILE
        if any((folder / name).is_file() for name in _TOP_OF_INBOX):
            break
    return file.parent / COLUMNS_FILE


def _own_metrics(file: Path) -> dict[str, str]:
    """The metrics of one's own of the inbox that holds the file, by their columns in small letters."""
    from pipeline.core.settings import SETTINGS_FILE, read_settings
    from pipeline.core.written import read_text

    for folder in file.parents[: _MOST_FOLDERS_UP + 1]:
        if (folder / SETTINGS_FILE).is_file():
            registry = read_settings(read_text(folder / SETTINGS_FILE)).registry
            return {metric.source_column.casefold(): metric.column for metric in registry.own}
    return {}


def _text(place: Path) -> str:
    from pipeline.core.written import read_text

    return read_text(place) if place.is_file() else ""


def _mapping(text: str, name: str, own: Sequence[str]):  # type: ignore[no-untyped-def]
    from pipeline.formats.column_mapping import read_mapping

    return read_mapping(text, name, own) if text else None


def _write(place: Path, text: str, name: str, proposal: Proposal) -> None:
    """Add the section of the file; what is there stays as it is."""
    import tomllib

    if name in tomllib.loads(text).get("files", {}):
        raise UsageError(
            f'{place} has a section [files."{name}"] already, which is left as it is. Delete it to have it proposed '
            "again, or run the command without --write and copy the lines that you want."
        )
    place.write_text((text.rstrip() + "\n\n" if text.strip() else "") + proposal.toml, encoding="utf-8")


def _as_table(proposal: Proposal) -> Table:
    from rich.table import Table

    from pipeline.commands.show import plain
    from pipeline.formats.proposal import not_recognised

    table = Table("column", "values", "taken for", box=None, pad_edge=False)
    for report in proposal.columns:
        if not report.samples:
            taken_for = "empty"
        elif report.is_proposed:
            taken_for = f"{report.name}, by its values"
        elif report.choices:
            taken_for = f"open: {' or '.join(report.choices)}"
        else:
            taken_for = report.name or report.note or not_recognised(report.header)
            taken_for += f", {report.note}" if report.name and report.note else ""
        table.add_row(plain(report.header), plain("  ".join(cell[:24] for cell in report.samples)), taken_for)
    return table
