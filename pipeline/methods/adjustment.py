"""Splits at equal speed and slope: what an athlete's own responses do to a metric, to be taken out of it.

With the responses that `athlete_drift` publishes, so that the tables are enough to repeat it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from pipeline.core.arrays import Array
from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.methods.design import ADJUSTED_BY
from pipeline.methods.warm_up import WARM_UP_KM

CAUSES = ("speed", "slope")
#: Columns of `athlete_drift` that `effect` reads.
RESPONSES = ("reference_speed_m_s", *ADJUSTED_BY.values())
#: Significant digits of a published covariance.
DIGITS = 6


def effect(
    metric: str,
    causes: Sequence[str] = CAUSES,
    responses: Mapping[str, float | None] | None = None,
    *,
    registry: Registry = BUILT_IN,
) -> pl.Expr:
    """What causes add to the logarithm of a metric, at a split with the columns of `splits`.

    Args:
        metric: its column.
        causes: which.
        responses: by the names of `RESPONSES`, where all splits are of one athlete; None where they are columns too.
        registry: the quantities in force.

    A response that is null was not estimated, and does nothing.
    """

    def response(name: str) -> pl.Expr:
        return pl.col(name) if responses is None else pl.lit(responses[name], dtype=pl.Float64)

    terms = regressors(metric, causes, response("reference_speed_m_s"), registry=registry)
    return pl.sum_horizontal(pl.lit(0.0), *((response(name) * value).fill_null(0.0) for name, value in terms.items()))


def regressors(
    metric: str, causes: Sequence[str], reference: pl.Expr | None = None, *, registry: Registry = BUILT_IN
) -> dict[str, pl.Expr]:
    """What the responses to some causes are multiplied with at a split, by the names of the responses.

    Args:
        metric: its column.
        causes: which.
        reference: the athlete's reference speed; None where it is a column.
        registry: the quantities in force.
    """
    speed = _log_speed(metric, pl.col("reference_speed_m_s") if reference is None else reference, registry)
    terms = {
        "speed": {
            "response_to_speed": speed,
            "response_to_speed_squared": speed**2,
            "response_to_pace_variance": pl.col("log_speed_variance"),
        },
        "slope": {
            "response_to_slope": pl.col("slope_pct"),
            "response_to_slope_squared": pl.col("slope_squared_pct2"),
        },
    }
    return {name: value for cause in causes for name, value in terms[cause].items()}


def response_errors(passed_on: pl.DataFrame, covariances: Sequence[str | None]) -> Array:
    """Standard error that estimated responses leave in values from which they were taken out.

    Args:
        passed_on: for each value what the responses were multiplied with, by their names.
        covariances: `responses_covariance` of each value's athlete.
    """
    values = passed_on.fill_null(0.0).to_numpy()
    place_of = {name: place for place, name in enumerate(passed_on.columns)}
    covariance = np.zeros((len(values), values.shape[1], values.shape[1]))
    for own, text in zip(covariance, covariances, strict=True):
        rows = json.loads(text or "{}")
        names = list(rows)
        for name, row in rows.items():
            for other, value in zip(names, row, strict=False):  # as far as the diagonal
                if name in place_of and other in place_of:
                    own[place_of[name], place_of[other]] = own[place_of[other], place_of[name]] = value
    return np.asarray(np.sqrt(np.maximum(np.einsum("ni,nij,nj->n", values, covariance, values), 0.0)))


def covariance_as_text(names: Sequence[str], covariance: Array) -> str:
    """`responses_covariance`: by response, its covariances with the ones before it and its variance.

    Args:
        names: of the responses.
        covariance: theirs.
    """
    rows = {
        name: [float(f"{value:.{DIGITS}g}") for value in covariance[place, : place + 1]]
        for place, name in enumerate(names)
    }
    return json.dumps(rows, separators=(",", ":"))


def _log_speed(metric: str, reference: pl.Expr, registry: Registry) -> pl.Expr:
    """Log speed over the reference, as the metric follows it."""
    of_speed = "lagged_speed_m_s" if registry.metric_of[metric].lags_pace else "speed_m_s"
    return (pl.col(of_speed) / reference).log()


def shared_effect(metric: str, *, registry: Registry = BUILT_IN) -> pl.Expr:
    """What one standard error of the response to speed, so far as athletes have it in common, adds to the logarithm of
    a metric, at a split with the columns of `splits` and `athlete_drift`.
    """
    moved = pl.col("response_to_speed_shared_se") * _log_speed(metric, pl.col("reference_speed_m_s"), registry)
    return moved.fill_null(0.0)


def warm_up_effect(response: float | pl.Expr | None, split_length_m: float) -> pl.Expr:
    """What is left of the warm-up in the logarithm of a metric, at a split.

    Args:
        response: `response_to_warm_up`, of an athlete or a column next to those of the splits; null does nothing.
        split_length_m: length of a split [m].
    """
    effect = response.fill_null(0.0) if isinstance(response, pl.Expr) else response or 0.0
    return effect * (-(pl.col("km") - 0.5) * split_length_m / 1000 / WARM_UP_KM).exp()
