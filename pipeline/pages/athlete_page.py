"""The page of an athlete: from rows of the tables to texts and pictures.

Nothing is computed here except the splits at equal speed and slope. What comes first and what is folded is in
`templates/athlete.html`; every text is in the catalogue of the language.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from operator import itemgetter
from typing import Any

import numpy as np
import polars as pl

from pipeline.core.metrics import Registry
from pipeline.pages.adjusted import Included, adjusted, bent_levels
from pipeline.pages.answers import (
    answer,
    consequences,
    effort_sentence,
    facts,
    landing_sentence,
    never_recorded,
    open_sentences,
    state,
    steady_words,
)
from pipeline.pages.athlete_pictures import (
    AgainstSpeed,
    Courses,
    course_picture,
    curve_picture,
    landing_picture,
    season_picture,
    unit_of,
)
from pipeline.pages.athlete_tables import (
    FACTS_OF_RUN,
    against_symbols,
    by_metric,
    cells_of_runs,
    complaint_rows,
    contrast_row,
    month_row,
    numbers_row,
    pacing_rows,
    run_rows,
    season_slope_row,
    spans_of,
    strike_row,
)
from pipeline.pages.club_rows import ClubRows, Pages, run_name
from pipeline.pages.event_pictures import events_shown, numbers_of_event, short_words
from pipeline.pages.language import Language, upper_first
from pipeline.pages.season_words import contrast_sentences, open_complaints
from pipeline.pages.words import in_order, is_change
from pipeline.pages.worth_a_look import looks
from pipeline.tables.analysed import CONTRAST_FACTORS

Row = Mapping[str, Any]
Context = dict[str, Any]

#: Tables whose rows of the athlete the page shows.
TABLES = (
    "athlete_drift", "run_drift", "runs", "pacing", "contrasts", "before_after", "season_trend", "season_slope",
    "complaints", "strike_counts", "usual", "usual_course", "run_against_usual",
)  # fmt: skip
#: So many things worth a look are shown.
MOST_LOOKS = 3


def athlete_page(pages: Pages, club: ClubRows, athlete_id: str, entered: Included) -> Context:
    """What the page of an athlete shows: texts, rows of texts and pictures for `templates/athlete.html`.

    Args:
        entered: the athlete's splits that enter the regressions.
    """
    language, registry = pages.language, pages.settings.registry
    rows = {name: club.own(name, athlete_id) for name in TABLES}
    drifts = in_order(rows["athlete_drift"].iter_rows(named=True), registry)
    usual = {row["metric"]: row for row in rows["usual"].iter_rows(named=True)}
    runs = sorted(rows["runs"].to_dicts(), key=itemgetter("started_at_utc"), reverse=True)
    landings = _landings(rows["strike_counts"])
    # With codes, words of the owner's own are left out.
    shown = (row for row in rows["contrasts"].to_dicts() if not club.is_coded or row["factor"] in CONTRAST_FACTORS)
    contrasts, spans = in_order(shown, registry), spans_of(rows["run_against_usual"])
    cells = cells_of_runs(rows["run_against_usual"], language, spans=spans)
    complaints = open_complaints(rows["complaints"], club, language)
    most_splits = max((row["n_splits"] for row in drifts), default=0)
    derived, measured = consequences(drifts, registry), facts(drifts, registry)
    first, *_ = [*_shown_first(drifts, registry), None]
    events = in_order(rows["before_after"].iter_rows(named=True), registry)
    before, after = (other and (club.page(other), club.shown(other)) for other in club.neighbours(athlete_id))
    return {
        "squad": club.squad_page and (club.squad_page.address, club.squad_page.title(language)),
        "before": before,
        "after": after,
        "name": club.shown(athlete_id),
        "note": club.note(athlete_id),
        "n_runs": len(runs),
        "n_km": language.distance(float(rows["runs"]["distance_km"].sum()), 0),
        "first_run": runs[-1]["started_at_utc"],
        "last_run": runs[0]["started_at_utc"],
        "state": state(drifts, registry),
        "answer": answer(drifts, usual, language, pages.settings.min_runs),
        "effort": effort_sentence(drifts, usual, language),
        "steady": _steady(measured, language) if state(drifts, registry) == "changes" else "",
        "open": open_sentences(measured, usual, language),
        "open_complaints": complaints,
        "landing": landing_sentence(landings, language),
        "follows": [_consequence(row, usual, language) for row in derived if is_change(row)],
        "follows_steady": _steady(derived, language),
        "follows_open": open_sentences(derived, usual, language),
        "first": first,
        "pictures": _pictures(pages, club, rows, drifts, entered),
        "reference": language.speed(drifts[0]["reference_speed_m_s"]) if drifts else "",
        "runs": run_rows(runs, cells, club, language),
        "facts": [
            (language("athlete.against", metric=language.metric(metric.column)), "", "") for metric in FACTS_OF_RUN
        ],
        "symbols": against_symbols(spans),
        "complaints": complaint_rows(
            rows, club, _metrics_of_complaints(measured, first), language, pages.settings.min_runs
        ),
        "landings": landing_picture(landings, language) if landings else None,
        "strikes": [strike_row(row, language) for row in landings],
        "looks": _looks(drifts, language),
        "cannot_say": _cannot_say(drifts, rows, language),
        "numbers": [numbers_row(row, language, most_splits=most_splits) for row in drifts],
        "pacing": pacing_rows(rows["pacing"], language),
        "dated": _Season.of_events(rows, club, language),
        "events": events_shown(events, _levels(rows, drifts) if events else {}, club, language),
        "event_numbers": [numbers_of_event(row, club, language) for row in events],
        "contrasts": [contrast_row(row, club, language) for row in contrasts],
        "compared": contrast_sentences(contrasts, club, language),
        "n_compared": 2 * len(contrasts),
        "months": [month_row(row, language) for row in in_order(rows["season_trend"].iter_rows(named=True), registry)],
        "slopes": [
            season_slope_row(row, language) for row in in_order(rows["season_slope"].iter_rows(named=True), registry)
        ],
    }


def _landings(counts: pl.DataFrame) -> list[dict[str, Any]]:
    """The landings of the athlete that were seen, by distance and class."""
    if counts.is_empty():
        return []
    seen = counts.filter(pl.col("scope") == "athlete", pl.col("n") > 0)
    return seen.sort("distance_km", "strike").to_dicts()


def _levels(rows: Mapping[str, pl.DataFrame], drifts: Sequence[Row]) -> dict[str, list[tuple[date, float]]]:
    """Of each metric with an estimate the day and the level when fresh of each run, by day."""
    day = pl.coalesce(pl.col("local_date").str.to_date(), pl.col("started_at_utc").dt.date())
    dated = rows["run_drift"].join(rows["runs"].select("run_id", day=day), on="run_id").sort("day", "run_id")
    levels: dict[str, list[tuple[date, float]]] = {
        row["metric"]: [] for row in drifts if row["drift_pct_per_10km"] is not None
    }
    for metric, at, level in dated.select("metric", "day", "fresh_level").drop_nulls().iter_rows():
        if metric in levels:
            levels[metric].append((at, level))
    return levels


def _steady(drifts: Sequence[Row], language: Language) -> str:
    steady = [row for row in drifts if row["finding"] == "holds"]
    return language("athlete.steady", metrics=steady_words(steady, language)) if steady else ""


def _consequence(row: Row, usual: Mapping[str, Row], language: Language) -> str:
    own = usual[row["metric"]]
    return language(
        "athlete.consequence", metric=upper_first(language.metric(row["metric"])),
        verb=language.verb(row["metric"], is_up=row["change_at_usual_distance_pct"] > 0),
        start=language.level(row["metric"], own["start_level"]),
        end=language.level(row["metric"], own["level_at_usual_distance"]),
        unit=unit_of(row["metric"], language), by=language.place(row["usual_distance_km"], 0),
    )  # fmt: skip


def _shown_first(drifts: Sequence[Row], registry: Registry) -> list[str]:
    """Metrics with an estimate in the order of their pictures: what is measured and changes, then by rank."""
    known = [row for row in drifts if row["drift_pct_per_10km"] is not None]

    def rank(row: Row) -> tuple[bool, bool, int]:
        metric = registry.metric_of[row["metric"]]
        return metric.is_effort, not (is_change(row) and metric.is_reading), metric.picture_rank

    return [row["metric"] for row in sorted(known, key=rank)]


def _metrics_of_complaints(measured: Sequence[Row], first: str | None) -> list[str]:
    """Metrics listed with complaints: the facts that change, or the one whose pictures come first."""
    changes = [row["metric"] for row in measured if is_change(row)]
    return changes or ([] if first is None else [first])


def _looks(drifts: Sequence[Row], language: Language) -> list[Context]:
    """At most three things worth a look, whose titles differ: of what changes first, then of the rest."""

    def rank(row: Row) -> tuple[bool, bool, bool, int]:
        metric = language.registry.metric_of[row["metric"]]
        return not is_change(row), metric.is_effort, not metric.is_reading, metric.picture_rank

    shown: dict[str, Context] = {}
    for row in sorted(drifts, key=rank):
        for look in looks(row["metric"], row["finding"], language.code)[: 1 if is_change(row) else None]:
            if look.title not in shown:
                shown[look.title] = {"about": _about(row, language), "look": look}
    return list(shown.values())[:MOST_LOOKS]


def _about(row: Row, language: Language) -> str:
    metric = language.metric(row["metric"])
    if not is_change(row):
        return upper_first(language(f"finding.{row['finding']}"))
    is_up = (row["change_at_usual_distance_pct"] or row["drift_pct_per_10km"]) > 0
    return upper_first(f"{metric} {language.verb(row['metric'], is_up=is_up)}")


def _cannot_say(drifts: Sequence[Row], rows: Mapping[str, pl.DataFrame], language: Language) -> list[str]:
    """What the data of an athlete leave open, one sentence each."""
    runs, sentences = rows["runs"], []
    if never := never_recorded(drifts, language):
        sentences.append(language("athlete.never", metrics=language.listed(never)))
    for key, n in (
        ("athlete.no_altitude", runs["altitude"].to_list().count("absent")),
        ("athlete.unlisted", list(zip(runs["shoe_id"], runs["surface"], strict=True)).count((None, None))),
    ):
        if n:
            sentences.append(language(key, n=n, n_runs=runs.height))
    pacing = next(rows["pacing"].iter_rows(named=True), None)
    if pacing is not None and (walked := pacing["n_walked_splits"]):
        sentences.append(language("athlete.walked", n=walked))
    return [*sentences, language("athlete.not_in_the_data")]


# --- Pictures --------------------------------------------------------------------------------------------------------


def _pictures(
    pages: Pages, club: ClubRows, rows: Mapping[str, pl.DataFrame], drifts: Sequence[Row], entered: Included
) -> list[Context]:
    """The three pictures of each metric with an estimate, in the order of the choice."""
    language = pages.language
    estimated = {row["metric"]: row for row in drifts if row["drift_pct_per_10km"] is not None}
    splits = adjusted(entered, rows["run_drift"], inclusion=pages.settings.inclusion)
    runs = {row["run_id"]: row for row in sorted(rows["runs"].to_dicts(), key=itemgetter("started_at_utc"))}
    courses, season = by_metric(rows["usual_course"]), _Season(pages, club, rows, runs)
    # Runs by date, so that the latest are drawn last.
    in_time = {run_id: place for place, run_id in enumerate(runs)}
    run_ids = splits["run_id"].to_list()
    places = np.array([in_time[run_id] for run_id in run_ids], dtype=int)
    order = np.argsort(places, kind="stable")
    shares = splits["distance_km"].to_numpy() / [runs[run_id]["distance_km"] for run_id in run_ids]
    places, shares = places[order], shares[order]
    distances, speeds = (splits[name].to_numpy()[order] for name in ("distance_km", "speed_m_s"))
    shown = []
    for metric in pages.settings.registry.metrics:
        column = metric.column
        if column not in estimated or column not in courses:
            continue
        row, course = estimated[column], courses[column]
        bent = bent_levels(splits, row)
        change = splits[column].to_numpy()[order]
        if bent:
            shift = np.array([bent.get(run_id, 0.0) for run_id in run_ids])[order]
            change = 100 * ((1 + change / 100) * np.exp(-shift) - 1)
        has = ~np.isnan(change)
        lengths = np.bincount(places[has])
        courses_of_runs = Courses(distances[has], change[has], lengths[lengths > 0].tolist())
        against_speed = AgainstSpeed(speeds[has], change[has], shares[has])
        shown.append(
            {
                "column": column,
                "label": language.metric(column),
                "is_derived": not metric.is_reading,
                "course": course_picture(row, course, courses_of_runs, language),
                "curve": curve_picture(row, course[0]["start_level"], against_speed, language),
                "season": season.picture(row),
                "margin": language.number(row["smallest_change_at_usual_distance_pct"], 1),
                "smallest_change": language.number(row["smallest_change_pct"], 1),
                "has_break": row["onset_km"] is not None,
                "is_level": metric.is_level_only,
                "finding": language(f"finding.{row['finding']}"),
            }
        )
    return shown


class _Season:
    """The pictures of the season: what they have in common is read once."""

    def __init__(self, pages: Pages, club: ClubRows, rows: Mapping[str, pl.DataFrame], runs: Mapping[str, Row]) -> None:
        self._language, self._club, self._runs = pages.language, club, runs
        self._drifts, self._months = by_metric(rows["run_drift"]), by_metric(rows["season_trend"])
        against = rows["run_against_usual"]
        keys = zip(against["run_id"].to_list(), against["metric"].to_list(), strict=True)
        self._comparisons = dict(zip(keys, against["comparison"].to_list(), strict=True))
        self._about = {run_id: self._about_run(run) for run_id, run in runs.items()}
        self._events = self.of_events(rows, club, self._language)
        self._complaints = [
            {**row, "site": self._site(n, row["site"])}
            for n, row in enumerate(rows["complaints"].sort("from_date", "line").iter_rows(named=True), 1)
        ]

    def picture(self, drift: Row) -> Any:
        """The picture of one metric; None without a run that has a drift."""
        language, metric = self._language, drift["metric"]
        known = {row["run_id"]: row for row in self._drifts[metric] if row["drift_pct_per_10km"] is not None}
        own = [known[run_id] for run_id in self._runs if run_id in known]
        changes = language.signs([row["drift_pct_per_10km"] for row in own])
        intervals = language.intervals([row["drift_low"] for row in own], [row["drift_high"] for row in own])
        shown = []
        for row, change, interval in zip(own, changes, intervals, strict=True):
            own_run, (run, about) = self._runs[row["run_id"]], self._about[row["run_id"]]
            words = language("athlete.season.reading", run=run, about=about, change=change, interval=interval)
            shown.append(
                {
                    "at": own_run["started_at_utc"],
                    "page": f"{run_name(row['run_id'], own_run['athlete_id'])}.html",
                    "comparison": self._comparisons.get((row["run_id"], metric), "cannot_tell"),
                    **{name: row[name] for name in ("drift_pct_per_10km", "drift_low", "drift_high")},
                    "words": words,
                }
            )
        if not shown:
            return None
        return season_picture(
            drift, shown, self._months.get(metric, []), self._complaints, self._events, language=language
        )

    @staticmethod
    def of_events(rows: Mapping[str, pl.DataFrame], club: ClubRows, language: Language) -> list[tuple[str, str]]:
        """Events other than complaints and years, with their day: the picture has a line for each."""
        own: dict[str, Row] = {}
        for row in rows["before_after"].iter_rows(named=True):
            if row["kind"] not in ("complaint", "year"):
                own.setdefault(row["event"], row)
        return [(own[event]["date"], short_words(own[event], club, language)) for event in sorted(own)]

    def _about_run(self, run: Row) -> tuple[str, str]:
        language = self._language
        distance = f"{language.distance(run['distance_km'])} {language.units.distance}"
        about = [self._club.shoe(run["shoe_id"]), run["surface"] and language(f"surface.{run['surface']}")]
        shown = ", ".join(filter(None, about)) or language("athlete.season.unlisted")
        return f"{language.day(run['started_at_utc'])}, {distance}", shown

    def _site(self, number: int, written: str | None) -> str:
        if self._club.is_coded:
            return self._language("athlete.complaint_number", n=number)
        return written or self._language("athlete.a_complaint")
