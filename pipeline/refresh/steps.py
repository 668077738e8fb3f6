"""The steps of a refresh, mapped over many items by workers, which load what a step stands on when it comes to them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import polars as pl

from pipeline.pages.club_rows import Pages
from pipeline.refresh.context import FORMS, Alone, Analysed, Athlete, Due, Line, Measured, Shard, one_file_each
from pipeline.workers.pool import Spread
from pipeline.workers.process import Limits

if TYPE_CHECKING:
    from pipeline.inbox.inbox import InboxFile
    from pipeline.stages.recording import Session


@dataclass(frozen=True)
class Steps:
    """Each maps over many items: here, in workers, or as tasks of a flow."""

    measure: Callable[[Line, Sequence[Shard]], Iterator[Measured]]
    respond: Callable[[Line, Sequence[Athlete]], Iterator[Alone]]
    analyse: Callable[[Line, Sequence[Due], pl.DataFrame], Iterator[Analysed]]
    club_responses: Callable[[pl.DataFrame], pl.DataFrame]
    finish: Callable[[Line], pl.DataFrame]
    show_forth: Callable[[Line, Pages | None, Sequence[str]], None]


def steps_over(spread: Spread) -> Steps:
    """The steps, mapped by workers. What they need is loaded where they run."""

    def analyse(line: Line, due: Sequence[Due], club: pl.DataFrame) -> Iterator[Analysed]:
        return spread(partial(_analyse, club=club), line, due)

    def club_responses(responses: pl.DataFrame) -> pl.DataFrame:
        return next(spread(_club_responses, None, [responses]))

    def finish(line: Line) -> pl.DataFrame:
        return next(spread(_finish, line, [None]))

    def show_forth(line: Line, pages: Pages | None, athletes: Sequence[str]) -> None:
        forms = spread(_show_forth, line, FORMS)
        drawn = draw_over(spread, pages, athletes) if pages is not None else iter(())
        for _ in (*forms, *drawn):  # in workers both are under way by now
            pass

    return Steps(partial(measure_over, spread), partial(spread, _respond), analyse, club_responses, finish, show_forth)


def measure_over(spread: Spread, line: Line, shards: Sequence[Shard]) -> Iterator[Measured]:
    """Take shards through the stages recording, samples and splits; a file that costs its worker costs itself only."""
    return spread(_measure, line, shards, smaller=one_file_each, lost=_lost, limits=_limits(line))


def read_over(spread: Spread, line: Line, shards: Sequence[Shard]) -> list[list[tuple[InboxFile, Session]]]:
    """Take shards through the stage recording alone, with the same limits; one list a shard, in their order."""
    found: dict[str, list[tuple[InboxFile, Session]]] = {}
    for sessions in spread(_read, line, shards, smaller=one_file_each, lost=_unread, limits=_limits(line)):
        for file, session in sessions:
            found.setdefault(file.path, []).append((file, session))
    return [[one for file in shard.files for one in found.get(file.path, [])] for shard in shards]


def _limits(line: Line) -> Limits:
    settings = line.inbox.settings
    return Limits(settings.max_file_s, settings.max_file_mb)


def _measure(line: Line, shard: Shard) -> Measured:
    from pipeline.refresh.shard import measure

    return measure(line, shard)


def _lost(line: Line, shard: Shard, why: str) -> Measured:
    from pipeline.refresh.shard import lost

    return lost(line, shard, why)


def _read(line: Line, shard: Shard) -> list[tuple[InboxFile, Session]]:
    from pipeline.refresh.shard import read

    return read(line, shard)


def _unread(line: Line, shard: Shard, why: str) -> list[tuple[InboxFile, Session]]:
    from pipeline.refresh.shard import unread

    return unread(line, shard, why)


def _respond(line: Line, athlete: Athlete) -> Alone:
    from pipeline.refresh.athlete import respond

    return respond(line, athlete)


def _analyse(line: Line, due: Due, club: pl.DataFrame) -> Analysed:
    from pipeline.refresh.athlete import analyse

    return analyse(line, due, club)


def _club_responses(_: None, responses: pl.DataFrame) -> pl.DataFrame:
    from pipeline.stages.responses import club_responses

    return club_responses(responses)


def _finish(line: Line, _: None) -> pl.DataFrame:
    from pipeline.refresh.club import finish

    return finish(line)


def draw_over(spread: Spread, pages: Pages, athletes: Sequence[str]) -> Iterator[None]:
    """Draw the pages of the club and of each athlete."""
    return spread(_draw, pages, [None, *athletes])


def _draw(pages: Pages, athlete_id: str | None) -> None:
    from pipeline.pages.draw import draw

    draw(pages, athlete_id)


def _show_forth(line: Line, form: str) -> None:
    from pipeline.refresh.club import show_forth

    show_forth(line, form)
