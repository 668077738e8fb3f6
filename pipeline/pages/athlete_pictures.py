"""The pictures of an athlete: each metric along the distance, against speed, and over the season; the landings."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
from markupsafe import Markup

from pipeline.core.arrays import Array
from pipeline.methods.design import ADJUSTED_BY, TEN_KM
from pipeline.pages.language import Language
from pipeline.pages.picture import Picture, Scale, around, decimals_of
from pipeline.tables.observed import STRIKES

Row = Mapping[str, Any]

#: So many of the latest runs are drawn in colour.
LATEST = 3
#: So many letters fit across a picture on a phone.
LETTERS_ACROSS = 48
#: Where the line of a picture begins and ends is drawn in so many pieces: it bends, since it is in logarithms.
PIECES = 24


def level_ticks(scale: Scale, language: Language, n: int = 4) -> list[tuple[float, str]]:
    """Round levels of a metric."""
    ticks = scale.ticks(n)
    decimals = decimals_of(ticks[1] - ticks[0]) if len(ticks) > 1 else 0
    return [(value, language.number(value, decimals)) for value in ticks]


def unit_of(column: str, language: Language) -> str:
    """The unit of a metric as it is written."""
    return language.unit(language.registry.metric_of[column].unit)


def distance_ticks(scale: Scale, language: Language, n: int = 6) -> list[tuple[float, str]]:
    """Round distances in the unit shown; the last with the unit."""
    per_km = language.units.per_km
    shown = Scale(scale.low * per_km, scale.high * per_km).ticks(n)
    labels = [
        (value / per_km, language.number(value, decimals_of(shown[1] - shown[0]) if len(shown) > 1 else 0))
        for value in shown
    ]
    if labels:
        labels[-1] = (labels[-1][0], f"{labels[-1][1]} {language.units.distance}")
    return labels


# --- Along the distance ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Courses:
    """The splits of one metric along the runs of an athlete, run by run, the oldest first.

    Attributes:
        distance_km: their middle.
        change_pct: from the fresh level of their run, at the same pace and slope.
        lengths: how many splits each run has.
    """

    distance_km: Array
    change_pct: Array
    lengths: Sequence[int]


def course_picture(drift: Row, course: Sequence[Row], runs: Courses, language: Language) -> Markup:
    """A metric against the distance at the same pace and slope: every run, their mean, the line and its margin.

    Args:
        drift: row of `athlete_drift`.
        course: rows of `usual_course` of the metric, in order.
    """
    column, start = drift["metric"], course[0]["start_level"]
    furthest = max(row["distance_km"] for row in course) + 0.5

    def level(percent: float) -> float:
        return float(start * (1 + percent / 100))

    margin = drift["smallest_change_at_usual_distance_pct"] or 0.0
    levels = start * (1 + runs.change_pct / 100)
    values = _ends(levels)
    values += [level(row[name]) for row in course for name in ("change_pct", "line_pct")]
    values += [level(-margin), level(margin)]
    raw = math.log1p(drift["raw_pct_per_10km"] / 100)
    total = [
        (furthest * n / PIECES, start * math.exp(raw * furthest * n / PIECES * 1000 / TEN_KM))
        for n in range(PIECES + 1)
    ]
    values += [total[-1][1]]
    x, y = Scale(0.0, furthest), Scale(*around(values))
    picture = Picture(x, y, 340, distance_ticks(x, language), level_ticks(y, language), unit_of(column, language))
    picture.band("margin", y=(level(-margin), level(margin)))
    if drift["onset_low"] is not None:
        picture.band("onset", x=(drift["onset_low"], drift["onset_high"]))
    latest = len(levels) - sum(runs.lengths[-LATEST:])
    picture.lines(runs.distance_km[:latest], levels[:latest], runs.lengths[:-LATEST], "run")
    picture.lines(runs.distance_km[latest:], levels[latest:], runs.lengths[-LATEST:], "run latest")
    sure = [row for row in course if row["change_low"] is not None]
    picture.area(
        [(row["distance_km"], level(row["change_low"]), level(row["change_high"])) for row in sure], "interval"
    )
    at, means = (np.array([row[name] for row in course]) for name in ("distance_km", "change_pct"))
    picture.lines(at, start * (1 + means / 100), [len(at)], "mean")
    picture.dots(at, start * (1 + means / 100), "mean-dot")
    picture.line(total, "total")
    picture.line([(km, level(percent)) for km, percent in fitted_line(drift, furthest)], f"fitted {drift['finding']}")
    if drift["onset_km"] is not None:
        picture.line([(drift["onset_km"], y.low), (drift["onset_km"], y.high)], "break")
        picture.write(drift["onset_km"], y.high, language.place(drift["onset_km"]), "mark", anchor="middle", above=3)
    reads = picture.places_along(at.tolist()), _course_readings(course, column, language)
    return picture.svg(_course_words(drift, course, language), kind="course", reads=reads)


def fitted_line(drift: Row, furthest: float) -> list[tuple[float, float]]:
    """The line of `athlete_drift` from the start: distance [km] and change [%]."""
    straight, before, after = (
        None if drift[name] is None else math.log1p(drift[name] / 100) * 1000 / TEN_KM
        for name in ("drift_pct_per_10km", "drift_before_onset_pct", "drift_after_onset_pct")
    )
    places = [furthest * n / PIECES for n in range(PIECES + 1)]
    if drift["onset_km"] is None or before is None or after is None:
        return [(km, 100 * math.expm1((straight or 0.0) * km)) for km in places]
    onset = drift["onset_km"]
    places = sorted({*places, onset})
    return [(km, 100 * math.expm1(before * min(km, onset) + after * max(km - onset, 0.0))) for km in places]


def _course_readings(course: Sequence[Row], column: str, language: Language) -> list[str]:
    levels = language.numbers([row["level"] for row in course], language.registry.metric_of[column].decimals)
    changes, unit = language.signs([row["change_pct"] for row in course]), unit_of(column, language)
    intervals = language.intervals([row["change_low"] for row in course], [row["change_high"] for row in course])
    return [
        language(
            "athlete.course.reading" if row["change_low"] is not None else "athlete.course.reading_without_interval",
            place=language.place(row["distance_km"]), level=level, unit=unit, change=change, interval=interval,
            n=row["n_runs"],
        )
        for row, level, change, interval in zip(course, levels, changes, intervals, strict=True)
    ]  # fmt: skip


def _course_words(drift: Row, course: Sequence[Row], language: Language) -> str:
    last = course[-1]
    return language(
        "athlete.course.seen", metric=language.metric(drift["metric"]), first=language.place(course[0]["distance_km"]),
        last=language.place(last["distance_km"]), start=language.level(drift["metric"], course[0]["start_level"]),
        end=language.level(drift["metric"], last["level"]), unit=unit_of(drift["metric"], language),
        finding=language(f"finding.{drift['finding']}"), n_runs=max(row["n_runs"] for row in course),
    )  # fmt: skip


# --- Against speed ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class AgainstSpeed:
    """Splits of one metric.

    Attributes:
        speed_m_s: their speed.
        change_pct: from the fresh level of their run, at the same pace and slope.
        share: of the distance of their run, at their middle.
    """

    speed_m_s: Array
    change_pct: Array
    share: Array


def curve_picture(drift: Row, start: float, splits: AgainstSpeed, language: Language) -> Markup:
    """The level against speed: the athlete's own curve when fresh, and the early and late splits.

    Args:
        start: level when fresh, of `usual`.
    """
    column, reference = drift["metric"], drift["reference_speed_m_s"]
    linear, squared = (drift[name] or 0.0 for name in list(ADJUSTED_BY.values())[:2])
    speed, share = splits.speed_m_s, splits.share
    logs = np.log(speed / reference)
    level = start * np.exp(linear * logs + squared * logs**2) * (1 + splits.change_pct / 100)
    slowest, fastest = float(speed.min()), float(speed.max())
    curve = []
    for at in np.linspace(slowest, fastest, PIECES + 1):
        log = math.log(at / reference)
        curve.append((float(at), start * math.exp(linear * log + squared * log**2)))
    is_early, is_late = share <= 1 / 3, share >= 2 / 3
    shown = is_early | is_late
    # Faster is to the right, whichever way speed is given.
    x, y = Scale(*around([slowest, fastest])), Scale(*around([*_ends(level[shown]), *(value for _, value in curve)]))
    picture = Picture(x, y, 340, speed_ticks(x, language), level_ticks(y, language), unit_of(column, language))
    for which, kind in ((is_early, "early"), (is_late, "late")):
        picture.dots(speed[which], level[which], kind)
    picture.line(curve, "curve")
    words = language(
        "athlete.curve.seen", metric=language.metric(column), n_early=int(is_early.sum()), n_late=int(is_late.sum())
    )
    return picture.svg(words, kind="against-speed")


def _ends(values: Array) -> list[float]:
    return [float(values.min()), float(values.max())] if values.size else []


def speed_ticks(scale: Scale, language: Language, n: int = 3, *, has_unit: bool = True) -> list[tuple[float, str]]:
    """Round speeds, or round paces, with the unit at the last."""
    units = language.units
    if not units.is_pace:
        ticks = scale.ticks(n)
        labels = [(value, language.number(value, 1)) for value in ticks]
    else:
        slow, fast = units.speed_of(max(scale.low, 0.5)), units.speed_of(scale.high)
        paces: list[float] = []
        for step in (5.0, 2.0, 1.0, 0.5, 0.25):  # minutes
            paces = [place * step for place in range(math.floor(slow / step), math.ceil(fast / step) - 1, -1)]
            if len(paces) >= n:
                break
        # What makes a pace of a speed makes a speed of a pace.
        labels = [(units.speed_of(pace), f"{int(pace)}:{round(60 * (pace % 1)):02d}") for pace in paces]
    if labels and has_unit:
        labels[-1] = (labels[-1][0], f"{labels[-1][1]} {units.speed}")
    return labels


# --- Over the season -------------------------------------------------------------------------------------------------


def season_picture(
    drift: Row, runs: Sequence[Row], months: Sequence[Row], complaints: Sequence[Row],
    events: Sequence[tuple[str, str]], *, language: Language,
) -> Markup:  # fmt: skip
    """The change along each run by date, the months, the complaints, and what happened.

    Args:
        runs: by date: `at`, `page`, `words`, and `drift_pct_per_10km` with its interval.
        months: rows of `season_trend` of the metric.
        complaints: `from_date`, `to_date` (None where it is open) and `site` as shown.
        events: day and words of each.
    """
    days = [_day(row["at"]) for row in runs]
    first, last = min(days) - 6, max(days) + 3
    values = [row["drift_pct_per_10km"] for row in runs]
    span = max(values) - min(values) + 1.0
    sure = [(day, row["drift_low"], row["drift_high"]) for day, row in zip(days, runs, strict=True)]
    bar_days, lows, highs = np.array([one for one in sure if one[1] is not None], dtype=float).reshape(-1, 3).T
    bounds = np.clip([lows, highs], min(values) - span, max(values) + span)
    margin = drift["smallest_change_pct"]
    x, y = Scale(first, last), Scale(*around([*_ends(bounds), -margin, margin]))
    picture = Picture(
        x, y, 260, month_ticks(first, last, language), percent_ticks(y, language), language("unit.pct_per_10km")
    )
    picture.band("margin", y=(-margin, margin))
    for one in complaints:
        begin, end = _date_of(one["from_date"]), _date_of(one["to_date"]) if one["to_date"] else None
        if begin is None or begin > last or (end is not None and end < first):
            continue
        picture.band("complaint", x=(begin, last if end is None else end + 1))
        picture.write(max(begin, first), y.high, one["site"], "mark", above=2)
    for day_text, words in events:
        at = date.fromisoformat(day_text).toordinal()
        if first <= at <= last:
            picture.line([(at, y.low), (at, y.high)], "event")
            share, needed = (at - first) / (last - first), len(words) / LETTERS_ACROSS
            anchor = "end" if share > 0.5 else "start"
            # What is too long for either side begins at the edge, across its line.
            place = first if max(share, 1 - share) < needed else at
            picture.write(place, y.low, f" {words} ", "mark", anchor=anchor if place == at else "start", above=5)
    picture.line([(first, 0.0), (last, 0.0)], "zero")
    for month in months:
        begin, end = month_span(month["month"])
        ends = (max(begin, first), min(end, last))
        if month["drift_low"] is not None:
            low, high = (min(max(month[name], y.low), y.high) for name in ("drift_low", "drift_high"))
            picture.area([(ends[0], low, high), (ends[1], low, high)], "interval")
        picture.line([(at, month["drift_pct_per_10km"]) for at in ends], "month")
    picture.bars(bar_days, np.maximum(lows, y.low), np.minimum(highs, y.high), "error")
    for day, row in zip(days, runs, strict=True):
        kind = "point" if row["comparison"] in ("as_usual", "cannot_tell") else "point unusual"
        picture.link(row["page"], row["words"], (day, row["drift_pct_per_10km"]), kind)
    words = language(
        "athlete.season.seen",
        metric=language.metric(drift["metric"]),
        n=len(runs),
        first=language.day(runs[0]["at"]),
        last=language.day(runs[-1]["at"]),
    )
    return picture.svg(words, kind="season", reads=(picture.places_along(days), ()))


def percent_ticks(scale: Scale, language: Language, n: int = 4) -> list[tuple[float, str]]:
    """Round percentages with their sign."""
    ticks = scale.ticks(n)
    decimals = decimals_of(ticks[1] - ticks[0]) if len(ticks) > 1 else 0
    return [(value, language.signed(value, decimals) if round(value, decimals) else "0") for value in ticks]


def month_ticks(first: float, last: float, language: Language) -> list[tuple[float, str]]:
    """The beginnings of months, at most some ten of them."""
    begin, labels = date.fromordinal(math.ceil(first)), []
    at = date(begin.year, begin.month, 1)
    while at.toordinal() <= last:
        if at.toordinal() >= first:
            labels.append((float(at.toordinal()), language.month(at) if at.month > 1 else str(at.year)))
        at = (at.replace(day=28) + timedelta(days=4)).replace(day=1)
    every = 1 + len(labels) // 10
    return labels[::every]


def month_span(month: str) -> tuple[float, float]:
    """The first day of a month [YYYY-MM] and of the next."""
    begin = date.fromisoformat(f"{month}-01")
    return float(begin.toordinal()), float((begin.replace(day=28) + timedelta(days=4)).replace(day=1).toordinal())


def _day(at: datetime) -> float:
    return at.toordinal() + (at.hour + at.minute / 60) / 24


def _date_of(text: str) -> float | None:
    try:
        return float(date.fromisoformat(text).toordinal())
    except ValueError:
        return None


# --- Landings --------------------------------------------------------------------------------------------------------


def landing_picture(counts: Sequence[Row], language: Language) -> Markup:
    """The share of each class of landing by distance: a bar per distance.

    Args:
        counts: rows of `strike_counts` with `n` above zero.
    """
    distances = sorted({row["distance_km"] for row in counts})
    height = 34 * len(distances) + 8
    picture = Picture(Scale(0.0, 1.0), Scale(float(len(distances)), 0.0), height)
    for place, distance in enumerate(distances):
        left = 0.0
        for strike in STRIKES:
            row = next((row for row in counts if row["distance_km"] == distance and row["strike"] == strike), None)
            if row is None:
                continue
            share = row["n"] / row["n_seen"]
            picture.band(f"landing {strike}", x=(left, left + share), y=(place + 0.42, place + 0.92))
            text = f"{language(f'strike.{strike}')} {row['n']}/{row['n_seen']}"
            at = language.place(distance) + ": " if not left else ""
            picture.write(left, place + 0.42, at + text, "mark", above=3)
            left += share
    return picture.svg(language("athlete.landing.seen", n=len(distances)), kind="landings")
