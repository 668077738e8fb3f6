"""The model of an athlete's metrics with the causes that tell, by what is expected of the responses to them.

The stages `responses` and `drift` share it. Metrics with the same splits are fitted in one call: for a dozen runs,
calling NumPy takes several times as long as computing.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from pipeline.core.metrics import BUILT_IN, Metric, Registry
from pipeline.core.speed_sources import SpeedErrorPct, speed_error_of
from pipeline.methods.design import (
    CAUSES,
    NUISANCE,
    PACE_VARIANCE,
    SPEED,
    WARM_UP,
    Entry,
    design_of_metrics,
    nuisances,
)
from pipeline.methods.error_prior import ErrorPrior, half_normal, main_source, plausible, published
from pipeline.methods.least_squares import Prior
from pipeline.methods.measurement_error import Corrected, correct, uncorrected
from pipeline.methods.mixed_model import FIRST_CAUSE, Design, Model, in_calls, settled, settled_as_weighted
from pipeline.methods.speed_equations import answers_exactly
from pipeline.methods.warm_up import settling_slowly

#: An athlete's own runs are asked with a prior this many times as wide, which decides only what they leave open.
OWN_PRIOR = 10.0
#: A curve of speed is taken out where it is this many standard errors strong.
CURVE_STANDS_OUT = 3.0


@dataclass(frozen=True)
class Club:
    """What the club knows of responses.

    Attributes:
        responses: mean and variance by metric and cause, where speed is taken as exact or the cause is another.
        speed: by metric and source of speed, for each size of the error of that source.
    """

    responses: Mapping[tuple[str, str], tuple[float, float]]
    speed: Mapping[tuple[str, str | None], ErrorPrior]


#: A club that says nothing.
NO_CLUB = Club({}, {})


def club_of(rows: pl.DataFrame | None, registry: Registry = BUILT_IN) -> Club:
    """Rows of `club_responses` by metric and cause."""
    if rows is None:
        return NO_CLUB
    responses: dict[tuple[str, str], tuple[float, float]] = {}
    by_error: dict[tuple[str, str | None], list[tuple[float, ...]]] = {}
    columns = ("metric", "cause", "speed_source", "speed_error_pct", "log_weight", "mean", "variance", "mean_variance")
    for metric, cause, source, *of_error in rows.select(columns).iter_rows():
        if of_error[1] is None:
            responses[metric, cause] = (of_error[2], of_error[3])
        else:
            by_error.setdefault((metric, source), []).append(tuple(of_error))
    speed: dict[tuple[str, str | None], ErrorPrior] = {}
    for (metric, source), of_sizes in by_error.items():
        _, log_weight, mean, variance, mean_variance = np.array(sorted(of_sizes)).T.copy()
        speed[metric, source] = ErrorPrior(
            log_weight,
            mean,
            variance,
            *plausible(registry.metric_of[metric]),
            is_of_club=True,
            mean_variance=mean_variance,
        )
    return Club(responses, speed)


@dataclass(frozen=True)
class Expected:
    """What is expected of the responses of a metric, before or besides an athlete's own runs.

    Attributes:
        metric: its column.
        club: what the club knows; None to let the athlete's own runs decide.
        speed_error_pct: median of what is expected of the error of a kilometre's speed, by source; 0 to take it as
            exact.
        warm_up_effect_pct: standard deviation of what is expected of how far off form is at the start; 0 for none.
        registry: what is known of the metric.
    """

    metric: str
    club: Club | None
    speed_error_pct: SpeedErrorPct
    warm_up_effect_pct: float
    registry: Registry = BUILT_IN

    @property
    def of(self) -> Metric:
        """The metric's entry."""
        return self.registry.metric_of[self.metric]

    def prior(self, causes: Sequence[int], *, is_speed_exact: bool) -> Prior | None:
        """Of the responses to some causes; None where nothing is known of any."""
        if self.club is None and not set(causes) & set(NUISANCE):
            return None
        pairs = [_UNKNOWN if cause == SPEED and not is_speed_exact else self._of_cause(cause) for cause in causes]
        return Prior(np.array([mean for mean, _ in pairs]), np.array([variance for _, variance in pairs]))

    def of_speed(self, source: str | None, sources: Collection[str | None]) -> ErrorPrior | None:
        """Of the response to speed and of the error of speed; None where that is exact in all runs.

        Args:
            source: the main one that the runs have speed from.
            sources: all of them.
        """
        error_pct = speed_error_of(self.speed_error_pct, source)
        if error_pct == 0:
            return None
        prior_of_metric = published(self.of, error_pct)
        known = {} if self.club is None else self.club.speed
        of_other_sources = {
            other: known[self.metric, other].log_weight
            if (self.metric, other) in known
            else half_normal(speed_error_of(self.speed_error_pct, other) / 100)
            for other in sorted(set(sources) - {source}, key=str)
        }
        return replace(known.get((self.metric, source), prior_of_metric), other_sources=of_other_sources)

    def _of_cause(self, cause: int) -> tuple[float, float]:
        club, of = self.club, self.of
        before = {
            PACE_VARIANCE: (of.pace_variance_response, of.pace_variance_response_sd**2),
            WARM_UP: (0.0, (self.warm_up_effect_pct / 100 * (OWN_PRIOR if club is None else 1.0)) ** 2),
        }.get(cause, _UNKNOWN)
        return before if club is None else club.responses.get((self.metric, CAUSES[cause - FIRST_CAUSE]), before)


_UNKNOWN = (0.0, np.inf)


def fit_entries(
    entries: Sequence[Entry], expected: Sequence[Expected], *, of_drift: bool = True, may_settle_slowly: bool = True
) -> list[Corrected]:
    """What `fit_causes` returns for entries with the causes that tell, those with the same splits in one call."""
    alike: dict[tuple[object, ...], list[int]] = {}
    for place, entry in enumerate(entries):
        alike.setdefault(entry.regressors.alike, []).append(place)
    fits: dict[int, Corrected] = {}
    for of_metrics in alike.values():
        regressors = entries[of_metrics[0]].regressors
        for places in in_calls(of_metrics, regressors.design):
            corrected = fit_causes(
                design_of_metrics([entries[place] for place in places]),
                regressors.causes,
                [expected[place] for place in places],
                with_curve=regressors.with_curve,
                of_drift=of_drift,
                may_settle_slowly=may_settle_slowly,
            )
            fits.update(zip(places, corrected, strict=True))
    return [fits[place] for place in range(len(entries))]


def fit_causes(
    design: Design,
    causes: tuple[int, ...],
    expected: Sequence[Expected],
    *,
    with_curve: tuple[int, ...] | None = None,
    of_drift: bool = True,
    may_settle_slowly: bool = True,
) -> list[Corrected]:
    """The model with the causes that tell, corrected for the error of speed, of each metric.

    Args:
        design: of metrics of one athlete that have the same splits.
        causes: that tell.
        expected: of the responses of each metric; with or without a club, all alike.
        with_curve: the causes with a curve of speed, to be looked for; None for none.
        of_drift: whether the interval of the drift is wanted; see `correct`.
        may_settle_slowly: whether the drift is a mean over lengths of the warm-up.
    """
    source = main_source(design, expected[0].speed_error_pct)
    of_speed = [one.of_speed(source, design.speed_sources) if SPEED in causes else None for one in expected]
    priors = [prior for prior in of_speed if prior is not None]  # of all metrics or of none
    fits: dict[int, Corrected] = {}
    for metrics, model in _models(design, causes, with_curve, expected, is_speed_exact=not priors):
        slow = settling_slowly(model, WARM_UP) if of_drift and may_settle_slowly else None
        # Where a metric answers exactly there is no error to weigh that of speed by.
        is_plain = answers_exactly(model) if priors else np.ones(len(metrics), np.bool_)
        for place in np.flatnonzero(is_plain).tolist():
            of_slow = None if slow is None else slow.of_metrics(place)
            fits[metrics[place]] = uncorrected(model.of_metrics(place), of_slow)
        places = np.flatnonzero(~is_plain).tolist()
        if not places:
            continue
        those = [expected[metrics[place]] for place in places]
        corrected = correct(
            model.of_metrics(places),
            SPEED,
            [priors[metrics[place]] for place in places],
            [one.of.speed_loading for one in those],
            _prior(those, [cause for cause in model.places[1:] if cause != SPEED], is_speed_exact=False),
            slow=None if slow is None else slow.of_metrics(places),
            of_drift=of_drift,
        )
        fits.update(zip((metrics[place] for place in places), corrected, strict=True))
    return [fits[metric] for metric in range(len(expected))]


def _prior(expected: Sequence[Expected], causes: Sequence[int], *, is_speed_exact: bool) -> Prior | None:
    """Of the responses of several metrics to some causes."""
    priors = [one.prior(causes, is_speed_exact=is_speed_exact) for one in expected]
    known = [(prior.mean, prior.variance) for prior in priors if prior is not None]  # all of them or none
    return Prior(*(np.array(part) for part in zip(*known, strict=True))) if known else None


def _models(
    design: Design,
    causes: tuple[int, ...],
    curved: tuple[int, ...] | None,
    expected: Sequence[Expected],
    *,
    is_speed_exact: bool,
) -> Iterator[tuple[list[int], Model]]:
    """The model with the causes that tell, and with a curve of speed where there is one; speed as it was measured.

    Yields:
        The places of metrics with the same causes, and their model.
    """
    taken_out = nuisances(design.of_metrics(0), expected[0].warm_up_effect_pct)

    def model_of(metrics: list[int], causes: tuple[int, ...]) -> Model:
        regressors = (*taken_out, *causes)
        those = design if len(metrics) == len(expected) else design.of_metrics(metrics)
        prior = _prior([expected[metric] for metric in metrics], regressors, is_speed_exact=is_speed_exact)
        return settled(those, regressors, prior, nuisances=taken_out)

    metrics = list(range(len(expected)))
    model = model_of(metrics, causes)
    if curved is None:
        yield metrics, model
        return
    # Judged with the weights that the splits have already: most athletes have no curve, and a whole fit takes longer.
    regressors = (*taken_out, *curved)
    prior = _prior(expected, regressors, is_speed_exact=is_speed_exact)
    with_curve = settled_as_weighted(model.design, regressors, prior, nuisances=taken_out).fitted()
    error = np.sqrt(with_curve.covariance[:, -1, -1])  # none where all runs are the same
    stands_out = (error > 0) & (np.abs(with_curve.beta[:, -1]) > CURVE_STANDS_OUT * error)
    straight, bent = (np.flatnonzero(which).tolist() for which in (~stands_out, stands_out))
    if straight:
        yield straight, model if not bent else model.of_metrics(straight)
    if bent:
        yield bent, model_of(bent, curved)
