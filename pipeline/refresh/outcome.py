"""What came of a refresh in a section of the club, in counts and a few names. A worker reads it."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.core.errors import OtherVersion
from pipeline.refresh.context import BuildContext, Outcome, changes_of
from pipeline.refresh.notices import notices_of
from pipeline.store.bundles import read_bundle
from pipeline.store.history import MOST_NAMES, changed_findings
from pipeline.store.layout import read_section
from pipeline.store.sections import Section
from pipeline.tables import empty


def outcome_of(context: BuildContext, item: tuple[Section, Path | None]) -> Outcome:
    """Read what came of a section of the club from the state being built.

    Args:
        item: the section, and the folder of the state before; None where there was none, or its findings cannot be
            relied on.
    """
    section, before = item
    ledger = read_section(context.built, "recordings", section)
    rejected = ledger.filter(pl.col("status") == "rejected").select("path", "session", "file", "reason")
    came_in = read_bundle(context.built, changes_of(section))["files"].filter("came_in").select(file="path")
    refused = rejected.join(came_in, on="file", how="semi").sort("path", "session")
    return Outcome(
        ledger["file"].n_unique(),
        dict(ledger["status"].value_counts().iter_rows()),
        refused.height,
        refused.select("path", "session", "reason").head(MOST_NAMES).to_dicts(),
        changed_findings(_findings(before, section), _findings(context.built, section)),
        notices_of(context.inbox, ledger, before=ledger) if section.of == 1 else (),
    )


def _findings(folder: Path | None, section: Section) -> pl.DataFrame:
    try:
        return empty("athlete_drift") if folder is None else read_section(folder, "athlete_drift", section)
    except OtherVersion:
        return empty("athlete_drift")
