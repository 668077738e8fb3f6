"""Stage `responses`: the splits of athletes → how each athlete's metrics respond to speed and slope, and the club's.

Rows in: splits. Rows out: one an athlete, metric and cause, from that athlete's runs alone. What the club has in common
is drawn from these, for athletes whose own runs tell little.
"""

from __future__ import annotations

import math

import numpy as np
import polars as pl

from pipeline.core.inclusion import Inclusion
from pipeline.methods.design import (
    CAUSES,
    INSEPARABLE,
    SPEED_SQUARED,
    collinearity_of,
    designs,
    fit_causes,
    identifiable,
)
from pipeline.methods.meta_regression import meta_regression
from pipeline.methods.mixed_model import FIRST_CAUSE


def responses(
    splits: pl.DataFrame,
    *,
    inclusion: Inclusion,
) -> pl.DataFrame:
    """Estimate each athlete's own responses to speed and slope, from that athlete alone.

    Args:
        splits: rows of the table `splits`, of any number of athletes.
        inclusion: which splits, runs and athletes enter.

    Returns:
        Rows of the table `responses`.
    """
    rows: list[dict[str, object]] = []
    for name, design, _ in designs(splits, inclusion):
        causes = identifiable(design)
        if len(design.run_ids) < inclusion.min_runs or collinearity_of(design, causes) > INSEPARABLE:
            continue
        fitted = fit_causes(design, causes, None, str(name["metric"]))
        for place, cause in enumerate(fitted.places[1:], start=1):
            estimate, variance = float(fitted.beta[place]), float(fitted.covariance[place, place])
            rows.append(
                name | {"cause": CAUSES[cause - FIRST_CAUSE], "response": estimate, "standard_error": variance**0.5}
            )
    columns = {"athlete_id": pl.String, "metric": pl.String, "cause": pl.String}
    return pl.DataFrame(rows, schema=columns | {"response": pl.Float64, "standard_error": pl.Float64})


#: With fewer athletes their spread cannot be told from chance. Common practice, no source.
FEWEST_ATHLETES = 6
#: A smaller standard error is no measurement: a sensor that always says the same answers to nothing, exactly.
EXACT = 1e-6


def club_responses(athletes: pl.DataFrame) -> pl.DataFrame:
    """How the club responds, metric by metric: the mean over athletes and how much they differ.

    Both are given coarsely, so that one new run of one athlete seldom moves them: every athlete's drift rests on them.

    The variance between athletes is the moment estimate of DerSimonian and Laird 1986 (`meta_regression`).

    Args:
        athletes: rows of `responses` of the whole club.

    Returns:
        `metric`, `cause`, `mean`, `variance`; without what fewer than six athletes told.
    """
    rows = []
    error = pl.col("standard_error")
    known = athletes.filter(error.is_finite(), error > EXACT).sort("metric", "cause", "athlete_id")
    # Sorted, since a sum of floats depends on its order and athletes come in as their workers end.
    for (metric, cause), told in known.group_by("metric", "cause", maintain_order=True):
        if told.height < FEWEST_ATHLETES or cause == CAUSES[SPEED_SQUARED - FIRST_CAUSE]:
            continue
        estimate, errors = told["response"].to_numpy(), told["standard_error"].to_numpy()
        between = meta_regression(estimate, errors, np.ones((len(estimate), 1))).between
        # Never less than the mean itself is unsure: a club that happens to agree is no law of nature.
        weight = 1 / (errors**2 + between)
        mean = (weight @ estimate) / weight.sum()
        rows.append({"metric": metric, "cause": cause} | _coarse(float(mean), float(between + 1 / weight.sum())))
    columns = {"metric": pl.String, "cause": pl.String, "mean": pl.Float64, "variance": pl.Float64}
    return pl.DataFrame(rows, schema=columns).sort("metric", "cause")


def _coarse(mean: float, variance: float) -> dict[str, float]:
    """Variance to the next power of the root of two, mean to a quarter of the deviation.

    Both are finer than six or a hundred athletes can tell: of a dozen the variance is off by 40 % as a rule.
    """
    variance = 2.0 ** (round(2 * math.log2(variance)) / 2)
    step = math.sqrt(variance) / 4
    return {"mean": round(mean / step) * step, "variance": variance}
