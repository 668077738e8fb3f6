"""The steps of a refresh, mapped over many items by workers, which load what a step stands on when it comes to them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import polars as pl

from pipeline.pages.club_rows import Pages
from pipeline.refresh.context import (
    FORMS,
    Athlete,
    AthleteFits,
    DriftEstimates,
    DriftTask,
    Measured,
    RunContext,
    Shard,
    one_file_each,
)
from pipeline.workers.pool import Spread
from pipeline.workers.process import Limits

if TYPE_CHECKING:
    from pipeline.inbox.inbox import InboxFile
    from pipeline.stages.recording import Session


@dataclass(frozen=True)
class Steps:
    """Each maps over many items: here, in workers, or as tasks of a flow."""

    measure: Callable[[RunContext, Sequence[Shard]], Iterator[Measured]]
    respond: Callable[[RunContext, Sequence[Athlete]], Iterator[AthleteFits]]
    analyse: Callable[[RunContext, Sequence[DriftTask], pl.DataFrame], Iterator[DriftEstimates]]
    club_responses: Callable[[pl.DataFrame], pl.DataFrame]
    finish: Callable[[RunContext], pl.DataFrame]
    show_forth: Callable[[RunContext, Pages | None, Sequence[str]], None]


def steps_over(spread: Spread) -> Steps:
    """The steps, mapped by workers. What they need is loaded where they run."""

    def analyse(context: RunContext, due: Sequence[DriftTask], club: pl.DataFrame) -> Iterator[DriftEstimates]:
        return spread(partial(_analyse, club=club), context, due)

    def club_responses(responses: pl.DataFrame) -> pl.DataFrame:
        return next(spread(_club_responses, None, [responses]))

    def finish(context: RunContext) -> pl.DataFrame:
        return next(spread(_finish, context, [None]))

    def show_forth(context: RunContext, pages: Pages | None, athletes: Sequence[str]) -> None:
        forms = spread(_show_forth, context, FORMS)
        drawn = draw_over(spread, pages, athletes) if pages is not None else iter(())
        for _ in (*forms, *drawn):  # in workers both are under way by now
            pass

    return Steps(partial(measure_over, spread), partial(spread, _respond), analyse, club_responses, finish, show_forth)


def measure_over(spread: Spread, context: RunContext, shards: Sequence[Shard]) -> Iterator[Measured]:
    """Take shards through the stages recording, samples and splits; a file that costs its worker costs itself only."""
    return spread(_measure, context, shards, smaller=one_file_each, lost=_lost, limits=_limits(context))


def read_over(spread: Spread, context: RunContext, shards: Sequence[Shard]) -> list[list[tuple[InboxFile, Session]]]:
    """Take shards through the stage recording alone, with the same limits; one list a shard, in their order."""
    found: dict[str, list[tuple[InboxFile, Session]]] = {}
    for sessions in spread(_read, context, shards, smaller=one_file_each, lost=_unread, limits=_limits(context)):
        for file, session in sessions:
            found.setdefault(file.path, []).append((file, session))
    return [[one for file in shard.files for one in found.get(file.path, [])] for shard in shards]


def _limits(context: RunContext) -> Limits:
    settings = context.inbox.settings
    return Limits(settings.max_file_s, settings.max_file_mb)


def _measure(context: RunContext, shard: Shard) -> Measured:
    from pipeline.refresh.shard import measure

    return measure(context, shard)


def _lost(context: RunContext, shard: Shard, reason: str) -> Measured:
    from pipeline.refresh.shard import lost

    return lost(context, shard, reason)


def _read(context: RunContext, shard: Shard) -> list[tuple[InboxFile, Session]]:
    from pipeline.refresh.shard import read

    return read(context, shard)


def _unread(context: RunContext, shard: Shard, reason: str) -> list[tuple[InboxFile, Session]]:
    from pipeline.refresh.shard import unread

    return unread(context, shard, reason)


def _respond(context: RunContext, athlete: Athlete) -> AthleteFits:
    from pipeline.refresh.athlete import respond

    return respond(context, athlete)


def _analyse(context: RunContext, due: DriftTask, club: pl.DataFrame) -> DriftEstimates:
    from pipeline.refresh.athlete import analyse

    return analyse(context, due, club)


def _club_responses(_: None, responses: pl.DataFrame) -> pl.DataFrame:
    from pipeline.stages.responses import club_responses

    return club_responses(responses)


def _finish(context: RunContext, _: None) -> pl.DataFrame:
    from pipeline.refresh.club import finish

    return finish(context)


def draw_over(spread: Spread, pages: Pages, athletes: Sequence[str]) -> Iterator[None]:
    """Draw the pages of the club and of each athlete."""
    return spread(_draw, pages, [None, *athletes])


def _draw(pages: Pages, athlete_id: str | None) -> None:
    from pipeline.pages.draw import draw

    draw(pages, athlete_id)


def _show_forth(context: RunContext, form: str) -> None:
    from pipeline.refresh.club import show_forth

    show_forth(context, form)
