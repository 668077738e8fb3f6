"""Two small stages that a test adds to the registry, an athlete-level and a club-level one, with their tables."""

from __future__ import annotations

import sys
from types import ModuleType

import polars as pl
import pytest

import pipeline
from pipeline import ALONE, ATHLETE, CLUB, OF_CLUB, OF_RUNS, Function, Stage
from pipeline.tables import TABLES
from pipeline.tables.columns import dy


class Evenness(dy.Schema):
    """An athlete: how much speed differs between splits."""

    athlete_id = dy.String(primary_key=True)
    speed_range_m_s = dy.Float64(nullable=True)


class Steadiest(dy.Schema):
    """The athlete whose speed differs least."""

    athlete_id = dy.String(primary_key=True)
    n_athletes = dy.Int64()


def evenness(splits: pl.DataFrame, *, min_run_share: float) -> pl.DataFrame:
    run = pl.col("speed_m_s").filter(pl.col("run_share") >= min_run_share)
    return splits.group_by("athlete_id").agg(speed_range_m_s=run.max() - run.min())


def steadiest(athletes: pl.DataFrame, roster: pl.DataFrame) -> pl.DataFrame:
    assert "display_name" in roster.columns
    return (
        athletes.sort("speed_range_m_s", "athlete_id").head(1).select("athlete_id", n_athletes=pl.lit(athletes.height))
    )


ADDED = (
    Stage("evenness", ATHLETE, (Function("evenness", ("splits",), ("evenness",), ("min_run_share",)),)),
    Stage("steadiest", CLUB, (Function("steadiest", ("evenness", "roster.csv"), ("steadiest",)),)),
)


def add_stages(patch: pytest.MonkeyPatch) -> None:
    """What someone writes who adds them: a module, a table and an entry each."""
    for stage, function, table in zip(ADDED, (evenness, steadiest), (Evenness, Steadiest), strict=True):
        module = ModuleType(stage.module)
        vars(module)[stage.name] = function
        patch.setitem(sys.modules, stage.module, module)
        patch.setitem(TABLES, stage.name, table)  # type: ignore[arg-type] # a mapping that is a dict
    patch.setattr(pipeline, "STAGES", (*pipeline.STAGES, *ADDED))


def note_calls(patch: pytest.MonkeyPatch) -> list[tuple[str, str]]:
    """The stage and the function of every call of one from now on, in order."""
    calls: list[tuple[str, str]] = []
    call = Stage.call

    def noted(stage: Stage, name: str, *inputs: object, **more: object) -> object:
        calls.append((stage.name, name))
        return call(stage, name, *inputs, **more)

    patch.setattr(Stage, "call", noted)
    return calls


def assert_ran_in_order(calls: list[tuple[str, str]]) -> None:
    """Every function of every stage ran; the rounds one after the other, and in each the registry's order."""
    of_club = [(stage, function) for stage in pipeline.stages_of(CLUB) for function in stage.functions]
    # Of the club first what is made of the athletes of each section, by part; what takes lists alone is called for all.
    of_whole = [function.name for _, function in of_club if not function.by_athlete]
    takes_lists = [one.name for _, one in of_club if all("." in name for name in one.reads)]
    rounds = [
        *(
            [(stage.name, function.name) for stage in stages for function in stage.functions]
            for stages in (
                pipeline.stages_of(pipeline.FILE),
                *(pipeline.stages_of(ATHLETE, in_round) for in_round in (ALONE, OF_RUNS, OF_CLUB)),
            )
        ),
        *([(stage.name, function.name) for stage, function in part] for part in pipeline.parts_by_athlete()),
        [(stage.name, one.name) for stage, one in of_club if one.name in of_whole and one.name not in takes_lists],
    ]
    calls = [call for call in calls if call[1] not in takes_lists]
    assert set(calls) == {function for functions in rounds for function in functions}
    begins = [min(calls.index(function) for function in functions) for functions in rounds]
    ends = [max(len(calls) - 1 - calls[::-1].index(function) for function in functions) for functions in rounds]
    assert all(end < begin for end, begin in zip(ends, begins[1:], strict=False))
    for functions in rounds:
        first = [calls.index(function) for function in functions]
        assert first == sorted(first)
