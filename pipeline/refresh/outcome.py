"""What came of a refresh, in counts and a few names. A worker reads it: the process that plans holds no table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.core.errors import OtherVersion
from pipeline.refresh.context import BuildContext, changes_of
from pipeline.refresh.notices import notices_of
from pipeline.store.bundles import read_bundle
from pipeline.store.history import MOST_NAMES, changed_findings
from pipeline.store.layout import read_rows
from pipeline.tables import empty


@dataclass(frozen=True)
class Outcome:
    """What the ledger and the findings of a new state say.

    Attributes:
        n_files: how many files the ledger has.
        statuses: number of sessions by status.
        n_refused: how many sessions of files that came in were rejected.
        refused: `path` and `reason` of the first of them.
        findings: `athlete_id`, `metric` and the finding `before` and `after`, where these differ.
        notices: everything to look at, a sentence each.
    """

    n_files: int
    statuses: Mapping[str, int]
    n_refused: int
    refused: Sequence[Mapping[str, str]]
    findings: Sequence[Mapping[str, str | None]]
    notices: Sequence[str]


def outcome_of(context: BuildContext, before: Path | None) -> Outcome:
    """Read what came of a refresh from the state being built.

    Args:
        before: folder of the state before; None where there was none, or its findings cannot be relied on.
    """
    ledger = read_rows(context.built, "recordings")
    rejected = ledger.filter(pl.col("status") == "rejected").select("path", "session", "file", "reason")
    noted = (read_bundle(context.built, changes_of(section))["files"] for section in context.sections)
    came_in = (files.filter("came_in").select(file="path") for files in noted)
    refused = pl.concat(rejected.join(files, on="file", how="semi") for files in came_in).sort("path", "session")
    return Outcome(
        ledger["file"].n_unique(),
        dict(ledger.group_by("status").len().sort("status").iter_rows()),
        refused.height,
        refused.select("path", "reason").head(MOST_NAMES).to_dicts(),
        changed_findings(_findings(before), _findings(context.built)),
        notices_of(context.inbox, ledger),
    )


def _findings(folder: Path | None) -> pl.DataFrame:
    try:
        return empty("athlete_drift") if folder is None else read_rows(folder, "athlete_drift")
    except OtherVersion:
        return empty("athlete_drift")
