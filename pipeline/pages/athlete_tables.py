"""Rows of tables as texts, for the page of an athlete."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any

import polars as pl
from markupsafe import Markup

from pipeline.core.metrics import BUILT_IN
from pipeline.pages.cells import against_html
from pipeline.pages.club_rows import ClubRows, run_name
from pipeline.pages.language import Language, upper_first
from pipeline.pages.season_words import complaint_sentences, factor_words, shoe_or_surface
from pipeline.pages.small_marks import scale_symbol, span_of, usual_mark
from pipeline.pages.units import duration, number

Row = Mapping[str, Any]
Context = dict[str, Any]

#: The facts by which a run is set against the usual: what a sensor records of form and the club summary leads with.
FACTS_OF_RUN = [metric for metric in BUILT_IN.metrics if metric.family == "measured" and metric.is_leading]


def numbers_row(row: Row, language: Language, *, most_splits: int) -> Context:
    """A metric with all its numbers, for the statistician."""
    metric = language.registry.metric_of[row["metric"]]
    between, number = language.between, language.number
    return {
        "metric": language.metric(row["metric"]),
        "column": row["metric"],
        "unit": language.unit(metric.unit),
        "n_runs": row["n_runs"],
        "n_splits": row["n_splits"],
        "is_level": metric.is_level_only and row["n_splits"] < most_splits,
        "fresh": number(row["fresh_level"], metric.decimals),
        "raw": language.signed(row["raw_pct_per_10km"]),
        "pace": language.signed(row["speed_part_pct"]),
        "hill": language.signed(row["slope_part_pct"]),
        "drift": language.signed(row["drift_pct_per_10km"]),
        "interval": between(row["drift_low"], row["drift_high"]),
        "q": probability(row["q_value"], language),
        "onset": onset_words(row, language),
        "usual_distance": language.distance(row["usual_distance_km"], 0),
        "at_usual": language.signed(row["change_at_usual_distance_pct"]),
        "at_usual_interval": between(row["change_at_usual_distance_low"], row["change_at_usual_distance_high"]),
        "matters": number(row["smallest_change_pct"], 1),
        "detectable": number(row["detectable_pct"], 1),
        "repeatability": number(row["repeatability"], 1),
        "finding": row["finding"],
        "reason": language.reasons(row["reasons"]),
    }


def onset_words(row: Row, language: Language) -> str:
    """The onset with its interval; empty without an onset."""
    if row["onset_km"] is None:
        return ""
    low, high = (language.distance(row[name]) for name in ("onset_low", "onset_high"))
    return f"{language.place(row['onset_km'])} ({language('number.between', low=low, high=high)})"


def probability(value: float | None, language: Language) -> str:
    """A probability, to three decimals where it is small, else to two; below the last one it says so."""
    if value is not None and value < 0.0005:
        return f"< {language.number(0.001, 3)}"
    return language.number(value, _decimals(value))


def _decimals(probability: float | None) -> int:
    return 3 if probability is None or probability < 0.1 else 2


def as_shown(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows with what the page shows of the numbers that change slightly with every new run in the club.

    A page is compared with its previous version by these, so that it is redrawn only for a visible change.
    """
    if "q_value" not in rows.columns:
        return rows
    return rows.drop("repeatability_low", "repeatability_high").with_columns(
        pl.Series("q_value", [number(value, _decimals(value)) for value in rows["q_value"]]),
        pl.Series("repeatability", [number(value, 1) for value in rows["repeatability"]]),
    )


def pacing_rows(pacing: pl.DataFrame, language: Language) -> list[Context]:
    """How speed changes, and its two parts."""
    return [
        {
            "part": language(f"pacing.{name}"),
            "percent": language.signed(row[value]),
            "interval": language.between(row[f"{name}_low"], row[f"{name}_high"]),
        }
        for row in pacing.iter_rows(named=True)
        for name, value in (
            ("speed", "speed_pct_per_10km"), ("cadence_part", "cadence_part_pct"),
            ("step_length_part", "step_length_part_pct"),
        )
        if row[value] is not None
    ]  # fmt: skip


def contrast_row(row: Row, club: ClubRows, language: Language) -> Context:
    """A shoe or surface against the usual one."""
    names = [shoe_or_surface(row, name, club, language) for name in ("compared", "reference")]
    return {
        "metric": language.metric(row["metric"]),
        "compared": language(
            "contrast.pair", factor=factor_words(row, language), compared=names[0], reference=names[1]
        ),
        "n_runs": language("contrast.runs", n=row["n_runs"], n_reference=row["n_runs_reference"]),
        "level": language.signed(row["difference_pct"]),
        "level_interval": language.between(row["low"], row["high"]),
        "drift": language.signed(row["drift_difference_pct_per_10km"]),
        "drift_interval": language.between(row["drift_difference_low"], row["drift_difference_high"]),
    }


def month_row(row: Row, language: Language) -> Context:
    """A month of the season."""
    return {
        "metric": language.metric(row["metric"]),
        "month": row["month"],
        "n_runs": row["n_runs"],
        "drift": language.signed(row["drift_pct_per_10km"]),
        "interval": language.between(row["drift_low"], row["drift_high"]),
    }


def season_slope_row(row: Row, language: Language) -> Context:
    """Whether the drift itself changes."""
    return {
        "metric": language.metric(row["metric"]),
        "n_runs": row["n_runs"],
        "change": language.signed(row["change_pct_per_10km_per_month"], 2),
        "interval": language.between(row["change_low"], row["change_high"], 2),
        "first": language.signed(row["first_drift_pct_per_10km"]),
        "last": language.signed(row["last_drift_pct_per_10km"]),
    }


def strike_row(row: Row, language: Language) -> Context:
    """A class of landing at a distance."""
    low, high = (f"{100 * row[name]:.0f}" for name in ("low", "high"))
    return {
        "distance": language.distance(row["distance_km"]),
        "strike": language(f"strike.{row['strike']}"),
        "n": row["n"],
        "n_seen": row["n_seen"],
        "share": f"{100 * row['share']:.0f}",
        "interval": language("number.between", low=low, high=high),
    }


def complaint_rows(
    rows: Mapping[str, pl.DataFrame], club: ClubRows, metrics: Sequence[str], language: Language, min_runs: int
) -> list[Context]:
    """Complaints by date; numbered, without the text people wrote, where athletes are shown as codes."""
    in_time = rows["complaints"].sort("from_date", "line")
    return [
        {
            "from": row["from_date"],
            "to": row["to_date"],
            "site": language("athlete.complaint_number", n=number) if club.is_coded else row["site"],
            "note": None if club.is_coded else row["note"],
            "runs": complaint_sentences(
                row, rows["runs"], rows["run_drift"], metrics, language=language, min_runs=min_runs
            ),
        }
        for number, row in enumerate(in_time.iter_rows(named=True), 1)
    ]


# --- Runs ------------------------------------------------------------------------------------------------------------


def run_rows(
    runs: Sequence[Row], cells: Callable[[str], list[Context]], club: ClubRows, language: Language
) -> list[Context]:
    """The runs, latest first, each against the usual.

    Args:
        runs: rows of `runs`, in order.
        cells: what `cells_of_runs` gives.
    """
    return [
        {
            "page": f"{run_name(row['run_id'], row['athlete_id'])}.html",
            "date": row["started_at_utc"],
            "session": session,
            "distance": language.distance(row["distance_km"]),
            "moving": duration(row["moving_s"]),
            "speed": language.speed(1000 * row["distance_km"] / row["moving_s"] if row["moving_s"] else None),
            "kind": language(f"kind.{row['kind']}") if row["kind"] else "",
            "surface": language(f"surface.{row['surface']}") if row["surface"] else "",
            "shoe": club.shoe(row["shoe_id"]) or "",
            "against": cells(row["run_id"]),
        }
        for row, session in with_sessions(runs)
    ]


def single_run_rows(runs: Sequence[Row], single_runs: pl.DataFrame, language: Language) -> list[Context]:
    """Runs of an athlete with too few for a drift: the change along each in the leading metrics, nothing adjusted.

    Args:
        runs: rows of `runs`, in order.
    """
    of = by_metric(single_runs)
    rows = []
    for run in runs:
        own = [
            (metric, row)
            for metric in language.registry.metrics
            if metric.is_leading
            for row in of.get(metric.column, [])
            if row["run_id"] == run["run_id"]
        ]
        changes = [
            language(
                "athlete.unadjusted", metric=language.metric(metric.column),
                change=language.signed(row["unadjusted_pct_per_10km"]),
                interval=language.between(row["unadjusted_low"], row["unadjusted_high"]),
            )
            for metric, row in own
        ]  # fmt: skip
        if changes:
            page = f"{run_name(run['run_id'], run['athlete_id'])}.html"
            rows.append({"page": page, "date": run["started_at_utc"], "changes": "; ".join(changes)})
    return rows


def spans_of(against: pl.DataFrame) -> dict[str, float]:
    """The span of the marks of each fact over the rows of a table."""
    values: dict[str, list[float | None]] = {metric.column: [] for metric in FACTS_OF_RUN}
    shown = (against[name].to_list() for name in ("metric", "drift_pct_per_10km", "usual_low", "usual_high"))
    for metric, *ends in zip(*shown, strict=True):
        if metric in values:
            values[metric] += ends
    return {metric.column: span_of(values[metric.column], metric.smallest_change_pct) for metric in FACTS_OF_RUN}


def against_symbols(spans: Mapping[str, float]) -> Markup:
    """What the marks of the facts stand on."""
    return Markup("").join(scale_symbol(f"run-{column}", 0.0, span) for column, span in spans.items())


def comparison_words(row: Row, language: Language) -> str:
    """How a run compares with the usual in one metric: lengthens more than usual.

    Args:
        row: of `run_against_usual`.
    """
    kind, change = row["comparison"], row["drift_pct_per_10km"]
    if kind not in ("more", "less"):
        return language(f"comparison.{kind}")
    is_opposite = change * (row["usual_low"] + row["usual_high"]) < 0
    key = "unlike" if kind == "less" and is_opposite else kind
    return language(f"comparison.{key}", verb=language.verb(row["metric"], is_up=change > 0))


def quiet_words(comparisons: Iterable[tuple[str, str]], language: Language) -> str:
    """What is not out of the ordinary, in a line: what is as usual, and what cannot be told.

    Args:
        comparisons: pairs of a name and what it is, as `comparison` of `run_against_usual` has it.
    """
    names: dict[str, list[str]] = {"as_usual": [], "cannot_tell": []}
    for name, kind in comparisons:
        if kind in names and name not in names[kind]:
            names[kind].append(name)
    return " ".join(
        language("comparison.listed", word=upper_first(language(f"comparison.{kind}")), names=language.listed(own))
        for kind, own in names.items()
        if own
    )


def against_cells(rows: Sequence[Row], spans: Mapping[str, float], language: Language) -> list[Context]:
    """Runs against the usual, each in one fact: mark, word, numbers."""
    changes = language.signs([row["drift_pct_per_10km"] for row in rows])
    usuals = language.intervals([row["usual_low"] for row in rows], [row["usual_high"] for row in rows])
    for place, row in enumerate(rows):
        ends = row["usual_low"], row["usual_high"]
        # What is beyond the usual is not to look as if it were at its end.
        if row["comparison"] in ("more", "less") and changes[place] in language.signs(ends):
            changes[place] = language.signed(row["drift_pct_per_10km"], 2)
            usuals[place] = language.between(*ends, 2)
    cells = []
    for row, change, usual in zip(rows, changes, usuals, strict=True):
        word = comparison_words(row, language)
        title = language("comparison.title" if usual else "comparison.title_without", change=change, usual=usual)
        mark = usual_mark(row, spans[row["metric"]], f"run-{row['metric']}")
        html = against_html(row["comparison"], title, mark, word)
        cells.append({"html": html, "word": word, "comparison": row["comparison"], "change": change, "usual": usual})
    return cells


def cells_of_runs(
    against: pl.DataFrame, language: Language, of: pl.Series | None = None, spans: Mapping[str, float] | None = None
) -> Callable[[str], list[Context]]:
    """What gives the cells of a run, one per fact.

    Args:
        against: rows of `run_against_usual`; all of them set the scales.
        of: the runs that are asked for; all if None.
        spans: the scales, where they are known.
    """
    columns, spans = [metric.column for metric in FACTS_OF_RUN], spans or spans_of(against)
    shown = against if of is None else against.filter(pl.col("run_id").is_in(of.implode()))
    rows = [row for row in shown.to_dicts() if row["metric"] in columns]
    cells = against_cells(rows, spans, language)
    known = {(row["run_id"], row["metric"]): cell for row, cell in zip(rows, cells, strict=True)}
    nothing = {"html": against_html("none", "", "", ""), "word": "", "comparison": "none"}
    return lambda run_id: [known.get((run_id, column), nothing) for column in columns]


def with_sessions(runs: Sequence[Row]) -> list[tuple[Row, int | None]]:
    """Runs, each with its number within the day where the day has several."""
    by_day: dict[date, list[datetime]] = {}
    for start in sorted(run["started_at_utc"] for run in runs):
        by_day.setdefault(start.date(), []).append(start)
    days = [(run, by_day[run["started_at_utc"].date()]) for run in runs]
    return [(run, starts.index(run["started_at_utc"]) + 1 if len(starts) > 1 else None) for run, starts in days]


def by_metric(rows: pl.DataFrame) -> dict[str, list[Row]]:
    """Rows of a table by their metric, in their order."""
    parts: dict[str, list[Row]] = {}
    for row in rows.to_dicts():
        parts.setdefault(row["metric"], []).append(row)
    return parts
