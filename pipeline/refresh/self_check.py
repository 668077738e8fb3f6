"""The self-check over a whole store: what the stage `calibration` needs is read, divided among workers, and published.

A draw is an invented season of the whole club, since the stages share what its athletes have in common and correct for
their number. It goes the way of the real one: `responses` of each athlete, the club's, `drift` of each, the findings.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import polars as pl

from pipeline import stage_named
from pipeline.core.errors import NothingDone
from pipeline.core.places import written_here
from pipeline.core.settings import Settings
from pipeline.core.speed_sources import SPEED_ERROR_PCT
from pipeline.refresh import WORKER_LOADS
from pipeline.refresh.settled import runs_before, settled_until
from pipeline.stages.calibration import Draw, TakenApart, calibration, redrawn, take_apart, trials
from pipeline.stages.responses import club_responses
from pipeline.store.database import DATABASE, write_database
from pipeline.store.generations import building, link_tree, published
from pipeline.store.layout import files_of, read_rows, require_sound, settings_of, table_folder
from pipeline.store.lock import locked
from pipeline.store.parquet import read_provenance, write_table
from pipeline.tables import empty, publishable
from pipeline.tables.analysed import CALIBRATION_TESTS
from pipeline.workers.pool import Progress, workers

T = TypeVar("T")

#: An athlete, and the runs of the athlete that the club's responses are drawn from.
WithRuns = tuple[TakenApart, frozenset[str]]

#: Place of the table that is made here.
TABLE = ("tables", "calibration")
#: Draws of each test unless asked for otherwise: each planted size comes up twice in every athlete and metric.
DRAWS = 20
#: Fewer seasons of an athlete than this are sooner drawn here than by workers.
FEW_SEASONS = 40


@dataclass(frozen=True)
class Task:
    """One athlete in one draw; `of_runs` are those that the club's responses are drawn from."""

    athlete: TakenApart
    of_runs: frozenset[str]
    place: int
    draw: Draw
    club: pl.DataFrame | None = None


@dataclass(frozen=True)
class Season:
    """One draw of the whole club, and what was planted in it, by athlete and metric."""

    draw: Draw
    athlete_drift: pl.DataFrame
    planted_pct: dict[tuple[str, str], float]


def self_check(
    store: Path, *, draws: int = DRAWS, jobs: int | None = None, wait_s: float = 0.0, progress: Progress | None = None
) -> pl.DataFrame:
    """Calibrate on a store's own splits and publish the table `calibration` there.

    Args:
        draws: invented seasons of each of the three tests.
        wait_s: how long to wait for a refresh of the store to end [s].
        progress: called with the steps done and their total number.

    Returns:
        Rows of the table `calibration`.

    Raises:
        NothingDone: no store, or no athlete with enough runs.
        Damaged: its settings or a file of its tables are not what was written.
    """
    published(store)  # or there is nothing to lock
    with locked(store, wait_s=wait_s) as check_still_held:
        before = published(store)
        require_sound(before, files_of(before, Path("tables")))
        settings, rates = _check(store, before, draws, jobs, progress)
        made_from = read_provenance(before)
        with building(store, keep=settings.keep_generations, check_still_held=check_still_held) as built:
            link_tree(before, built, Path(), wanted=lambda file: file.parts[0] != DATABASE and file.parts[:2] != TABLE)
            write_table(table_folder(built, "calibration") / "calibration.parquet", "calibration", rates, made_from)
            with written_here(built) as here:
                write_database(built, here, settings.registry)
    return rates


def _check(
    store: Path, before: Path, draws: int, jobs: int | None, progress: Progress | None
) -> tuple[Settings, pl.DataFrame]:
    """The settings in force, and rows of the table `calibration`."""
    settings = settings_of(store)
    all_splits = read_rows(before, "splits")
    club = club_responses(
        read_rows(before, "responses"), speed_error_pct=settings.speed_error_pct, registry=settings.registry
    )
    # With settings that take speed as exact, too, an error is looked for: whether that does harm is the question.
    speed_error_pct = {name: given or SPEED_ERROR_PCT[name] for name, given in settings.speed_error_pct.items()}
    apart = take_apart(all_splits, club, settings.inclusion, speed_error_pct, settings.warm_up_effect_pct)
    runs = read_rows(before, "runs")
    of_runs = frozenset(runs_before(runs, settled_until([runs]))["run_id"])
    athletes = [(athlete, of_runs.intersection(athlete.splits["run_id"])) for athlete in apart]
    if not athletes:
        raise NothingDone(
            f"There is nothing to calibrate with: {store} holds {all_splits['run_id'].n_unique()} runs of "
            f"{all_splits['athlete_id'].n_unique()} athletes, and none of them has {settings.min_runs} runs with "
            f"{settings.min_splits_of_run} usable splits each."
        )
    seasons = [
        Draw(test, place, settings.seed, settings.registry) for test in CALIBRATION_TESTS for place in range(draws)
    ]
    rates = _rates(settings, athletes, seasons, jobs, progress)
    return settings, publishable("calibration", calibration(rates), subject="the club")


def _rates(
    settings: Settings, athletes: list[WithRuns], seasons: list[Draw], jobs: int | None, progress: Progress | None
) -> list[pl.DataFrame]:
    """Take every season through the stages, athlete by athlete, and ask what was found."""
    tasks = [Task(*athlete, place, draw) for draw in seasons for place, athlete in enumerate(athletes)]
    watched = _counter(2 * len(tasks), progress)
    with workers(len(tasks), jobs, few=FEW_SEASONS, loads=WORKER_LOADS) as mapper:
        clubs = {
            draw: club_responses(rows, speed_error_pct=settings.speed_error_pct, registry=settings.registry)
            for draw, rows in _by_draw(watched(mapper(respond, settings, tasks)))
        }
        tasks = [replace(task, club=clubs[task.draw]) for task in tasks]
        findings = [
            Season(draw, rows, _planted(draw, athletes))
            for draw, rows in _by_draw(watched(mapper(analyse, settings, tasks)))
        ]
        return list(mapper(judge, settings, findings))


def respond(settings: Settings, task: Task) -> tuple[Draw, int, pl.DataFrame]:
    """Stage `responses` of an athlete in a draw."""
    splits = redrawn(task.athlete, task.draw, task.place)
    rows = stage_named("responses").call("responses", splits, settings=settings, of_runs=task.of_runs)
    return task.draw, task.place, rows


def analyse(settings: Settings, task: Task) -> tuple[Draw, int, pl.DataFrame]:
    """Stage `drift` of an athlete in a draw."""
    splits = redrawn(task.athlete, task.draw, task.place)
    _, athlete_rows = stage_named("drift").call("drift", splits, settings=settings, club=task.club)
    return task.draw, task.place, athlete_rows


def judge(settings: Settings, season: Season) -> pl.DataFrame:
    """The findings of a draw, and how they compare with what was planted. No finding rests on single runs here."""
    findings = stage_named("summaries").call(
        "athlete_drift", season.athlete_drift, empty("run_drift"), settings=settings
    )
    return trials(findings, season.planted_pct, season.draw)


def _planted(draw: Draw, athletes: list[WithRuns]) -> dict[tuple[str, str], float]:
    return {
        (athlete.athlete_id, part.metric): draw.planted_pct(place, part.metric)
        for place, (athlete, _) in enumerate(athletes)
        for part in athlete.parts
    }


def _by_draw(results: Iterable[tuple[Draw, int, pl.DataFrame]]) -> Iterator[tuple[Draw, pl.DataFrame]]:
    """Gather the athletes of each draw in their order, whichever worker was first: sums of floats depend on it."""
    gathered: dict[Draw, list[tuple[int, pl.DataFrame]]] = defaultdict(list)
    for draw, place, rows in results:
        gathered[draw].append((place, rows))
    for draw, rows_of in gathered.items():
        yield draw, pl.concat(rows for _, rows in sorted(rows_of, key=lambda numbered: numbered[0]))


def _counter(total: int, progress: Progress | None) -> Callable[[Iterable[T]], Iterator[T]]:
    done = 0

    def watched(results: Iterable[T]) -> Iterator[T]:
        nonlocal done
        for result in results:
            done += 1
            if progress is not None:
                progress(done, total)
            yield result

    return watched
