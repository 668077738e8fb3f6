"""Figures of designs that are drawn from what was estimated: lines over distance, intervals, runs of an athlete."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.study.material import Material
from pipeline.study.results import Figure, Statistic, figure_of
from pipeline.study.study_file import Analysis


def pictures(material: Material, analysis: Analysis, statistics: Sequence[Statistic]) -> list[Figure]:
    """The figures of an analysis, besides those that its design draws itself.

    Args:
        statistics: what the analysis gave.
    """
    of = {row.statistic: row for row in statistics}
    if analysis.design in ("trend", "onset"):
        return [_over_distance(material, analysis, of)]
    if analysis.design == "equivalence":
        margin = analysis.margin_pct or 0.0
        rules = [-100 * margin / (100 + margin), margin]
        words = "Change with its 90 % interval; dashed, the margins of equivalence."
        return [_intervals(analysis, {"change": of["change_pct"]}, words, "change, %", rules=rules)]
    if analysis.design == "landing":
        distances = {"early": analysis.early_km, "late": analysis.late_km}
        rows = {f"km {km[0]:g}": of[f"share_{name}"] for name, km in distances.items() if km}
        words = "Share of runners who landed on the rearfoot, with its 95 % interval."
        return [_intervals(analysis, rows, words, "share")]
    if analysis.design == "reliability":
        return [_runs(material, analysis)]
    return []


def _over_distance(material: Material, analysis: Analysis, of: dict[str, Statistic]) -> Figure:
    """Athletes' means by distance, in percent of their own mean, with the slope or the onset of all."""
    rows = material.values(analysis).with_columns(
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
    lines.sort(key=lambda row: (row["unit"], row["x"]))
    return figure_of(
        analysis, words, "lines", {"lines": lines, "estimate": estimate, "rules": rules},
        after=", along the distance", x="distance, km", y=f"{analysis.label}, % of own mean",
    )  # fmt: skip


def _intervals(
    analysis: Analysis, of: dict[str, Statistic], words: str, x: str, *, rules: Sequence[float] = ()
) -> Figure:
    rows = [{"label": label, "value": row.estimate, "low": row.low, "high": row.high} for label, row in of.items()]
    return figure_of(analysis, words, "intervals", {"rows": rows, "rules": [{"x": place} for place in rules]}, x=x)


def _runs(material: Material, analysis: Analysis) -> Figure:
    """Drift of each run, athletes side by side in order of their mean."""
    rows = material.levels(analysis).with_columns(mean=pl.col("drift_pct").mean().over("athlete_id")).sort("mean")
    athlete = rows["mean"].rle_id() + 1
    points = [{"x": x, "y": y} for x, y in zip(athlete, rows["drift_pct"], strict=True)]
    return figure_of(
        analysis, "One point per run, athletes in order of their mean.", "points", {"points": points},
        after=", drift of runs", x="athlete", y=f"drift of {analysis.label}, % per 10 km",
    )  # fmt: skip
