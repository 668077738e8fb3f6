"""What a person is told of the quality of recordings: one line per run that has something to say."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.core.quality_rules import ALTITUDE, CLOCK, DISTANCE, KEPT, SHARE_OF, SPEED, SPORT, SUSPICIONS

#: More runs than this are counted, not listed.
MOST_RUNS = 10

#: How each quantity is named to a person, besides the readings of the registry.
_LABELS: Mapping[str, str] = {
    CLOCK: "clock", SPORT: "sport", DISTANCE: "distance", SPEED: "speed", ALTITUDE: "altitude",
}  # fmt: skip


def labels_of(registry: Registry) -> Mapping[str, str]:
    """How each quantity is named to a person, in their order."""
    return {**_LABELS, **{column: reading.label for column, reading in registry.reading_of.items()}}


def quality_notices(
    quality: pl.DataFrame, ledger: pl.DataFrame, *, most: int = MOST_RUNS, registry: Registry = BUILT_IN
) -> list[str]:
    """A line per run with a suspicion; of more than `most` runs, how many more there are, by suspicion.

    Args:
        quality: rows of `quality`.
        ledger: rows of `recordings`, of those whose runs are meant.
        most: of runs that are listed.
        registry: the quantities in force.
    """
    used = ledger.filter(pl.col("status").is_in(["accepted", "salvaged"]))
    suspect = quality.filter(pl.col("suspicion").is_not_null()).join(
        used.select("run_id", "path", "session"), on="run_id", how="inner"
    )
    labels = labels_of(registry)
    order = {quantity: place for place, quantity in enumerate(labels)}
    suspect = suspect.sort("path", "session", pl.col("quantity").replace_strict(order, return_dtype=pl.Int64))
    runs = suspect.partition_by("run_id", maintain_order=True)
    lines = [_line(run, labels) for run in runs[:most]]
    if len(runs) > most:
        lines.append(_rest(pl.concat(runs[most:]), len(runs) - most, labels))
    return lines


def _line(run: pl.DataFrame, labels: Mapping[str, str]) -> str:
    path, session = run.row(0, named=True)["path"], run.row(0, named=True)["session"]
    place = f" (session {session})" if session > 1 else ""
    return f"{path}{place}: " + " ".join(f"{_suspicion_words(row, labels)}." for row in run.iter_rows(named=True))


def _suspicion_words(row: Mapping[str, Any], labels: Mapping[str, str]) -> str:
    """What a row of `quality` says of its quantity, with the fix; without a full stop.

    Args:
        row: one with a suspicion.
    """
    suspicion = SUSPICIONS[row["suspicion"]]
    share = row.get(SHARE_OF.get(suspicion.fault or "", "")) or 0.0
    size = f"{_percent(share)} {suspicion.treatment}, " if suspicion.treatment != KEPT and share else ""
    where = f", km {row['from_km']:.1f}" if row["from_km"] is not None else ""
    where += f" to {row['to_km']:.1f}" if row["to_km"] is not None else ""
    return f"{labels[row['quantity']]}: {size}{suspicion.words}{where}; {suspicion.fix}"


def _percent(share: float) -> str:
    return "under 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def _rest(suspect: pl.DataFrame, n_runs: int, labels: Mapping[str, str]) -> str:
    counts = suspect.group_by("quantity", "suspicion").len().sort("len", "quantity", descending=[True, False])
    parts = [f"{labels[quantity]} {SUSPICIONS[suspicion].words} ({n})" for quantity, suspicion, n in counts.iter_rows()]
    more = "1 more run" if n_runs == 1 else f"{n_runs} more runs"
    return f"{more}: {'; '.join(parts)}. `splitdrift show quality` has a row for each."
