"""Analyses of single athletes: how many of them change by more than the smallest change that can be detected."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import polars as pl
from scipy import special

from pipeline.core.arrays import Array
from pipeline.methods.paired_classes import wilson
from pipeline.methods.sample_size import change_components
from pipeline.study.material import Material
from pipeline.study.results import AnalysisResult, Statistic, statistics_of
from pipeline.study.stretches import by_unit, percent, response_se, shared_as_released
from pipeline.study.study_file import Analysis
from pipeline.study.windows import pairs_of

#: Without any true change, so many athletes are beyond it by chance.
BY_CHANCE = 0.05
_QUANTILE = float(special.ndtri(1 - BY_CHANCE / 2))
_SIDES = ("share_beyond", "share_rising", "share_falling")
#: What athletes share is at most this share of an error: the rest keeps a scatter to divide by.
MOST_SHARED = 0.999
_CHANCE = "without any true change 5 % are beyond it by chance"
#: In simulated studies 1 to 3 %: the error of responses is in the scatter of an athlete's runs, too.
_CHANCE_AT_EQUAL_SPEED = "without any true change at most 5 % are beyond it by chance"
#: Equally probable sizes of what athletes share, over which chances are averaged.
_SHARED_SIZES = special.ndtri((np.arange(2000) + 0.5) / 2000)


def responders(material: Material, analysis: Analysis) -> AnalysisResult:
    """Shares of athletes whose change is beyond the smallest detectable one, up, down and either way.

    An athlete's change is a mean over n runs; the smallest detectable one is 1.96 standard errors of that mean: the
    standard deviation of changes of single runs within athletes, estimated over all athletes with several runs, and the
    error of the athlete's responses. Since athletes share a part of that, they tell less than as many independent ones:
    the intervals are those of so many whose share would scatter as much.
    Where `detectable_pct` states it from elsewhere, that holds for every athlete.

    Raises:
        ValueError: no athlete has two runs, and the analysis does not state it.
    """
    pairs = pairs_of(material, analysis)
    units = by_unit(pairs, "athlete")
    change = (units["late"] - units["early"]).to_numpy()
    about = statistics_of(analysis, pairs)
    if analysis.detectable_pct is not None:
        detectable = np.full(len(change), np.log1p(analysis.detectable_pct / 100))
        how = f"smallest detectable change as stated, {analysis.detectable_pct:g} %"
        return AnalysisResult(_shares(about, change, detectable, dict.fromkeys(_SIDES, float(len(change))), how=how))
    whole = response_se(material.drifts, analysis.metric, units)
    shared = shared_as_released(units["shared"].to_numpy())
    true, within = _components(pairs, units["athlete_id"].to_list(), whole, shared)
    error = np.hypot(within / np.sqrt(units["n_runs"].to_numpy()), whole)
    how = "smallest detectable change: 1.96 standard errors of an athlete's mean, from the scatter of runs"
    how += " and the error of the athlete's responses" if whole.any() else ""
    note = _CHANCE_AT_EQUAL_SPEED if whole.any() else _CHANCE
    return AnalysisResult([
        *_shares(about, change, _QUANTILE * error, independent_athletes(shared / error), how=how, note=note),
        about(
            "smallest_detectable_change_pct", percent(float(np.median(_QUANTILE * error))), level=None,
            method="median over athletes of the smallest detectable change that each was held against",
            note="median over athletes, of an athlete's mean over runs: what shares are counted by",
        ),
        about(
            "smallest_detectable_change_of_a_single_run_pct", percent(_QUANTILE * within), level=None,
            method="1.96 standard deviations of changes of runs within athletes",
            note="of a single run; shares are not counted by it",
        ),
        about(
            "sd_of_true_changes_pct", percent(true), level=None,
            method="standard deviation of athletes' changes beyond the scatter of their runs and the error of "
            "their responses, by moments",
        ),
    ])  # fmt: skip


def _components(pairs: pl.DataFrame, athletes: Sequence[str], whole: Array, shared: Array) -> tuple[float, float]:
    """Standard deviation of athletes' true changes, and that of single runs' changes within an athlete."""
    if pairs["run_id"].null_count() or pairs.filter(pl.len().over("athlete_id") > 1).is_empty():
        raise ValueError(
            "the smallest detectable change follows from several runs of an athlete, each with an early and a late "
            "stretch; state it with detectable_pct"
        )
    # What all share moves the athletes, not what they differ by.
    own = dict(zip(athletes, np.sqrt(np.maximum(whole**2 - shared**2, 0.0)), strict=True))
    names = pairs["athlete_id"].to_list()
    return change_components(
        names, (pairs["late"] - pairs["early"]).to_numpy(), shared_se=np.array([own[name] for name in names])
    )


def independent_athletes(shared: Array) -> dict[str, float]:
    """How many independent athletes would tell a share as well as these, by which side is counted.

    Where no one truly changes, changes in standard errors are normal, and athletes who share a part of the error are
    beyond the smallest detectable change together.

    Args:
        shared: part of each athlete's standard error that all share, as a share of the whole, with its sign.
    """
    shared = np.clip(shared, -MOST_SHARED, MOST_SHARED)
    moved = shared * _SHARED_SIZES[:, None]
    own = np.sqrt(1 - shared**2)
    rising, falling = (special.ndtr((-_QUANTILE + sign * moved) / own) for sign in (1, -1))
    return {
        side: _independent(chance) for side, chance in zip(_SIDES, (rising + falling, rising, falling), strict=True)
    }


def _independent(chance: Array) -> float:
    """The same from the chance of each athlete at each size of what is shared, sizes x athletes."""
    mean, n = chance.mean(axis=0), chance.shape[1]
    independent = float((mean * (1 - mean)).sum())
    together = float(chance.sum(axis=1).var() - chance.var(axis=0).sum())
    return float(n * independent / (independent + max(together, 0.0)))


def _shares(
    about: Callable[..., Statistic], change: Array, detectable: Array, n_told: Mapping[str, float],
    *, how: str, note: str = "",
) -> list[Statistic]:  # fmt: skip
    rising, falling = int((change > detectable).sum()), int((change < -detectable).sum())
    n = len(change)
    counts = dict(zip(_SIDES, (rising + falling, rising, falling), strict=True))
    # Any of the three numbers of athletes follows from the others.
    smallest = min(count for count in (rising, falling, n - rising - falling) if count)
    rows = []
    for statistic, count in counts.items():
        told = n_told[statistic]
        low, high = wilson(count / n * told, told)
        shared = "" if told == n else f" for {told:.3g} independent athletes, as much as {n} with a shared error tell"
        rows.append(
            about(
                statistic, count / n, float(low), float(high),
                method=f"share of athletes; {how}; Wilson's interval{shared}",
                note=note if statistic == "share_beyond" else "",
                smallest_cell=smallest, way="wilson",
            )
        )  # fmt: skip
    return rows
