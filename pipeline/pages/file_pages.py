"""The pages of files: every file with what became of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from pipeline.core.reasons import words
from pipeline.pages.club_rows import ClubRows
from pipeline.pages.file_counts import FileCounts, file_counts
from pipeline.pages.language import Language
from pipeline.pages.run_page import excluded_words
from pipeline.pages.squads import SectionFiles, SquadPage
from pipeline.tables.recorded import STATUSES

Row = Mapping[str, Any]
Context = dict[str, Any]

#: Files per page of files.
FILES_PER_PAGE = 2000


def file_pages(club: ClubRows, language: Language) -> list[Context]:
    """What the pages of files show: counts, devices, missing readings, then every file, on several pages if needed."""
    ledger, runs, exclusions = (club.table(name) for name in ("recordings", "runs", "exclusions"))
    about = _about(file_counts(ledger, runs, exclusions, club.splits(), language.registry), language)
    return [{**about, **page} for page in _listed(ledger, "files", club, language)]


def squad_file_pages(club: ClubRows, squad: SquadPage, language: Language) -> list[Context]:
    """The same of the athletes of a page of a large club, without the counts."""
    own = {"up": "../", "heading": squad.title(language), "is_first": False}
    return [page | own for page in _listed(club.table("recordings"), f"{squad.name}.files", club, language)]


def club_file_pages(
    club: ClubRows, squads: Sequence[SquadPage], files: Sequence[SectionFiles], language: Language
) -> list[Context]:
    """Those of a large club: its counts, where the files of each squad are listed, and the files on no page of a squad.

    Args:
        club: of which no table is read.
    """
    about = _about(sum((section.counts for section in files), FileCounts()), language)
    lists = [(f"squads/{squad.name}.files.html", squad.title(language)) for squad in squads]
    on_no_page = pl.concat(section.on_no_page for section in files)
    return [{**about, **page, "lists": lists} for page in _listed(on_no_page, "files", club, language)]


def _listed(ledger: pl.DataFrame, name: str, club: ClubRows, language: Language) -> list[Context]:
    files = file_rows(ledger, club, language)
    parts = [files[start : start + FILES_PER_PAGE] for start in range(0, max(len(files), 1), FILES_PER_PAGE)]
    names = [f"{name}.html", *(f"{name}-{number}.html" for number in range(2, len(parts) + 1))]
    return [
        {
            "up": "", "heading": language("files.heading"), "lists": (), "files": part, "page": page, "pages": names,
            "is_first": number == 0, "is_coded": club.is_coded,
        }
        for number, (page, part) in enumerate(zip(names, parts, strict=True))
    ]  # fmt: skip


def _about(counts: FileCounts, language: Language) -> Context:
    excluded = sorted(counts.n_excluded.items(), key=lambda one: (-one[1], *one[0]))
    return {
        "counts": [(language(f"status.{status}"), n) for status, n in _ordered(counts.statuses)],
        "devices": _ordered(_named(counts.devices, language("files.no_device"))),
        "sensors": _ordered(_named(counts.sensors, language("files.native_sensors"))),
        "altitudes": [(language(f"altitude.{kind}"), n) for kind, n in _ordered(counts.altitudes)],
        "missing": [
            {"metric": language.metric(metric.column), "n": counts.missing[metric.column]}
            for metric in language.registry.metrics
            if counts.missing.get(metric.column)
        ],
        "exclusions": [
            {
                "quantity": excluded_words(quantity, language),
                "reason": language.exclusion(reason),
                "n_samples": n_samples,
                "n_runs": counts.n_runs_excluded[quantity, reason],
            }
            for (quantity, reason), n_samples in excluded
        ],
        "n_recordings": counts.sizes.get("recordings", 0),
        "n_files": counts.sizes.get("files", 0),
    }


def file_rows(ledger: pl.DataFrame, club: ClubRows, language: Language) -> list[Context]:
    """Files as they are shown, refused ones first."""
    worst = {language(f"status.{status}"): place for place, status in enumerate(reversed(STATUSES))}
    shown = [_file(row, club, language) for row in club.files_in_order(ledger, language).iter_rows(named=True)]
    return sorted(shown, key=lambda file: worst[file["status"]])


def _file(row: Row, club: ClubRows, language: Language) -> Context:
    """A file of the ledger. Its name and the reason may identify the athlete, and are left out with codes."""
    status = language(f"status.{row['status']}")
    if club.is_coded:
        owner = club.owner(row["athlete_id"], language)
        return {"path": f"{owner}, {row['sha256'][:8]}", "status": status, "reason": "", "fix": ""}
    place = f" ({language('run.session', n=row['session'])})" if row["session"] > 1 else ""
    reason, fix = words(row["reasons"], language.code)
    return {"path": row["path"] + place, "status": status, "reason": reason, "fix": fix, "format": row["format"]}


def _named(counts: Mapping[str | None, int], unnamed: str) -> Mapping[str, int]:
    """The counts with a name for what has none."""
    named = Counter[str]()
    for name, n in counts.items():
        named[unnamed if name is None else name] += n
    return named


def _ordered(counts: Mapping[str, int]) -> list[tuple[str, int]]:
    return sorted(counts.items(), key=lambda one: (-one[1], one[0]))
