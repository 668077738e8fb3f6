"""The answer about an athlete in sentences with units, what is still open, and what would settle it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.pages.language import Language, upper_first
from pipeline.pages.words import is_change

Row = Mapping[str, Any]

#: So many further runs are given by their number; more are "more than" so many.
MOST_RUNS = 30
CHANGES, STEADY, OPEN, FEW, NOTHING = "changes", "steady", "open", "few", "nothing"


def facts(drifts: Sequence[Row], registry: Registry = BUILT_IN) -> list[Row]:
    """The metrics of form that a sensor records, in the order of their pictures."""
    return _ranked(drifts, registry, "measured")


def consequences(drifts: Sequence[Row], registry: Registry = BUILT_IN) -> list[Row]:
    """What follows from them by arithmetic."""
    return _ranked(drifts, registry, "derived")


def efforts(drifts: Sequence[Row], registry: Registry = BUILT_IN) -> list[Row]:
    """The metrics of effort."""
    return _ranked(drifts, registry, "effort")


def _ranked(rows: Sequence[Row], registry: Registry, family: str) -> list[Row]:
    of = registry.metric_of
    own = (row for row in rows if of[row["metric"]].family == family)
    return sorted(own, key=lambda row: of[row["metric"]].picture_rank)


def state(drifts: Sequence[Row], registry: Registry = BUILT_IN) -> str:
    """What the page of an athlete is about: `changes`, `steady`, `open`, `few` runs, or `nothing` of form recorded.

    What follows by arithmetic speaks where no fact does.
    """
    form = facts(drifts, registry) or consequences(drifts, registry)
    findings = {row["finding"] for row in form}
    if not form:
        return NOTHING
    if any(map(is_change, form)):
        return CHANGES
    if findings == {"too_little_data"}:
        return FEW
    return STEADY if findings <= {"holds", "too_little_data"} else OPEN


def answer(drifts: Sequence[Row], usual: Mapping[str, Row], language: Language, min_runs: int) -> str:
    """The answer to the first question in a sentence or two.

    Args:
        usual: rows of `usual` by metric.
    """
    form = facts(drifts, language.registry) or consequences(drifts, language.registry)
    found = state(drifts, language.registry)
    if found == NOTHING:
        return language("answer.nothing")
    if found == FEW:
        return language("answer.few", n=max(row["n_runs"] for row in form), needed=min_runs)
    changes = [row for row in form if is_change(row)]
    steady = [row for row in form if row["finding"] == "holds"]
    if changes:
        return _changes_sentence(changes, usual, language)
    if found == STEADY:
        return language("answer.steady", metrics=steady_words(steady, language))
    if not steady:
        return language("answer.none_found")
    of = language.registry.metric_of
    still_open = [row for row in form if row["finding"] not in ("holds", "too_little_data")]
    key = "open_some_steady" if any(of[row["metric"]].is_leading for row in still_open) else "steady_some_open"
    names = [language.metric(row["metric"]) for row in still_open]
    return language(f"answer.{key}", open=language.listed(names), metrics=steady_words(steady, language))


def _changes_sentence(changes: Sequence[Row], usual: Mapping[str, Row], language: Language) -> str:
    first, *rest = changes
    by = language.place(first["usual_distance_km"], 0)
    where = "from" if first["onset_km"] is not None else "gradually"
    place = language.place(first["onset_km"], 0) if first["onset_km"] is not None else ""
    change = _change(first, usual[first["metric"]], language, is_gradual=first["onset_km"] is None)
    sentence = upper_first(language(f"answer.{where}", place=place, by=by, change=change))
    clauses = []
    for row in rest:
        change = _change(row, usual[row["metric"]], language)
        onset = None if row["onset_km"] is None else language.place(row["onset_km"], 0)
        if onset is None and place:
            change = language("answer.clause_whole", change=change)
        elif onset not in (None, place):
            change = language("answer.clause_from", place=onset, change=change)
        clauses.append(change)
    return "; ".join([sentence, *clauses]) + "."


def _change(row: Row, usual: Row, language: Language, *, is_gradual: bool = False) -> str:
    """What a metric does, from which level to which: contact time lengthens, from 233 to 248 ms."""
    column, metric = row["metric"], language.registry.metric_of[row["metric"]]
    start, end = usual["start_level"], usual["level_at_usual_distance"]
    is_known = start is not None and end is not None
    verb = language.verb(column, is_up=(row["change_at_usual_distance_pct"] or row["drift_pct_per_10km"]) > 0)
    verb = language("answer.gradual_verb", verb=verb) if is_gradual else verb
    if not is_known:
        change = f"{language.metric(column)} {verb}"
        percent = row["change_at_usual_distance_pct"]
        return language("answer.in_percent", change=change, percent=language.signed(percent)) if percent else change
    decimals = next(
        (n for n in range(max(metric.decimals - 1, 0), metric.decimals + 2) if round(start, n) != round(end, n)),
        metric.decimals,
    )
    return language(
        "answer.change", metric=language.metric(column), verb=verb,
        start=language.level(column, start, decimals), end=language.level(column, end, decimals),
        unit=language.unit(metric.unit),
    )  # fmt: skip


def effort_sentence(drifts: Sequence[Row], usual: Mapping[str, Row], language: Language) -> str:
    """Effort in a sentence; empty where it was not recorded."""
    parts = []
    for row in efforts(drifts, language.registry):
        if is_change(row):
            change = _change(row, usual[row["metric"]], language)
            parts.append(language("answer.effort_change", change=change))
        elif row["finding"] == "holds":
            parts.append(language("answer.effort_steady", metrics=steady_words([row], language)))
        else:
            parts.append(language("answer.effort_open", metric=language.metric(row["metric"])))
    return language("answer.effort", parts="; ".join(parts)) if parts else ""


def raw_sentence(row: Row, language: Language) -> str:
    """The change as it was recorded, and the parts that it is made of, in percent per 10 km.

    Args:
        row: of `athlete_drift`, with an estimate. Where the metric was not adjusted for hills, they are not named.
    """
    has_hills = row["response_to_slope"] is not None or row["response_to_slope_squared"] is not None
    columns = ("raw_pct_per_10km", "speed_part_pct", "slope_part_pct", "drift_pct_per_10km")
    raw, pace, hills, left = language.signs([row[name] for name in columns])
    return language(
        "answer.raw" if has_hills else "answer.raw_without_hills", metric=language.metric(row["metric"]), raw=raw,
        pace=pace, hills=hills, left=left,
    )  # fmt: skip


def steady_words(rows: Sequence[Row], language: Language) -> str:
    """What is steady, each with its limit: contact time (within ±2 %)."""
    by_limit: dict[str, list[str]] = {}
    for row in rows:
        by_limit.setdefault(
            language.number(row["smallest_change_pct"], 1).removesuffix(language("number.decimal") + "0"), []
        ).append(language.metric(row["metric"]))
    parts = [
        language("answer.within", metrics=language.listed(names), limit=limit) for limit, names in by_limit.items()
    ]
    return language.listed(parts)


def open_sentences(drifts: Sequence[Row], usual: Mapping[str, Row], language: Language) -> list[str]:
    """What cannot be told yet and what would settle it; metrics that the same would settle share a sentence."""
    by_remedy: dict[str, list[str]] = {}
    for row in drifts:
        if row["finding"] in ("unclear", "too_little_data"):
            by_remedy.setdefault(_remedy(row, usual.get(row["metric"]), language), []).append(
                language.metric(row["metric"])
            )
    return [
        language("answer.open", metrics=upper_first(language.listed(names)), remedy=remedy)
        for remedy, names in by_remedy.items()
    ]


def _remedy(row: Row, usual: Row | None, language: Language) -> str:
    """What would settle an open finding."""
    more = None if usual is None else usual["n_more_runs"]
    if row["drift_pct_per_10km"] is None and row["finding"] == "unclear":
        return language("answer.remedy.collinear")
    if more is None:
        at_best = row["detectable_at_best_pct"]
        lasts = at_best is not None and at_best >= row["smallest_change_pct"]
        return language("answer.remedy.pace" if lasts else "answer.remedy.reason")
    if row["finding"] == "too_little_data" or row["usual_distance_km"] is None:
        return language("answer.remedy.few", n=more)
    key = "more" if more > MOST_RUNS else "runs"
    return language(
        f"answer.remedy.{key}", n=min(more, MOST_RUNS), distance=language.distance(row["usual_distance_km"], 0),
        unit=language.units.distance,
    )  # fmt: skip


def landing_sentence(counts: Sequence[Row], language: Language) -> str:
    """How the foot landed at each distance, class by class; empty where no landing was seen.

    Args:
        counts: rows of `strike_counts` of the athlete with `n` above zero.
    """
    at: dict[float, list[Row]] = {}
    for row in counts:
        at.setdefault(row["distance_km"], []).append(row)
    # Distances at which the same was seen share a clause.
    places: dict[str, list[str]] = {}
    for distance in sorted(at):
        classes = sorted(at[distance], key=lambda row: (-row["n"], row["strike"]))
        shares = [
            language("answer.landing_share", strike=language(f"strike.{row['strike']}"), k=row["n"], n=row["n_seen"])
            for row in classes
        ]
        places.setdefault(language.listed(shares), []).append(language.place(distance))
    parts = [
        language("answer.landing_at", shares=shares, places=language.listed(where)) for shares, where in places.items()
    ]
    return language("answer.landing", parts="; ".join(parts)) if parts else ""


def never_recorded(drifts: Sequence[Row], language: Language) -> list[str]:
    """Labels of the metrics that no run has."""
    seen = {row["metric"] for row in drifts}
    return [language.metric(metric.column) for metric in language.registry.metrics if metric.column not in seen]
