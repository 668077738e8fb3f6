"""Stage `responses`: the splits of athletes → how each athlete's metrics respond to speed and slope, and the club's.

Rows in: splits. Rows out: one an athlete, metric and cause, from that athlete's runs alone. What the club has in common
is drawn from these, for athletes whose own runs tell little.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import special

from pipeline.core.arrays import Array
from pipeline.core.inclusion import Inclusion
from pipeline.core.metrics import BUILT_IN, WARM_UP_EFFECT_PCT, Registry
from pipeline.core.speed_sources import SPEED_ERROR_PCT, SpeedErrorPct, speed_error_of
from pipeline.methods.causes import Expected, fit_entries
from pipeline.methods.club_draft import ClubDraft
from pipeline.methods.design import (
    CAUSES,
    PACE_VARIANCE,
    SPEED,
    SPEED_SQUARED,
    entries,
)
from pipeline.methods.error_prior import WIDTH, half_normal, main_source, published
from pipeline.methods.mixed_model import FIRST_CAUSE
from pipeline.methods.speed_equations import ERROR_SD
from pipeline.methods.tree_sum import tree_sum
from pipeline.tables import types_of


def responses(
    splits: pl.DataFrame,
    *,
    inclusion: Inclusion,
    speed_error_pct: SpeedErrorPct = SPEED_ERROR_PCT,
    warm_up_effect_pct: float = WARM_UP_EFFECT_PCT,
    of_runs: Collection[str] | None = None,
) -> pl.DataFrame:
    """Estimate each athlete's own responses to speed and slope, from that athlete alone.

    Args:
        splits: rows of the table `splits`, of any number of athletes.
        inclusion: which splits, runs and athletes enter.
        speed_error_pct: median of what is expected of the error of a kilometre's speed, by source; 0 to take it as
            exact.
        warm_up_effect_pct: what is expected of how far off form is at the start; 0 to expect no warm-up.
        of_runs: which runs enter; None for all.

    Returns:
        Rows of the table `responses`: where speed is not exact, the response to it for each size of its error.
    """
    if of_runs is not None and not set(of_runs).issuperset(splits["run_id"].unique()):
        splits = splits.filter(pl.col("run_id").is_in(list(of_runs)))
    rows: list[dict[str, object]] = []
    estimable = [entry for entry in entries(splits, inclusion) if entry.is_estimable(inclusion)]
    expected = [
        Expected(str(entry.name["metric"]), None, speed_error_pct, warm_up_effect_pct, inclusion.registry)
        for entry in estimable
    ]
    for entry, corrected in zip(estimable, fit_entries(estimable, expected, of_drift=False), strict=True):
        name, fitted = entry.name, corrected.fit
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
            own_response, source = corrected.own_response, main_source(fitted.design, speed_error_pct)
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


#: Sums over athletes by what they are of: a kind, a metric, and a cause or a source of speed.
Sums = dict[tuple[str, str, str | None], Array]
PLAIN, OWN, OTHER = "plain", "own", "other"


def club_responses(
    athletes: pl.DataFrame, *, speed_error_pct: SpeedErrorPct = SPEED_ERROR_PCT, registry: Registry = BUILT_IN
) -> pl.DataFrame:
    """How the club responds, metric by metric: the mean over athletes and how much they differ.

    All are given coarsely, since every athlete's drift in a metric rests on that metric's: one new run of one athlete
    in a club of 83 moved those of 3.5 metrics in 10 on average, always of at least one.

    The variance between athletes is the moment estimate of DerSimonian and Laird 1986, doi
    10.1016/0197-2456(86)90046-2 (abstract read). Of responses to a speed that is not exact, mean and variance are given
    for each source of speed and size of its error, with the weight that the club's runs give to that size. The response
    is the same whatever speed was measured with, so that all athletes tell it; how wrong a source is, only those who
    have speed from it.

    Args:
        athletes: rows of `responses` of the whole club.
        speed_error_pct: median of what is expected of the error of a kilometre's speed, by source.
        registry: the quantities in force.

    Returns:
        `metric`, `cause`, `speed_source`, `speed_error_pct`, `mean`, `variance`, `log_weight`,
        `mean_variance`; without what fewer than six athletes have.
    """
    first = sums_of(athletes, None, speed_error_pct=speed_error_pct, registry=registry)
    draft = draft_of(first, speed_error_pct=speed_error_pct, registry=registry)
    second = sums_of(athletes, draft, speed_error_pct=speed_error_pct, registry=registry)
    return drawn_from(first, second, draft, speed_error_pct=speed_error_pct, registry=registry)


def sums_of(
    athletes: pl.DataFrame, draft: ClubDraft | None, *, speed_error_pct: SpeedErrorPct, registry: Registry
) -> Sums:
    """What the responses of athletes add to those of their club.

    Args:
        athletes: rows of `responses`, of a section of the club or all.
        draft: what the first sums of all say, for the second; None for the first.
    """
    error, sums = pl.col("standard_error"), Sums()
    # A metric of one's own whose entry was taken out is still in the responses of the state before.
    listed = athletes.filter(pl.col("metric").is_in(list(registry.metric_of)))
    known = listed.filter(error.is_finite(), error > EXACT).sort("metric", "cause", "athlete_id", "speed_error_pct")
    plain = known.filter(pl.col("log_likelihood").is_null(), pl.col("cause") != CAUSES[SPEED_SQUARED - FIRST_CAUSE])
    for (metric, cause), rows in plain.group_by("metric", "cause", maintain_order=True):
        response, variance = rows["response"].to_numpy(), rows["standard_error"].to_numpy() ** 2
        if draft is None:
            weight = 1 / variance
            terms = np.column_stack([np.ones_like(weight), weight, weight**2, weight * response, weight * response**2])
        elif (metric, cause) in draft.between:
            weight = 1 / (variance + draft.between[metric, cause])
            terms = np.column_stack([weight, weight * response])
        else:
            continue
        sums[PLAIN, metric, cause] = tree_sum(terms, rows["athlete_id"])
    uncertain = known.filter(pl.col("log_likelihood").is_not_null())
    complete = uncertain.filter(pl.len().over("metric", "athlete_id") == len(ERROR_SD))
    sources = complete.with_columns(source=pl.col("speed_source").first().over("metric", "athlete_id"))
    for (metric, source), rows in sources.group_by("metric", "source", maintain_order=True):
        response, deviation, height = (
            rows[column].to_numpy().reshape(-1, len(ERROR_SD))
            for column in ("response", "standard_error", "log_likelihood")
        )
        names, prior = rows["athlete_id"].gather_every(len(ERROR_SD)), _prior(registry, metric)
        if draft is None:
            own = _terms(response, deviation**2, prior)
            each = [np.ones((len(names), 1)), height, own.reshape(len(names), -1)]
            sums[OWN, metric, source] = tree_sum(np.hstack(each), names)
            weights = _share(_expected(speed_error_pct, source))
        elif source in draft.weights:
            weights = draft.weights[source]
        else:
            continue
        mean = (weights * response).sum(axis=1, keepdims=True)
        variance = (weights * (deviation**2 + (response - mean) ** 2)).sum(axis=1, keepdims=True)
        sums[OTHER, metric, source] = tree_sum(_terms(mean, variance, prior).reshape(len(names), -1), names)
    return sums


def added(sections: Sequence[Sums]) -> Sums:
    """The sums of a club, of those of its sections in order, a power of two of them."""
    sections = list(sections)
    while len(sections) > 1:
        half = len(sections) // 2
        pairs = zip(sections[:half], sections[half:], strict=True)
        sections = [
            one | {key: one[key] + sums if key in one else sums for key, sums in two.items()} for one, two in pairs
        ]
    return sections[0]


def draft_of(first: Sums, *, speed_error_pct: SpeedErrorPct, registry: Registry) -> ClubDraft:
    """What the first sums of a club say of how athletes differ, and of the error of each source of speed."""
    between = {}
    for (kind, metric, cause), sums in first.items():
        if kind == PLAIN and sums[0] >= FEWEST_ATHLETES:
            n, weight, squared, times, times_squared = sums
            scatter = times_squared - times**2 / weight
            between[metric, str(cause)] = max(float((scatter - (n - 1)) / (weight - squared / weight)), 0.0)
    by_error = _ByError.of(first, first, speed_error_pct, registry)
    return ClubDraft(between, {source: _share(weight) for source, weight in by_error.log_weight.items()})


def drawn_from(
    first: Sums, second: Sums, draft: ClubDraft, *, speed_error_pct: SpeedErrorPct, registry: Registry
) -> pl.DataFrame:
    """See `club_responses`; from both sums of the club."""
    rows: list[dict[str, object]] = []
    for (metric, cause), between in draft.between.items():
        weight, times = second[PLAIN, metric, cause]
        # Never less than the mean itself is unsure: a club that happens to agree is no law of nature.
        coarse = _coarse(float(times / weight), float(between + 1 / weight))
        rows.append({"metric": metric, "cause": cause, "speed_error_pct": 0.0} | coarse)
    by_error = _ByError.of(first, second, speed_error_pct, registry)
    shared = {source: _coarse_weight(weight) for source, weight in by_error.log_weight.items()}
    rows += [
        {
            "metric": metric,
            "cause": CAUSES[SPEED - FIRST_CAUSE],
            "speed_source": source,
            "speed_error_pct": round(100 * float(size), 6),
            **_coarse(float(mean), float(variance)),
            "log_weight": float(weight),
            "mean_variance": _coarse(0.0, float(of_mean))["variance"],
        }
        for (metric, source), moments in sorted(by_error.means.items(), key=str)
        for size, mean, variance, of_mean, weight in zip(ERROR_SD, *moments, shared[source], strict=True)
    ]
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
class _ByError:
    """The club's responses to speed for each source and size of its error.

    Attributes:
        means: mean, variance of an athlete about it, and that of the mean, by metric and source.
        log_weight: what all metrics together say of the size of the error of a source.
    """

    means: Mapping[tuple[str, str | None], tuple[Array, Array, Array]]
    log_weight: Mapping[str | None, Array]

    @classmethod
    def of(cls, own: Sums, other: Sums, speed_error_pct: SpeedErrorPct, registry: Registry) -> _ByError:
        """Draw them from sums.

        Args:
            own: first sums: of athletes with speed from a source, for each size of its error.
            other: sums of the same athletes as others see them, whose speed is from another source.
        """
        n_athletes: dict[str, float] = {}
        for (kind, metric, _), sums in own.items():
            if kind == OWN:
                n_athletes[metric] = n_athletes.get(metric, 0.0) + sums[0]
        metrics = sorted(metric for metric, n in n_athletes.items() if n >= FEWEST_ATHLETES)
        keys = [(metric, source) for kind, metric, source in own if kind == OWN and metric in metrics]
        sources = sorted({source for _, source in keys}, key=lambda source: source or "")
        means: dict[tuple[str, str | None], tuple[Array, Array, Array]] = {}
        log_weight = {source: _expected(speed_error_pct, source) for source in sources}
        for metric in metrics:
            of = registry.metric_of[metric]
            for source in sources:
                height, terms = np.zeros(len(ERROR_SD)), np.zeros((len(ERROR_SD), len(BETWEEN), _N_TERMS))
                if (metric, source) in keys:
                    _, height, flat = np.split(own[OWN, metric, source], [1, 1 + len(ERROR_SD)])
                    terms = flat.reshape(terms.shape)
                for one in sources:
                    if one != source and (metric, one) in keys:
                        terms = terms + other[OTHER, metric, one].reshape(1, len(BETWEEN), _N_TERMS)
                *moments, evidence = _club_mean(terms, height, _prior(registry, metric))
                means[metric, source] = (moments[0], moments[1], moments[2])
                if of.family == "measured" and abs(of.speed_response) >= SHOWS_ERROR:
                    log_weight[source] = log_weight[source] + evidence
        return cls(means, log_weight)


def _expected(speed_error_pct: SpeedErrorPct, source: str | None) -> Array:
    return half_normal(max(speed_error_of(speed_error_pct, source), 0.01) / 100)


def _prior(registry: Registry, metric: str) -> tuple[float, float]:
    """Mean and variance of what is published of a metric's response; whatever the error of speed is."""
    prior = published(registry.metric_of[metric], 0.0)
    return float(prior.mean[0]), float(prior.variance[0])


_N_TERMS = 4


def _terms(response: Array, variance: Array, prior: tuple[float, float]) -> Array:
    """What responses add to their club's for each of `BETWEEN`.

    Args:
        response: athletes x sizes of the error.
        variance: of each.
        prior: mean and variance of what is published.

    Returns:
        Weight, weight times the response, times its square, each from the published mean, and the logarithm of the
        weight: athletes x sizes x `BETWEEN` x 4.
    """
    weight = 1 / (variance[:, :, None] + (BETWEEN * np.sqrt(prior[1])) ** 2)
    away = (response - prior[0])[:, :, None]
    return np.stack([weight, weight * away, weight * away**2, np.log(weight)], axis=-1)


def _share(log_weight: Array) -> Array:
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _club_mean(terms: Array, height: Array, prior: tuple[float, float]) -> tuple[Array, Array, Array, Array]:
    """Mean of the club, variance of an athlete about it, that of the mean, log evidence; for each size of the error.

    Athletes scatter about the mean by one of `BETWEEN`, the mean lies where the published range says.

    Args:
        terms: sums of `_terms`.
        height: of the log likelihoods.
        prior: mean and variance of what is published.
    """
    weight, times, times_squared, log_weight = np.moveaxis(terms, -1, 0)
    of_prior, between = 1 / prior[1], (BETWEEN * np.sqrt(prior[1])) ** 2
    total = weight + of_prior
    mean = times / total
    scatter = times_squared - mean * (2 * times - mean * weight)
    log_density = height[:, None] + 0.5 * log_weight - 0.5 * scatter
    log_density = log_density - 0.5 * of_prior * mean**2 - 0.5 * np.log(total) + _BETWEEN_LOG_WEIGHT
    evidence = special.logsumexp(log_density, axis=1)
    share = np.exp(log_density - evidence[:, None])
    centre = (share * mean).sum(axis=1)
    of_mean = (share * (1 / total + (mean - centre[:, None]) ** 2)).sum(axis=1)
    return prior[0] + centre, (share * between).sum(axis=1) + of_mean, of_mean, evidence


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
