"""The season in sentences, besides the drift: shoes and surfaces, complaints, observed landings."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import polars as pl

from pipeline.core.metrics import LABELS
from pipeline.pages.club_rows import ClubRows
from pipeline.pages.units import Units, between, signed
from pipeline.pages.words import count_of
from pipeline.tables.observed import REARFOOT

Row = Mapping[str, Any]


#: Of runs that followed a ride, or none: what they are called.
FACTOR_WORDS = {"ride": "runs"}
RIDE_WORDS = {"after_ride": "off the bike", "from_rest": "from rest"}


def contrast_sentences(contrasts: Sequence[Row], shown: Callable[[Row, str], str]) -> list[str]:
    """Shoes, surfaces, tags and runs off the bike whose interval excludes zero, one sentence per pair.

    Args:
        shown: gives the words for `compared` or `reference` of a row.
    """
    by_pair: dict[str, list[str]] = {}
    for row in contrasts:
        factor = str(FACTOR_WORDS.get(row["factor"], row["factor"])).capitalize()
        pair = (
            f"{factor} {shown(row, 'compared')} against {shown(row, 'reference')} "
            f"({row['n_runs']} and {row['n_runs_reference']} runs)"
        )
        for value, (low, high), unit in (
            ("difference_pct", ("low", "high"), "% in level"),
            (
                "drift_difference_pct_per_10km",
                ("drift_difference_low", "drift_difference_high"),
                "% per 10 km in drift",
            ),
        ):
            if row[low] is not None and row[high] is not None and (row[low] > 0 or row[high] < 0):
                size = f"{signed(row[value])} {unit} ({between(row[low], row[high])})"
                by_pair.setdefault(pair, []).append(f"{LABELS[row['metric']]} {size}")
    return [f"{pair}: {'; '.join(differences)}." for pair, differences in by_pair.items()]


def complaint_sentences(
    complaint: Row, runs: pl.DataFrame, run_drifts: pl.DataFrame, metrics: Sequence[str], min_runs: int
) -> list[str]:
    """The runs during a complaint, and the drift before, during and after it as plain means over runs.

    Args:
        metrics: columns of the metrics to list.
        min_runs: fewer runs have no mean.
    """
    day = pl.col("started_at_utc").dt.date().cast(pl.String)
    begins, ends = complaint["from_date"], complaint["to_date"]
    is_after = pl.lit(value=False) if ends is None else day > ends
    when = pl.when(day < begins).then(pl.lit("before")).when(is_after).then(pl.lit("after")).otherwise(pl.lit("within"))
    dated = runs.select("run_id", when=when)
    within = dated.filter(pl.col("when") == "within").height
    sentences = [f"{count_of(within, 'run', 'runs') if within else 'No run'} in these days."]
    for metric in metrics:
        own = run_drifts.filter(pl.col("metric") == metric).drop_nulls("drift_pct_per_10km")
        values = {
            key: part["drift_pct_per_10km"].to_list()
            for (key,), part in own.join(dated, on="run_id").partition_by("when", as_dict=True).items()
        }
        parts = [
            f"{part} {_mean(values.get(part, []), min_runs)}"
            for part in ("before", "within", "after")
            if part != "after" or ends is not None
        ]
        sentences.append(f"{LABELS[metric].capitalize()}, % per 10 km: {', '.join(parts)}.")
    return sentences


def open_complaints(complaints: pl.DataFrame, club: ClubRows) -> list[str]:
    """The open complaints in words, oldest first; what people wrote is left out where athletes are codes.

    Args:
        complaints: rows of `complaints` of an athlete.
        club: whether athletes are shown by codes.
    """
    still = complaints.filter(pl.col("to_date").is_null()).sort("from_date", "line")
    return [
        f"A complaint is open since {row['from_date']}"
        + (f" ({row['site']})" if row["site"] and not club.is_coded else "")
        for row in still.iter_rows(named=True)
    ]


def _mean(values: Sequence[float], min_runs: int) -> str:
    if not values:
        return "no run"
    if len(values) < min_runs:
        return f"too few runs ({len(values)})"
    return f"{signed(sum(values) / len(values))} ({len(values)} runs)"


def landing_words(counts: pl.DataFrame, units: Units) -> str:
    """The share of rearfoot landings at the first and the last distance seen; empty with one distance."""
    if counts["distance_km"].n_unique() < 2:
        return ""
    at = [counts["distance_km"].min(), counts["distance_km"].max()]
    seen = []
    for distance in at:
        here = counts.filter(pl.col("distance_km") == distance)
        n = int(here.filter(pl.col("strike") == REARFOOT)["n"].sum())
        dates = count_of(here["n_seen"][0], "date", "dates")
        seen.append(f"{n} of {dates} at {units.distance} {units.distance_text(float(distance))}")  # type: ignore[arg-type]
    return f"Landings seen: on the rearfoot on {seen[0]}, on {seen[1]}."
