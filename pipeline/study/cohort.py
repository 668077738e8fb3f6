"""The cohort of a study: which runs of whom enter, and why the others do not."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.core.errors import NothingDone, UsageError
from pipeline.study.study_file import Cohort


@dataclass(frozen=True)
class Step:
    """One step of the way from all runs to those that enter.

    Attributes:
        reason: what took runs away in it.
        n_runs: runs that it took; None where that is not told (`pipeline.study.small_cells`).
        n_athletes: athletes who had none left after it; likewise.
        n_athletes_touched: athletes of whom it took a run; None where that is not told.
    """

    reason: str
    n_runs: int | None
    n_athletes: int | None
    n_athletes_touched: int | None = None


@dataclass(frozen=True)
class Flow:
    """The whole way.

    Attributes:
        n_runs: runs of the store; None where that is not told.
        n_athletes: their athletes; likewise.
        steps: what was taken away, in order.
        runs: rows of `runs` that are left.
    """

    n_runs: int | None
    n_athletes: int | None
    steps: tuple[Step, ...]
    runs: pl.DataFrame


def cohort_flow(runs: pl.DataFrame, cohort: Cohort) -> Flow:
    """Take the runs through the conditions of a cohort, one after the other.

    Args:
        runs: rows of `runs` of the store.
        cohort: the conditions.

    Raises:
        NothingDone: fewer athletes are left than the cohort asks for; told with the whole way.
        UsageError: an athlete or a device is named of whom the store has no run.
    """
    for word, names, known in (
        ("athletes", cohort.athletes, runs["athlete_id"]),
        ("not_athletes", cohort.not_athletes, runs["athlete_id"]),
        ("devices", cohort.devices, runs["device"]),
    ):
        _require_known(word, names, known)
    for word, names in (("kinds", cohort.kinds), ("surfaces", cohort.surfaces)):
        _require_known(word, names, runs[word.removesuffix("s")], may_be_absent=True)
    day, distance = pl.col("started_at_utc").dt.strftime("%Y-%m-%d"), pl.col("distance_km")
    asked = [
        (cohort.athletes, "not one of the athletes named", pl.col("athlete_id").is_in(list(cohort.athletes))),
        (cohort.not_athletes, "an athlete left out by name", ~pl.col("athlete_id").is_in(list(cohort.not_athletes))),
        (cohort.kinds, f"kind of session not {_or(cohort.kinds)}, or not listed", _named("kind", cohort.kinds)),
        (cohort.surfaces, f"surface not {_or(cohort.surfaces)}, or not listed", _named("surface", cohort.surfaces)),
        (cohort.devices, "another device than those asked for, or not named", _named("device", cohort.devices)),
        (cohort.from_date, f"before {cohort.from_date}", day >= (cohort.from_date or "")),
        (cohort.to_date, f"after {cohort.to_date}", day <= (cohort.to_date or "")),
        (cohort.min_distance_km, f"shorter than {cohort.min_distance_km:g} km", distance >= cohort.min_distance_km),
        (
            cohort.min_runs > 1,
            f"of an athlete with fewer than {cohort.min_runs} runs left",
            pl.len().over("athlete_id") >= cohort.min_runs,
        ),
    ]
    conditions = [(reason, condition) for is_asked, reason, condition in asked if is_asked]
    left, steps = runs, []
    for reason, condition in conditions:
        before, left = left, left.filter(condition.fill_null(value=False))
        n_athletes = before["athlete_id"].n_unique() - left["athlete_id"].n_unique()
        touched = before.join(left, on="run_id", how="anti")["athlete_id"].n_unique()
        steps.append(Step(reason, before.height - left.height, n_athletes, touched))
    flow = Flow(runs.height, runs["athlete_id"].n_unique(), tuple(steps), left.sort("run_id"))
    if left["athlete_id"].n_unique() < cohort.min_athletes:
        raise NothingDone(
            f"{left['athlete_id'].n_unique()} athletes with {left.height} runs are left, and the study asks for at "
            f"least {cohort.min_athletes} athletes. {in_words(flow)}"
        )
    return flow


def in_words(flow: Flow) -> str:
    """The way from all runs to those that enter, in a sentence."""
    taken = [
        f"{'some' if step.n_runs is None else step.n_runs} {step.reason}" for step in flow.steps if step.n_runs != 0
    ]
    gone = f" Left out: {'; '.join(taken)}." if taken else ""
    if flow.n_runs is None or flow.n_athletes is None:
        return f"Of the store's runs {flow.runs.height} of {flow.runs['athlete_id'].n_unique()} athletes entered.{gone}"
    return f"The store holds {flow.n_runs} runs of {flow.n_athletes} athletes.{gone}"


def _require_known(word: str, names: Sequence[str], of_runs: pl.Series, *, may_be_absent: bool = False) -> None:
    """A name that is spelled otherwise than in the store would leave out, or let in, without a word.

    A kind of session that nobody ran is no mistake; one that is nearly another is.
    """
    known = of_runs.drop_nulls().unique().sort().to_list()
    for name in names:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            if may_be_absent and not near:
                continue
            raise UsageError(
                f"{word} of [cohort]: the store has no run of {name!r}. "
                + (f"Did you mean {near[0]!r}?" if near else f"It has runs of {', '.join(known) or 'nobody'}.")
            )


def _named(column: str, names: Sequence[str]) -> pl.Expr:
    return pl.col(column).is_in(list(names))


def _or(words: Sequence[str]) -> str:
    return " or ".join(words)
