"""Analyses of single athletes: how many of them change by more than the smallest change that can be detected."""

from __future__ import annotations

from functools import partial

import numpy as np
import polars as pl
from scipy import special

from pipeline.core.arrays import Array
from pipeline.methods.paired_classes import wilson
from pipeline.methods.sample_size import change_components
from pipeline.study.material import Material
from pipeline.study.results import AnalysisResult, Statistic, statistics_of
from pipeline.study.stretches import by_unit, percent, shared_as_released
from pipeline.study.study_file import Analysis
from pipeline.study.windows import pairs_of

#: Without any true change, so many athletes are beyond it by chance.
BY_CHANCE = 0.05
_CHANCE = "without any true change 5 % are beyond it by chance"
_CHANCE_AT_EQUAL_SPEED = (
    "without any true change more than 5 % are beyond it by chance, since the error of an athlete's own response to "
    "speed is not part of it: in simulated studies 10 %"
)


def responders(material: Material, analysis: Analysis) -> AnalysisResult:
    """Shares of athletes whose change is beyond the smallest detectable one, up, down and either way.

    An athlete's change is a mean over n runs; the smallest detectable one is 1.96 standard errors of that mean, with
    the standard deviation of changes of single runs within athletes, estimated over all athletes with several runs, and
    with the error of the response to speed that athletes have in common.
    Where `detectable_pct` states it from elsewhere, that holds for every athlete.

    Raises:
        ValueError: no athlete has two runs, and the analysis does not state it.
    """
    statistics: list[Statistic] = []
    for metric in analysis.metrics:
        pairs = pairs_of(material, analysis, metric)
        units = by_unit(pairs, "athlete")
        change = (units["late"] - units["early"]).to_numpy()
        within = true = None
        if analysis.detectable_pct is not None:
            detectable = np.full(len(change), np.log1p(analysis.detectable_pct / 100))
            how = f"smallest detectable change as stated, {analysis.detectable_pct:g} %"
        else:
            true, within = _components(pairs)
            z = float(special.ndtri(1 - BY_CHANCE / 2))
            detectable = z * np.hypot(
                within / np.sqrt(units["n_runs"].to_numpy()), shared_as_released(units["shared"].to_numpy())
            )
            how = "smallest detectable change: 1.96 standard errors of an athlete's mean, from the scatter of runs"
        note = _CHANCE if not units["shared"].to_numpy().any() else _CHANCE_AT_EQUAL_SPEED
        statistics += _rows(analysis, metric, pairs, change=change, detectable=detectable, how=how, note=note)
        if within is not None and true is not None:
            about = partial(statistics_of(analysis, metric, pairs), level=None)
            statistics += [
                about(
                    statistic="smallest_detectable_change_pct", estimate=percent(1.96 * within),
                    method="of a single run: 1.96 standard deviations of changes of runs within athletes",
                ),
                about(
                    statistic="sd_of_true_changes_pct", estimate=percent(true),
                    method="standard deviation of athletes' changes beyond the scatter of their runs, by moments",
                ),
            ]  # fmt: skip
    return AnalysisResult(statistics)


def _components(pairs: pl.DataFrame) -> tuple[float, float]:
    if pairs["run_id"].null_count() or pairs.filter(pl.len().over("athlete_id") > 1).is_empty():
        raise ValueError(
            "the smallest detectable change follows from several runs of an athlete, each with an early and a late "
            "stretch; state it with detectable_pct"
        )
    return change_components(pairs["athlete_id"].to_list(), (pairs["late"] - pairs["early"]).to_numpy())


def _rows(
    analysis: Analysis, metric: str, pairs: pl.DataFrame, *, change: Array, detectable: Array, how: str, note: str
) -> list[Statistic]:  # fmt: skip
    rising, falling = int((change > detectable).sum()), int((change < -detectable).sum())
    n = len(change)
    counts = {"share_beyond": rising + falling, "share_rising": rising, "share_falling": falling}
    # Any of the three numbers of athletes follows from the others.
    cells = [count for count in (rising, falling, n - rising - falling) if count]
    rows = []
    for statistic, count in counts.items():
        low, high = wilson(count, n)
        rows.append(
            statistics_of(analysis, metric, pairs)(
                statistic=statistic, estimate=count / n, low=float(low), high=float(high),
                method=f"share of athletes; {how}; Wilson's interval",
                note=note if statistic == "share_beyond" else "",
                smallest_cell=min(cells), way="wilson",
            )
        )  # fmt: skip
    return rows
