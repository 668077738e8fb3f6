"""Stage `calibration`: how often drift is found where there is none, and how often where there is some.

Splits in; each metric of an athlete is taken apart into what the model expects of a split (level of its run, responses
to speed and slope), the drift, and a remainder: the real scatter of this athlete, sensor and season. The remainder is
rearranged inside runs so that no direction is left in it and put back without the drift (placebo), or with a drift of
known size (planted). What the stages then find in these splits can be counted.

Two ways to rearrange. `reversed` turns whole runs round, each with probability one half: neighbours stay neighbours and
runs keep differing in their own slopes, of which half now point the other way. `shuffled` puts blocks of three
kilometres into a random order: hardly any run keeps a slope. All metrics of a run are rearranged alike.

The speed that was measured serves as the true one in an invented season, and the response is the corrected one. An
error as large as the runs say, of the kind that `pipeline/methods/speed_equations.py` describes, is then added to speed
and to what is computed from it. So a drift that only appears because speed is measured with error is counted as false.
The invented speeds are a little rougher than the measured ones, which have an error already.

Related: sign flips of whole clusters, Cameron, Gelbach and Miller 2008 (doi 10.1162/rest.90.3.414, from memory);
blocks, Künsch 1989 (doi 10.1214/aos/1176347265, summary read).
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.core.arrays import Array
from pipeline.core.inclusion import Inclusion
from pipeline.core.metrics import BUILT_IN, WARM_UP_EFFECT_PCT, Registry
from pipeline.core.queries import run_query
from pipeline.core.speed_sources import SPEED_ERROR_PCT, SpeedErrorPct
from pipeline.methods.causes import Expected, club_of, fit_entries
from pipeline.methods.design import (
    TEN_KM,
    entries,
)
from pipeline.methods.mixed_model import DISTANCE, FIRST_CAUSE, VALUE
from pipeline.methods.paired_classes import wilson
from pipeline.methods.speed_equations import ERROR_RHO

#: Splits of a block that stays together.
BLOCK = 3
#: Planted drifts [% per 10 km]: from within the smallest changes of interest to far beyond them.
PLANTED = (0.5, -0.5, 1.0, -1.0, 2.0, -2.0, 3.0, -3.0, 5.0, -5.0)
#: In the place of a metric: all of them together.
EVERY_METRIC = "all"


@dataclass(frozen=True)
class Part:
    """One metric of an athlete, taken apart; a value for each split that entered, runs one after the other.

    Attributes:
        metric: its column.
        place: row of the split among the athlete's.
        run: index of its run.
        distance: of its middle [10 km].
        expected: logarithm of the metric by the run's level and the athlete's responses, without drift.
        remainder: what is left next to that and the drift.
        error_sd: of log speed of a kilometre, by the fitted model; 0 where speed is taken as exact.
    """

    metric: str
    place: npt.NDArray[np.int64]
    run: npt.NDArray[np.int64]
    distance: Array
    expected: Array
    remainder: Array
    error_sd: float


@dataclass(frozen=True)
class TakenApart:
    """An athlete: the splits as they were, and each metric that has an estimate, taken apart."""

    athlete_id: str
    splits: pl.DataFrame
    parts: tuple[Part, ...]

    @property
    def error_sd(self) -> float:
        """Of log speed of a kilometre: the mean over metrics, since all have the same speed."""
        return float(np.mean([part.error_sd for part in self.parts]))


@dataclass(frozen=True)
class Draw:
    """One invented season of the whole club.

    Attributes:
        test: one of `pipeline.tables.CALIBRATION_TESTS`.
        place: which of the draws of this test.
        seed: of all draws.
        registry: the quantities in force.
    """

    test: str
    place: int
    seed: int
    registry: Registry = BUILT_IN

    def planted_pct(self, athlete_place: int, metric: str) -> float:
        """Drift planted in an athlete and metric: sizes take turns, so that a club holds all of them."""
        if self.test != "planted":
            return 0.0
        columns = [metric.column for metric in self.registry.metrics]
        return PLANTED[(self.place + athlete_place + columns.index(metric)) % len(PLANTED)]

    def random(self, athlete_id: str) -> np.random.Generator:
        """The same numbers for the same athlete, independent of the rest of the club."""
        name = f"{self.seed}:{self.test}:{self.place}:{athlete_id}"
        return np.random.default_rng(int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big"))


def take_apart(
    splits: pl.DataFrame,
    club: pl.DataFrame,
    inclusion: Inclusion,
    speed_error_pct: SpeedErrorPct = SPEED_ERROR_PCT,
    warm_up_effect_pct: float = WARM_UP_EFFECT_PCT,
) -> Iterator[TakenApart]:
    """Fit the model to each athlete and metric, and separate what it expects from what is left.

    Args:
        splits: rows of the table `splits`, of any number of athletes.
        club: rows of `club_responses`.
        inclusion: which splits, runs and athletes enter.
        speed_error_pct: median of what is expected of the error of a kilometre's speed, by source.
        warm_up_effect_pct: what is expected of how far off form is at the start.
    """
    known = club_of(club, inclusion.registry)
    ordered = splits.sort("athlete_id", "run_id", "km")
    for (athlete_id,), athlete_splits in ordered.partition_by("athlete_id", as_dict=True, maintain_order=True).items():
        parts = tuple(
            _parts(
                athlete_splits,
                inclusion,
                lambda metric: Expected(metric, known, speed_error_pct, warm_up_effect_pct, inclusion.registry),
            )
        )
        if parts:
            yield TakenApart(str(athlete_id), athlete_splits, parts)


def _parts(athlete_splits: pl.DataFrame, inclusion: Inclusion, expected: Callable[[str], Expected]) -> Iterator[Part]:
    place_of = {key: place for place, key in enumerate(athlete_splits.select("run_id", "km").iter_rows())}
    estimable = [entry for entry in entries(athlete_splits, inclusion) if entry.is_estimable(inclusion)]
    metrics = [str(entry.name["metric"]) for entry in estimable]
    fits = fit_entries(estimable, [expected(metric) for metric in metrics])
    for metric, entry, corrected in zip(metrics, estimable, fits, strict=True):
        design = entry.design
        fitted = corrected.fit
        effects = np.zeros(design.columns.shape[1])
        effects[list(fitted.places)] = fitted.beta
        distance = design.columns[:, DISTANCE]
        responses = design.columns[:, FIRST_CAUSE:] @ effects[FIRST_CAUSE:]
        rest = design.columns[:, VALUE] - responses - distance * effects[DISTANCE]
        weight = fitted.design.weight
        level = (design.per_run(rest * weight, axis=-1) / design.per_run(weight, axis=-1))[design.run]
        km = np.rint(distance * TEN_KM / inclusion.split_length_m + 0.5).astype(np.int64)
        place = np.array(
            [place_of[design.run_ids[run], split_km] for run, split_km in zip(design.run, km.tolist(), strict=True)]
        )
        error_sd = corrected.error_sd or 0.0
        yield Part(metric, place, design.run, distance, level + responses, rest - level, error_sd)


def redrawn(athlete: TakenApart, draw: Draw, athlete_place: int) -> pl.DataFrame:
    """The athlete's splits with every metric's remainder rearranged, the drift gone, one planted if so asked, and speed
    measured with error.

    Args:
        athlete: taken apart.
        draw: which season.
        athlete_place: which athlete of the club, for the turn that planted sizes take.

    Returns:
        Rows of the table `splits`.
    """
    random = draw.random(athlete.athlete_id)
    run_of = athlete.splits["run_id"].rle_id().to_numpy()
    turned = random.random(int(run_of[-1]) + 1) < 0.5
    lot = random.random(athlete.splits.height)
    error = _error_of_speed(athlete, run_of, random)
    columns = [athlete.splits[name] * np.exp(error) for name in ("speed_m_s", "lagged_speed_m_s")]
    for part in athlete.parts:
        if draw.test == "shuffled":
            order = _blocks_shuffled(part.run, lot[part.place])
        else:
            order = _turned_round(part.run, turned[run_of[part.place]])
        drift = np.log1p(draw.planted_pct(athlete_place, part.metric) / 100)
        values = athlete.splits[part.metric].cast(pl.Float64).to_numpy().copy()
        of_speed = draw.registry.metric_of[part.metric].speed_loading * error[part.place]
        values[part.place] = np.exp(part.expected + part.remainder[order] + drift * part.distance + of_speed)
        columns.append(pl.Series(part.metric, values).fill_nan(None))
    return athlete.splits.with_columns(columns)


def _error_of_speed(athlete: TakenApart, run_of: npt.NDArray[np.int64], random: np.random.Generator) -> Array:
    """Of the log speed of each split: neighbouring kilometres of a run have errors that are alike."""
    errors = random.standard_normal(len(run_of))
    km = athlete.splits["km"].to_numpy()
    for place in range(1, len(errors)):
        if run_of[place] == run_of[place - 1]:
            alike = ERROR_RHO ** float(km[place] - km[place - 1])
            errors[place] = alike * errors[place - 1] + np.sqrt(1 - alike**2) * errors[place]
    return athlete.error_sd * errors


def _turned_round(run: npt.NDArray[np.int64], is_turned: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """For each split the one whose remainder it gets: its mirror image in its run, where the run is turned round."""
    begins = np.flatnonzero(np.diff(run, prepend=-1))
    ends = np.append(begins[1:], len(run)) - 1
    here = np.arange(len(run))
    return np.where(is_turned, begins[run] + ends[run] - here, here)


def _blocks_shuffled(run: npt.NDArray[np.int64], lot: Array) -> npt.NDArray[np.intp]:
    """The same for blocks of neighbours put into a random order inside their run; the last block may be shorter."""
    begins = np.flatnonzero(np.diff(run, prepend=-1))
    here = np.arange(len(run))
    place = here - begins[run]
    return np.lexsort((place, lot[here - place % BLOCK], run))


def trials(findings: pl.DataFrame, planted_pct: Mapping[tuple[str, str], float], draw: Draw) -> pl.DataFrame:
    """The findings of one draw, as questions with an answer.

    Args:
        findings: rows of `athlete_drift` of the whole club.
        planted_pct: what was planted, by athlete and metric [% per 10 km]; those not named do not count.
        draw: which one.

    Returns:
        `test`, `place`, `planted_pct_per_10km`, `athlete_id`, `metric`, `n_runs`, `question`, `answer`.
    """
    keys = {"athlete_id": [key[0] for key in planted_pct], "metric": [key[1] for key in planted_pct]}
    planted = pl.DataFrame(keys | {"planted_pct_per_10km": list(planted_pct.values())}, schema_overrides=_KEYS)
    low, high, truth = pl.col("drift_low"), pl.col("drift_high"), pl.col("planted_pct_per_10km")
    rises, falls = pl.col("finding") == "rises", pl.col("finding") == "falls"
    answers = {
        "called": pl.when(truth == 0).then(rises | falls).when(truth > 0).then(rises).otherwise(falls),
        # Where nothing is planted there is no wrong way.
        "called_wrong_way": pl.when(truth > 0).then(falls).when(truth < 0).then(rises),
        "holds": pl.col("finding") == "holds",
        "excludes_zero": (low > 0) | (high < 0),
        "covers": (low <= truth) & (truth <= high),
    }
    judged = findings.filter(pl.col("drift_low").is_not_null()).join(planted, on=["athlete_id", "metric"])
    return (
        judged.select("athlete_id", "metric", "n_runs", truth, **answers)
        .unpivot(
            list(answers),
            index=["athlete_id", "metric", "n_runs", "planted_pct_per_10km"],
            variable_name="question",
            value_name="answer",
        )
        .drop_nulls("answer")
        .with_columns(test=pl.lit(draw.test), place=pl.lit(draw.place))
    )


_KEYS = {"athlete_id": pl.String, "metric": pl.String, "planted_pct_per_10km": pl.Float64}


def calibration(rates: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """Rates over all draws, by metric and over all metrics, with their intervals.

    Args:
        rates: what `trials` gave for each draw.

    Returns:
        Rows of the table `calibration`.
    """
    counted = run_query("calibration", {"trials": pl.concat(rates)}, {"every_metric": EVERY_METRIC})
    low, high = wilson(counted["n_yes"].to_numpy(), counted["n"].to_numpy())
    return counted.with_columns(
        share=pl.col("n_yes") / pl.col("n"),
        low=pl.Series(low, dtype=pl.Float64),
        high=pl.Series(high, dtype=pl.Float64),
    )
