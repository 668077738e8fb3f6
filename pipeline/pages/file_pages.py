"""The pages of files: every file with what became of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.core.reasons import words
from pipeline.pages.club_rows import ClubRows
from pipeline.pages.language import Language
from pipeline.pages.run_page import excluded_words
from pipeline.tables.recorded import STATUSES

Row = Mapping[str, Any]
Context = dict[str, Any]

#: Files per page of files.
FILES_PER_PAGE = 2000


def file_pages(club: ClubRows, language: Language) -> list[Context]:
    """What the pages of files show: counts, devices, missing readings, then every file, on several pages if needed."""
    ledger, runs = club.table("recordings"), club.table("runs")
    files = file_rows(ledger, club, language)
    parts = [files[start : start + FILES_PER_PAGE] for start in range(0, max(len(files), 1), FILES_PER_PAGE)]
    about = {
        "counts": [(language(f"status.{status}"), n) for status, n in _counted(ledger["status"])],
        "devices": _counted(runs["device"].fill_null(language("files.no_device"))),
        "sensors": _counted(runs["sensors"].fill_null(language("files.native_sensors"))),
        "altitudes": [(language(f"altitude.{kind}"), n) for kind, n in _counted(runs["altitude"])],
        "missing": _missing(club, language),
        "exclusions": _exclusions(club, language),
        "n_recordings": ledger.height,
        "n_files": ledger["file"].n_unique(),
    }
    names = ["files.html", *(f"files-{number}.html" for number in range(2, len(parts) + 1))]
    return [
        {**about, "files": part, "page": name, "pages": names, "is_first": number == 0, "is_coded": club.is_coded}
        for number, (name, part) in enumerate(zip(names, parts, strict=True))
    ]


def file_rows(ledger: pl.DataFrame, club: ClubRows, language: Language) -> list[Context]:
    """Files as they are shown, refused ones first."""
    worst = {language(f"status.{status}"): place for place, status in enumerate(reversed(STATUSES))}
    shown = [_file(row, club, language) for row in ledger.sort("path", "session").iter_rows(named=True)]
    # Sorted by what is shown: where athletes are codes, the order of the names would reveal them.
    return sorted(shown, key=lambda one: (worst[one["status"]], *((one["path"],) if club.is_coded else ())))


def _file(row: Row, club: ClubRows, language: Language) -> Context:
    """A file of the ledger. Its name and the reason may identify the athlete, and are left out with codes."""
    status = language(f"status.{row['status']}")
    if club.is_coded:
        owner = club.shown(row["athlete_id"]) if row["athlete_id"] is not None else language("files.no_owner")
        return {"path": f"{owner}, {row['sha256'][:8]}", "status": status, "reason": "", "fix": ""}
    place = f" ({language('run.session', n=row['session'])})" if row["session"] > 1 else ""
    reason, fix = words(row["reasons"], language.code)
    return {"path": row["path"] + place, "status": status, "reason": reason, "fix": fix, "format": row["format"]}


def _counted(values: pl.Series) -> list[tuple[str, int]]:
    return sorted(Counter(values.to_list()).items(), key=lambda one: (-one[1], one[0]))


def _missing(club: ClubRows, language: Language) -> list[Context]:
    """For each metric, in how many runs of the club it is missing."""
    if not club.athletes:  # strikes.csv alone makes a store
        return []
    metrics = language.registry.metrics
    columns = [metric.column for metric in metrics]
    measured = pl.col(columns).is_not_null().any()
    has = pl.concat(rows.group_by("run_id").agg(measured) for rows in club.columns_of("splits", ["run_id", *columns]))
    return [
        {"metric": language.metric(metric.column), "n": n}
        for metric in metrics
        if (n := has.height - int(has[metric.column].sum()))
    ]


def _exclusions(club: ClubRows, language: Language) -> list[Context]:
    rows = club.table("exclusions").group_by("quantity", "reason").agg(pl.col("n_samples").sum(), n_runs=pl.len())
    ordered = rows.sort("n_samples", "quantity", "reason", descending=[True, False, False])
    return [
        row | {"quantity": excluded_words(row["quantity"], language), "reason": language.exclusion(row["reason"])}
        for row in ordered.to_dicts()
    ]
