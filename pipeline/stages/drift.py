"""Stage `drift`: the splits of athletes → how each metric changes as the distance adds up, at equal speed and slope.

Rows in: splits. Rows out: one per run and metric, and one per athlete and metric. What enters is decided in
`pipeline/methods/design.py`, the method is that of `pipeline/methods/mixed_model.py` and, for where a change begins, of
`pipeline/methods/onset.py`; here the result is brought into percent of the fresh level. `data/METHODS.md` has it all on
two pages.

With the same weights throughout, the raw change along the distance is exactly the drift plus what each cause passes on,
its response times its own change along the distance: that is how pace and hill get their parts.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
from scipy import special

from pipeline.core.arrays import Array
from pipeline.core.inclusion import Inclusion
from pipeline.core.metrics import ROUGH_SLOPE_ERROR_PCT, SLOPE_ERROR_PCT, WARM_UP_EFFECT_PCT
from pipeline.core.speed_sources import SPEED_ERROR_PCT, SpeedErrorPct
from pipeline.methods.adjustment import covariance_as_text
from pipeline.methods.causes import Expected, club_of, fit_entries
from pipeline.methods.design import (
    ADJUSTED_BY,
    PACE_VARIANCE,
    SLOPE,
    SLOPE_SQUARED,
    SPEED,
    SPEED_SQUARED,
    TEN_KM,
    WARM_UP,
    Entry,
    entries,
)
from pipeline.methods.distance_change import Change, broken_changes, straight_change, usual_distance
from pipeline.methods.measurement_error import Corrected
from pipeline.methods.mixed_model import DISTANCE, VALUE, Design, Fit, together
from pipeline.methods.onset import Onset, onsets, run_onsets
from pipeline.methods.slope_error import with_slope_error
from pipeline.tables import types_of

#: Power that `detectable_pct` is for. Common practice, no source.
POWER = 0.80
#: An onset is given where a straight line would look so bent at most this often: stricter than 0.05, since it is asked
#: of every athlete, run and metric and not corrected for that.
ONSET_LEVEL = 0.02
#: Up to this p-value a break may be there: the change at the usual distance is then that of both lines. Common
#: practice, no source.
MAY_BREAK_LEVEL = 0.2


def drift(
    splits: pl.DataFrame,
    *,
    inclusion: Inclusion,
    max_collinearity: float,
    seed: int,
    speed_error_pct: SpeedErrorPct = SPEED_ERROR_PCT,
    warm_up_effect_pct: float = WARM_UP_EFFECT_PCT,
    slope_error_pct: float = SLOPE_ERROR_PCT,
    rough_slope_error_pct: float = ROUGH_SLOPE_ERROR_PCT,
    club: pl.DataFrame | None = None,
    metrics: Collection[str] | None = None,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Estimate the drift of every metric, per run and per athlete.

    Args:
        splits: rows of the table `splits`, of any number of athletes.
        inclusion: which splits, runs and athletes enter.
        max_collinearity: share of distance that speed and slope may explain; above it `reason` says so.
        seed: of the random draws for the onset.
        speed_error_pct: median of what is expected of the error of a kilometre's speed, by source; 0 to take it as
            exact.
        warm_up_effect_pct: what is expected of how far off form is at the start; 0 to expect no warm-up.
        slope_error_pct: standard deviation that the error of a kilometre's slope may have; 0 to take slope as exact.
        rough_slope_error_pct: the same where altitude is rough.
        club: rows of `club_responses`; None to let every athlete stand alone.
        metrics: whose drift to estimate; None for all. What one tells does not depend on the others.

    Returns:
        Rows of the tables `run_drift` and `athlete_drift`; of the latter what a single athlete's runs can tell.
    """
    common = club_of(club, inclusion.registry)
    run_rows: list[_Columns] = []
    athlete_rows: list[dict[str, object]] = []
    attendance = _Attendance(splits, inclusion)
    slope_errors = _slope_errors(splits, slope_error_pct, rough_slope_error_pct)
    measured = list(entries(splits, inclusion, metrics))
    estimable = [entry for entry in measured if entry.is_estimable(inclusion)]
    expected = [
        Expected(str(entry.name["metric"]), common, speed_error_pct, warm_up_effect_pct, inclusion.registry)
        for entry in estimable
    ]
    drifts = _with_onsets(
        estimable, expected, [slope_errors[str(entry.name["athlete_id"])] for entry in estimable], seed
    )
    reaches = [attendance.of(corrected.fit.design) for corrected, _ in drifts]
    changes = _broken_changes(drifts, [reach.usual_distance for reach in reaches], warm_up_effect_pct)
    of_runs = _onsets_of_runs([corrected.fit for corrected, _ in drifts], seed)
    estimates = iter(zip(drifts, reaches, changes, of_runs, strict=True))
    for entry in measured:
        row = _entered(entry, inclusion)
        if entry.is_estimable(inclusion):
            (corrected, hinge), reach, change, hinges = next(estimates)
            levels = _fresh_levels(corrected)
            row |= _athlete_row(corrected, levels, hinge, change, reach.usual_distance) | reach.shares()
            if corrected.fit.collinearity > max_collinearity:
                row |= _collinear(float(corrected.fit.collinearity))
            run_rows.append(_run_rows(entry.name, corrected, levels, hinges))
        athlete_rows.append(row)
    return _stacked(run_rows), pl.DataFrame(athlete_rows, schema=_ATHLETE_COLUMNS)


#: What the rows have beyond the columns of their tables, for the stages after this one.
_RUN_COLUMNS = types_of("run_drift", drift_shared=pl.List(pl.Float64), level_shared=pl.List(pl.Float64))
#: What the stage `summaries` adds, from the rows of the whole club.
_CONCLUSIONS = ("q_value", "finding", "suspicion", "repeatability", "repeatability_low", "repeatability_high",
                "smallest_change_pct", "smallest_change_at_usual_distance_pct")  # fmt: skip
_ATHLETE_COLUMNS = {
    name: dtype
    for name, dtype in types_of(
        "athlete_drift",
        either_line_low=pl.Float64,
        either_line_high=pl.Float64,
        depends_on_speed=pl.Boolean,
        club_response=pl.Float64,
    ).items()
    if name not in _CONCLUSIONS
}
#: Middles of splits differ by this much at most for how they were computed [10 km].
_ROUNDING = 1e-9


def _slope_errors(splits: pl.DataFrame, steady_pct: float, rough_pct: float) -> dict[str, float]:
    """Root mean square of the expected error of slope, by athlete [% slope]."""
    error = pl.when(pl.col("altitude") == "rough").then(rough_pct).otherwise(steady_pct)
    return dict(splits.group_by("athlete_id").agg((error**2).mean().sqrt()).iter_rows())


class _Attendance:
    """Which whole splits of runs there were, to be held against those that entered."""

    def __init__(self, splits: pl.DataFrame, inclusion: Inclusion) -> None:
        whole = splits.select("run_id", "km", "length_m").filter(inclusion.is_whole())
        middles = (whole["km"] - 0.5) * inclusion.split_length_m / TEN_KM
        self._middles: dict[str, list[float]] = {}
        for run_id, of_split in zip(whole["run_id"].to_list(), middles.to_list(), strict=True):
            self._middles.setdefault(run_id, []).append(of_split)
        self._half_split = 0.5 * inclusion.split_length_m / TEN_KM
        self._of_runs: dict[tuple[str, ...], tuple[float, Array]] = {}

    def of(self, design: Design) -> _Reach:
        """How far the runs of a design went, and what of them entered."""
        runs = tuple(design.run_ids)
        if runs not in self._of_runs:  # most metrics of an athlete have the same runs
            by_run = [self._middles[run_id] for run_id in runs]
            lengths = np.array([max(middles) for middles in by_run]) + self._half_split
            self._of_runs[runs] = usual_distance(lengths), np.concatenate(by_run)
        return _Reach(*self._of_runs[runs], design.columns[:, DISTANCE])


@dataclass(frozen=True)
class _Reach:
    """How far runs go, and the middles of their whole splits, all of them and those that entered [10 km]."""

    usual_distance: float
    whole: Array
    entered: Array

    def shares(self) -> dict[str, object]:
        """Share of whole splits that did not enter, in the first and in the second half of the usual distance."""
        half = self.usual_distance / 2 - _ROUNDING
        early, late = (self.whole < half).sum(), (self.whole >= half).sum()
        return {
            "excluded_early_share": float(1 - (self.entered < half).sum() / early) if early else None,
            "excluded_late_share": float(1 - (self.entered >= half).sum() / late) if late else None,
        }


def _entered(entry: Entry, inclusion: Inclusion) -> dict[str, object]:
    """What entered, and why there is no estimate, if there is none."""
    row: dict[str, object] = entry.name | {
        "n_runs": entry.n_runs,
        "n_splits": len(entry.value),
        "reference_speed_m_s": entry.reference_speed_m_s,
        "reason": None,
        "reasons": None,
    }
    if entry.n_runs < inclusion.min_runs:
        row |= _few_runs(entry.n_runs, inclusion)
    elif not entry.regressors.are_separable:
        row |= {"collinearity": 1.0, **_collinear(1.0)}
    return row


def _few_runs(n: int, inclusion: Inclusion) -> dict[str, object]:
    needed, splits = inclusion.min_runs, inclusion.min_splits_of_run
    said = f"{n} of the {needed} runs needed have {splits} usable splits"
    return {"reason": said, "reasons": _reason("few_runs", n=n, needed=needed, splits=splits)}


def _collinear(share: float) -> dict[str, object]:
    share_pct = f"{100 * share:.0f}"
    said = f"speed and slope explain {share_pct} % of distance in these runs, so their effects cannot be told apart"
    return {"reason": said, "reasons": _reason("collinear", share_pct=int(share_pct))}


def _reason(kind: str, **values: int) -> str:
    """A reason as one object of `reasons`."""
    return json.dumps({"kind": kind, **values}, separators=(",", ":"))


def _with_onsets(
    estimable: Sequence[Entry], expected: Sequence[Expected], slope_error_pct: Sequence[float], seed: int
) -> list[tuple[Corrected, Onset | None]]:
    """The drift of entries, and the best hinge next to its straight line."""
    fits = with_slope_error(fit_entries(estimable, expected), SLOPE, slope_error_pct)
    hinges: list[Onset | None] = [None] * len(fits)
    for places, fitted in together([corrected.fit for corrected in fits]):
        for place, hinge in zip(places, onsets(fitted, seed=seed), strict=True):
            hinges[place] = hinge
    # A slow warm-up is another name for a bend: where a break explains it better, the usual length holds.
    given = [place for place, hinge in enumerate(hinges) if hinge is not None and hinge.is_given(ONSET_LEVEL)]
    of_usual = fit_entries(
        [estimable[place] for place in given], [expected[place] for place in given], may_settle_slowly=False
    )
    widened = with_slope_error(of_usual, SLOPE, [slope_error_pct[place] for place in given])
    for place, corrected in zip(given, widened, strict=True):
        fits[place] = corrected
    return list(zip(fits, hinges, strict=True))


def _onsets_of_runs(fits: Sequence[Fit], seed: int) -> list[list[Onset | None]]:
    """The best hinge in each run, of each fit."""
    of_runs: dict[int, list[Onset | None]] = {}
    for places, fitted in together(fits):
        of_runs.update(zip(places, run_onsets(fitted, seed=seed), strict=True))
    return [of_runs[place] for place in range(len(fits))]


def _broken_changes(
    drifts: Sequence[tuple[Corrected, Onset | None]], distances: Sequence[float], warm_up_effect_pct: float
) -> list[Change | None]:
    """The change at a distance along the line that breaks at the hinge; None without one."""
    changes: list[Change | None] = [None] * len(drifts)
    # A break has been taken up in part by the warm-up of the straight model, and by the club's, which is drawn from
    # straight models.
    own_warm_up = {WARM_UP: (0.0, (warm_up_effect_pct / 100) ** 2)}
    for may_break in (False, True):
        hinges = {
            place: hinge.distance
            for place, (_, hinge) in enumerate(drifts)
            if hinge is not None and hinge.is_bent(MAY_BREAK_LEVEL) == may_break
        }
        with_hinge = list(hinges)
        for metrics, fitted in together([drifts[place][0].fit for place in with_hinge]):
            places = [with_hinge[metric] for metric in metrics]
            hinge, distance = (np.array([known[place] for place in places]) for known in (hinges, distances))
            of_metrics = broken_changes(fitted, hinge, distance, own_warm_up if may_break else {})
            for place, change in zip(places, of_metrics, strict=True):
                changes[place] = change
    return changes


def _athlete_row(
    corrected: Corrected, levels: Array, hinge: Onset | None, along_break: Change | None, distance: float
) -> dict[str, object]:
    fitted = corrected.fit
    df = float(fitted.drift_df)
    quantile = float(special.stdtrit(df, 0.975))
    a, _, _ = fitted.normal
    along = a.sum(axis=0)[0] / a.sum(axis=0)[0, 0]
    passed_on = dict(zip(fitted.places[1:], fitted.beta[1:] * along[1:], strict=True))
    of_speed = sum(passed_on.get(cause, 0.0) for cause in (SPEED, SPEED_SQUARED, PACE_VARIANCE))
    of_slope = passed_on.get(SLOPE, 0.0) + passed_on.get(SLOPE_SQUARED, 0.0)
    row: dict[str, object] = {
        "fresh_level": float(np.exp(levels.mean())),
        # What is left of the change along the distance once the warm-up is out, over its lengths.
        "raw_pct_per_10km": _percent(corrected.drift + of_speed + of_slope),
        "drift_pct_per_10km": _percent(corrected.drift),
        "drift_low": _percent(corrected.drift_low),
        "drift_high": _percent(corrected.drift_high),
        "p_value": corrected.p_value,
        "speed_part_pct": _percent(of_speed),
        "slope_part_pct": _percent(of_slope),
        "detectable_pct": _percent((quantile + float(special.stdtrit(df, POWER))) * corrected.drift_variance**0.5),
        "detectable_at_best_pct": _percent(
            float(special.ndtri([0.975, POWER]).sum()) * corrected.lasting_variance**0.5
        ),
        "collinearity": float(fitted.collinearity),
        "speed_reliability": corrected.reliability,
        "tipping_reliability": corrected.tipping_reliability,
        "depends_on_speed": corrected.depends_on_speed,
        "response_to_speed_shared_se": corrected.shared_se,
        "responses_covariance": covariance_as_text(
            [ADJUSTED_BY[cause] for cause in fitted.places[1:]], fitted.covariance[1:, 1:]
        ),
        "club_response": corrected.club_response,
        **{ADJUSTED_BY[cause]: float(fitted.beta[place]) for place, cause in enumerate(fitted.places) if place},
    }
    straight = straight_change(corrected.drift, corrected.drift_variance, df, distance)
    breaks = hinge is not None and hinge.is_bent(ONSET_LEVEL)
    may_break = hinge is not None and hinge.is_bent(MAY_BREAK_LEVEL)
    broken = straight if along_break is None else along_break
    change = broken if breaks else straight.or_else(broken) if may_break else straight
    low, high = straight.wider(broken)
    row |= {
        "usual_distance_km": 10 * distance,
        "change_at_usual_distance_pct": _percent(change.estimate),
        "change_at_usual_distance_low": _percent(change.low),
        "change_at_usual_distance_high": _percent(change.high),
        "either_line_low": _percent(low),
        "either_line_high": _percent(high),
    }
    if hinge is not None and breaks:
        row |= {"drift_before_onset_pct": _percent(hinge.before), "drift_after_onset_pct": _percent(hinge.after)}
    if hinge is not None and hinge.is_given(ONSET_LEVEL):
        row |= {"onset_km": 10 * hinge.distance, "onset_low": 10 * hinge.low, "onset_high": 10 * hinge.high}
    return row


def _fresh_levels(corrected: Corrected) -> Array:
    """Log level of each run at the reference speed, on the level, where the straight line meets distance zero."""
    fitted, design = corrected.fit, corrected.fit.design
    effects = np.zeros(design.columns.shape[1])
    effects[list(fitted.places)] = fitted.beta
    # The line that is published, not that of one length of the warm-up: level and slope belong together.
    effects[DISTANCE] = corrected.drift
    fresh = design.columns[:, VALUE] - design.columns[:, DISTANCE:] @ effects[DISTANCE:]
    return np.asarray(_means(design, fresh[:, None])[:, 0])


def _means(design: Design, columns: Array) -> Array:
    """Mean of columns over each run, with the weights of the fit: a single bad split moves no level."""
    weight = design.weight[:, None]
    return np.asarray(design.per_run(columns * weight) / design.per_run(weight))


def _run_rows(name: dict[str, object], corrected: Corrected, levels: Array, onsets: Sequence[Onset | None]) -> _Columns:
    """Each run's own level and drift, with the athlete's responses; their uncertainty is part of the interval.

    What runs share of it is returned in full: the product of two runs' `drift_shared` (or `level_shared`) is the
    covariance that the estimated responses give to the two drifts (or log levels). Neither is published.
    """
    fitted = corrected.fit
    causes = list(fitted.places[1:])
    along = fitted.products[:, DISTANCE, DISTANCE]
    passes_on = fitted.products[:, DISTANCE, causes] / along[:, None]
    raw = fitted.products[:, DISTANCE, VALUE] / along
    settling = np.array([cause == WARM_UP for cause in causes]) * fitted.beta[1:]
    raw, estimate = raw - passes_on @ settling, raw - passes_on @ fitted.beta[1:]
    shared = passes_on @ _root(fitted.covariance[1:, 1:])
    of_run, of_responses = fitted.variance / along, (shared**2).sum(axis=1)
    margin_of_error = float(special.stdtrit(fitted.df, 0.975)) * np.sqrt(of_run + of_responses)
    in_percent = 100 * np.exp(estimate)
    onset_km = 10 * np.array(
        [
            (hinge.distance, hinge.low, hinge.high)
            if hinge is not None and hinge.is_given(ONSET_LEVEL)
            else (np.nan,) * 3
            for hinge in onsets
        ]
    )
    level_shared = _means(fitted.design, fitted.design.columns[:, list(fitted.places)]) @ _root(fitted.covariance)
    return {
        "run_id": fitted.design.run_ids,
        **{key: [str(word)] * len(along) for key, word in name.items()},
        "n_splits": fitted.design.counts,
        "fresh_level": np.exp(levels),
        "raw_pct_per_10km": 100 * np.expm1(raw),
        "drift_pct_per_10km": 100 * np.expm1(estimate),
        "drift_low": 100 * np.expm1(estimate - margin_of_error),
        "drift_high": 100 * np.expm1(estimate + margin_of_error),
        **dict(zip(_ONSETS, onset_km.T, strict=True)),
        "within_run_se_pct_per_10km": in_percent * np.sqrt(of_run),
        "response_se_pct_per_10km": in_percent * np.sqrt(of_responses),
        "drift_shared": in_percent[:, None] * shared,
        "level_shared": level_shared,
    }


#: Rows still in columns: to make a frame of each metric takes longer than its fit.
_Columns = dict[str, list[str] | Array]
_ONSETS = ("onset_km", "onset_low", "onset_high")


def _stacked(parts: Sequence[_Columns]) -> pl.DataFrame:
    """The rows of all metrics as one frame."""
    if not parts:
        return pl.DataFrame(schema=_RUN_COLUMNS)
    stacked: dict[str, Any] = {}
    for name in parts[0]:
        values: list[Any] = [part[name] for part in parts]
        if isinstance(values[0], list):
            stacked[name] = list(chain.from_iterable(values))
        elif values[0].ndim > 1:
            stacked[name] = _lists(values)
        else:
            stacked[name] = pl.Series(np.concatenate(values), nan_to_null=name in _ONSETS)
    return pl.DataFrame(stacked, schema=_RUN_COLUMNS)


def _lists(parts: Sequence[Array]) -> pl.Series:
    """The rows of arrays of several widths as lists. Built one by one they would take longer than the fit."""
    widths = np.repeat([part.shape[1] for part in parts], [len(part) for part in parts])
    values, begins = np.concatenate([part.ravel() for part in parts]), np.concatenate([[0], np.cumsum(widths)])
    # Brought to Arrow by Polars: Arrow's own way loads pandas first, where it is installed, for a quarter of a second.
    return pl.Series(pa.LargeListArray.from_arrays(pl.Series(begins).to_arrow(), pl.Series(values).to_arrow()))


def _root(covariance: Array) -> Array:
    """The symmetric square root of a covariance, which may be singular."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)


def _percent(change_of_log: float) -> float:
    """A difference of logarithms as percent."""
    return 100 * float(np.expm1(change_of_log))
