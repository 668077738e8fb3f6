"""Stage `contrasts`: the levels of runs → surface against surface, shoe against shoe, at equal speed and slope.

Rows in: run_drift and runs. Rows out: one per athlete, metric, factor (surface, shoe, ride before the run, or a tag of
the owner's own) and value of it, against the value that most of the athlete's runs have; runs off the bike are compared
with runs from rest.

A run's level is what remains of it after the athlete's responses and drift are taken out. The contrast is the
difference of the means of these levels, every run counting once: whole runs are the unit, however many kilometres they
have. Its interval is Welch's (the two sides may scatter differently), and the uncertainty of the responses and the
drift is added as far as the two sides differ in speed, slope and distance. The drifts of the runs are compared by a
random-effects meta-regression on the side (`pipeline/methods/meta_regression.py`).

What it cannot separate: the responses come from changes inside runs, and are taken to hold between runs too; and runs
were not assigned to surfaces, shoes or rides at random.

Sources: Welch 1947, doi 10.1093/biomet/34.1-2.28; Satterthwaite 1946, doi 10.2307/3002019 (degrees of freedom). From
memory.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping

import numpy as np
import polars as pl
from scipy import special

from pipeline.methods.meta_regression import meta_regression
from pipeline.stages.corrections import tags_of
from pipeline.tables import types_of
from pipeline.tables.analysed import CONTRAST_FACTORS

#: Fewer runs on a side say nothing of how much runs scatter there. Common practice, no source.
FEWEST_RUNS_PER_SIDE = 3
#: Name of the factor in the table, and its column in `runs`; tags follow, each under its own name.
FACTORS = dict(zip(CONTRAST_FACTORS, ("surface", "shoe_id", "ride"), strict=True))
AFTER_RIDE, FROM_REST = "after_ride", "from_rest"
NOTE = "observational: the runs were not assigned at random"


def contrasts(run_drifts: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """Compare the levels and the drifts of an athlete's runs between surfaces, shoes, runs off the bike, and tags.

    Args:
        run_drifts: rows of `run_drift` as the stage `drift` gives them, with `level_shared` and `drift_shared`.
        runs: rows of `runs`; `run_id`, `started_at_utc`, `surface`, `shoe_id`, `after_ride` and `tags` are read.

    Returns:
        Rows of `contrasts`; values with fewer than three runs are left out.
    """
    described, factors = _described(runs)
    # What is the same in all runs can be compared with nothing.
    factors = {factor: column for factor, column in factors.items() if described[column].drop_nulls().n_unique() > 1}
    if not factors:
        return pl.DataFrame(schema=types_of("contrasts"))
    entered = run_drifts.join(described, on="run_id").sort("run_id")
    rows: list[dict[str, object]] = []
    for (athlete_id, metric), rows_of_metric in entered.partition_by(
        "athlete_id", "metric", as_dict=True, maintain_order=True
    ).items():
        for factor in factors:
            of_factor = _of_factor(rows_of_metric, factor, factors)
            rows += [{"athlete_id": athlete_id, "metric": metric, **row} for row in of_factor]
    return pl.DataFrame(rows, schema=types_of("contrasts")).sort("athlete_id", "metric", "factor", "compared")


def _described(runs: pl.DataFrame) -> tuple[pl.DataFrame, dict[str, str]]:
    """What is said of each run, and the column of each factor."""
    ride = pl.when("after_ride").then(pl.lit(AFTER_RIDE)).otherwise(pl.lit(FROM_REST))
    tags = [tags_of(text) for text in runs["tags"]]
    names = sorted({name for own in tags for name in own})
    of_tags = [pl.Series(f"tag {name}", [own.get(name) for own in tags], dtype=pl.String) for name in names]
    described = runs.select("run_id", "started_at_utc", "surface", "shoe_id", ride=ride).with_columns(of_tags)
    return described, FACTORS | {name: f"tag {name}" for name in names}


def _of_factor(rows_of_metric: pl.DataFrame, factor: str, factors: Mapping[str, str]) -> Iterator[dict[str, object]]:
    """Every value of a factor against the one with most runs, the first in the alphabet where several have as many."""
    column = factors[factor]
    counts = Counter(rows_of_metric[column].drop_nulls().to_list())
    often = (value for value, n_runs in counts.items() if n_runs >= FEWEST_RUNS_PER_SIDE)
    values = sorted(often, key=lambda value: (value == AFTER_RIDE, -counts[value], value))
    for value in values[1:]:
        compared, reference = (
            rows_of_metric.filter(pl.col(column) == value),
            rows_of_metric.filter(pl.col(column) == values[0]),
        )
        yield {
            "factor": factor,
            "compared": value,
            "reference": values[0],
            "n_runs": compared.height,
            "n_runs_reference": reference.height,
            "note": _note(compared, reference, factor, factors),
            **difference_of_levels(compared, reference, rows_of_metric.height),
            **difference_of_drifts(compared, reference),
        }


def _note(compared: pl.DataFrame, reference: pl.DataFrame, factor: str, factors: Mapping[str, str]) -> str:
    """What to bear in mind: which other factors always changed together with this one, and whether time did."""
    always = []
    for other, column in factors.items():
        here, there = (set(side[column].drop_nulls()) for side in (compared, reference))
        if other != factor and here and there and not here & there:
            always.append(other)
    note = NOTE
    if always:
        together = f"the {' and the '.join(always)} always changed with the {factor}"
        note += f"; {together}, so their effects cannot be told apart"
    for early, late in ((compared, reference), (reference, compared)):
        if early["started_at_utc"].to_numpy().max() < late["started_at_utc"].to_numpy().min():
            value = early[factors[factor]][0]
            note += (
                f"; every run with {value} came before the others, so whatever else changed over time is in this too"
            )
    return note


def difference_of_levels(compared: pl.DataFrame, reference: pl.DataFrame, n_runs: int) -> dict[str, float]:
    """Difference of the mean levels of two sets of runs in percent, with Welch's interval.

    Args:
        compared: rows of `run_drift` with `level_shared`, of one athlete and metric.
        reference: likewise, of other runs.
        n_runs: of the athlete, behind the responses that both share.

    Returns:
        `difference_pct`, `low`, `high`.
    """
    difference, variance, by_df = 0.0, 0.0, 0.0
    shared = np.zeros(1)
    for sign, side in ((1, compared), (-1, reference)):
        levels = np.log(side["fresh_level"].to_numpy())
        difference += sign * float(levels.mean())
        variance_of_mean = float(levels.var(ddof=1)) / len(levels)
        variance, by_df = variance + variance_of_mean, by_df + variance_of_mean**2 / (len(levels) - 1)
        shared = shared + sign * np.array(side["level_shared"].to_list()).mean(axis=0)
    shared_variance = float(shared @ shared)
    variance, by_df = variance + shared_variance, by_df + shared_variance**2 / (n_runs - 1)
    df = variance**2 / by_df if by_df > 0 else np.inf
    margin = float(special.stdtrit(df, 0.975)) * variance**0.5
    ends = np.expm1([difference, difference - margin, difference + margin])
    return dict(zip(("difference_pct", "low", "high"), 100 * ends, strict=True))


def difference_of_drifts(compared: pl.DataFrame, reference: pl.DataFrame) -> dict[str, float]:
    """Difference of the mean drifts of two sets of runs, in points of percent per 10 km.

    Args:
        compared: rows of `run_drift` with `drift_shared`, of one athlete and metric.
        reference: likewise, of other runs.

    Returns:
        `drift_difference_pct_per_10km`, `drift_difference_low`, `drift_difference_high`; nothing where too few runs
        have an error of their own.
    """
    sides = [side.filter(pl.col("within_run_se_pct_per_10km") > 0) for side in (reference, compared)]
    if min(side.height for side in sides) < FEWEST_RUNS_PER_SIDE:
        return {}
    both = pl.concat(sides)
    is_compared = np.repeat([0.0, 1.0], [side.height for side in sides])
    fitted = meta_regression(
        both["drift_pct_per_10km"].to_numpy(),
        both["within_run_se_pct_per_10km"].to_numpy(),
        np.column_stack([np.ones(both.height), is_compared]),
    )
    difference = float(fitted.coefficients[1])
    error = fitted.variance_with(np.array(both["drift_shared"].to_list()), 1) ** 0.5
    margin = float(special.stdtrit(fitted.df, 0.975)) * error
    names = ("drift_difference_pct_per_10km", "drift_difference_low", "drift_difference_high")
    return dict(zip(names, (difference, difference - margin, difference + margin), strict=True))
