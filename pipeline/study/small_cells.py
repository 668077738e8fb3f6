"""Suppression of small cells: what of a study may be passed on.

The terminal shows everything, since the store is at hand there. The output folder is made to be passed on. It follows
these rules, with `least` the study's `least_cell`:

- A run's kind, surface and device are given where at least `least` athletes have runs with all three. Elsewhere device,
  then surface, then kind are left out. Runs with none of them are of at least `least` athletes, too: otherwise the
  smallest of the other groups joins them.
- Table 1 is counted from the same rows, so that no difference between the two can be computed.
- A step of the cohort's flow that removed runs of fewer athletes gives no number of runs; one that removed fewer
  athletes gives no number of athletes. The store's total is then left out as well, since the step would follow from it.
- Results of fewer athletes, and shares and tests from which a count of fewer people could be computed, give no number
  and no figure; how often a runner was filmed counts as known (`pipeline.study.landing_pairs`). Of a test it is still
  given whether its p-value is below 0.05.
- Ranges are never given: the longest run and the fastest athlete are public knowledge.

Not covered: comparing two studies whose cohorts differ by fewer athletes, and searching the splits for a run whose
distance or pace is known from elsewhere.
"""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from pipeline.study.cohort import Flow, Step
from pipeline.study.conduct import StudyResult
from pipeline.study.results import compare_with_published

#: Attributes of a run in the order in which they are left out: the most identifying first.
GROUPS = ("device", "surface", "kind")
#: With fewer values the smallest and the largest follow from median and quartiles.
FEWEST_OF_QUARTILES = 4
_SIDE = 0.05


def suppress_small_cells(result: StudyResult) -> StudyResult:
    """A study with its result as it may be passed on."""
    least = result.study.least_cell
    small = [
        _is_small(n_athletes, least) or _is_small(statistic.smallest_cell, least)
        for n_athletes, statistic in zip(result.results["n_athletes"], result.statistics, strict=True)
    ]
    results = suppress_in_results(result.results, small, least)
    small_analyses = set(result.results.filter(pl.Series(small, dtype=pl.Boolean)).select("analysis", "metric").rows())
    power = result.power
    if power is not None:
        power = power.filter([row not in small_analyses for row in power.select("analysis", "metric").rows()])
    return replace(
        result,
        flow=suppress_in_flow(result.flow, least),
        results=results,
        comparison=compare_with_published(results, result.study.published),
        figures=[figure for figure in result.figures if (figure.analysis, figure.metric) not in small_analyses],
        power=power,
        flows={key: suppress_in_flow(flow, least) for key, flow in result.flows.items() if key not in small_analyses},
    )


def suppress_in_flow(flow: Flow, least: int) -> Flow:
    """The cohort's flow without counts of few athletes, and its runs with shared attributes only."""
    steps = [
        Step(
            step.reason,
            None if _is_small(step.n_athletes_touched, least) else step.n_runs,
            None if _is_small(step.n_athletes, least) else step.n_athletes,
        )
        for step in flow.steps
    ]
    return Flow(
        None if any(step.n_runs is None for step in steps) else flow.n_runs,
        None if any(step.n_athletes is None for step in steps) else flow.n_athletes,
        tuple(steps),
        shared_groups(flow.runs, least),
        flow.counts,
    )


def suppress_in_results(results: pl.DataFrame, small: list[bool], least: int) -> pl.DataFrame:
    """Rows of `Results` without the numbers of those that are of few people.

    Args:
        small: which of them are.
        least: smallest number of people to publish.
    """
    is_small = pl.Series(small, dtype=pl.Boolean)
    side = pl.when(pl.col("p_value") < _SIDE).then(pl.lit("; p below 0.05")).otherwise(pl.lit("; p 0.05 or above"))
    is_counted = pl.col("n_athletes").is_null() & pl.col("p_value").is_not_null()
    note = pl.lit(f"not published: a number of fewer than {least} people is in it, or follows from it") + pl.when(
        is_counted
    ).then(side).otherwise(pl.lit(""))
    numbers = ("estimate", "low", "high", "level", "p_value", "p_corrected", "n_athletes", "n_runs")
    return results.with_columns(
        pl.when(is_small).then(note).otherwise("note").alias("note"),
        *(pl.when(~is_small).then(name).alias(name) for name in numbers),
    )


def shared_groups(runs: pl.DataFrame, least: int) -> pl.DataFrame:
    """Runs with kind, surface and device where enough athletes share them, all three together; else null.

    Args:
        runs: with `athlete_id`, `kind`, `surface` and `device`.
        least: smallest number of athletes of a group.
    """
    result, n_athletes = runs, pl.col("athlete_id").n_unique().over(*GROUPS)
    for column in GROUPS:
        result = result.with_columns(pl.when(n_athletes >= least).then(column).alias(column))
    while (joining := _to_join(result, least)) is not None:
        is_same = pl.all_horizontal(pl.col(name).eq_missing(value) for name, value in joining.items())
        result = result.with_columns(pl.when(~is_same).then(name).alias(name) for name in GROUPS)
    return result


def _to_join(result: pl.DataFrame, least: int) -> dict[str, str | None] | None:
    """The smallest named group, where the runs without any attribute are of too few athletes; else None."""
    groups = result.group_by(*GROUPS).agg(pl.col("athlete_id").n_unique().alias("n")).sort("n", *GROUPS)
    is_told = pl.any_horizontal(pl.col(name).is_not_null() for name in GROUPS)
    [rest, *_] = [*groups.filter(~is_told)["n"], 0]
    named = groups.filter(is_told).select(GROUPS)
    return named.row(0, named=True) if _is_small(rest, least) and named.height else None


def _is_small(count: int | None, least: int) -> bool:
    """Whether a count is small; 0 is not, since it identifies no one."""
    return count is not None and 0 < count < least
