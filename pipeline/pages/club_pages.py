"""The index of the club: the latest runs, and every athlete in one picture; of a large club, a row per squad."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import timedelta
from typing import Any

import polars as pl
from markupsafe import Markup

from pipeline.core.metrics import Metric
from pipeline.pages.answers import CHANGES, FEW, NOTHING, OPEN, STEADY, answer, facts, state
from pipeline.pages.athlete_tables import FACTS_OF_RUN, cells_of_runs, quiet_words, spans_of
from pipeline.pages.club_rows import ClubRows, Pages, run_name
from pipeline.pages.file_counts import FileCounts
from pipeline.pages.file_pages import file_rows
from pipeline.pages.language import Language
from pipeline.pages.run_page import quality_row
from pipeline.pages.season_words import open_complaints
from pipeline.pages.small_marks import change_mark, scale_symbol, season_mark, span_of
from pipeline.pages.squads import MOST_LISTED, SectionFiles, SquadPage, SquadRow
from pipeline.pages.words import in_order, is_change

Row = Mapping[str, Any]
Context = dict[str, Any]

#: So many athletes whose form changes are described in words, those who change most.
MOST_CHANGING = 8
#: The latest runs are those of so many days up to the last run of the club.
LATEST_DAYS = 7
#: So many of them are listed; those that are not as usual come first.
MOST_RUNS = 40
_ORDER = {CHANGES: 0, OPEN: 1, STEADY: 2, FEW: 3, NOTHING: 4}


def index_page(pages: Pages, club: ClubRows, record: Mapping[str, Any]) -> Context:
    """What the index shows.

    Args:
        record: of the refresh that made the state (`pipeline.store.history.record`).
    """
    language, runs, ledger = pages.language, club.table("runs"), club.table("recordings")
    totals = runs.group_by("athlete_id").agg(pl.len(), pl.col("started_at_utc").max(), pl.col("distance_km").sum())
    known = {row["athlete_id"]: row for row in totals.iter_rows(named=True)}
    drifts = {
        name: in_order(club.own("athlete_drift", name).iter_rows(named=True), language.registry) for name in known
    }
    latest = runs["started_at_utc"].max()
    drawn = [
        metric for metric in language.registry.metrics if any(_of(rows, metric.column) for rows in drifts.values())
    ]
    columns = _columns([metric for metric in drawn if metric.is_reading], drifts, language)
    derived = _columns([metric for metric in drawn if not metric.is_reading], drifts, language)
    athletes = [
        _athlete(name, club, drifts[name], [*columns, *derived], language)
        | {"told": _told(drifts[name], language, pages.settings.min_runs)}
        | _last_run(known[name], latest)
        | {"season": _season(name, club, drifts[name], language)}
        for name in known
    ]
    athletes.sort(key=lambda row: (row["rank"], -float(row["largest"]), row["sort_name"]))
    changing = [row for row in athletes if row["state"] == CHANGES]
    refused = ledger.filter(pl.col("status") == "rejected")
    changed = _changed(club, known, record["findings"], language)
    every_row = _latest_runs(club, runs, language)
    rows = every_row[:MOST_RUNS]
    quiet = [row for row in rows if not row["is_unusual"]]
    worth_a_look = [
        *(row for row in every_row if row["is_unusual"]), *changed, *(row for row in athletes if row["complaint"])
    ]  # fmt: skip
    states = Counter[str](row["state"] for row in athletes)
    return {
        "counts": counts_sentence(states, language),
        "n_worth_a_look": len({row["id"] for row in worth_a_look}),
        "n_athletes": len(known),
        "n_runs": runs.height,
        "refreshed_on": record["began_at_utc"][:10],
        "last_run": latest,
        "changing": [row | {"answer": _answer(row["id"], club, drifts, pages)} for row in changing[:MOST_CHANGING]],
        "n_changing": len(changing),
        "unusual": [row for row in rows if row["is_unusual"]],
        "quiet": quiet,
        "quiet_words": quiet_words(_quiet_names(quiet, language), language),
        "n_unusual": len(rows) - len(quiet),
        "n_more_latest": len(every_row) - len(rows),
        "n_latest": len(every_row),
        "is_any_judged": any(row["is_unusual"] or row["kind_of_quiet"] == "as_usual" for row in every_row),
        "changed": changed[:MOST_LISTED],
        "n_more_changed": len(changed[MOST_LISTED:]),
        "facts": [language.metric(metric.column) for metric in FACTS_OF_RUN],
        "has_quality": any(row["odd"] for row in rows),
        "symbols": [*_latest_symbols(club), *(column["symbol"] for column in [*columns, *derived])],
        "columns": columns,
        "derived": derived,
        "squads": sorted({athlete["squad"] for athlete in athletes if athlete["squad"]}, key=str.casefold),
        "has_landing": any(athlete["landing"] for athlete in athletes),
        "has_season": any(athlete["season"] for athlete in athletes),
        "athletes": athletes,
        "without": [club.shown(name) for name in sorted(_runless(club), key=club.sort_key)],
        "refused": file_rows(refused, club, language)[:MOST_LISTED],
        "n_refused": refused.height,
        "n_files": ledger["file"].n_unique(),
        "n_recordings": ledger.height,
    } | _about_page(club.squad_page, language)


def squad_page(pages: Pages, club: ClubRows) -> Context:
    """What the page of a squad shows: what the index does, of its athletes; no day, which would change every time."""
    return index_page(pages, club, {"began_at_utc": "", "findings": club.findings})


def _about_page(squad: SquadPage | None, language: Language) -> Context:
    """Where the page is and what it is called: the index, or the page of a squad, which has no choice of squads."""
    if squad is None:
        return {
            "up": "",
            "files_page": "files.html",
            "title": language("index.title"),
            "heading": language("index.heading"),
            "everybody": language("index.everybody"),
        }
    title = squad.title(language)
    return {
        "up": "../",
        "files_page": f"{squad.name}.files.html",
        "title": language("athlete.title", name=title),
        "heading": title,
        "everybody": language("index.everybody_of_squad"),
        "squads": [],
    }


def squads_page(
    pages: Pages, club: ClubRows, record: Mapping[str, Any], squads: Sequence[SquadRow], files: Sequence[SectionFiles]
) -> Context:
    """What the index of a large club shows: a row per squad, and what became of the files.

    Args:
        club: of which no table is read.
        record: of the refresh that made the state.
        squads: in any order.
    """
    language = pages.language
    ordered = sorted(squads, key=lambda row: row.page.place)
    latest = max((row.last_run for row in ordered if row.last_run is not None), default=None)
    of_state = Counter[str]()
    for row in ordered:
        of_state.update(row.n_by_state)
    refused = pl.concat(section.refused for section in files)
    without = pl.concat(section.on_no_page for section in files)["athlete_id"].drop_nulls().unique()
    runless = sorted(without, key=club.sort_key)
    counts = sum((section.counts for section in files), FileCounts())
    changed = _changed(club, (), [row for section in files for row in section.findings], language)
    n_more = len(runless) - MOST_LISTED
    more = [language("index.more_complaints", n=n_more)] if n_more > 0 else []
    return {
        "up": "",
        "files_page": "files.html",
        "n_athletes": sum(row.n_athletes for row in ordered),
        "n_runs": sum(row.n_runs for row in ordered),
        "refreshed_on": record["began_at_utc"][:10],
        "n_changing": of_state[CHANGES],
        "counts": counts_sentence(of_state, language),
        "squads": [
            {
                "title": row.page.title(language),
                "address": row.page.address,
                "n_athletes": row.n_athletes,
                "n_by_state": {state: row.n_by_state.get(state, 0) for state in _ORDER},
                "n_worth_a_look": row.n_worth_a_look,
                "last_run": row.last_run,
                "days": None if row.last_run is None or latest is None else (latest.date() - row.last_run.date()).days,
            }
            for row in ordered
        ],
        "changed": changed[:MOST_LISTED],
        "n_more_changed": len(changed[MOST_LISTED:]),
        "states": [state for state in _ORDER if of_state[state] or state in (CHANGES, OPEN, STEADY)],
        "without": [*map(club.shown, runless[:MOST_LISTED]), *more],
        "refused": file_rows(refused, club, language)[:MOST_LISTED],
        "n_refused": counts.statuses.get("rejected", 0),
        "n_files": counts.sizes["files"],
        "n_recordings": counts.sizes["recordings"],
    }


def counts_sentence(states: Mapping[str, int], language: Language) -> str:
    """Of how many athletes what can be said, besides those whose form changes; empty where these are all.

    Args:
        states: how many athletes are in each state (`pipeline.pages.answers.state`).
    """
    n_all = sum(states.values())
    parts = [
        language(f"index.count.{state}", n=states[state]) for state in (STEADY, OPEN, FEW, NOTHING) if states.get(state)
    ]
    if not parts:
        return ""
    if states.get(CHANGES):
        return language("index.others", parts=", ".join(parts))
    if states.get(FEW) == n_all:
        return language("index.all_few", n=n_all)
    key = "none_changing" if states.get(STEADY) else "nothing_yet"
    return language(f"index.{key}", parts=", ".join(parts))


def _told(drifts: Sequence[Row], language: Language, min_runs: int) -> str:
    """What can be said of an athlete, in words; with the number of runs where these are too few."""
    found = state(drifts, language.registry)
    if found == FEW:
        return language("index.few_of", n=max(row["n_runs"] for row in drifts), needed=min_runs)
    return language(f"index.state.{found}")


def _runless(club: ClubRows) -> set[str]:
    return set(club.table("recordings")["athlete_id"].drop_nulls()) - set(club.athletes)


def _of(rows: Sequence[Row], metric: str) -> Row | None:
    return next((row for row in rows if row["metric"] == metric and row["drift_pct_per_10km"] is not None), None)


# --- The latest runs -------------------------------------------------------------------------------------------------


def _latest_runs(club: ClubRows, runs: pl.DataFrame, language: Language) -> list[Context]:
    """The runs of the last days, each against the athlete's usual; those that are not as usual come first."""
    if runs.is_empty():
        return []
    since = runs["started_at_utc"].max() - timedelta(days=LATEST_DAYS)  # type: ignore[operator]
    recent = runs.filter(pl.col("started_at_utc") > since).sort("started_at_utc", descending=True)
    against = club.table("run_against_usual")
    cells, odd = cells_of_runs(against, language, of=recent["run_id"]), _odd(club, recent, language)
    rows = [
        {
            "id": row["athlete_id"],
            "name": club.shown(row["athlete_id"]),
            "address": club.address(row["athlete_id"]),
            "run": club.address(row["athlete_id"]).removesuffix("index.html")
            + f"{run_name(row['run_id'], row['athlete_id'])}.html",
            "date": row["started_at_utc"],
            "distance": language.distance(row["distance_km"]),
            "kind": language(f"kind.{row['kind']}") if row["kind"] else "",
            "cells": cells(row["run_id"]),
            "odd": odd.get(row["run_id"], []),
        }
        for row in recent.iter_rows(named=True)
    ]
    rows.sort(key=lambda row: row["name"].casefold())  # the order of ids would reveal codes
    rows.sort(key=lambda row: row["date"], reverse=True)
    for row in rows:
        kinds = {cell["comparison"] for cell in row["cells"]}
        row["is_unusual"] = bool(row["odd"]) or bool(kinds & {"more", "less"})
        row["kind_of_quiet"] = "as_usual" if "as_usual" in kinds else "cannot_tell"
    return sorted(rows, key=lambda row: not row["is_unusual"])


def _quiet_names(quiet: Sequence[Context], language: Language) -> Iterator[tuple[str, str]]:
    """Who ran, and what the run is; with its date where another run of the same person is something else."""
    kinds: dict[str, set[str]] = defaultdict(set)
    for row in quiet:
        kinds[row["name"]].add(row["kind_of_quiet"])
    for row in quiet:
        date = f" ({language.day(row['date'], 'short')})" if len(kinds[row["name"]]) > 1 else ""
        yield row["name"] + date, row["kind_of_quiet"]


def _odd(club: ClubRows, recent: pl.DataFrame, language: Language) -> dict[str, list[Context]]:
    """What is odd in the recordings, by run; nothing where there is no table of it."""
    found: dict[str, list[Context]] = {}
    if club.has_quality:
        rows = club.table("quality").join(recent.select("run_id"), on="run_id", how="semi").drop_nulls("suspicion")
        for row in rows.iter_rows(named=True):
            found.setdefault(row["run_id"], []).append(quality_row(row, language))
    return found


def _latest_symbols(club: ClubRows) -> list[Markup]:
    return [
        scale_symbol(f"run-{column}", 0.0, span) for column, span in spans_of(club.table("run_against_usual")).items()
    ]


def _changed(
    club: ClubRows, athletes: Collection[str], findings: Sequence[Mapping[str, Any]], language: Language
) -> list[Context]:
    """Findings that changed with the refresh; athletes who had none before are left out.

    Args:
        athletes: those who have a page.
    """
    known = {row["athlete_id"] for row in findings if row["before"] is not None}

    def words(finding: str | None, key: str) -> str:
        return language(f"finding.{finding}") if finding else language(key)

    return [
        {
            "id": row["athlete_id"],
            "name": club.shown(row["athlete_id"]),
            "address": club.address(row["athlete_id"]) if row["athlete_id"] in athletes else None,
            "metric": language.metric(row["metric"]),
            "before": words(row["before"], "index.not_looked_at"),
            "after": words(row["after"], "index.no_run_left"),
        }
        for row in sorted(findings, key=lambda row: (club.sort_key(row["athlete_id"]), row["metric"]))
        if row["athlete_id"] in known
    ]


# --- Everybody -------------------------------------------------------------------------------------------------------


def _columns(metrics: Sequence[Metric], drifts: Mapping[str, Sequence[Row]], language: Language) -> list[Context]:
    """The columns of the picture: their scale, and what their marks stand on."""
    columns = []
    for metric in sorted(metrics, key=lambda metric: (metric.is_effort, metric.picture_rank)):
        place = language.registry.metrics.index(metric)
        rows = [row for own in drifts.values() if (row := _of(own, metric.column)) is not None]
        margin = rows[0]["smallest_change_pct"] or 0.0
        span = span_of(
            [value for row in rows for value in (row["drift_pct_per_10km"], row["drift_low"], row["drift_high"])],
            margin,
        )
        columns.append(
            {
                "column": metric.column,
                "name": f"s{place}",
                "label": language.metric(metric.column),
                "head": language.head(metric.column),
                "is_effort": metric.is_effort,
                "span": span,
                "ends": [language.signed(value, 1 if span < 1 else 0) for value in (-span, span)],
                "margin": language.number(margin, 1),
                "symbol": scale_symbol(f"s{place}", margin, span),
            }
        )
    return columns


def _answer(name: str, club: ClubRows, drifts: Mapping[str, Sequence[Row]], pages: Pages) -> str:
    """The answer on the athlete's page."""
    usual = {row["metric"]: row for row in club.own("usual", name).iter_rows(named=True)}
    return answer(drifts[name], usual, pages.language, pages.settings.min_runs)


def _last_run(totals: Row, latest: Any) -> Context:
    """How many runs, and how many days before the last run of the club the athlete's was."""
    return {
        "n_runs": totals["len"],
        "days": (latest.date() - totals["started_at_utc"].date()).days,
        "last_run": totals["started_at_utc"],
    }


def _athlete(
    name: str, club: ClubRows, drifts: Sequence[Row], columns: Sequence[Context], language: Language
) -> Context:
    changes = [
        row for row in drifts if is_change(row) and language.registry.metric_of[row["metric"]].family == "measured"
    ]
    largest = max((abs(row["drift_pct_per_10km"]) / row["smallest_change_pct"] for row in changes), default=0.0)
    found = state(drifts, language.registry)
    complaints = open_complaints(club.own("complaints", name), club, language, key="index.complaint")
    return {
        "name": club.shown(name),
        "id": name,
        "sort_name": club.sort_key(name),
        "squad": club.squad(name) or "",
        "address": club.address(name),
        "state": found,
        "rank": _ORDER[found],
        "largest": f"{largest:.2f}",
        "word": language(f"index.state.{found}"),
        "cells": {column["column"]: _cell(drifts, column, language) for column in columns},
        "landing": _landing(club.own("strike_counts", name), language),
        "complaint": "; ".join(complaints),
    }


def _cell(drifts: Sequence[Row], column: Context, language: Language) -> Context:
    """One athlete in one metric."""
    row = next((row for row in drifts if row["metric"] == column["column"]), None)
    if row is None:
        return {"finding": "", "mark": "", "text": "–"}
    drift = row["drift_pct_per_10km"]
    if drift is None:
        return {
            "finding": row["finding"],
            "mark": "",
            "text": language("index.few") if row["finding"] == "too_little_data" else "?",
        }
    return {
        "finding": row["finding"],
        "mark": change_mark(row, column["span"], column["name"]),
        "text": language.signed(drift),
    }


def _landing(counts: pl.DataFrame, language: Language) -> str:
    """The commonest class of landing at the first and the last distance seen."""
    if counts.is_empty():
        return ""
    seen = counts.filter(pl.col("scope") == "athlete", pl.col("n") > 0).sort(
        "distance_km", "n", "strike", descending=[False, True, False]
    )
    common = list(dict.fromkeys(seen.group_by("distance_km", maintain_order=True).first()["strike"]))
    if not common:
        return ""
    first, last = common[0], seen.filter(pl.col("distance_km") == seen["distance_km"].max())["strike"][0]
    if first == last:
        return language(f"strike.{first}")
    return language("index.landing", first=language(f"strike.{first}"), last=language(f"strike.{last}"))


def _season(name: str, club: ClubRows, drifts: Sequence[Row], language: Language) -> Markup | str:
    """The months of the fact that changes most, or of the one whose pictures come first."""
    form = [row for row in facts(drifts, language.registry) if row["drift_pct_per_10km"] is not None]
    if not form:
        return ""
    row = min(form, key=lambda row: not is_change(row))
    months = (club.own("season_trend", name)[column].to_list() for column in ("metric", "month", "drift_pct_per_10km"))
    own = sorted((month, drift) for metric, month, drift in zip(*months, strict=True) if metric == row["metric"])
    values = [drift for _, drift in own]
    return season_mark(values, span_of(values, row["smallest_change_pct"]))
