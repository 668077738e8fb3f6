"""Stage `responses`: the splits of athletes → how each athlete's metrics respond to speed and slope, and the club's.

Rows in: splits. Rows out: one an athlete, metric and cause, from that athlete's runs alone. What the club has in common
is drawn from these, for athletes whose own runs tell little.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import special

from pipeline.core.arrays import Array
from pipeline.core.inclusion import Inclusion
from pipeline.core.metrics import BUILT_IN, WARM_UP_EFFECT_PCT, Registry
from pipeline.core.speed_sources import SPEED_ERROR_PCT, SpeedErrorPct, speed_error_of
from pipeline.methods.design import (
    CAUSES,
    PACE_VARIANCE,
    SPEED,
    SPEED_SQUARED,
    Expected,
    entries,
    fit_causes,
)
from pipeline.methods.measurement_error import WIDTH, ErrorPrior, half_normal, main_source, published
from pipeline.methods.meta_regression import meta_regression
from pipeline.methods.mixed_model import FIRST_CAUSE
from pipeline.methods.speed_equations import ERROR_SD
from pipeline.tables import types_of


def responses(
    splits: pl.DataFrame,
    *,
    inclusion: Inclusion,
    speed_error_pct: SpeedErrorPct = SPEED_ERROR_PCT,
    warm_up_effect_pct: float = WARM_UP_EFFECT_PCT,
) -> pl.DataFrame:
    """Estimate each athlete's own responses to speed and slope, from that athlete alone.

    Args:
        splits: rows of the table `splits`, of any number of athletes.
        inclusion: which splits, runs and athletes enter.
        speed_error_pct: median of what is expected of the error of a kilometre's speed, by source; 0 to take it as
            exact.
        warm_up_effect_pct: what is expected of how far off form is at the start; 0 to expect no warm-up.

    Returns:
        Rows of the table `responses`: where speed is not exact, the response to it for each size of its error.
    """
    rows: list[dict[str, object]] = []
    for entry in entries(splits, inclusion):
        if entry.n_runs < inclusion.min_runs or not entry.regressors.are_separable:
            continue
        name, design, metric = entry.name, entry.design, str(entry.name["metric"])
        expected = Expected(metric, None, speed_error_pct, warm_up_effect_pct, inclusion.registry)
        corrected = fit_causes(design, entry.regressors.causes, expected, of_drift=False)
        fitted = corrected.fit
        for place, cause in enumerate(fitted.places[1:], start=1):
            if cause in fitted.given or cause == PACE_VARIANCE:
                continue
            estimate, variance = float(fitted.beta[place]), float(fitted.covariance[place, place])
            rows.append(
                name
                | {
                    "cause": CAUSES[cause - FIRST_CAUSE],
                    "speed_error_pct": 0.0,
                    "response": estimate,
                    "standard_error": variance**0.5,
                }
            )
        if corrected.own_response is not None:
            own_response, source = corrected.own_response, main_source(design, speed_error_pct)
            by_error = zip(
                ERROR_SD, own_response.mean, np.sqrt(own_response.variance), own_response.log_likelihood, strict=True
            )
            rows += [
                name
                | {
                    "cause": CAUSES[SPEED - FIRST_CAUSE],
                    "speed_source": source,
                    "speed_error_pct": round(100 * float(error), 6),
                    "response": float(mean),
                    "standard_error": float(deviation),
                    "log_likelihood": float(height),
                }
                for error, mean, deviation, height in by_error
            ]
    return pl.DataFrame(rows, schema=types_of("responses"))


#: With fewer athletes their spread cannot be told from chance. Common practice, no source.
FEWEST_ATHLETES = 6
#: A smaller standard error is no measurement: a sensor that always says the same answers to nothing, exactly.
EXACT = 1e-6


def club_responses(
    athletes: pl.DataFrame, *, speed_error_pct: SpeedErrorPct = SPEED_ERROR_PCT, registry: Registry = BUILT_IN
) -> pl.DataFrame:
    """How the club responds, metric by metric: the mean over athletes and how much they differ.

    All are given coarsely, since every athlete's drift in a metric rests on that metric's: one new run of one athlete
    in a club of 83 moved those of 3.5 metrics in 10 on average, always of at least one.

    The variance between athletes is the moment estimate of DerSimonian and Laird 1986 (`meta_regression`). Of responses
    to a speed that is not exact, mean and variance are given for each source of speed and size of its error, with the
    weight that the club's runs give to that size. The response is the same whatever speed was measured with, so that
    all athletes tell it; how wrong a source is, only those who have speed from it.

    Args:
        athletes: rows of `responses` of the whole club.
        speed_error_pct: median of what is expected of the error of a kilometre's speed, by source.
        registry: the quantities in force.

    Returns:
        `metric`, `cause`, `speed_source`, `speed_error_pct`, `mean`, `variance`, `log_weight`,
        `mean_variance`; without what fewer than six athletes have.
    """
    rows = []
    error = pl.col("standard_error")
    known = athletes.filter(error.is_finite(), error > EXACT).sort("metric", "cause", "athlete_id", "speed_error_pct")
    # Sorted, since a sum of floats depends on its order and athletes come in as their workers end.
    plain = known.filter(pl.col("log_likelihood").is_null())
    for (metric, cause), of_cause in plain.group_by("metric", "cause", maintain_order=True):
        if of_cause.height < FEWEST_ATHLETES or cause == CAUSES[SPEED_SQUARED - FIRST_CAUSE]:
            continue
        estimate, errors = of_cause["response"].to_numpy(), of_cause["standard_error"].to_numpy()
        between = meta_regression(estimate, errors, np.ones((len(estimate), 1))).between
        # Never less than the mean itself is unsure: a club that happens to agree is no law of nature.
        weight = 1 / (errors**2 + between)
        mean = (weight @ estimate) / weight.sum()
        rows.append(
            {"metric": metric, "cause": cause, "speed_error_pct": 0.0}
            | _coarse(float(mean), float(between + 1 / weight.sum()))
        )
    rows += _club_by_error(known.filter(pl.col("log_likelihood").is_not_null()), speed_error_pct, registry)
    columns = {"metric": pl.String, "cause": pl.String, "speed_source": pl.String, "speed_error_pct": pl.Float64}
    columns |= {"mean": pl.Float64, "variance": pl.Float64, "log_weight": pl.Float64, "mean_variance": pl.Float64}
    return pl.DataFrame(rows, schema=columns).sort("metric", "cause", "speed_source", "speed_error_pct")


#: How much athletes may differ in a response, as shares of half its published range, and how probable each is before.
BETWEEN = np.array([0.2, 0.3, 0.45, 0.6, 0.85, 1.2])
_BETWEEN_LOG_WEIGHT = -0.5 * (np.log(BETWEEN / 0.6) / 0.5) ** 2
#: Only metrics that respond this strongly show how wrong speed was: cadence does not. Common practice, no source.
SHOWS_ERROR = 0.3
#: Athletes' devices differ: their errors lie about the club's with at least this standard deviation [of log speed].
DEVICES_DIFFER = 0.002


@dataclass(frozen=True)
class _AthletesResponses:
    """What the athletes of a club say of one metric's response: athletes x sizes of the error of their own source."""

    source: npt.NDArray[np.object_]
    response: Array
    variance: Array
    log_likelihood: Array

    def at(self, source: str | None, weights: Mapping[str | None, Array]) -> tuple[Array, Array, Array]:
        """The same for each size of the error of one source; of those with another source, as that one's weights say.

        Returns:
            Responses, their variances, and the height of the likelihood, athletes x sizes.
        """
        is_of = (self.source == source)[:, None]
        share = np.array([weights[source] for source in self.source])
        mean = (share * self.response).sum(axis=1, keepdims=True)
        variance = (share * (self.variance + (self.response - mean) ** 2)).sum(axis=1, keepdims=True)
        return (
            np.where(is_of, self.response, mean),
            np.where(is_of, self.variance, variance),
            np.where(is_of, self.log_likelihood, 0.0),
        )


def _club_by_error(known: pl.DataFrame, speed_error_pct: SpeedErrorPct, registry: Registry) -> list[dict[str, object]]:
    """The club's responses to speed for each source and size of its error, and what all metrics together say of that
    size.
    """
    by_metric = dict(_responses_by_metric(known))
    sources = sorted(
        {source for athletes in by_metric.values() for source in athletes.source}, key=lambda source: source or ""
    )
    expected = {source: half_normal(max(speed_error_of(speed_error_pct, source), 0.01) / 100) for source in sources}
    # First each source by the athletes who have speed from it, then each with what all say of the response.
    weights = {source: _share(expected[source]) for source in sources}
    for _ in range(2 if len(sources) > 1 else 1):
        means: dict[tuple[str, str | None], tuple[Array, Array, Array]] = {}
        log_weight = dict(expected)
        for metric, athletes in by_metric.items():
            of = registry.metric_of[metric]
            for source in sources:
                means_of_athletes, variance, height = athletes.at(source, weights)
                prior = published(of, speed_error_of(speed_error_pct, source))
                *moments, evidence = _club_mean(means_of_athletes, variance, height.sum(axis=0), prior)
                means[metric, source] = (moments[0], moments[1], moments[2])
                if of.family == "measured" and abs(of.speed_response) >= SHOWS_ERROR:
                    log_weight[source] = log_weight[source] + evidence
        weights = {source: _share(log_weight[source]) for source in sources}
    shared = {source: _coarse_weight(weight) for source, weight in log_weight.items()} if by_metric else {}
    return [
        {
            "metric": metric,
            "cause": CAUSES[SPEED - FIRST_CAUSE],
            "speed_source": source,
            "speed_error_pct": round(100 * float(size), 6),
            **_coarse(float(mean), float(variance)),
            "log_weight": float(weight),
            "mean_variance": _coarse(0.0, float(of_mean))["variance"],
        }
        for (metric, source), moments in sorted(means.items(), key=str)
        for size, mean, variance, of_mean, weight in zip(ERROR_SD, *moments, shared[source], strict=True)
    ]


def _responses_by_metric(known: pl.DataFrame) -> Iterator[tuple[str, _AthletesResponses]]:
    """By metric, what enough athletes say."""
    for (metric,), of_metric in known.group_by("metric", maintain_order=True):
        complete = of_metric.filter(pl.len().over("athlete_id") == len(ERROR_SD))
        if complete.height < FEWEST_ATHLETES * len(ERROR_SD):
            continue
        shape = (-1, len(ERROR_SD))
        responses, error, height = (
            complete[column].to_numpy().reshape(shape) for column in ("response", "standard_error", "log_likelihood")
        )
        source = np.array(complete["speed_source"].to_list(), dtype=object).reshape(shape)[:, 0]
        yield str(metric), _AthletesResponses(source, responses, error**2, height)


def _share(log_weight: Array) -> Array:
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _club_mean(
    responses: Array, variance: Array, height: Array, prior: ErrorPrior
) -> tuple[Array, Array, Array, Array]:
    """Mean of the club, variance of an athlete about it, that of the mean, log evidence; for each size of the error.

    Athletes scatter about the mean by one of `BETWEEN`, the mean lies where the published range says.
    """
    responses, variance = responses[:, :, None], variance[:, :, None]
    between = (BETWEEN * np.sqrt(prior.variance[0])) ** 2
    weight = 1 / (variance + between)
    of_prior = 1 / prior.variance[0]
    total = weight.sum(axis=0) + of_prior
    mean = ((weight * responses).sum(axis=0) + prior.mean[0] * of_prior) / total
    log_density = (
        height[:, None] + 0.5 * np.log(weight).sum(axis=0) - 0.5 * (weight * (responses - mean) ** 2).sum(axis=0)
    )
    log_density = log_density - 0.5 * of_prior * (mean - prior.mean[0]) ** 2 - 0.5 * np.log(total) + _BETWEEN_LOG_WEIGHT
    evidence = special.logsumexp(log_density, axis=1)
    share = np.exp(log_density - evidence[:, None])
    centre = (share * mean).sum(axis=1)
    of_mean = (share * (1 / total + (mean - centre[:, None]) ** 2)).sum(axis=1)
    return centre, (share * between).sum(axis=1) + of_mean, of_mean, evidence


def _coarse_weight(log_weight: Array) -> Array:
    """Weights of a normal distribution about the club's error, its ends rounded, and wider by how devices differ."""
    weight = _share(log_weight)
    mean = float(weight @ ERROR_SD)
    coarse = _coarse(mean, float(weight @ (ERROR_SD - mean) ** 2) + DEVICES_DIFFER**2)
    return np.asarray(np.log(WIDTH) - 0.5 * (ERROR_SD - coarse["mean"]) ** 2 / coarse["variance"])


def _coarse(mean: float, variance: float) -> dict[str, float]:
    """Variance to the next power of the root of two, mean to a quarter of the deviation.

    Both are finer than six or a hundred athletes can tell: of a dozen the variance is off by 40 % as a rule.
    """
    variance = 2.0 ** (round(2 * math.log2(variance)) / 2)
    step = math.sqrt(variance) / 4
    return {"mean": round(mean / step) * step, "variance": variance}
