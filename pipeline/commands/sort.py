"""The command `splitdrift sort`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.terminal import FOLDER, VERBOSE, open_console, progress_bar
from pipeline.core.errors import EXIT_NOTHING_DONE

if TYPE_CHECKING:
    from rich.console import RenderableType

    from pipeline.inbox.loose_files import LooseFiles
    from pipeline.inbox.sorting import Plan

#: Rows of the table, and names that stand for many.
MOST_ATHLETES, MOST_EXAMPLES = 40, 3


@click.command()
@click.option("--from", "source", type=click.Path(path_type=Path), required=True, help="A folder, or a .zip.")
@click.option("--inbox", type=FOLDER, required=True, help="Folder with one folder per athlete; made if absent.")
@click.option(
    "--by",
    multiple=True,
    metavar="LIST.csv|PATTERN|device",
    help="Whose a file is; may be given several times. [default: sessions.csv of the inbox]",
)
@click.option("--dry-run", is_flag=True, help="Say what would go where, and change nothing.")
@VERBOSE
@click.option("--move", is_flag=True, help="Move the files instead of copying them.")
def sort(*, source: Path, inbox: Path, by: Sequence[str], dry_run: bool, verbose: bool, move: bool) -> None:
    """Put the files of many athletes into their folders of an inbox. They may lie anywhere.

    \b
    By a list:        --by list.csv                      columns file, athlete_id
    By their names:   --by "{athlete_id}_{date}"         other words in braces stand for any text
    By their folders: --by "{athlete_id}/*"              with a / the pattern is for the path
    By the device:    --by device                        the watch that wrote files of an athlete already there

    The first rule that names an athlete decides. What none of them claims is put into INBOX/.unsorted, which a refresh
    does not read; `splitdrift sort --from INBOX/.unsorted` sorts it once more. Files that lie in the inbox itself are
    moved. Serial numbers of devices are compared and not kept.

    A file is copied whole or not at all, and content that is there already is not put there twice: a sort that was
    interrupted is completed by the same command. Names that are taken get a number.

    \b
    Exit codes: 0 done, 1 nothing to sort, 2 wrong use.
    """  # noqa: D301 -- click needs the control character itself
    from pipeline.core.errors import UsageError
    from pipeline.core.places import is_remote
    from pipeline.inbox.loose_files import loose_files
    from pipeline.inbox.sorting import known_athletes, plan, put_into_place, read_rules, sweep, without_endings
    from pipeline.store.lock import locked

    if is_remote(inbox):
        raise UsageError(f"--inbox {inbox} is an object store; sort into a folder of this machine and copy that.")
    lists = [Path(word) for word in by if Path(word).is_file()]
    with loose_files(source, inbox, without=lists[0] if lists else None) as loose:
        is_inside = source.resolve().is_relative_to(inbox.resolve())
        if move and loose.archive is not None:
            raise UsageError("--move takes a folder: the files of an archive are copied out of it.")
        rules = read_rules(by, loose, inbox)
        with progress_bar(f"Looking at {len(loose.files)} files") as progress:
            planned = plan(loose, rules, inbox, progress=progress)
        console = open_console()
        console.print(plan_summary(planned, loose))
        for pattern, n_files in without_endings(by, planned, known_athletes(inbox)):
            fit = "1 of these fits" if n_files == 1 else f"{n_files} of these fit"
            console.print(f'{fit} --by "{pattern}", which takes files of every kind.', markup=False, highlight=False)
        console.print(every_file(planned, inbox) if verbose else "-v lists every file, and where it goes.")
        if dry_run:
            console.print("Nothing was changed. Without --dry-run this is done.")
            return
        if not inbox.is_dir():
            inbox.mkdir(parents=True)
        with locked(inbox), progress_bar("Sorting") as progress:
            sweep(inbox)
            moves = move or (is_inside and loose.archive is None)
            failed = put_into_place(loose, planned.placements, move=moves, progress=progress)
    console.print(f"Done: {inbox}. Next: splitdrift check --inbox {inbox}", highlight=False, soft_wrap=True)
    if failed:
        names = ", ".join(placement.file.path for placement in failed[:MOST_EXAMPLES])
        click.echo(f"Files that could not be read or written and stay where they are: {len(failed)}, such as {names}.")
        raise click.exceptions.Exit(EXIT_NOTHING_DONE)


def plan_summary(planned: Plan, loose: LooseFiles) -> RenderableType:
    """How many files go to whom, how many to no athlete and why, and what is left alone."""
    from rich.console import Group

    has_athletes = any(placement.athlete_id is not None for placement in planned.placements)
    return Group(*([_by_athlete(planned)] if has_athletes else []), *_remarks(planned, loose))


def every_file(planned: Plan, inbox: Path) -> RenderableType:
    """Each file with where it goes, or why it goes nowhere."""
    from rich.table import Table

    from pipeline.commands.show import plain

    table = Table(header_style="bold", pad_edge=False)
    for heading in ("file", "goes to", "because"):
        table.add_column(heading, overflow="fold")
    for placement in planned.placements:
        same = placement.same if placement.same is None or isinstance(placement.same, Path) else placement.same.path
        reason = placement.reason.value if placement.reason is not None else ""
        goes_to = "" if placement.folder is None else f"{placement.folder.relative_to(inbox)}/"
        table.add_row(
            plain(placement.file.path), plain(goes_to), plain(reason if same is None else f"the same as {same}")
        )
    return table


def _by_athlete(planned: Plan) -> RenderableType:
    from rich.table import Table

    from pipeline.commands.show import plain
    from pipeline.inbox.sorting import Outcome

    table = Table(header_style="bold", pad_edge=False)
    for heading in ("athlete", "files", "already there", "such as"):
        table.add_column(heading, justify="right" if heading in ("files", "already there") else "left", overflow="fold")
    counted = Counter((placement.athlete_id, placement.outcome) for placement in planned.placements)
    athletes = sorted({placement.athlete_id for placement in planned.placements if placement.athlete_id is not None})
    for athlete_id in athletes[:MOST_ATHLETES]:
        first = next(placement.file.path for placement in planned.placements if placement.athlete_id == athlete_id)
        name = f"{athlete_id} (new folder)" if athlete_id in planned.new_athletes else athlete_id
        n_new, n_there = (counted[athlete_id, outcome] for outcome in (Outcome.TO_ATHLETE, Outcome.ALREADY_THERE))
        table.add_row(plain(name), str(n_new), str(n_there or ""), plain(first))
    if len(athletes) > MOST_ATHLETES:
        rest = set(athletes[MOST_ATHLETES:])
        n_files = sum(placement.athlete_id in rest for placement in planned.placements)
        table.add_row(f"and {len(rest)} more", str(n_files), "", "")
    return table


def _remarks(planned: Plan, loose: LooseFiles) -> Iterator[RenderableType]:
    from pipeline.commands.show import plain
    from pipeline.inbox.sorting import UNSORTED, Outcome
    from pipeline.pages.words import count_of

    placed = Counter(placement.outcome for placement in planned.placements)
    counts = (
        (Outcome.TO_ATHLETE, "to sort"),
        (Outcome.ALREADY_THERE, "already there"),
        (Outcome.UNSORTED, "of no athlete"),
    )
    listed = ", ".join(f"{placed[outcome]} {words}" for outcome, words in counts if placed[outcome])
    yield plain(f"{count_of(len(planned.placements), 'file', 'files')}: {listed}.")
    unclaimed: dict[str, list[str]] = {}
    for placement in planned.placements:
        if placement.outcome is Outcome.UNSORTED and placement.reason is not None:
            unclaimed.setdefault(placement.reason.value, []).append(placement.file.path)
    for reason, paths in unclaimed.items():
        yield plain(f"Into {UNSORTED}: {len(paths)} where {reason}, such as {_few(paths)}.")
    if planned.unmatched:
        yield plain(
            f"Files of the list that are not there: {len(planned.unmatched)}, such as {_few(planned.unmatched)}."
        )
    if loose.skipped:
        kinds = ", ".join(f"{n} {kind}" for kind, n in loose.skipped.most_common(6))
        yield plain(f"Left alone, since they are no recordings: {kinds}.")


def _few(names: Sequence[str]) -> str:
    return ", ".join(names[:MOST_EXAMPLES])
