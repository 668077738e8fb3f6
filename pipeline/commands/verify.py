"""The command `splitdrift verify`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.terminal import AS_JSON, FOLDER, JOBS, STORE, progress_bar, started_workers
from pipeline.core.errors import EXIT_NOTHING_DONE

if TYPE_CHECKING:
    from pipeline.refresh.damage import Checked

#: Damaged files that are listed; with --json all are.
MOST_FILES = 40


@click.command()
@STORE
@click.option("--repair", is_flag=True, help="Recompute what is damaged, and what rests on it, and check again.")
@click.option("--inbox", type=FOLDER, help="With --repair: where the recordings are. [default: as at the last refresh]")
@JOBS
@AS_JSON
def verify(*, store: Path, repair: bool, inbox: Path | None, jobs: int | None, as_json: bool) -> None:
    """Compare every file of a store with its digest.

    The files are those of the valid state, and the digests were noted when they were written.

    Names the damaged files and what rests on them. --repair is a refresh that relies on no damaged file: the
    recordings behind it are read again, and a new state takes the place of the damaged one. Whatever else is new in
    the inbox comes in with it.

    \b
    Exit codes: 0 every file is as it was written, or is so again after --repair,
                1 files are damaged, or there is nothing to check, 2 wrong use.
    """  # noqa: D301 -- click needs the control character itself
    from pipeline.commands.as_json import print_json
    from pipeline.refresh.damage import check_store

    if inbox is not None and not repair:
        raise click.UsageError("--inbox goes with --repair: without it no recording is read.")
    first = checked = check_store(store)
    if not as_json:
        _show(checked)
    if repair and first.faults:
        _repair(store, inbox, jobs)
        checked = check_store(store)
        if not as_json:
            click.echo("Repaired, and checked again:")
            _show(checked)
    if as_json:
        repaired = [name for name in first.faults if name not in checked.faults]
        print_json("verify", _document(checked) | {"repaired": repaired})
    if checked.faults:
        raise click.exceptions.Exit(EXIT_NOTHING_DONE)


def _repair(store: Path, inbox: Path | None, jobs: int | None) -> None:
    from pipeline.core.errors import UsageError
    from pipeline.core.places import place
    from pipeline.inbox.inbox import read_inbox
    from pipeline.refresh.damage import inbox_behind
    from pipeline.refresh.refresh import refresh

    known = str(inbox) if inbox is not None else inbox_behind(store)
    if known is None:
        raise UsageError("What names the inbox is damaged, too: give it with --inbox DIR.")
    with started_workers(jobs) as mapper:
        contents = read_inbox(inbox or place(known))
        with progress_bar(f"Reading {len(contents.files)} files") as progress:
            refresh(contents, store, progress=progress, mapper=mapper, repairs=True)


def _show(checked: Checked) -> None:
    from pipeline.core.places import whole_name
    from pipeline.refresh.damage import resting_on

    contents = checked.contents
    about = f", schema {contents.schema}, written by splitdrift {contents.version}" if contents else ""
    click.echo(f"{whole_name(checked.state)}{about}")
    if not checked.faults:
        click.echo(f"All {checked.n_files:,} files are as they were written.")
        return
    for name, fault in list(checked.faults.items())[:MOST_FILES]:
        rests = resting_on(name)
        click.echo(f"  {name} {fault.value}{f'; on it rests {rests}' if rests else ''}")
    if len(checked.faults) > MOST_FILES:
        click.echo(f"  and {len(checked.faults) - MOST_FILES} more; --json lists all")
    click.echo(f"{len(checked.faults):,} of {checked.n_files:,} files are damaged.")
    if checked.shared_with:
        click.echo(f"Older states hold the same damaged files: {', '.join(checked.shared_with)}.")


def _document(checked: Checked) -> dict[str, object]:
    from pipeline.core.places import whole_name
    from pipeline.refresh.damage import resting_on

    contents = checked.contents
    return {
        "state": whole_name(checked.state),
        "schema": contents.schema if contents else None,
        "version": contents.version if contents else None,
        "n_files": checked.n_files,
        "damaged": [
            {"file": name, "fault": fault.value, "rests_on_it": resting_on(name)}
            for name, fault in checked.faults.items()
        ],
        "older_states": list(checked.shared_with),
    }
