"""The steps of a refresh, mapped over many items by workers, which import what a step needs when it comes to them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from importlib import import_module
from itertools import chain
from operator import attrgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import polars as pl

from pipeline import parts_by_athlete
from pipeline.core.places import remove_tree
from pipeline.pages.club_rows import Pages, club_rows
from pipeline.pages.squads import divisions, is_large, squad_pages, squad_tasks
from pipeline.refresh.context import (
    Athlete,
    AthleteTask,
    BuildContext,
    Measured,
    Outcome,
    ResponsesTask,
    RunContext,
    SectionTask,
    Shard,
    one_file_each,
)
from pipeline.store.bundles import GATHERED, Bundle
from pipeline.store.known import KeptRows
from pipeline.store.sections import Section
from pipeline.workers.cluster import WEIGHT, Cluster, Delegate
from pipeline.workers.pool import Budget, Mapper
from pipeline.workers.process import Limits

if TYPE_CHECKING:
    from pipeline.inbox.inbox import InboxFile
    from pipeline.methods.club_draft import ClubDraft
    from pipeline.stages.recording import Session

S = TypeVar("S")
T = TypeVar("T")
R = TypeVar("R")


@dataclass(frozen=True)
class Executor:
    """How the steps of a refresh are carried out: here, in workers of a machine or a cluster, or as tasks of a flow.

    What steps make of rows is in bundles of the state being built (`pipeline.store.bundles`); their names come back.

    Attributes:
        measure: the file-level stages, for each shard.
        analyse: the athlete-level stages that need nothing of the club, for each athlete.
        respond: those that take the runs that the club's responses are drawn from, with the day before which these are.
        analyse_after_club: the others, with what the club's responses have in common.
        gather: the rows of each section of the club, from bundles and from what is known.
        club_responses: what the responses of a state's club have in common.
        finish: the club-level stages, by which every table is written.
        outcome: what came of it, next to a state before.
        write_outputs: the database, the exports, and the pages of the club and of each athlete.
        noticed: what is done, in the process that plans, when the files of a shard were measured.
        delegate: how a function of a mapper is carried out elsewhere, for each of many items; None for not at all.
    """

    measure: Callable[[BuildContext, Sequence[Shard]], Iterator[Bundle]]
    analyse: Callable[[BuildContext, Sequence[Athlete]], Iterator[Bundle]]
    respond: Callable[[BuildContext, Sequence[AthleteTask], date | None], Iterator[Bundle]]
    analyse_after_club: Callable[[BuildContext, Sequence[AthleteTask], pl.DataFrame], Iterator[Bundle]]
    gather: Callable[[BuildContext, Sequence[SectionTask]], Iterator[None]]
    club_responses: Callable[[BuildContext, KeptRows], pl.DataFrame]
    finish: Callable[[BuildContext], None]
    outcome: Callable[[BuildContext, Path | None], Outcome]
    write_outputs: Callable[[BuildContext, Pages | None, Sequence[str]], None]
    noticed: Callable[[Bundle], None] | None = None
    delegate: Delegate | None = None

    def by_section(
        self, function: Callable[[Executor, S, T], R], shared: S, items: Iterable[T], n_sections: int
    ) -> Iterator[R]:
        """Carry out what takes a section through several steps: of one after the other here, of many by tasks."""
        if self.delegate is None or n_sections == 1:
            return (function(self, shared, item) for item in items)
        return self.delegate(partial(_by_executor, function), shared, items)


def executor_over(mapper: Mapper) -> Executor:
    """The steps, mapped by workers."""

    def respond(context: BuildContext, tasks: Sequence[AthleteTask], until: date | None) -> Iterator[Bundle]:
        return mapper(partial(_later("pipeline.refresh.athlete:respond"), until=until), context, tasks)

    def analyse_after_club(context: BuildContext, tasks: Sequence[AthleteTask], club: pl.DataFrame) -> Iterator[Bundle]:
        return mapper(partial(_later("pipeline.refresh.athlete:analyse_after_club"), club=club), context, tasks)

    def write_outputs(context: BuildContext, pages: Pages | None, athletes: Sequence[str]) -> None:
        outputs = mapper(_later("pipeline.refresh.club:write_output"), context, context.outputs)
        drawn = draw_over(mapper, pages, athletes) if pages is not None else iter(())
        for _ in chain(drawn, outputs):  # in workers both are under way by now
            pass

    return Executor(
        partial(measure_over, mapper),
        partial(mapper, _later("pipeline.refresh.athlete:analyse")),
        respond,
        analyse_after_club,
        partial(mapper, _later("pipeline.refresh.sections:gather")),
        partial(responses_over, mapper),
        partial(finish_over, mapper),
        partial(outcome_over, mapper),
        write_outputs,
        delegate=mapper.delegate if isinstance(mapper, Cluster) else None,
    )


def _by_executor(function: Callable[[Executor, S, T], R], mapper: Mapper, shared: S, item: T) -> R:
    return function(executor_over(mapper), shared, item)


def responses_over(mapper: Mapper, context: BuildContext, rows: KeptRows) -> pl.DataFrame:
    """What the responses of a state's club have in common, drawn from two sums of what each section tells."""
    first = _summed(mapper, context, rows, None)
    draft: ClubDraft = next(mapper(_later("pipeline.refresh.sections:draft_responses"), context, [first]))
    second = _summed(mapper, context, rows, draft)
    club: pl.DataFrame = next(mapper(_later("pipeline.refresh.sections:draw_responses"), context, [second]))
    return club


def _summed(mapper: Mapper, context: BuildContext, rows: KeptRows, draft: ClubDraft | None) -> ResponsesTask:
    """Write the sums of each section, and add them in a tree up to those of the club; returns the task of these."""

    def carry_out(step: str, of: int, added_from: int = 1) -> None:
        tasks = [ResponsesTask(rows, Section(number, of), draft, added_from) for number in range(of)]
        for _ in mapper(_later(f"pipeline.refresh.sections:{step}"), context, tasks):
            pass

    of = rows.n_sections
    carry_out("tell_responses", of)
    while of > 1:
        fewer = max(1, of // _ADDED_AT_ONCE)
        carry_out("add_responses", fewer, of)
        of = fewer
    return ResponsesTask(rows, Section(), draft)


#: The sums of so many sections a worker adds at once.
_ADDED_AT_ONCE = 32


def finish_over(mapper: Mapper, context: BuildContext) -> None:
    """Take the club through its stages: what its sections have in common, each section, then the club as a whole."""
    sections: list[Any] = list(context.sections)
    rounds = {
        "tell_in_common": sections,
        "draw_in_common": [sections],
        "finish_section": [(section, part) for part in range(len(parts_by_athlete())) for section in sections],
        "finish_club": [sections],
    }
    for step, items in rounds.items():
        for _ in mapper(_later(f"pipeline.refresh.club:{step}"), context, items):
            pass


def outcome_over(mapper: Mapper, context: BuildContext, before: Path | None) -> Outcome:
    """What came of a refresh next to a state before, added up of its sections."""
    items = [(section, before) for section in context.sections]
    return Outcome.total(mapper(_later("pipeline.refresh.outcome:outcome_of"), context, items))


def measure_over(mapper: Mapper, context: BuildContext, shards: Sequence[Shard]) -> Iterator[Bundle]:
    """Take shards through the file-level stages; a file that costs its worker is rejected, and no other."""
    return _over_files(mapper, context, shards, step="measure", lost="measure_lost")


def judge_over(mapper: Mapper, context: RunContext, shards: Sequence[Shard]) -> Iterator[Measured]:
    """The same without writing anything."""
    return _over_files(mapper, context, shards, step="judge", lost="lost")


def read_over(mapper: Mapper, context: RunContext, shards: Sequence[Shard]) -> list[list[tuple[InboxFile, Session]]]:
    """Take shards through the stage `recording` only, with the same limits; one list per shard, in their order."""
    of_file: dict[str, list[tuple[InboxFile, Session]]] = {}
    for file, session in chain.from_iterable(_over_files(mapper, context, shards, step="read", lost="unread")):
        of_file.setdefault(file.path, []).append((file, session))
    return [[session for file in shard.files for session in of_file.get(file.path, [])] for shard in shards]


def _over_files(mapper: Mapper, context: RunContext, shards: Sequence[Shard], *, step: str, lost: str) -> Iterator[Any]:
    """Map a function of `pipeline.refresh.shard` over shards, with the limits of the settings per file."""
    settings, module = context.inbox.settings, "pipeline.refresh.shard"
    limits = Limits(settings.max_file_s, settings.max_file_mb)
    function, answer = _later(f"{module}:{step}"), _later(f"{module}:{lost}")
    return mapper(
        function, context, shards, smaller=one_file_each, lost=answer, limits=limits, weight=lambda one: len(one.files),
        budget=Budget(attrgetter("athlete_id"), settings.max_athlete_s),
    )  # fmt: skip


def _later(function: str) -> Callable[..., Any]:
    """A function, as "module:name", whose module is imported with the first call, in the process that calls it."""
    return partial(_call, *function.split(":"))


def _call(module: str, name: str, *arguments: Any, **more: Any) -> Any:
    return getattr(import_module(module), name)(*arguments, **more)


def draw_over(mapper: Mapper, pages: Pages, athletes: Sequence[str]) -> Iterator[None]:
    """Draw the pages of the club and of each athlete; of a large club, those of a squad from the rows of its own."""
    if not is_large(len(athletes)):
        return mapper(_later("pipeline.pages.draw:draw"), pages, [None, *athletes])
    return _draw_by_squad(mapper, pages, athletes)


def _draw_by_squad(mapper: Mapper, pages: Pages, athletes: Sequence[str]) -> Iterator[None]:
    club = club_rows(pages)
    divided = squad_pages({athlete_id: (club.squad(athlete_id), club.shown(athlete_id)) for athlete_id in athletes})
    files = list(mapper(_later("pipeline.pages.squads:divide"), pages, divisions(pages.built, divided)))
    rows = []
    tasks = squad_tasks(divided)
    for n_athletes, row in mapper(
        _later("pipeline.pages.draw:draw_squad"), pages, tasks, weight=lambda task: WEIGHT * max(1, len(task.athletes))
    ):
        rows += [row] if row else []
        yield from [None] * n_athletes
    yield from mapper(_later("pipeline.pages.draw:draw_squads"), pages, [(rows, files)])
    remove_tree(pages.built / GATHERED)
