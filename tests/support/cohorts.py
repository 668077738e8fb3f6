"""Invented cohorts, for studies."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl

from pipeline.core.metrics import READING_OF
from pipeline.core.settings import Settings
from pipeline.methods.adjustment import RESPONSES, covariance_as_text
from pipeline.study.material import Material
from pipeline.tables import empty


def cohort_of(
    value: Callable[[int, int, float], float],
    *,
    n_athletes: int = 5,
    n_runs: int = 1,
    km: int | Callable[[int, int], int] = 20,
    speed_m_s: Callable[[int, int, float], float] = lambda *_: 3.0,
    response_to_speed: float = 0.0,
    shared_se: float = 0.0,
    response_se: float = 0.0,
    metric: str = "contact_time_ms",
    **more: Any,
) -> Material:
    """What a study works on, invented: athletes 0, 1, ... with runs 0, 1, ... of whole kilometres; km 1 is the warm-up.

    Args:
        value: of the metric, of an athlete and a run in the middle of a split [km].
        n_athletes: athletes.
        n_runs: of each.
        km: length of each run, or of one of an athlete.
        speed_m_s: of a split, likewise.
        response_to_speed: of everyone, at a reference of 3 m/s.
        response_se: standard error of that.
        shared_se: the part of it that everyone has in common.
        metric: column of splits.
        more: fields of `Material` that differ.
    """
    splits, runs = [], []
    for athlete, run in ((athlete, run) for athlete in range(n_athletes) for run in range(n_runs)):
        who = {"athlete_id": f"a{athlete:02}", "run_id": f"a{athlete:02}-{run}"}
        length = km if isinstance(km, int) else km(athlete, run)
        runs.append(who | {"distance_km": float(length), "kind": "race", "surface": "road", "device": "blue"})
        for number in range(1, length + 1):
            speed = speed_m_s(athlete, run, number - 0.5)
            fixed = {"length_m": 1000.0, "run_share": 1.0, "slope_pct": 0.0, "slope_squared_pct2": 0.0}
            fixed |= {"log_speed_variance": 0.0, "lagged_speed_m_s": speed}
            fixed |= {reading.share_column: 1.0 for reading in READING_OF.values()}
            splits.append(
                {**who, **fixed, "km": number, "speed_m_s": speed, "running_s": 1000 / speed, "moving_s": 1000 / speed}
                | {metric: value(athlete, run, number - 0.5)}
            )
    known = {"metric": metric, "fresh_level": 1.0, "reference_speed_m_s": 3.0, "response_to_speed": response_to_speed}
    known |= {"response_to_speed_shared_se": shared_se}
    known |= {"responses_covariance": covariance_as_text(["response_to_speed"], np.array([[response_se**2]]))}
    silent = (name for name in RESPONSES if name not in known)
    nothing = dict.fromkeys(silent, 0.0)
    drifts = [{"athlete_id": f"a{athlete:02}", **known, **nothing} for athlete in range(n_athletes)]
    fields: dict[str, Any] = {
        "runs": pl.DataFrame(runs),
        "splits": pl.DataFrame(splits).with_columns(suspicion=pl.lit(None, pl.String)),
        "drifts": pl.DataFrame(drifts),
        "run_drifts": pl.DataFrame(),
        "athletes": pl.DataFrame({"athlete_id": [f"a{athlete:02}" for athlete in range(n_athletes)]}),
        "landings": empty("landings"),
        "other_splits": None,
        "inclusion": Settings().inclusion,
        "seed": 1,
    }
    return Material(**fields | more)
