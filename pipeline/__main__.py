"""The commands. Anything heavy is imported inside the command that needs it, so that help answers at once."""

from __future__ import annotations

import atexit
import gc
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.nightly import history, nightly
from pipeline.commands.study import study
from pipeline.commands.terminal import FOLDER, has_prefect_api, open_console
from pipeline.core.errors import EXIT_DONE_BUT_REFUSED, EXIT_NOTHING_DONE, SplitdriftError, in_words

if TYPE_CHECKING:
    import polars as pl

    from pipeline.workers.pool import Mapper


#: A step that takes longer has failed; files have limits of their own in the settings.
_LONGEST_STEP_S = 24 * 3600.0

# What is left when a command has ended goes with the process: to look for what could be freed first takes a third of a
# second after a flow.
atexit.register(gc.freeze)


class _Commands(click.Group):
    """Turns the project's own errors into one message and their exit code."""

    def invoke(self, ctx: click.Context) -> object:
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            raise  # whoever read along has seen enough; click knows
        except Exception as error:
            told = in_words(error)
            if told is None:
                raise
            click.echo(f"splitdrift: {told}", err=True)
            ctx.exit(error.exit_code if isinstance(error, SplitdriftError) else EXIT_NOTHING_DONE)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(package_name="splitdrift")
def main() -> None:
    """Does an athlete's running form hold as the distance adds up?

    splitdrift reads a folder of running recordings and says for each athlete how cadence, contact time and the rest
    change with distance, and how much of that is merely slowing down or the hill.

    \b
    A first look:      splitdrift demo
    Your own data:     splitdrift check   --inbox inbox
                       splitdrift refresh --inbox inbox --store store
                       splitdrift show    --store store

    \b
    The inbox holds one folder an athlete:
      inbox/ari/2026-03-14.fit        recordings: .fit .csv .tcx .gpx, also .gz or .zip
      inbox/roster.csv                who they are (optional)
      inbox/sessions.csv              kind, surface and shoe of each run (optional)
      inbox/settings.toml             settings that differ from `splitdrift settings` (optional)
    """  # noqa: D301 -- click wants the sign itself, not the two letters
    os.umask(0o077)  # what is written of a person's body is for the user's eyes alone


@main.command()
@click.option("--store", type=FOLDER, default=Path("demo-store"), show_default=True, help="Where to put the result.")
@click.option("--jobs", type=click.IntRange(min=1), help="Worker processes. [default: one a core]")
@click.option("--flow", is_flag=True, help="Run as a Prefect flow.")
def demo(store: Path, jobs: int | None, flow: bool) -> None:
    """Take an invented club through the whole line and show the result."""
    from pipeline.core.resources import shipped

    inbox = shipped("data/club")
    _refresh(inbox, store, jobs=jobs, flow=flow)
    open_console().print(
        f"\nThe club is invented; what it was made to show is written in data/README.md of the project.\n"
        f"Its recordings: {inbox}",
        highlight=False,
        soft_wrap=True,
    )


@main.command()
@click.option("--inbox", type=FOLDER, required=True, help="Folder with one folder an athlete.")
@click.option("--store", type=FOLDER, required=True, help="Folder of the result; made if absent.")
@click.option("--jobs", type=click.IntRange(min=1), help="Worker processes. [default: one a core]")
@click.option("--flow", is_flag=True, help="Run as a Prefect flow. [default: if a Prefect API is configured]")
@click.option("--cluster", metavar="ADDRESS", help="Run as a Prefect flow on this Dask cluster, e.g. tcp://host:8786.")
@click.option("--strict", is_flag=True, help="Exit with 3 if a file was refused.")
@click.option("--wait", type=click.FloatRange(min=0), default=0.0, help="Seconds to wait for another refresh to end.")
def refresh(
    *, inbox: Path, store: Path, jobs: int | None, flow: bool, cluster: str | None, strict: bool, wait: float
) -> None:
    """Bring the tables up to date with the recordings of the inbox; only what changed is done anew.

    \b
    Exit codes: 0 done (refused files are listed), 1 nothing could be done, 2 wrong use,
                3 done, but --strict was given and files were refused.
    """  # noqa: D301 -- click wants the sign itself, not the two letters
    _refresh(inbox, store, jobs=jobs, flow=flow, cluster=cluster, strict=strict, wait_s=wait)


def _refresh(
    inbox: Path,
    store: Path,
    *,
    jobs: int | None,
    flow: bool,
    cluster: str | None = None,
    strict: bool = False,
    wait_s: float = 0.0,
) -> None:
    by_flow = flow or cluster is not None or has_prefect_api()
    with nullcontext() if by_flow else _workers(jobs) as mapper:
        from pipeline.commands.show import ledger_summary
        from pipeline.core.places import is_remote, whole_name
        from pipeline.inbox.inbox import read_inbox
        from pipeline.refresh.duplicates import with_several_athletes
        from pipeline.refresh.refresh import refresh as in_process
        from pipeline.store.generations import published
        from pipeline.store.history import what_came_in

        found = read_inbox(inbox)
        with _progress(f"Reading {len(found.files)} files") as progress:
            if by_flow:
                from flows.refresh import refresh_with_prefect

                ledger = refresh_with_prefect(
                    found, store, jobs=jobs, cluster=cluster, wait_s=wait_s, progress=progress
                )
            else:
                ledger = in_process(found, store, wait_s=wait_s, progress=progress, mapper=mapper)
    console = open_console()
    console.print(ledger_summary(ledger, everything=False))
    console.print(what_came_in(store), highlight=False)
    _show_notices([*found.notices, *with_several_athletes(ledger)])
    console.print()
    _show_club(store, found.athletes)
    console.print(
        f"\nEverything is in {whole_name(published(store) if is_remote(store) else store)}\n"
        "  pages/index.html       the club and every athlete, to be read in a browser\n"
        "  splitdrift.duckdb      every table, for SQL\n"
        "  tables/                the same as Parquet\n"
        "  exports/               the same as CSV, and splitdrift.xlsx\n"
        "  rejected/rejected.csv  what was turned away, and why",
        highlight=False,
        soft_wrap=True,
    )
    if strict and (ledger["status"] == "rejected").any():
        raise click.exceptions.Exit(EXIT_DONE_BUT_REFUSED)


@main.command()
@click.option("--inbox", type=FOLDER, required=True, help="Folder with one folder an athlete.")
@click.option("--jobs", type=click.IntRange(min=1), help="Worker processes. [default: one a core]")
def check(inbox: Path, jobs: int | None) -> None:
    """Read and judge everything in an inbox, write nothing."""
    with _workers(jobs) as mapper:
        from pipeline.commands.show import ledger_summary
        from pipeline.inbox.inbox import read_inbox
        from pipeline.refresh.duplicates import with_several_athletes
        from pipeline.refresh.refresh import check as judge

        found = read_inbox(inbox)
        with _progress(f"Reading {len(found.files)} files") as progress:
            ledger = judge(found, progress=progress, mapper=mapper)
    open_console().print(ledger_summary(ledger, everything=True))
    _show_notices([*found.notices, *with_several_athletes(ledger)])
    if not ledger["status"].is_in(["accepted", "salvaged"]).any():
        raise click.exceptions.Exit(EXIT_NOTHING_DONE)


@main.command()
@click.argument("table", required=False)
@click.option("--store", type=FOLDER, required=True, help="Folder of the result.")
def show(table: str | None, store: Path) -> None:
    """Show a TABLE in the terminal; without TABLE the club summary. `splitdrift dictionary` lists the tables."""
    from pipeline.commands.show import table_as_it_is
    from pipeline.store.layout import read_table

    if table is None:
        _show_club(store, None)
    else:
        console = open_console()
        console.print(table_as_it_is(table, read_table(store, table), width=console.width))


@main.command()
@click.option("--store", type=FOLDER, required=True, help="Folder of the result.")
@click.option(
    "--draws",
    type=click.IntRange(min=1),
    default=20,
    show_default=True,
    help="Invented seasons of each test; time grows with it, intervals shrink with its root.",
)
@click.option("--jobs", type=click.IntRange(min=1), help="Worker processes. [default: one a core]")
def calibrate(store: Path, draws: int, jobs: int | None) -> None:
    """How far can the findings be trusted, with these athletes, sensors and runs?

    Invents seasons out of the store's own splits: the real scatter, with the drift taken out and its order destroyed
    (placebo), or with a drift of known size added (planted). Takes them through the same stages and counts how often
    drift is cried where there is none, and found where there is one.

    \b
    A first look:       splitdrift calibrate --store store --draws 5
    To be published:    splitdrift calibrate --store store --draws 100
    Metric by metric:   splitdrift show calibration --store store

    Writes the table `calibration` into the store; a refresh that finds something new empties it. The same store gives
    the same numbers.
    """  # noqa: D301 -- click wants the sign itself, not the two letters
    from pipeline.commands.show_calibration import calibration_summary
    from pipeline.refresh.self_check import self_check

    with _progress("Inventing seasons") as progress:
        rates = self_check(store, draws=draws, jobs=jobs, progress=progress)
    open_console().print(calibration_summary(rates), highlight=False)


@main.command()
@click.option("--store", type=FOLDER, required=True, help="Folder of the result.")
@click.option("--anonymous", is_flag=True, help="Show a code in place of each athlete, and nothing that people wrote.")
@click.option("--jobs", type=click.IntRange(min=1), help="Worker processes. [default: one a core]")
@click.option("--wait", type=click.FloatRange(min=0), default=0.0, help="Seconds to wait for a refresh to end.")
def pages(*, store: Path, anonymous: bool, jobs: int | None, wait: float) -> None:
    """Draw the pages of a store once more; a refresh does so by itself.

    \b
    To read:        open store/pages/index.html in a browser
    To hand on:     splitdrift pages --store store --anonymous, then copy the folder store/pages

    The next refresh goes by the settings again: pages = "codes" in settings.toml keeps names out for good. A code stays
    the same as long as the store lives. What stays in: starts of runs to the second, devices, dates of complaints,
    shoes and complaints by number. Who knows an athlete's runs will know the athlete.
    """  # noqa: D301 -- click wants the sign itself, not the two letters
    from pipeline.core.places import whole_name
    from pipeline.refresh.redraw import rebuild_pages

    with _progress("Drawing") as progress:
        n_athletes = rebuild_pages(store, anonymous=anonymous, jobs=jobs, wait_s=wait, progress=progress)
    click.echo(f"Pages of {n_athletes} athletes: {whole_name(store)}/pages/index.html")


main.add_command(nightly)
main.add_command(study)
main.add_command(history)


@main.command()
def dictionary() -> None:
    """Every table and column: unit, meaning."""
    from pipeline.tables.dictionary import dictionary as text

    click.echo(text(), nl=False)


@main.command()
@click.option("--inbox", type=FOLDER, help="Show the settings in force for this inbox. [default: the defaults]")
def settings(inbox: Path | None) -> None:
    """Every setting: its value, its unit, and why that default."""
    from pipeline.core.settings import Settings
    from pipeline.inbox.inbox import read_inbox

    in_force = read_inbox(inbox).settings if inbox is not None else Settings()
    for name, value, unit, reason in in_force.describe():
        click.echo(f"{name} = {value}" + (f"   # {unit}" if unit else ""))
        click.echo(click.wrap_text(reason, width=100, initial_indent="    # ", subsequent_indent="    # "))


def _show_notices(notices: Sequence[str]) -> None:
    from pipeline.commands.show import plain

    for notice in notices:
        click.echo(plain(notice).plain)


def _show_club(store: Path, athletes: pl.DataFrame | None) -> None:
    from pipeline.commands.show import club_summary
    from pipeline.store.layout import read_table

    console = open_console()
    drifts, runs = read_table(store, "athlete_drift"), read_table(store, "runs")
    console.print(club_summary(drifts, runs, athletes, width=console.width))


@contextmanager
def _workers(jobs: int | None) -> Iterator[Mapper]:
    """Workers, started before this process loads what it needs itself: all then load at the same time."""
    from pipeline.workers.pool import workers

    wanted = jobs if jobs is not None else os.cpu_count() or 1
    # Files of strangers are read in a process of their own even if there is but one.
    with workers(wanted, wanted, few=0, item_s=_LONGEST_STEP_S) as mapper:
        yield mapper


@contextmanager
def _progress(label: str) -> Iterator[Callable[[int, int], None]]:
    """A bar on a terminal, nothing elsewhere."""
    if not sys.stderr.isatty():
        yield lambda _done, _total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


if __name__ == "__main__":
    main()
