"""Before and after events: a picture and a sentence per event and metric."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import numpy as np
from markupsafe import Markup

from pipeline.pages.athlete_pictures import level_ticks, month_ticks, unit_of
from pipeline.pages.club_rows import ClubRows
from pipeline.pages.language import Language
from pipeline.pages.picture import Picture, Scale, around
from pipeline.stages.before_after import YEAR, sides

Row = Mapping[str, Any]
Context = dict[str, Any]

#: So many events have a picture, the latest; all are in the table.
MOST_EVENTS = 4


def events_shown(
    rows: Sequence[Row], levels: Mapping[str, Sequence[tuple[date, float]]], happened: Sequence[dict[str, Any]],
    club: ClubRows, language: Language,
) -> list[Context]:  # fmt: skip
    """The latest events, each with its pictures and sentences by metric.

    Args:
        rows: of `before_after` of an athlete.
        levels: of each metric that has pictures, the day and `fresh_level` of each run, by day.
        happened: all events of the athlete, also those without runs to compare (`before_after.events_of`).
    """
    by_event: dict[int, list[Row]] = {}
    for row in rows:
        if row["metric"] in levels:
            by_event.setdefault(row["event"], []).append(row)
    shown = sorted(by_event.values(), key=lambda own: own[0]["event"], reverse=True)[:MOST_EVENTS]
    return [
        {
            "title": event_words(own[0], club, language),
            "others": _others(own[0], happened, club, language) if own[0]["n_other_events"] else "",
            "metrics": [_metric(row, levels[row["metric"]], language) for row in own],
        }
        for own in shown
    ]


def _others(row: Row, happened: Sequence[dict[str, Any]], club: ClubRows, language: Language) -> str:
    """The other events in the weeks that are compared."""
    (first, _), (_, end) = sides({"kind": row["kind"], "day": date.fromisoformat(row["date"])})
    names = [
        event_words(other | {"date": other["day"].isoformat()}, club, language)
        for other in happened
        if other["kind"] != YEAR and other["event"] != row["event"] and first <= other["day"] < end
    ]
    return language("event.others", n=len(names), names="; ".join(names))


def event_words(row: Row, club: ClubRows, language: Language) -> str:
    """What happened, and when; what people wrote is left out where athletes are codes."""
    kind, day = row["kind"], language.day(row["date"])
    if kind == "year":
        return language("event.year", name=row["name"])
    if kind == "new_shoe" or club.is_coded or not row["name"]:
        return language("event.coded", kind=short_words(row, club, language), day=day)
    return language("event.named", kind=language(f"event.{kind}"), day=day, name=row["name"])


def short_words(row: Row, club: ClubRows, language: Language) -> str:
    """What happened, without its day."""
    if row["kind"] == "new_shoe":
        return language("event.new_shoe", name=club.shoe(row["name"]))
    return language(f"event.{row['kind']}") if club.is_coded or not row["name"] else str(row["name"])


def numbers_of_event(row: Row, club: ClubRows, language: Language) -> Context:
    """A row of the table, as texts."""
    return {
        "metric": language.metric(row["metric"]),
        "event": event_words(row, club, language),
        "n_runs": language("contrast.runs", n=row["n_runs_before"], n_reference=row["n_runs_after"]),
        "level": language.signed(row["difference_pct"]),
        "level_interval": language.between(row["low"], row["high"]),
        "drift": language.signed(row["drift_difference_pct_per_10km"]),
        "drift_interval": language.between(row["drift_difference_low"], row["drift_difference_high"]),
    }


def _metric(row: Row, levels: Sequence[tuple[date, float]], language: Language) -> Context:
    metric, unit = row["metric"], unit_of(row["metric"], language)
    sentences = [
        language(
            "event.level", before=language.level(metric, row["level_before"]),
            after=language.level(metric, row["level_after"]), unit=unit, size=language.signed(row["difference_pct"]),
            interval=language.between(row["low"], row["high"]),
        )
    ]  # fmt: skip
    if row["drift_difference_pct_per_10km"] is not None:
        size, ends = row["drift_difference_pct_per_10km"], (row["drift_difference_low"], row["drift_difference_high"])
        sentences.append(language("event.drift", size=language.signed(size), interval=language.between(*ends)))
    sentences.append(language("event.runs", before=row["n_runs_before"], after=row["n_runs_after"]))
    return {
        "column": metric,
        "label": language.metric(metric),
        "sentence": " ".join(sentences),
        "svg": _picture(row, levels, language) if language.registry.metric_of[metric].is_reading else None,
    }


def _picture(row: Row, levels: Sequence[tuple[date, float]], language: Language) -> Markup:
    """The level when fresh of each run by date, the means before and after, and the interval of the difference."""
    at = date.fromisoformat(row["date"])
    before = [(day, level) for day, level in levels if day < at][-row["n_runs_before"] :]
    after = [(day, level) for day, level in levels if day >= at][: row["n_runs_after"]]
    days = [day.toordinal() for day, _ in (*before, *after)]
    x = Scale(min(*days, at.toordinal()) - 3, max(*days, at.toordinal()) + 3)
    # Where the mean after would be, had it differed by either end of the interval.
    ends = [row["level_before"] * (1 + row[name] / 100) for name in ("low", "high") if row[name] is not None]
    y = Scale(*around([*(level for _, level in (*before, *after)), *ends], room=0.12))
    unit = unit_of(row["metric"], language)
    picture = Picture(x, y, 190, month_ticks(x.low, x.high, language), level_ticks(y, language, 3), unit)
    if len(ends) == 2:
        picture.area([(x_end, ends[0], ends[1]) for x_end in (at.toordinal(), x.high)], "interval")
    picture.line([(end, row["level_before"]) for end in (at.toordinal(), x.high)], "total")
    picture.line([(at.toordinal(), y.low), (at.toordinal(), y.high)], "break")
    for side, kind, where, mean in (
        (before, "early", (x.low, at.toordinal()), row["level_before"]),
        (after, "late", (at.toordinal(), x.high), row["level_after"]),
    ):
        picture.line([(end, mean) for end in where], "month")
        picture.dots(np.array([day.toordinal() for day, _ in side]), np.array([level for _, level in side]), kind)
    words = language(
        "event.seen", metric=language.metric(row["metric"]), before=row["n_runs_before"], after=row["n_runs_after"],
        level_before=language.level(row["metric"], row["level_before"]),
        level_after=language.level(row["metric"], row["level_after"]), unit=unit,
    )  # fmt: skip
    says = [
        language("event.reading", day=language.day(day), level=language.level(row["metric"], level), unit=unit)
        for day, level in (*before, *after)
    ]
    return picture.svg(words, kind="event", reads=(picture.places_along(days), says))
