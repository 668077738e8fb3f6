"""Splits at equal speed and slope: what an athlete's own responses do to a metric, to be taken out of it.

With the responses that `athlete_drift` publishes, so that the tables are enough to repeat it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl

from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.methods.design import ADJUSTED_BY, WARM_UP_KM

CAUSES = ("speed", "slope")
#: Columns of `athlete_drift` that `effect` reads.
RESPONSES = ("reference_speed_m_s", *ADJUSTED_BY.values())


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

    speed = _log_speed(metric, response("reference_speed_m_s"), registry)
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
    return pl.sum_horizontal(
        pl.lit(0.0),
        *((response(name) * value).fill_null(0.0) for cause in causes for name, value in terms[cause].items()),
    )


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


def warm_up_effect(response: float | None, split_length_m: float) -> pl.Expr:
    """What is left of the warm-up in the logarithm of a metric, at a split.

    Args:
        response: `response_to_warm_up`; null does nothing.
        split_length_m: length of a split [m].
    """
    return (response or 0.0) * _share_left(split_length_m)


def warm_up_left(split_length_m: float) -> pl.Expr:
    """The same where `response_to_warm_up` is a column next to those of the splits."""
    return pl.col("response_to_warm_up").fill_null(0.0) * _share_left(split_length_m)


def _share_left(split_length_m: float) -> pl.Expr:
    return (-(pl.col("km") - 0.5) * split_length_m / 1000 / WARM_UP_KM).exp()
