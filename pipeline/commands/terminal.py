"""What commands share: the options that several have, the terminal that they write to, and worker processes."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.refresh import REFRESH_LOADS, WORKER_LOADS

if TYPE_CHECKING:
    import polars as pl
    from rich.console import Console

    from pipeline.workers.pool import Mapper

#: A step that takes longer has failed; files have limits of their own in the settings.
_LONGEST_STEP_S = 24 * 3600.0


class _Folder(click.ParamType):  # type: ignore[type-arg]
    """A folder, or an address of an object store."""

    name = "folder or address"

    def convert(self, value: object, _param: click.Parameter | None, _ctx: click.Context | None) -> Path:
        if isinstance(value, Path):
            return value
        if "://" not in str(value):
            return Path(str(value))
        from pipeline.core.places import place

        return place(str(value))


#: Of so many athletes at most a refresh shows the numbers.
MOST_NEW_WITH_NUMBERS = 20

#: The type of options that name an inbox, a store or another folder.
FOLDER = _Folder()

#: Options that several commands have.
INBOX = click.option("--inbox", type=FOLDER, required=True, help="Folder with one folder per athlete.")
STORE = click.option("--store", type=FOLDER, required=True, help="Folder of the result.")
JOBS = click.option("--jobs", type=click.IntRange(min=1), help="Worker processes. [default: one per core]")

CLUSTER = click.option("--cluster", metavar="ADDRESS", help="Run on this Dask cluster, e.g. tcp://host:8786.")

AS_JSON = click.option("--json", "as_json", is_flag=True, help="One JSON document on the standard output.")
QUIET = click.option("-q", "--quiet", is_flag=True, help="Print only what needs attention.")
VERBOSE = click.option("-v", "--verbose", is_flag=True, help="List every file.")


def open_console() -> Console:
    """The window that a command writes its tables into."""
    from rich.console import Console

    # Piped into a file or a pager there is no width to ask for: wide enough for the widest line of the club summary.
    return Console(width=None if sys.stdout.isatty() else 160)


def printable(text: str) -> str:
    """A text from outside, with control characters replaced."""
    return "".join(letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}" for letter in text)


def show_notices(notices: Sequence[str]) -> None:
    """Print what a person should look at although nothing stops for it."""
    for notice in notices:
        click.echo(printable(notice))


def counts_in_words(n_files: int, statuses: Mapping[str, int]) -> str:
    """How many files there are, and what became of the sessions in them."""
    if not n_files:
        return "No recordings: the tables are of the lists alone."
    ordered = sorted(statuses.items(), key=lambda one: (-one[1], one[0]))
    n_sessions = sum(statuses.values())
    sessions = f", {n_sessions} sessions in them" if n_sessions > n_files else ""
    became = ", ".join(f"{count} {status.replace('_', ' ')}" for status, count in ordered)
    return f"{n_files} {'file' if n_files == 1 else 'files'}{sessions}: {became}."


def show_club(store: Path, roster: pl.DataFrame | None, *, only: Collection[str] | None = None) -> None:
    """Print the club summary of a store; with names where the roster is given.

    Args:
        only: the athletes to be shown; None for all.
    """
    import polars as pl

    from pipeline.commands.show import MOST_WITH_NUMBERS, club_summary
    from pipeline.store.generations import published
    from pipeline.store.layout import is_of, read_where, settings_of

    console = open_console()
    state, wanted = published(store), pl.lit(value=True) if only is None else is_of(only)
    drifts, runs, single_runs = (read_where(state, name, wanted) for name in ("athlete_drift", "runs", "single_runs"))
    most = MOST_WITH_NUMBERS if only is None else MOST_NEW_WITH_NUMBERS
    console.print(
        club_summary(
            drifts,
            runs,
            roster,
            width=console.width,
            most_with_numbers=most,
            single_runs=single_runs,
            registry=settings_of(store).registry,
        )
    )


def is_by_flow(*, flow: bool, cluster: str | None) -> bool:
    """Whether a refresh is a Prefect flow: on request, or where the user has pointed Prefect at a server.

    Raises:
        UsageError: of click, for both.
    """
    if flow and cluster is not None:
        raise click.UsageError("Give either --flow or --cluster: the batches of a cluster are Dask's own tasks.")
    return flow or (cluster is None and bool(os.environ.get("PREFECT_API_URL")))


@contextmanager
def started_workers(
    jobs: int | None, cluster: str | None = None, *, loads: str = REFRESH_LOADS, at_once: bool = True
) -> Iterator[Mapper]:
    """Workers, started before this process imports what it needs itself: all then do so at the same time.

    Args:
        cluster: address of a Dask scheduler, whose workers take the place of those of this machine.
        loads: modules that workers of this machine import.
        at_once: whether there is probably something to do; otherwise they are started with the first step.
    """
    if cluster is not None:
        from pipeline.workers.cluster import cluster_workers

        with cluster_workers(cluster, loads=WORKER_LOADS) as mapper:
            yield mapper
        return
    from pipeline.workers.pool import workers

    wanted = jobs if jobs is not None else os.cpu_count() or 1
    # Files from outside are read in a process of their own even if there is only one.
    with workers(wanted, wanted, few=0, loads=loads, item_s=_LONGEST_STEP_S, at_once=at_once) as mapper:
        yield mapper


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[int, int], None]]:
    """A progress bar on a terminal, nothing elsewhere."""
    if not sys.stderr.isatty():
        yield lambda _done, _total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)
