"""Figures of designs that are drawn from what was estimated: lines over distance, intervals, runs of an athlete."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import polars as pl

from pipeline.study.material import Material
from pipeline.study.results import Figure, Statistic
from pipeline.study.study_file import Analysis


def pictures(material: Material, analysis: Analysis, metric: str, statistics: Sequence[Statistic]) -> list[Figure]:
    """The figures of an analysis of one metric, besides those that its design draws itself.

    Args:
        metric: empty for landing.
        statistics: what the analysis gave.
    """
    of = {row.statistic: row for row in statistics}
    if analysis.design in ("trend", "onset"):
        return [_over_distance(material, analysis, metric, of)]
    if analysis.design == "equivalence":
        margin = analysis.margin_pct or 0.0
        rules = [-100 * margin / (100 + margin), margin]
        words = "Change with its 90 % interval; dashed, the margins of equivalence."
        return [_intervals(analysis, metric, {"change": of["change_pct"]}, rules=rules, x="change, %", words=words)]
    if analysis.design == "landing":
        rows = {f"km {km[0]:g}": of[f"share_{name}"] for name, km in (("early", analysis.early_km), ("late",
                analysis.late_km)) if km}  # fmt: skip
        words = "Share of runners who landed on the rearfoot, with its 95 % interval."
        return [_intervals(analysis, metric, rows, rules=[], x="share", words=words)]
    if analysis.design == "reliability":
        return [_runs(material, analysis, metric)]
    return []


def _title(analysis: Analysis, metric: str) -> str:
    return f"{analysis.label(metric).capitalize() if metric else 'Landing'}: {analysis.name}"


def _over_distance(material: Material, analysis: Analysis, metric: str, of: dict[str, Statistic]) -> Figure:
    """Athletes' means by distance, in percent of their own mean, with the slope or the onset of all."""
    rows = material.values(analysis, metric).with_columns(
        y=100 * (pl.col("log") - pl.col("log").mean().over("athlete_id")).exp() - 100
    )
    means = rows.group_by("athlete_id", "distance_km").agg(pl.col("y").mean())
    # In no order of names.
    order = means.group_by("athlete_id").agg(first=pl.col("y").sort_by("distance_km").first()).sort("first")
    numbers = {name: place for place, name in enumerate(order["athlete_id"])}
    lines = [
        {"unit": numbers[athlete], "x": x, "y": y}
        for athlete, x, y in means.sort("athlete_id", "distance_km").iter_rows()
    ]
    estimate, rules, words = [], [], "Athletes' means by distance, in percent of their own mean"
    if (slope := of.get("slope_pct_per_10km")) is not None and not analysis.has_factors and slope.estimate is not None:
        at_km = rows["distance_km"].to_numpy()
        per_km = np.log1p(slope.estimate / 100) / 10
        estimate = [
            {"x": float(x), "y": float(100 * np.expm1(per_km * (x - at_km.mean())))}
            for x in np.linspace(at_km.min(), at_km.max(), 21)
        ]
        words += "; thick, the estimated slope."
    elif (place := of.get("onset_km")) is not None and place.estimate is not None:
        rules = [{"x": x} for x in (place.low, place.estimate, place.high)]
        words += "; dashed, the onset and the ends of its interval."
    else:
        words += "; no onset is given."
    return Figure(
        f"{_title(analysis, metric)}, along the distance", words, "lines",
        {"lines": sorted(lines, key=lambda row: (row["unit"], row["x"])), "estimate": estimate, "rules": rules},
        {"x": "distance, km", "y": f"{analysis.label(metric)}, % of own mean"}, analysis.name, metric,
    )  # fmt: skip


def _intervals(
    analysis: Analysis, metric: str, of: dict[str, Statistic], *, rules: Sequence[float], x: str, words: str
) -> Figure:
    rows = [{"label": label, "value": row.estimate, "low": row.low, "high": row.high} for label, row in of.items()]
    data: dict[str, Sequence[Mapping[str, Any]]] = {"rows": rows, "rules": [{"x": place} for place in rules]}
    return Figure(_title(analysis, metric), words, "intervals", data, {"x": x}, analysis.name, metric)


def _runs(material: Material, analysis: Analysis, metric: str) -> Figure:
    """Drift of each run, athletes side by side in order of their mean."""
    rows = material.levels(metric).with_columns(mean=pl.col("drift_pct").mean().over("athlete_id")).sort("mean")
    athlete = rows["mean"].rle_id() + 1
    points = [{"x": x, "y": y} for x, y in zip(athlete, rows["drift_pct"], strict=True)]
    return Figure(
        f"{_title(analysis, metric)}, drift of runs", "One point per run, athletes in order of their mean.", "points",
        {"points": points}, {"x": "athlete", "y": f"drift of {analysis.label(metric)}, % per 10 km"},
        analysis.name, metric,
    )  # fmt: skip
