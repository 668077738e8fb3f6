"""What enters the regressions: which splits of an athlete, and which causes they can tell apart.

Splits in; out, for each athlete and metric, a design for `pipeline/methods/mixed_model.py`. The stages `responses` and
`drift` share it, so that both speak of the same splits.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.core.arrays import Array, Mask
from pipeline.core.inclusion import Inclusion, has_known_slope
from pipeline.core.metrics import BUILT_IN, Metric, Registry
from pipeline.core.speed_sources import SpeedErrorPct, speed_error_of
from pipeline.methods.measurement_error import (
    Corrected,
    ErrorPrior,
    correct,
    half_normal,
    main_source,
    plausible,
    published,
    uncorrected,
)
from pipeline.methods.mixed_model import (
    DISTANCE,
    FIRST_CAUSE,
    VALUE,
    Design,
    Model,
    Prior,
    settled,
    settled_as_weighted,
)
from pipeline.methods.speed_equations import answers_exactly
from pipeline.methods.warm_up import settling_slowly, warm_up_left

TEN_KM = 10_000.0

#: The causes, in the order of their columns after `FIRST_CAUSE`.
CAUSES = ("speed", "slope", "slope_squared", "speed_squared", "pace_variance", "warm_up")
SPEED, SLOPE, SLOPE_SQUARED, SPEED_SQUARED, PACE_VARIANCE, WARM_UP = range(FIRST_CAUSE, FIRST_CAUSE + len(CAUSES))

#: Causes that are taken out with a prior wherever they vary at all, and that say nothing of whether speed and slope can
#: be told from distance.
NUISANCE = (PACE_VARIANCE, WARM_UP)

#: Where the response to each cause that the drift was adjusted with is published.
ADJUSTED_BY = {
    SPEED: "response_to_speed",
    SPEED_SQUARED: "response_to_speed_squared",
    SLOPE: "response_to_slope",
    SLOPE_SQUARED: "response_to_slope_squared",
    PACE_VARIANCE: "response_to_pace_variance",
    WARM_UP: "response_to_warm_up",
}

#: An athlete's own runs are asked with a prior this many times as wide, which decides only what they leave open.
OWN_PRIOR = 10.0
#: Root mean squares inside runs below which a nuisance is not looked for: with usual sizes it then moves a split by
#: less than 0.05 %. Common practice, no source.
NUISANCE_VARIES = {PACE_VARIANCE: 0.001, WARM_UP: 0.01}

#: A response is estimated only from what varied inside runs, the most varied run left out: standard deviations below
#: these teach nothing. Half a percent of speed; a third of a percent of slope. Common practice, no source.
VARIES = {SPEED: 0.005, SLOPE: 0.3, SLOPE_SQUARED: 0.3}
#: Log speed must vary this much before a curve is looked for, and the curve be this many standard errors strong.
SPEED_VARIES_FOR_CURVE = 0.04
CURVE_STANDS_OUT = 3.0
#: A cause that the ones before it explain but for this share of its size is one of them under another name.
APART = 1e-3
#: Splits of all metrics that are fitted in one call at most: with more, what a call costs counts little, and memory does.
MOST_SPLITS = 4000
#: Beyond this share of distance explained by the causes, arithmetic itself cannot tell them apart.
INSEPARABLE = 0.999


@dataclass(frozen=True)
class Entry:
    """What of an athlete's splits enters for a metric.

    Attributes:
        name: `athlete_id` and `metric`.
        reference_speed_m_s: of the athlete; None where no split is usable.
        regressors: the design without its value, one for all metrics of the athlete that have the same splits.
        value: logarithm of the metric.
    """

    name: dict[str, object]
    reference_speed_m_s: float | None
    regressors: Regressors
    value: Array

    @property
    def n_runs(self) -> int:
        """Runs that enter."""
        return len(self.regressors.design.run_ids)

    def is_fitted(self, inclusion: Inclusion) -> bool:
        """Whether there are runs enough, and causes that can be told apart from distance."""
        return self.n_runs >= inclusion.min_runs and self.regressors.are_separable

    @cached_property
    def design(self) -> Design:
        """The design; made when it is asked for."""
        return self.regressors.with_value(self.value)


@dataclass(frozen=True, eq=False)
class Regressors:
    """A design whose value is not told yet, and what can be said of it already."""

    design: Design

    def with_value(self, value: Array) -> Design:
        """The design of a metric, or of several, ... x n."""
        columns = np.broadcast_to(self.design.columns, (*value.shape, self.design.columns.shape[1])).copy()
        columns[..., VALUE] = value
        return replace(self.design, columns=columns, weight=np.broadcast_to(self.design.weight, value.shape))

    @cached_property
    def causes(self) -> tuple[int, ...]:
        """See `identifiable`."""
        return identifiable(self.design)

    @cached_property
    def are_separable(self) -> bool:
        """Whether the causes can be told apart from distance at all."""
        return collinearity_of(self.design, self.causes) <= INSEPARABLE


def entries(splits: pl.DataFrame, inclusion: Inclusion, only: Collection[str] | None = None) -> Iterator[Entry]:
    """What enters for each athlete and metric that was ever measured, or that is among some and was."""
    usable = inclusion.usable(splits).partition_by("athlete_id", as_dict=True)
    athletes = splits.sort("athlete_id").partition_by("athlete_id", maintain_order=True, as_dict=True)
    for (athlete_id,), everything in athletes.items():
        numbers = Numbers(usable.get((athlete_id,), everything.clear()))
        reference = numbers.rows["speed_m_s"].median()
        reference = float(reference) if isinstance(reference, float) else None
        for metric in inclusion.registry.metrics:
            if only is not None and metric.column not in only:
                continue
            if everything[metric.column].null_count() < everything.height:
                yield Entry(
                    {"athlete_id": athlete_id, "metric": metric.column},
                    reference,
                    *_entering(numbers, metric.column, reference or 1.0, inclusion),
                )


class Numbers:
    """The usable splits of one athlete, and columns of them as numbers, NaN where null: all metrics share these."""

    def __init__(self, rows: pl.DataFrame) -> None:
        self.rows = rows
        self._columns: dict[str, Array] = {}
        #: Of the metrics so far, by the column of speed and which splits enter.
        self.regressors: dict[tuple[str, bytes], Regressors] = {}

    def __getitem__(self, column: str) -> Array:
        if column not in self._columns:
            self._columns[column] = self.rows[column].cast(pl.Float64).to_numpy()
        return self._columns[column]

    @cached_property
    def run(self) -> npt.NDArray[np.int64]:
        """Index of the run of each split."""
        return self.rows["run_id"].rle_id().to_numpy().astype(np.int64)

    @cached_property
    def has_known_slope(self) -> npt.NDArray[np.bool_]:
        """Whether the slope of each split is known."""
        return self.rows.select(has_known_slope()).to_series().to_numpy()

    @cached_property
    def run_ids(self) -> list[str]:
        """Name of the run of each split."""
        return self.rows["run_id"].to_list()

    @cached_property
    def speed_sources(self) -> list[str | None]:
        """Where the speed of each split comes from."""
        return self.rows["speed_source"].to_list()


def design_of(usable: Numbers, metric: str, reference_speed_m_s: float, inclusion: Inclusion) -> Design:
    """The splits of one athlete's runs that have a metric, in runs with enough of them."""
    regressors, value = _entering(usable, metric, reference_speed_m_s, inclusion)
    return regressors.with_value(value)


def _entering(
    usable: Numbers, metric: str, reference_speed_m_s: float, inclusion: Inclusion
) -> tuple[Regressors, Array]:
    value, run, registry = usable[metric], usable.run, inclusion.registry
    of = registry.metric_of.get(metric)
    of_speed = "lagged_speed_m_s" if of is not None and of.lags_pace else "speed_m_s"
    kept = (value > 0) & (usable[of_speed] > 0) & usable.has_known_slope
    for reading in registry.readings_behind(metric):
        kept &= ~(usable[registry.reading_of[reading].share_column] < inclusion.min_measured_share)
    kept &= np.bincount(run, weights=kept)[run] >= inclusion.min_splits_of_run
    key = of_speed, kept.tobytes()
    if key not in usable.regressors:
        usable.regressors[key] = _regressors(usable, kept, of_speed, reference_speed_m_s, inclusion)
    return usable.regressors[key], np.log(value[kept])


def _regressors(
    usable: Numbers, kept: Mask, of_speed: str, reference_speed_m_s: float, inclusion: Inclusion
) -> Regressors:
    run_begins = np.flatnonzero(np.diff(usable.run[kept], prepend=-1) > 0)
    first_rows = np.flatnonzero(kept)[run_begins]
    run_ids = [usable.run_ids[place] for place in first_rows]
    run = np.repeat(np.arange(len(run_ids)), np.diff(run_begins, append=kept.sum()))
    km = usable["km"][kept]
    speed = np.log(usable[of_speed][kept] / reference_speed_m_s)
    columns = [
        np.zeros(len(km)),
        (km - 0.5) * inclusion.split_length_m / TEN_KM,
        speed,
        # Where no altitude was recorded the run enters as level: a constant that its own level takes up.
        np.nan_to_num(usable["slope_pct"][kept]),
        np.nan_to_num(usable["slope_squared_pct2"][kept]),
        speed**2,
        _mixed_pace(np.nan_to_num(usable["log_speed_variance"][kept]), run),
        warm_up_left(km, inclusion.split_length_m),
    ]
    gap_km = np.diff(km, prepend=np.nan) * inclusion.split_length_m / 1000
    gap_km[run_begins] = np.nan
    running = usable["running_s"][kept]
    weight = running / np.median(running) if len(running) else running
    sources = [usable.speed_sources[place] for place in first_rows]
    return Regressors(Design(np.column_stack(columns), run, run_ids, gap_km, weight, sources))


def _mixed_pace(variance: Array, run: npt.NDArray[np.int64]) -> Array:
    """The variance of pace inside splits; nothing where it hardly varies inside runs, which spares the fit a column."""
    counts = np.bincount(run)
    within = variance - (np.bincount(run, weights=variance) / counts)[run]
    is_mixed = len(run) and np.sqrt((within**2).mean()) > NUISANCE_VARIES[PACE_VARIANCE]
    return variance if is_mixed else np.zeros(len(run))


def nuisances(design: Design, warm_up_effect_pct: float) -> tuple[int, ...]:
    """Mixed pace and warm-up, so far as they vary inside runs.

    Args:
        design: of one athlete and metric.
        warm_up_effect_pct: what is expected of the warm-up's effect; 0 to expect none.
    """
    if not design.run_ids:
        return ()
    within = np.sqrt((design.within_runs**2).mean(axis=0))
    varied = [cause for cause in NUISANCE if within[cause] > NUISANCE_VARIES[cause]]
    return tuple(cause for cause in varied if cause != WARM_UP or warm_up_effect_pct > 0)


def identifiable(design: Design) -> tuple[int, ...]:
    """The causes that varied enough inside runs, in more than one of them, to tell a response."""
    if not design.run_ids:
        return ()
    squares = design.per_run(design.within_runs**2)
    deviation = np.sqrt((squares.sum(axis=0) - squares.max(axis=0)) / len(design.run))
    causes: tuple[int, ...] = (SPEED,) if deviation[SPEED] > VARIES[SPEED] else ()
    if deviation[SLOPE] > VARIES[SLOPE]:
        causes += (SLOPE, SLOPE_SQUARED) if deviation[SLOPE_SQUARED] > VARIES[SLOPE_SQUARED] else (SLOPE,)
    return _told_apart(design, causes)[: _room(design)]


def _room(design: Design) -> int:
    """Causes that the runs can tell besides distance and the nuisances, the longest run left out."""
    left = design.counts - 1
    return max(int(left.sum() - left.max()) - 1 - len(NUISANCE), 0)


def _told_apart(design: Design, causes: tuple[int, ...]) -> tuple[int, ...]:
    """The causes less those that the ones before them explain, in all runs or in all but one: two slopes, say."""
    within = design.within_runs
    kept: list[int] = []
    for cause in causes:
        before, column = within[:, kept], within[:, cause]
        rest = column - before @ np.linalg.lstsq(before, column, rcond=None)[0] if kept else column
        squares = design.per_run(rest**2, axis=-1)
        if squares.sum() - squares.max() > APART**2 * (column @ column):
            kept.append(cause)
    return tuple(kept)


def collinearity_of(design: Design, causes: tuple[int, ...]) -> float:
    """Share of the distance inside runs that lies in the span of the causes."""
    if not causes or not design.run_ids:
        return 0.0
    within = design.within_runs
    x, distance = within[:, list(causes)], within[:, DISTANCE]
    rest = distance - x @ np.linalg.lstsq(x, distance, rcond=None)[0]
    return float(1 - (rest @ rest) / (distance @ distance))


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
    alike: dict[Regressors, list[int]] = {}
    for place, entry in enumerate(entries):
        alike.setdefault(entry.regressors, []).append(place)
    fits: dict[int, Corrected] = {}
    for regressors, of_metrics in alike.items():
        at_once = max(MOST_SPLITS // len(regressors.design.run), 1)
        for first in range(0, len(of_metrics), at_once):
            places = of_metrics[first : first + at_once]
            design = regressors.with_value(np.array([entries[place].value for place in places]))
            those = [expected[place] for place in places]
            found = fit_causes(design, regressors.causes, those, of_drift=of_drift, may_settle_slowly=may_settle_slowly)
            fits.update(zip(places, found, strict=True))
    return [fits[place] for place in range(len(entries))]


def fit_causes(
    design: Design,
    causes: tuple[int, ...],
    expected: Sequence[Expected],
    *,
    of_drift: bool = True,
    may_settle_slowly: bool = True,
) -> list[Corrected]:
    """The model with the causes that tell, corrected for the error of speed, of each metric.

    Args:
        design: of metrics of one athlete that have the same splits.
        causes: that tell.
        expected: of the responses of each metric; with or without a club, all alike.
        of_drift: whether the interval of the drift is wanted; see `correct`.
        may_settle_slowly: whether the drift is a mean over lengths of the warm-up.
    """
    source = main_source(design, expected[0].speed_error_pct)
    of_speed = [one.of_speed(source, design.speed_sources) if SPEED in causes else None for one in expected]
    priors = [prior for prior in of_speed if prior is not None]  # of all metrics or of none
    fits: dict[int, Corrected] = {}
    for metrics, model in _models(design, causes, expected, is_speed_exact=not priors):
        slow = settling_slowly(model, WARM_UP) if of_drift and may_settle_slowly else None
        is_exact = answers_exactly(model) if priors else np.ones(len(metrics), np.bool_)
        for place in np.flatnonzero(is_exact).tolist():
            of_slow = None if slow is None else slow.of_metrics(place)
            fits[metrics[place]] = uncorrected(model.of_metrics(place), of_slow)
        places = np.flatnonzero(~is_exact).tolist()
        if not places:
            continue
        if len(places) < len(metrics):
            model, slow = model.of_metrics(places), None if slow is None else slow.of_metrics(places)
        metrics = [metrics[place] for place in places]
        those = [expected[metric] for metric in metrics]
        corrected = correct(
            model,
            SPEED,
            [priors[metric] for metric in metrics],
            [one.of.speed_loading for one in those],
            _prior(those, [place for place in model.places[1:] if place != SPEED], is_speed_exact=False),
            slow=slow,
            of_drift=of_drift,
        )
        fits.update(zip(metrics, corrected, strict=True))
    return [fits[metric] for metric in range(len(expected))]


def _prior(expected: Sequence[Expected], causes: Sequence[int], *, is_speed_exact: bool) -> Prior | None:
    """Of the responses of several metrics to some causes."""
    priors = [one.prior(causes, is_speed_exact=is_speed_exact) for one in expected]
    known = [(prior.mean, prior.variance) for prior in priors if prior is not None]  # all of them or none
    return Prior(*(np.array(part) for part in zip(*known, strict=True))) if known else None


def _models(
    design: Design, causes: tuple[int, ...], expected: Sequence[Expected], *, is_speed_exact: bool
) -> Iterator[tuple[list[int], Model]]:
    """The model with the causes that tell, and with a curve of speed where there is one; speed as it was measured.

    Yields:
        The places of metrics with the same causes, and their model.
    """
    shared = design.of_metrics(0)  # what is asked of the causes is the same for all metrics
    taken_out = nuisances(shared, expected[0].warm_up_effect_pct)

    def model_of(metrics: list[int], causes: tuple[int, ...]) -> Model:
        regressors = (*taken_out, *causes)
        those = design if len(metrics) == len(expected) else design.of_metrics(metrics)
        prior = _prior([expected[metric] for metric in metrics], regressors, is_speed_exact=is_speed_exact)
        return settled(those, regressors, prior, nuisances=taken_out)

    metrics = list(range(len(expected)))
    model = model_of(metrics, causes)
    curved = _with_curve(shared, causes)
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


def _with_curve(design: Design, causes: tuple[int, ...]) -> tuple[int, ...] | None:
    """The causes and a curve of speed, where speed varies enough to tell one."""
    if SPEED not in causes or design.within_runs[:, SPEED].std() < SPEED_VARIES_FOR_CURVE:
        return None
    curved = _told_apart(design, (*causes, SPEED_SQUARED))
    is_told = (
        SPEED_SQUARED in curved and len(curved) <= _room(design) and collinearity_of(design, curved) <= INSEPARABLE
    )
    return curved if is_told else None
