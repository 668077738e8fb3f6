"""The page of a run: its kilometres, the traces behind them, what of it was set aside and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from pipeline.pages.club_rows import ClubRows
from pipeline.pages.traces import TRACED
from pipeline.pages.units import Units, between, duration, number, signed
from pipeline.pages.words import METRIC, in_order

Row = Mapping[str, Any]
Context = dict[str, Any]

#: Columns of the kilometre table after distance, time, pace and slope: column of `splits`, heading, unit, decimals.
SPLIT_COLUMNS = (
    ("cadence_spm", "cadence", "steps/min", 1),
    ("contact_time_ms", "contact time", "ms", 1),
    ("flight_time_ms", "flight time", "ms", 1),
    ("duty_factor", "duty factor", "contact / stride", 3),
    ("step_length_m", "step length", "m", 3),
    ("leg_stiffness_kn_m", "leg stiffness", "kN/m", 2),
    ("vertical_stiffness_kn_m", "vertical stiffness", "kN/m", 2),
    ("vertical_oscillation_mm", "vertical oscillation", "mm", 1),
    ("contact_balance_pct", "left in contact", "%", 1),
    ("heart_rate_bpm", "heart rate", "beats/min", 0),
)
TRACE_LABELS = {
    "altitude_m": "altitude, m",
    "speed_m_s": "speed",
    "cadence_spm": "cadence, steps/min",
    "contact_time_ms": "contact time, ms",
    "vertical_oscillation_mm": "vertical oscillation, mm",
    "heart_rate_bpm": "heart rate, beats/min",
}
#: What was set aside is told by the name of its column.
QUANTITIES = {"sample": "whole samples", "distance_m": "distance", "speed_m_s": "speed", "altitude_m": "altitude"} | {
    column: heading for column, heading, _, _ in SPLIT_COLUMNS
}


def run_page(
    run: Row,
    splits: Sequence[Row],
    drifts: Sequence[Row],
    exclusions: Sequence[Row],
    *,
    club: ClubRows,
    units: Units,
    split_length_m: float,
) -> Context:
    """What the page of a run shows, but for its traces.

    Args:
        run: its row of `runs`.
        splits: its rows of `splits`, in order.
        drifts: its rows of `run_drift`.
        exclusions: its rows of `exclusions`.
        club: by what names athletes and shoes are shown.
        units: of distance and speed.
        split_length_m: length of a whole split [m].
    """
    athlete_id = run["athlete_id"]
    columns = [one for one in SPLIT_COLUMNS if any(row[one[0]] is not None for row in splits)]
    return {
        "name": club.shown(athlete_id),
        "units": units,
        "date": run["started_at_utc"],
        "distance": units.distance_text(run["distance_km"], 2),
        "moving": duration(run["moving_s"]),
        "paused": duration(run["paused_s"]) if run["paused_s"] else None,
        "speed": units.speed_text(1000 * run["distance_km"] / run["moving_s"] if run["moving_s"] else None),
        "about": [
            (heading, value)
            for heading, value in (
                ("kind", run["kind"]),
                ("surface", run["surface"]),
                ("shoe", club.shoe(run["shoe_id"])),
                ("device", run["device"]),
                ("sensors", run["sensors"]),
                ("altitude", run["altitude"]),
            )
            if value is not None
        ],
        "columns": [(heading, unit) for _, heading, unit, _ in columns],
        "splits": [_split(row, columns, units, split_length_m) for row in splits],
        "drifts": [
            {
                "metric": METRIC[row["metric"]].label,
                "n_splits": row["n_splits"],
                "raw": signed(row["raw_pct_per_10km"]),
                "drift": signed(row["drift_pct_per_10km"]),
                "interval": between(row["drift_low"], row["drift_high"]),
                "onset": units.distance_text(row["onset_km"]),
            }
            for row in in_order(drifts)
        ],
        "exclusions": [
            {"what": QUANTITIES.get(row["quantity"], row["quantity"]), "reason": row["reason"], "n": row["n_samples"]}
            for row in exclusions
        ],
    }


def _split(row: Row, columns: list[tuple[str, str, str, int]], units: Units, split_length_m: float) -> Context:
    end_km = ((row["km"] - 1) * split_length_m + row["length_m"]) / 1000
    return {
        "km": row["km"],
        "to": units.distance_text(end_km, 2),
        "moving": duration(row["moving_s"]),
        "speed": units.speed_text(row["speed_m_s"]),
        "slope": signed(row["slope_pct"]),
        "run": "" if row["run_share"] is None else f"{100 * row['run_share']:.0f}",
        "values": [number(row[column], decimals) for column, _, _, decimals in columns],
    }


def drawn(trace: pl.DataFrame, units: Units) -> Context:
    """What the picture of a run's traces is drawn from: rows of `pipeline.pages.traces.traces`, as columns."""
    recorded = [name for name in TRACED if trace[name].null_count() < trace.height]
    return {
        "units": {"distance": units.distance, "speed": units.speed},
        "km": trace["distance_km"].to_list(),
        "run_share": trace["run_share"].to_list() if (trace["run_share"] < 1).any() else None,
        "traces": {name: trace[name].to_list() for name in recorded},
        "labels": {name: TRACE_LABELS[name] for name in recorded},
    }
