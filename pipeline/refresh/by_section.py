"""A refresh section by section: what changed in each, its files and athletes, and their drift.

Each function here takes one section of the club through a part of the refresh: it gives its shards and athletes to
workers and forgets their names when the rows of the section are gathered. What one part leaves for the next is in the
state being built. So a process that plans holds the names of one section, and on a cluster sections are planned by
tasks. A part may be carried out again after its worker died, over what the attempt before left.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import chain, groupby
from pathlib import Path

import polars as pl

from pipeline import ALONE
from pipeline.core.places import remove_tree
from pipeline.inbox.inbox import InboxFile
from pipeline.refresh.context import Athlete, AthleteTask, BuildContext, Shard, as_measured_of, changes_of, own_of
from pipeline.refresh.damage import require_sound_rows
from pipeline.refresh.steps import Executor
from pipeline.store.bundles import Bundle, read_bundle, write_bundle
from pipeline.store.finished import Finished
from pipeline.store.generations import link_files
from pipeline.store.known import ChangeSummary, ClubKeys, Known, changes, write_files
from pipeline.store.layout import files_of, partition
from pipeline.store.sections import Section
from pipeline.tables import PARTITIONED

#: Files a shard takes at most: enough to spread fixed costs over, few enough to fit in memory many times.
SHARD_FILES = 16


@dataclass(frozen=True)
class Refresh:
    """What all sections of one refresh share.

    Attributes:
        context: of its steps.
        store: whose next state is built.
        known: of the refresh before.
        keys: of the club now.
        repairs: whether it repairs damage: what would be built on was compared already.
        keeps: whether results are kept for the case of an interrupt.
        until: the day before which the runs that the club's responses are drawn from began, once it is known.
        club: what the club's responses have in common, once they are known.
        moved: metrics in which every athlete's drift is recomputed.
    """

    context: BuildContext
    store: Path
    known: Known
    keys: ClubKeys
    repairs: bool = False
    keeps: bool = False
    until: date | None = None
    club: pl.DataFrame | None = None
    moved: tuple[str, ...] = ()

    @property
    def has_other_analysis(self) -> bool:
        """Whether the settings of the analysis are others than before."""
        return self.keys.analysis != self.known.keys.analysis

    @property
    def has_other_runs(self) -> bool:
        """Whether the club's responses are drawn up to another day than before: everyone's are recomputed."""
        return self.until != self.known.until


@dataclass(frozen=True)
class MeasuredSection:
    """What came of the files of a section.

    Attributes:
        n_read: how many were read.
        n_athletes: how many athletes have runs now.
        passing: whether files have to be read again next time.
    """

    n_read: int
    n_athletes: int
    passing: bool


def look_at(_: Executor, refresh: Refresh, item: tuple[Section, Sequence[InboxFile]]) -> ChangeSummary:
    """Find what changed in the files of a section, and note what is to be done.

    Raises:
        NothingDone: a folder with known files cannot be read.
    """
    section, files = item
    found = changes(refresh.context.inbox, files, refresh.known, section)
    came_in, to_read = {*found.new, *found.changed}, {file.path for file in found.to_read}
    columns: dict[str, list[object]] = {name: [getattr(file, name) for file in found.files] for name in _OF_FILES}
    columns |= {
        "key": [found.keys[file.path] for file in found.files],
        "came_in": [file.path in came_in for file in found.files],
        "is_read": [file.path in to_read for file in found.files],
    }
    stays = [(path, athlete_id) for athlete_id, paths in found.stays.items() for path in paths]
    by_settings = refresh.known.athletes(section) - found.touched if refresh.has_other_analysis else ()
    athletes = [*((name, True) for name in found.touched), *((name, False) for name in by_settings)]
    tables = {
        "files": pl.DataFrame(columns, schema=_SCHEMA),
        "stays": pl.DataFrame(stays, schema={"path": pl.String, "athlete_id": pl.String}, orient="row"),
        "recomputed": pl.DataFrame(athletes, schema={"athlete_id": pl.String, "is_touched": pl.Boolean}, orient="row"),
    }
    write_bundle(refresh.context.built, changes_of(section), tables)
    return ChangeSummary.of(found)


_OF_FILES = ("path", "athlete_id", "sha256", "tag")
_SCHEMA = dict.fromkeys((*_OF_FILES, "key"), pl.String) | dict.fromkeys(("came_in", "is_read"), pl.Boolean)


def files_noted(built: Path, section: Section) -> pl.DataFrame:
    """The files of a section as `look_at` noted them, with their digests."""
    return read_bundle(built, changes_of(section))["files"]


def measure_section(executor: Executor, refresh: Refresh, section: Section) -> MeasuredSection:
    """Take what changed in a section through the stages of files, and of athletes as far as they need no club.

    Raises:
        Damaged: what is known of it and is read again is not what was written.
    """
    context, known = refresh.context, refresh.known
    for folder in (own_of(section, ALONE), as_measured_of(section)):
        remove_tree(context.built / folder)  # of an attempt before
    noted = read_bundle(context.built, changes_of(section))
    files, recomputed = noted["files"], noted["recomputed"]
    touched, before = frozenset(recomputed.filter("is_touched")["athlete_id"]), known.athletes(section)
    if not refresh.repairs:
        require_sound_rows(known, before, touched)
    stays = defaultdict[str | None, list[str]](list)
    for path, athlete_id in noted["stays"].iter_rows():
        stays[athlete_id].append(path)
    measured = _measured(executor, refresh, section, files.filter("is_read"))
    _link_untouched(context, known, sorted(before - touched))  # while workers measure
    athletes, passing = _athletes(executor, measured, stays)
    by_settings = recomputed.filter(~pl.col("is_touched"))["athlete_id"].sort()
    analysed = executor.analyse(context, [*athletes, *map(Athlete, by_settings)])
    with_runs = {one.athlete_id for one in analysed if one.has_runs and one.athlete_id is not None}
    # One that has to be read again is forgotten; one that could not be opened has kept its key.
    is_again = pl.col("path").is_in(sorted(passing)) & (pl.col("sha256").is_not_null() | pl.col("tag").is_not_null())
    write_files(context.built, section, files.with_columns(key=pl.when(~is_again).then("key")))
    return MeasuredSection(files.filter("is_read").height, len((before - touched) | with_runs), bool(passing))


def respond_section(executor: Executor, refresh: Refresh, section: Section) -> None:
    """Take the athletes of a section through the stages that take the runs that the club's responses are drawn from."""
    tasks = [
        AthleteTask(athlete_id)
        for athlete_id, is_recomputed in _with_runs(refresh, section)
        if is_recomputed or refresh.has_other_runs
    ]
    for _ in executor.respond(refresh.context, tasks, refresh.until):
        pass


def drift_section(executor: Executor, refresh: Refresh, section: Section) -> None:
    """Take the athletes of a section through the stages that need what the club's responses have in common."""
    assert refresh.club is not None
    everything = tuple(refresh.context.inbox.settings.registry.metric_of)
    tasks = [
        AthleteTask(athlete_id, everything if is_recomputed else refresh.moved)
        for athlete_id, is_recomputed in _with_runs(refresh, section)
        if is_recomputed or refresh.moved
    ]
    for _ in executor.analyse_after_club(refresh.context, tasks, refresh.club):
        pass


def _with_runs(refresh: Refresh, section: Section) -> list[tuple[str, bool]]:
    """The athletes of a section who have runs, in order, and whether they are recomputed in any case."""
    context = refresh.context
    recomputed = frozenset(read_bundle(context.built, changes_of(section))["recomputed"]["athlete_id"])
    athletes = context.kept.of("runs", section, ["athlete_id"])["athlete_id"].unique().sort()
    return [(athlete_id, athlete_id in recomputed) for athlete_id in athletes]


# --- Parts -----------------------------------------------------------------------------------------------------------


def _measured(executor: Executor, refresh: Refresh, section: Section, files: pl.DataFrame) -> Iterator[Bundle]:
    """What the files to be read give; what an interrupted refresh had of them already is taken over."""
    keys = dict(files.select("path", "key").iter_rows())
    to_read = [InboxFile(*row) for row in files.select(*_OF_FILES).iter_rows()]
    built, finished = refresh.context.built, Finished(refresh.store, keys)
    taken = list(finished.take_over(built, section)) if refresh.keeps else []
    done = {path for bundle in taken for path in bundle.files}
    shards = plan(file for file in to_read if file.path not in done)
    measured = executor.measure(refresh.context, shards)
    kept = (finished.keep(built, one) if refresh.keeps and not one.passing else one for one in measured)
    return chain(taken, kept)


def _athletes(
    executor: Executor, measured: Iterable[Bundle], stays: Mapping[str | None, Sequence[str]]
) -> tuple[list[Athlete], frozenset[str]]:
    """The athletes of whose files something changed, in order; and the files that have to be read again next time."""
    bundles, passing = defaultdict[str | None, list[str]](list), set[str]()
    for bundle in measured:
        bundles[bundle.athlete_id].append(bundle.name)
        passing.update(bundle.passing)
        if executor.noticed is not None:
            executor.noticed(bundle)
    athletes = sorted({*bundles, *stays}, key=lambda athlete_id: athlete_id or "")
    return [
        Athlete(one, tuple(sorted(bundles.get(one, ()))), tuple(stays.get(one, ()))) for one in athletes
    ], frozenset(passing)


def _link_untouched(context: BuildContext, known: Known, athletes: Iterable[str]) -> None:
    """Give the samples and splits of athletes who were not touched a name in the new state."""
    if known.folder is None or known.rows is None:
        return
    folders = (partition(table, athlete_id) for athlete_id in athletes for table in PARTITIONED)
    link_files(known.folder, context.built, (name for folder in folders for name in files_of(known.folder, folder)))


def plan(files: Iterable[InboxFile]) -> list[Shard]:
    """Share files, which are in order, out; never two athletes in one shard."""
    shards: list[Shard] = []
    for athlete_id, group in groupby(files, key=lambda file: file.athlete_id):
        files_of_athlete = tuple(group)
        shards += [
            Shard(athlete_id, files_of_athlete[start : start + SHARD_FILES])
            for start in range(0, len(files_of_athlete), SHARD_FILES)
        ]
    return shards
