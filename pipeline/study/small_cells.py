"""What of a study may be handed on: no count or number of fewer people than it allows, nor what gives one back.

Who takes the study has the store, and sees everything in the terminal. The folder of its output is made to be handed
on, so it holds what is left after these rules, with `least` the study's `least_cell`:

- A run's kind, surface and device are told where the three together are those of runs of `least` athletes or more.
  Elsewhere device, then surface, then kind are given up. Runs that tell none are of `least` athletes or more, too: else
  the smallest of the other groups joins them, or who is in none of them would be known.
- Table 1 is counted from the same rows, so that it cannot be subtracted from them.
- A step of the cohort's way that took runs of fewer athletes tells no number of runs, one that cost fewer athletes
  their place no number of athletes. With one such number the store's total is not told, or the step would
  follow from it.
- Results of fewer athletes, and shares and tests that fewer people can be counted back from, tell no number, and no
  picture is drawn of them. Of a test it is still told on which side of 0.05 its p-value lies.
- Ranges are never told: the longest run and the fastest athlete are known to everybody.

What they do not guard against: two studies of cohorts that differ by fewer athletes, laid beside each other; and who
knows a run's distance or pace from elsewhere and looks for it among the splits.
"""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from pipeline.study.cohort import Flow, Step
from pipeline.study.conduct import Conducted
from pipeline.study.results import Figure, beside_published

#: What is told of a run, beside its splits, in the order in which it is given up: what says most of a person first.
GROUPS = ("device", "surface", "kind")
#: With quartiles and median of fewer values the smallest and the largest follow from them.
FEWEST_OF_QUARTILES = 4
_SIDE = 0.05


def guarded(told: Conducted) -> Conducted:
    """A study with its result as it may be handed on."""
    least = told.study.least_cell
    small = [_is_small(row["n_athletes"], least) or _is_small(one.smallest_cell, least)
             for row, one in zip(told.results.iter_rows(named=True), told.found, strict=True)]  # fmt: skip
    results = guarded_results(told.results, small, least)
    small_analyses = set(told.results.filter(pl.Series(small, dtype=pl.Boolean)).select("analysis", "metric").rows())
    power = told.power
    if power is not None:
        power = power.filter([row not in small_analyses for row in power.select("analysis", "metric").rows()])
    return replace(
        told,
        flow=guarded_flow(told.flow, least),
        results=results,
        beside=beside_published(results, told.study.published),
        figures=[one for one in told.figures if not _shows(one, small_analyses)],
        power=power,
    )


def guarded_flow(flow: Flow, least: int) -> Flow:
    """The cohort's way without counts of few athletes, and its runs with what is told of them."""
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
    )


def guarded_results(results: pl.DataFrame, small: list[bool], least: int) -> pl.DataFrame:
    """Rows of `Results` with the numbers of those left out that are of few people.

    Args:
        results: the rows.
        small: which of them are.
        least: fewest people that are told of.
    """
    is_small = pl.Series(small, dtype=pl.Boolean)
    side = pl.when(pl.col("p_value") < _SIDE).then(pl.lit("; p below 0.05")).otherwise(pl.lit("; p 0.05 or above"))
    is_counted = pl.col("n_athletes").is_null() & pl.col("p_value").is_not_null()
    note = pl.lit(f"not told: of fewer than {least} people") + pl.when(is_counted).then(side).otherwise(pl.lit(""))
    numbers = ("estimate", "low", "high", "level", "p_value", "p_corrected", "n_athletes", "n_runs")
    return results.with_columns(
        pl.when(is_small).then(note).otherwise("note").alias("note"),
        # The number of patterns is that of the pairs.
        pl.when(is_small).then(pl.col("method").str.replace(r"2\^\d+", "2^n")).otherwise("method").alias("method"),
        *(pl.when(~is_small).then(name).alias(name) for name in numbers),
    )


def shared_groups(runs: pl.DataFrame, least: int) -> pl.DataFrame:
    """Runs with kind, surface and device where enough athletes share them, all three together; else null.

    Args:
        runs: with `athlete_id`, `kind`, `surface` and `device`.
        least: fewest athletes of a group that is told apart.
    """
    told = runs
    for column in GROUPS:
        told = told.with_columns(pl.when(_n_athletes() >= least).then(column).alias(column))
    while (joining := _to_join(told, least)) is not None:
        is_same = pl.all_horizontal(pl.col(name).eq_missing(value) for name, value in joining.items())
        told = told.with_columns(pl.when(~is_same).then(name).alias(name) for name in GROUPS)
    return told


def _n_athletes() -> pl.Expr:
    return pl.col("athlete_id").n_unique().over(*GROUPS)


def _to_join(told: pl.DataFrame, least: int) -> dict[str, str | None] | None:
    """The smallest group of those told apart, where those of which nothing is told are too few; else None."""
    groups = told.group_by(*GROUPS).agg(pl.col("athlete_id").n_unique().alias("n")).sort("n", *GROUPS)
    is_told = pl.any_horizontal(pl.col(name).is_not_null() for name in GROUPS)
    [rest, *_] = [*groups.filter(~is_told)["n"], 0]
    others = groups.filter(is_told).select(GROUPS)
    return others.row(0, named=True) if _is_small(rest, least) and others.height else None


def _is_small(count: int | None, least: int) -> bool:
    """Nobody is no small group."""
    return count is not None and 0 < count < least


def _shows(figure: Figure, analyses: set[tuple[str, str]]) -> bool:
    return (figure.analysis, figure.metric) in analyses
