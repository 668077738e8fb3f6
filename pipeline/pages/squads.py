"""How a large club is divided into pages: one for each squad, with a table of them as the index.

The page of a squad is for its athletes what the index of a smaller club is for all. A squad that is too large for one
page, and the athletes without a squad, are divided by name into parts of equal size. Rows are divided first, section by
section of the club (`divide`), so that a task holds of a table the rows of a section or of a page, and never all.
"""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.core.places import files_below
from pipeline.pages.file_counts import FileCounts, file_counts, splits_of
from pipeline.pages.language import Language
from pipeline.store.bundles import GATHERED, packed, tables_of, write_bundle
from pipeline.store.history import RECORD
from pipeline.store.layout import files_of, is_of, read_file, read_rows
from pipeline.store.sections import Section, section_of
from pipeline.tables import empty, in_order

if TYPE_CHECKING:
    from pipeline.pages.club_rows import Pages

#: More athletes than this are not on one page: 200 are six screens, which a person still looks through, and 300 kB.
MOST_ATHLETES = 200
#: So many athletes are drawn by one task: reading the rows of their squad is then little of what it takes.
ATHLETES_AT_ONCE = 25
#: Refused files, and changed findings, listed on the index: a section gives as many files.
MOST_LISTED = 15

#: Tables whose rows are divided by page; `runs` are before those that name no athlete. All others that pages read are
#: read whole, and small.
DIVIDED = (
    "recordings", "runs", "exclusions", "quality", "run_drift", "athlete_drift", "pacing", "contrasts", "before_after",
    "season_trend", "season_slope", "usual", "usual_course", "run_against_usual", "complaints", "roster", "sessions",
    "strike_counts", "single_runs", "events",
)  # fmt: skip
#: Besides them: the findings that changed with the refresh.
FINDINGS = "findings"
#: What of them the page of a squad shows, and those of its files.
OF_SQUAD = (
    "recordings", "runs", "quality", "athlete_drift", "season_trend", "usual", "run_against_usual", "complaints",
    "roster", "strike_counts", FINDINGS,
)  # fmt: skip

_FOLDER = f"{GATHERED}/squads"


@dataclass(frozen=True)
class SquadPage:
    """A page of the index of a large club.

    Attributes:
        name: of its file, without ending.
        squad: None for athletes without one; empty where no athlete of the club has one.
        place: among the pages of the club.
        span: where it is one of several parts, the beginnings of its first and its last name.
        number: which part it is, where another one has the same span.
    """

    name: str
    squad: str | None
    place: int
    span: tuple[str, str] | None = None
    number: int | None = None

    @property
    def address(self) -> str:
        """The page as seen from the index."""
        return f"squads/{self.name}.html"

    def title(self, language: Language) -> str:
        """What it is called."""
        squad = language("index.no_squad") if self.squad is None else self.squad
        if self.span is None:
            return squad
        first, last = self.span
        span = first if first == last else language("index.span", first=first, last=last)
        title = f"{squad}, {span}" if squad else span
        return title if self.number is None else f"{title} ({self.number})"


def is_large(n_athletes: int) -> bool:
    """Whether the index of a club of so many athletes is divided."""
    return n_athletes > MOST_ATHLETES


def squad_pages(people: Mapping[str, tuple[str | None, str]]) -> list[tuple[SquadPage, list[str]]]:
    """The pages that a club is divided into, and the athletes of each, in order of squads and names.

    Args:
        people: squad, and name as it is shown, of each athlete.

    Returns:
        Every athlete once; nothing for a club whose index is one page.
    """
    if not is_large(len(people)):
        return []
    squads: dict[str | None, list[str]] = defaultdict(list)
    for athlete_id in sorted(people, key=lambda one: (people[one][1].casefold(), one)):
        squads[people[athlete_id][0]].append(athlete_id)
    files = _file_names([squad for squad in squads if squad is not None])
    pages: list[tuple[SquadPage, list[str]]] = []
    for squad in sorted(squads, key=lambda squad: (squad is None, (squad or "").casefold(), squad)):
        own = squads[squad]
        n_parts = -(-len(own) // MOST_ATHLETES)
        parts = [own[len(own) * part // n_parts : len(own) * (part + 1) // n_parts] for part in range(n_parts)]
        spans = _spans([(people[part[0]][1], people[part[-1]][1]) for part in parts])
        file = "no_squad" if squad is None else files[squad]
        shown = "" if squad is None and len(squads) == 1 else squad
        for number, (part, span) in enumerate(zip(parts, spans, strict=True), start=1):
            name = file if number == 1 else f"{file}_{number}"
            page = SquadPage(name, shown, len(pages))
            if n_parts > 1:
                page = replace(page, span=span, number=number if spans.count(span) > 1 else None)
            pages.append((page, part))
    return pages


def _file_names(squads: Sequence[str]) -> dict[str, str]:
    """A file name for each squad: its letters and digits, and a digest where these are no name, or that of another."""
    plain = {}
    for squad in squads:
        letters = unicodedata.normalize("NFKD", squad.casefold()).encode("ascii", "ignore").decode()
        plain[squad] = re.sub(r"[^a-z0-9]+", "-", letters).strip("-")[:60]
    shared = Counter(plain.values())
    return {
        squad: name if name and shared[name] == 1 else f"{name}_{hashlib.sha256(squad.encode()).hexdigest()[:10]}"
        for squad, name in plain.items()
    }


def _spans(ends: Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    """As much of the first and the last name of each part as tells it from those next to it."""
    firsts = [ends[-1][1], *(last for (_, last), _ in pairwise(ends))]
    lasts = [*(first for _, (first, _) in pairwise(ends)), ends[0][0]]
    return [
        (_beginning(first, before), _beginning(last, after))
        for (first, last), before, after in zip(ends, firsts, lasts, strict=True)
    ]


def _beginning(name: str, other: str) -> str:
    """The shortest beginning of a name that another name does not have; all of it where there is none."""
    beginnings = (name[:n] for n in range(1, len(name) + 1))
    return next((one for one in beginnings if not other.casefold().startswith(one.casefold())), name).strip()


# --- The rows --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Division:
    """A section of the club whose rows are to be divided.

    Attributes:
        page_of: the page of each of its athletes who have one.
    """

    section: Section
    page_of: Mapping[str, str]


@dataclass(frozen=True)
class SectionFiles:
    """What a section has for the pages that the club has in common.

    Attributes:
        refused: rows of `recordings` of the first rejected files, in the order in which files are listed.
        on_no_page: those of files whose athletes have no run, or that belong to no athlete.
        findings: those that changed with the refresh, of athletes who have no run left.
    """

    counts: FileCounts
    refused: pl.DataFrame
    on_no_page: pl.DataFrame
    findings: Sequence[Mapping[str, str | None]]


def divisions(built: Path, divided: Iterable[tuple[SquadPage, Sequence[str]]]) -> list[Division]:
    """The sections of a state's club, each with the pages of its athletes."""
    of = len(files_of(built, Path("tables/runs")))
    page_of: dict[Section, dict[str, str]] = {Section(number, of): {} for number in range(of)}
    for page, athletes in divided:
        for athlete_id in athletes:
            page_of[section_of(athlete_id, of)][athlete_id] = page.name
    return [Division(section, own) for section, own in page_of.items()]


def divide(pages: Pages, task: Division) -> SectionFiles:
    """Write the rows of a section into a bundle for each page."""
    built, section = pages.built, task.section
    page_of = pl.DataFrame(
        list(task.page_of.items()), schema={"athlete_id": pl.String, "page": pl.String}, orient="row"
    )
    runs = _of_section(built, "runs", section)
    page_of_run = runs.select("run_id", "athlete_id").join(page_of, on="athlete_id").select("run_id", "page")
    page_of_line = runs.select("session_line", "athlete_id").drop_nulls().join(page_of, on="athlete_id")
    tables: dict[str, dict[str, bytes]] = defaultdict(dict)

    def give_out(name: str, rows: pl.DataFrame, of: pl.DataFrame, key: str) -> None:
        on_pages = rows.join(of, on=key, maintain_order="left")
        for (page,), own in on_pages.partition_by("page", as_dict=True, include_key=False, maintain_order=True).items():
            tables[page][name] = packed(own)

    for name in DIVIDED:
        rows = _of_section(built, name, section)
        if name == "sessions":
            give_out(name, rows, page_of_line.select("page", line="session_line").unique(), "line")
        elif "athlete_id" in rows.columns:
            give_out(name, rows, page_of, "athlete_id")
        else:
            give_out(name, rows, page_of_run, "run_id")
    record = json.loads((built / RECORD).read_text(encoding="utf-8"))
    findings = pl.DataFrame(
        record["findings"], schema=dict.fromkeys(("athlete_id", "metric", "before", "after"), pl.String)
    )
    give_out(FINDINGS, findings, page_of, "athlete_id")
    for page, own in tables.items():
        write_bundle(built, f"{_FOLDER}/{page}/{section.number}", own)
    ledger, exclusions = (_of_section(built, name, section) for name in ("recordings", "exclusions"))
    splits = splits_of(built, list(task.page_of))
    refused = ledger.filter(pl.col("status") == "rejected")
    return SectionFiles(
        file_counts(ledger, runs, exclusions, splits, pages.settings.registry),
        pages.club.files_in_order(refused, pages.language).head(MOST_LISTED),
        ledger.join(page_of, on="athlete_id", how="anti"),
        [
            row
            for row in record["findings"]
            if section.holds(row["athlete_id"]) and row["athlete_id"] not in task.page_of
        ],
    )


def _of_section(built: Path, table: str, section: Section) -> pl.DataFrame:
    """The rows of a section of a table; all of a table that is not in sections."""
    file = f"tables/{table}/{section.file(table)}"
    return read_file(built, file) if (built / file).is_file() else read_rows(built, table)


@dataclass(frozen=True)
class SquadTask:
    """Pages of a squad to be drawn: those of some of its athletes; without them, its own."""

    page: SquadPage
    athletes: tuple[str, ...] = ()


def rows_of(built: Path, task: SquadTask) -> dict[str, pl.DataFrame]:
    """The rows that a task shows, by table, each in order of its key; tables without any are empty.

    Of `runs` there are those of all athletes of the page, so that each one's neighbours are known.
    """
    wanted = (*DIVIDED, FINDINGS) if task.athletes else OF_SQUAD
    parts = defaultdict[str, list[pl.DataFrame]](list)
    for file in files_below(built / _FOLDER / task.page.name):
        run_ids = pl.Series(dtype=pl.String)
        for name, rows in tables_of(file.parent, file.name, wanted):
            own = _of_athletes(rows, task.athletes, run_ids)
            if name == "runs":
                run_ids = own["run_id"]
            parts[name].append(rows if name == "runs" else own)
    tables = {name: in_order(pl.concat(parts.pop(name, [empty(name)])), name) for name in wanted if name != FINDINGS}
    findings = pl.concat(parts[FINDINGS]).sort("athlete_id", "metric") if parts[FINDINGS] else pl.DataFrame()
    return tables | {FINDINGS: findings}


def _of_athletes(rows: pl.DataFrame, athletes: Sequence[str], run_ids: pl.Series) -> pl.DataFrame:
    """The rows of some athletes, or of their runs where they name no athlete; all of them for no athletes."""
    is_of_athletes = "athlete_id" in rows.columns
    if not athletes or not (is_of_athletes or "run_id" in rows.columns):
        return rows
    return rows.filter(is_of(athletes) if is_of_athletes else pl.col("run_id").is_in(run_ids.implode()))


# --- The table of squads ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class SquadRow:
    """What the index of a large club says of a page: counts of athletes, by their state and of those worth a look."""

    page: SquadPage
    n_athletes: int
    n_runs: int
    n_by_state: Mapping[str, int]
    n_worth_a_look: int
    last_run: datetime | None

    @classmethod
    def of(cls, page: SquadPage, shown: Mapping[str, Any]) -> SquadRow:
        """Of what is on the page."""
        states = Counter(athlete["state"] for athlete in shown["athletes"])
        return cls(
            page, shown["n_athletes"], shown["n_runs"], dict(states), shown["n_worth_a_look"], shown["last_run"]
        )  # fmt: skip


def squad_tasks(divided: Iterable[tuple[SquadPage, Sequence[str]]]) -> list[SquadTask]:
    """What is to be drawn of a divided club: the page of each squad, and those of its athletes, some at a time."""
    pages = [SquadTask(page) for page, _ in divided]
    athletes = [
        SquadTask(page, tuple(own[begin : begin + ATHLETES_AT_ONCE]))
        for page, own in divided
        for begin in range(0, len(own), ATHLETES_AT_ONCE)
    ]
    return [*pages, *athletes]
