"""The cohort of a study: which runs of which athletes are included, and why the others are not."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.core.errors import NothingDone, UsageError
from pipeline.stages.corrections import TAG_SEPARATOR
from pipeline.study.outcomes import OUTCOMES
from pipeline.study.stretches import has_tags
from pipeline.study.study_file import Cohort, Study

#: Surfaces that are level where no altitude was recorded.
LEVEL_SURFACES = ("treadmill", "track")


@dataclass(frozen=True)
class Step:
    """One step of the flow from all runs to those that are included.

    Attributes:
        reason: why runs were removed.
        n_runs: number of runs removed; None where it is suppressed (`pipeline.study.small_cells`).
        n_athletes: number of athletes without a run after it; likewise.
        n_athletes_touched: number of athletes who lost a run; None where it is suppressed.
    """

    reason: str
    n_runs: int | None
    n_athletes: int | None
    n_athletes_touched: int | None = None

    @classmethod
    def between(cls, reason: str, before: pl.DataFrame, after: pl.DataFrame) -> Step:
        """What was removed from some runs.

        Args:
            before: with `athlete_id` and `run_id`.
            after: those of them that are left.
        """
        gone = before.join(after, on="run_id", how="anti")
        n_athletes = before["athlete_id"].n_unique() - after["athlete_id"].n_unique()
        return cls(reason, gone.height, n_athletes, gone["athlete_id"].n_unique())


@dataclass(frozen=True)
class Flow:
    """The flow from all runs to those that are included.

    Attributes:
        n_runs: number of runs of the store; None where it is suppressed.
        n_athletes: number of athletes of the store; likewise.
        steps: what was removed, in order.
        counts: what its runs are: runs, or landings of runners at events (`pipeline.study.filmed`).
    """

    n_runs: int | None
    n_athletes: int | None
    steps: tuple[Step, ...]
    runs: pl.DataFrame
    counts: str = "runs"


#: Whether a condition is asked for, why runs are left out that do not meet it, and the condition.
Condition = tuple[object, str, pl.Expr]


def cohort_flow(runs: pl.DataFrame, cohort: Cohort) -> Flow:
    """Apply the conditions of a cohort to the runs, one after the other.

    Raises:
        NothingDone: fewer athletes are left than the cohort asks for; the message has the whole flow.
        UsageError: the store has no run of a named athlete or device.
    """
    for word, names, known in (
        ("athletes", cohort.athletes, runs["athlete_id"]),
        ("not_athletes", cohort.not_athletes, runs["athlete_id"]),
        ("devices", cohort.devices, runs["device"]),
    ):
        _require_known(word, names, known)
    for word, names in (("kinds", cohort.kinds), ("surfaces", cohort.surfaces)):
        _require_known(word, names, runs[word.removesuffix("s")], may_be_absent=True)
    every_tag = sorted({tag for text in runs["tags"].drop_nulls() for tag in text.split(TAG_SEPARATOR)})
    _require_known("tags", cohort.tags, pl.Series(every_tag, dtype=pl.String))
    distance = pl.col("distance_km")
    of_athletes, of_days = athletes_and_days(cohort, pl.col("started_at_utc").dt.strftime("%Y-%m-%d"))
    possible = [
        *of_athletes,
        (
            cohort.kinds,
            f"of a kind of session other than {_or(cohort.kinds)}, or not listed",
            _named("kind", cohort.kinds),
        ),
        (
            cohort.surfaces,
            f"on a surface other than {_or(cohort.surfaces)}, or not listed",
            _named("surface", cohort.surfaces),
        ),
        (cohort.devices, "by a device other than those asked for, or not named", _named("device", cohort.devices)),
        (cohort.tags, f"not tagged {' and '.join(cohort.tags)}", has_tags(cohort.tags)),
        (cohort.after_ride is True, "not after a ride", pl.col("after_ride")),
        (cohort.after_ride is False, "after a ride", ~pl.col("after_ride")),
        *of_days,
        (cohort.min_distance_km, f"shorter than {cohort.min_distance_km:g} km", distance >= cohort.min_distance_km),
        (
            cohort.max_distance_km is not None,
            f"longer than {cohort.max_distance_km or 0:g} km",
            distance <= (cohort.max_distance_km or 0.0),
        ),
        (
            cohort.max_slope_pct is not None,
            f"not level: slopes of more than {cohort.max_slope_pct or 0:g} % on average, or not known",
            pl.col("mean_slope_pct") <= (cohort.max_slope_pct or 0.0),
        ),
        (
            cohort.min_speed_reliability is not None,
            f"of an athlete whose speed is known less reliably than {cohort.min_speed_reliability or 0:g}",
            pl.col("speed_reliability") >= (cohort.min_speed_reliability or 0.0),
        ),
        (
            cohort.min_runs > 1,
            f"of an athlete with fewer than {cohort.min_runs} runs left",
            pl.len().over("athlete_id") >= cohort.min_runs,
        ),
    ]
    conditions = [(reason, condition) for is_asked, reason, condition in possible if is_asked]
    left, steps = runs, []
    for reason, condition in conditions:
        before, left = left, left.filter(condition.fill_null(value=False))
        steps.append(Step.between(reason, before, left))
    flow = Flow(runs.height, runs["athlete_id"].n_unique(), tuple(steps), left.sort("run_id"))
    if left["athlete_id"].n_unique() < cohort.min_athletes:
        raise NothingDone(
            f"{left['athlete_id'].n_unique()} athletes with {left.height} runs are left, and the study asks for at "
            f"least {cohort.min_athletes} athletes. {in_words(flow)}"
        )
    return flow


def athletes_and_days(cohort: Cohort, day: pl.Expr) -> tuple[list[Condition], list[Condition]]:
    """The conditions on athletes, and on the day of their runs."""
    of_athletes: list[Condition] = [
        (cohort.athletes, "not of the athletes named", _named("athlete_id", cohort.athletes)),
        (cohort.not_athletes, "of an athlete excluded by name", ~_named("athlete_id", cohort.not_athletes)),
    ]
    of_days: list[Condition] = [
        (cohort.from_date, f"before {cohort.from_date}", day >= (cohort.from_date or "")),
        (cohort.to_date, f"after {cohort.to_date}", day <= (cohort.to_date or "")),
    ]
    return of_athletes, of_days


def cut_to_shared_lengths(splits: pl.DataFrame, km: str, least: int) -> pl.DataFrame:
    """Splits without the ends of runs that would tell whose they are.

    Who ran farthest, or the only one so far, can be looked up in a list of results. From the longest run on, runs that
    fewer than `least` athletes ran so far are cut back to the length of the next shorter one.

    Args:
        splits: with `athlete_id`, `run_id` and the place along the run.
        km: name of the column of the place.
        least: smallest number of athletes with runs of one length.
    """
    lengths = splits.group_by("athlete_id", "run_id").agg(length=pl.col(km).max())
    for length in lengths["length"].unique().sort(descending=True):
        of_length = pl.col("length") == length
        if lengths.filter(of_length)["athlete_id"].n_unique() < least:
            next_shorter = lengths.filter(pl.col("length") < length)["length"].max()
            lengths = lengths.with_columns(pl.when(~of_length).then("length").otherwise(next_shorter).alias("length"))
    kept = splits.join(lengths.select("run_id", "length"), on="run_id", how="left", maintain_order="left")
    return kept.filter(pl.col(km) <= pl.col("length")).drop("length")


def with_criteria(runs: pl.DataFrame, study: Study, splits: pl.DataFrame, drifts: pl.DataFrame) -> pl.DataFrame:
    """Runs with what the conditions of a cohort look at and other tables hold.

    Returns:
        The runs; for `max_slope_pct` with `mean_slope_pct`, the mean of the absolute slopes of a run's kilometres, 0 on
        level surfaces without altitude; for `min_speed_reliability` with `speed_reliability`, the lowest of the
        athlete's for the study's metrics, null where one is not known.
    """
    if study.cohort.max_slope_pct is not None:
        slope = (pl.col("slope_pct").abs() * pl.col("length_m")).sum() / pl.col("length_m").sum()
        of_runs = splits.drop_nulls("slope_pct").group_by("run_id").agg(mean_slope_pct=slope)
        is_level = pl.col("mean_slope_pct").is_null() & pl.col("surface").is_in(LEVEL_SURFACES)
        runs = runs.join(of_runs, on="run_id", how="left", maintain_order="left").with_columns(
            mean_slope_pct=pl.when(is_level).then(0.0).otherwise("mean_slope_pct")
        )
    if study.cohort.min_speed_reliability is not None:
        metrics = {metric for analysis in study.analyses for metric in analysis.metrics if metric not in OUTCOMES}
        known = pl.when(pl.col("speed_reliability").count() == len(metrics)).then(pl.col("speed_reliability").min())
        of_athletes = (
            drifts.filter(pl.col("metric").is_in(list(metrics))).group_by("athlete_id").agg(speed_reliability=known)
        )
        runs = runs.join(of_athletes, on="athlete_id", how="left", maintain_order="left")
    return runs


def in_words(flow: Flow) -> str:
    """The flow from all runs to those that are included, in a sentence."""
    taken = [
        f"{'some' if step.n_runs is None else step.n_runs} {step.reason}" for step in flow.steps if step.n_runs != 0
    ]
    gone = f" Left out: {'; '.join(taken)}." if taken else ""
    if flow.n_runs is None or flow.n_athletes is None:
        return f"{flow.runs.height} {flow.counts} of {flow.runs['athlete_id'].n_unique()} athletes are included.{gone}"
    return f"The store holds {flow.n_runs} {flow.counts} of {flow.n_athletes} athletes.{gone}"


def _require_known(word: str, names: Sequence[str], of_runs: pl.Series, *, may_be_absent: bool = False) -> None:
    """Reject names that the store does not have: a misspelt one would silently exclude or include runs.

    A kind of session without runs is no mistake, unless it is nearly spelled like another.
    """
    known = of_runs.drop_nulls().unique().sort().to_list()
    for name in names:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            if may_be_absent and not near:
                continue
            raise UsageError(
                f"{word} of [cohort]: the store has no run of {name!r}. "
                + (f"Did you mean {near[0]!r}?" if near else f"It has runs of {', '.join(known) or 'no one'}.")
            )


def _named(column: str, names: Sequence[str]) -> pl.Expr:
    return pl.col(column).is_in(list(names))


def _or(words: Sequence[str]) -> str:
    return " or ".join(words)
