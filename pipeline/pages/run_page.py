"""The page of a run: its splits, its traces, what was excluded and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from pipeline.core.metrics import LABELS, METRICS, QUANTITIES, READING_OF, Quantity
from pipeline.pages.club_rows import ClubRows
from pipeline.pages.traces import TRACED
from pipeline.pages.units import Units, between, duration, number, signed
from pipeline.pages.words import in_order

Row = Mapping[str, Any]
Context = dict[str, Any]

TRACE_LABELS = {"altitude_m": "altitude, m", "speed_m_s": "speed"} | {
    metric.column: f"{metric.label}, {metric.unit}" for metric in METRICS if metric.is_reading
}
#: What can be excluded, by the values of `quantity` in the table `exclusions`.
EXCLUDED = {"sample": "whole samples", "distance_m": "distance", "speed_m_s": "speed", "altitude_m": "altitude"} | {
    one.column: one.label for one in READING_OF.values()
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
    """What the page of a run shows, except its traces.

    Args:
        splits: its rows of `splits`, in order.
        club: gives the names of athletes and shoes as shown.
        split_length_m: length of a whole split [m].
    """
    athlete_id = run["athlete_id"]
    columns = [one for one in QUANTITIES if any(row[one.column] is not None for row in splits)]
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
        "columns": [(one.label, one.unit) for one in columns],
        "splits": [_split(row, columns, units, split_length_m) for row in splits],
        "drifts": [
            {
                "metric": LABELS[row["metric"]],
                "n_splits": row["n_splits"],
                "raw": signed(row["raw_pct_per_10km"]),
                "drift": signed(row["drift_pct_per_10km"]),
                "interval": between(row["drift_low"], row["drift_high"]),
                "onset": units.distance_text(row["onset_km"]),
            }
            for row in in_order(drifts)
        ],
        "exclusions": [
            {"what": EXCLUDED.get(row["quantity"], row["quantity"]), "reason": row["reason"], "n": row["n_samples"]}
            for row in exclusions
        ],
    }


def _split(row: Row, columns: Sequence[Quantity], units: Units, split_length_m: float) -> Context:
    end_km = ((row["km"] - 1) * split_length_m + row["length_m"]) / 1000
    return {
        "km": row["km"],
        "to": units.distance_text(end_km, 2),
        "moving": duration(row["moving_s"]),
        "speed": units.speed_text(row["speed_m_s"]),
        "slope": signed(row["slope_pct"]),
        "run": "" if row["run_share"] is None else f"{100 * row['run_share']:.0f}",
        "values": [number(row[one.column], one.decimals) for one in columns],
    }


def drawn(trace: pl.DataFrame, units: Units) -> Context:
    """Chart data of a run's traces: the columns of `pipeline.pages.traces.traces`."""
    recorded = [name for name in TRACED if trace[name].null_count() < trace.height]
    return {
        "units": {"distance": units.distance, "speed": units.speed},
        "km": trace["distance_km"].to_list(),
        "run_share": trace["run_share"].to_list() if (trace["run_share"] < 1).any() else None,
        "traces": {name: trace[name].to_list() for name in recorded},
        "labels": {name: TRACE_LABELS[name] for name in recorded},
    }
