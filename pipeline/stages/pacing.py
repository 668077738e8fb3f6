"""Stage `pacing`: the splits of athletes → how speed itself changes along runs, and what that change is made of.

Rows in: splits. Rows out: one per athlete. Speed is cadence times step length, so in logarithms its change is exactly
the change of cadence plus that of step length, if all three come from the same splits with the same weights: they do.
The change of log speed per 10 km is pooled over runs as drift is (`pipeline/methods/mixed_model.py`), with nothing
adjusted: hills, plans and fatigue are all in it. Every kilometre has the same weight, however long it took.

Walking is estimated next to it, in the same kilometres and those partly or wholly walked: the least-squares change of
the share of moving time that was walked, over all kilometres, each run with a level of its own.

Intervals are by jackknife over whole runs, as the drift's are.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
from scipy import special

from pipeline.core.arrays import Array
from pipeline.core.inclusion import Inclusion
from pipeline.methods.design import TEN_KM, Numbers, by_athlete, design_of
from pipeline.methods.least_squares import jackknife_over_runs
from pipeline.methods.mixed_model import (
    DISTANCE,
    FIRST_CAUSE,
    VALUE,
    Design,
    fit,
    normal_equations,
)
from pipeline.tables import types_of

#: Place of log cadence in the design, where the stage `drift` has its first cause.
CADENCE = FIRST_CAUSE
#: A jackknife over runs needs two.
FEWEST_RUNS_FOR_JACKKNIFE = 2

_PARTS = ("speed", "cadence_part", "step_length_part")
_ESTIMATES = ("speed_pct_per_10km", "cadence_part_pct", "step_length_part_pct")


def pacing(splits: pl.DataFrame, *, inclusion: Inclusion) -> pl.DataFrame:
    """Estimate how speed and walking change along runs.

    Where at least `min_runs` runs have cadence, only splits with cadence enter, so that the parts add up; else all do,
    and the parts are null.
    """
    rows: list[dict[str, object]] = []
    for athlete_id, of_athlete in sorted(by_athlete(splits).items()):
        usable = inclusion.usable(of_athlete)
        cadenced = usable.filter(pl.col("cadence_spm") > 0)
        design, has_cadence = design_of(Numbers(cadenced), "cadence_spm", 1.0, inclusion), True
        if len(design.run_ids) < inclusion.min_runs:
            design, has_cadence = design_of(Numbers(usable), "speed_m_s", 1.0, inclusion), False
        row: dict[str, object] = {"athlete_id": athlete_id, "n_runs": len(design.run_ids), "n_splits": len(design.run)}
        if len(design.run_ids) >= max(inclusion.min_runs, FEWEST_RUNS_FOR_JACKKNIFE):
            row |= _speed(design, n_parts=3 if has_cadence else 1)
        rows.append(row | _walking(of_athlete, inclusion))
    return pl.DataFrame(rows, schema=types_of("pacing"))


def _speed(design: Design, n_parts: int) -> dict[str, object]:
    """Change of speed and of its parts, from a design whose value is log cadence where there is one."""
    log_cadence, distance, log_speed = design.columns[:, [VALUE, DISTANCE, FIRST_CAUSE]].T
    columns = np.column_stack([log_speed, distance, log_cadence])
    fitted = fit(replace(design, columns=columns, weight=np.ones(len(columns))), ())
    a, b, _ = normal_equations(fitted.products, (DISTANCE, CADENCE), fitted.variance_ratio)
    speed, cadence, along = b[:, 0], a[:, 0, 1], a[:, 0, 0]
    row: dict[str, object] = {}
    parts = (speed, cadence, speed - cadence)
    for name, part, products in list(zip(_ESTIMATES, _PARTS, parts, strict=True))[:n_parts]:
        slope, margin = _jackknifed(products, along)
        ends = 100 * np.expm1([slope, slope - margin, slope + margin])
        row |= dict(zip((name, f"{part}_low", f"{part}_high"), ends, strict=True))
    return row


def _jackknifed(products: Array, along: Array) -> tuple[float, float]:
    """A slope from each run's sums of products, and the margin of error at 95 % by jackknife over runs."""
    a, b = along[:, None, None], products[:, None]
    slope = b.sum(axis=0) / a.sum()
    covariance, df = jackknife_over_runs(a, b, a.sum(axis=0), slope)
    return float(slope[0]), float(special.stdtrit(df, 0.975) * np.sqrt(covariance[0, 0]))


def _walking(splits: pl.DataFrame, inclusion: Inclusion) -> dict[str, object]:
    """Change of the share of moving time walked, in points per 10 km; without interval where nothing was walked."""
    shown = splits.select("run_id", "km", "length_m", "run_share")
    whole = shown.filter(inclusion.is_whole(), pl.col("run_share").is_not_null()).sort("run_id", "km")
    run = whole["run_id"].rle_id().to_numpy()
    is_of_long_run = np.bincount(run)[run] >= inclusion.min_splits_of_run
    run = run[is_of_long_run]
    middle = (whole["km"] - 0.5) * inclusion.split_length_m / TEN_KM
    run_share, distance = (column.to_numpy()[is_of_long_run] for column in (whole["run_share"], middle))
    counts = np.bincount(run)
    row: dict[str, object] = {"n_walked_splits": int((run_share < inclusion.min_run_share).sum())}
    if np.count_nonzero(counts) < max(inclusion.min_runs, FEWEST_RUNS_FOR_JACKKNIFE):
        return row
    walked = 100 * (1 - run_share)
    from_mean = distance - np.bincount(run, distance)[run] / counts[run]
    sums: list[Array] = [np.bincount(run, of_split).astype(float) for of_split in (from_mean * walked, from_mean**2)]
    slope, margin = _jackknifed(*(of_runs[counts > 0] for of_runs in sums))
    row["walk_points_per_10km"] = slope
    if (run_share < 1).any():
        row |= {"walk_low": slope - margin, "walk_high": slope + margin}
    return row
