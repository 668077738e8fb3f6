"""The page of an athlete: from rows of the tables to template variables and chart data.

Nothing is computed here except the splits at equal speed and slope.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from pipeline.core.metrics import LABELS, METRIC_OF, METRICS
from pipeline.inbox.lists import SURFACES
from pipeline.methods.design import ADJUSTED_BY
from pipeline.pages.adjusted import adjusted, bent_levels, lines
from pipeline.pages.club_rows import ClubRows, Pages, run_name
from pipeline.pages.season_words import (
    FACTOR_WORDS,
    RIDE_WORDS,
    complaint_sentences,
    contrast_sentences,
    landing_words,
    open_complaints,
)
from pipeline.pages.units import Units, between, duration, number, signed
from pipeline.pages.words import (
    cannot_say,
    change_words,
    finding_words,
    form_of,
    in_order,
    is_change,
    lag_words,
    listed,
    more_than_slowing,
    onset_words,
)
from pipeline.pages.worth_a_look import looks
from pipeline.tables.analysed import CONTRAST_FACTORS

Row = Mapping[str, Any]
Context = dict[str, Any]

#: Tables whose rows of the athlete the page shows.
TABLES = (
    "athlete_drift", "run_drift", "runs", "pacing", "contrasts", "season_trend", "season_slope", "complaints",
    "strike_counts",
)  # fmt: skip
#: Decimals of the columns that change slightly with every new run in the club. They are rounded before a page is
#: compared with its previous version, so that it is redrawn only for a visible change.
SHOWN_DECIMALS = {"q_value": 3, "repeatability": 1, "repeatability_low": 1, "repeatability_high": 1}


def athlete_page(pages: Pages, club: ClubRows, athlete_id: str) -> Context:
    """What the page of an athlete shows.

    Returns:
        Texts and rows of texts for `templates/athlete.html`, and under `data` what the charts draw.
    """
    units = pages.units
    rows = {name: club.own(name, athlete_id) for name in TABLES}
    drifts = in_order(rows["athlete_drift"].iter_rows(named=True))
    runs = rows["runs"].sort("started_at_utc", descending=True)
    with_estimate = [row for row in drifts if row["drift_pct_per_10km"] is not None]
    changes, first = [row for row in drifts if is_change(row)], _first_shown(with_estimate)
    strikes = rows["strike_counts"].filter(pl.col("scope") == "athlete", pl.col("n") > 0)
    # With codes, words of the owner's own are left out.
    is_shown = pl.lit(value=True) if not club.is_coded else pl.col("factor").is_in(list(CONTRAST_FACTORS))
    contrasts = in_order(rows["contrasts"].filter(is_shown).iter_rows(named=True))
    most_splits = max((row["n_splits"] for row in drifts), default=0)
    return {
        "name": club.shown(athlete_id),
        "units": units,
        "n_runs": runs.height,
        "n_km": units.distance_text(float(runs["distance_km"].sum()), 0),
        "first_run": runs["started_at_utc"].min(),
        "last_run": runs["started_at_utc"].max(),
        "answer": more_than_slowing(drifts, units),
        "open_complaints": open_complaints(rows["complaints"], club),
        "changes": [(*change_words(row, units), lag_words([row])) for row in changes],
        "lag": lag_words(row for row in drifts if not is_change(row)),
        "holds": [LABELS[row["metric"]] for row in drifts if row["finding"] == "holds"],
        "landing": landing_words(rows["strike_counts"].filter(pl.col("scope") == "athlete"), units),
        "listed": listed,
        "numbers": [_numbers(row, units, most_splits=most_splits) for row in drifts],
        "drawn": [METRIC_OF[row["metric"]] for row in with_estimate],
        "first": first,
        "reference": units.speed_text(drifts[0]["reference_speed_m_s"]) if drifts else "",
        "pacing": [_pacing(row) for row in _with_speed(rows["pacing"])],
        "contrasts": [_contrast(row, club) for row in contrasts],
        "compared": contrast_sentences(contrasts, lambda row, name: _shoe_or_surface(row, name, club)),
        "n_compared": 2 * len(contrasts),
        "months": [_month(row) for row in in_order(rows["season_trend"].iter_rows(named=True))],
        "slopes": [_season_slope(row) for row in in_order(rows["season_slope"].iter_rows(named=True))],
        "complaints": _complaints(rows, club, _metrics_of_complaints(drifts, first), pages.settings.min_runs),
        "strikes": [_strike(row, units) for row in strikes.sort("distance_km", "strike").iter_rows(named=True)],
        "runs": [_run(row, session, club, athlete_id, units) for row, session in _with_sessions(runs)],
        "cannot_say": cannot_say(
            drifts, _never_recorded(drifts), rows["runs"].to_dicts(), next(rows["pacing"].iter_rows(named=True), None)
        ),
        "looks": _looks(drifts),
        "data": {"first": first, **_drawn(pages, club, athlete_id, rows, with_estimate)},
    }


def _first_shown(drifts: Sequence[Row]) -> str | None:
    """The metric whose pictures are shown first: of the changes of form, or of all, the one with the lowest rank."""
    changes = [row["metric"] for row in form_of(drifts) if is_change(row)]
    return min(changes or [row["metric"] for row in drifts], key=_picture_rank, default=None)


def _picture_rank(metric: str) -> tuple[bool, int]:
    return METRIC_OF[metric].is_effort, METRIC_OF[metric].picture_rank


def _never_recorded(drifts: Sequence[Row]) -> list[str]:
    seen = {row["metric"] for row in drifts}
    return [metric.label for metric in METRICS if metric.column not in seen]


def _metrics_of_complaints(drifts: Sequence[Row], first: str | None) -> list[str]:
    """Metrics listed with complaints: those of form that change, or the one whose pictures come first."""
    changes = [row["metric"] for row in form_of(drifts) if is_change(row)]
    return changes or ([] if first is None else [first])


def _looks(drifts: Sequence[Row]) -> list[Context]:
    """What is worth a look: changes by rank of their pictures, then the rest; each text once."""
    shown, seen = [], set()
    for row in sorted(drifts, key=lambda row: (not is_change(row), _picture_rank(row["metric"]))):
        new = [look for look in looks(row["metric"], row["finding"]) if (look.examine, look.evidence) not in seen]
        if new:
            seen |= {(look.examine, look.evidence) for look in new}
            about = f"{LABELS[row['metric']]} {finding_words(row)}" if is_change(row) else finding_words(row)
            shown.append({"about": about, "looks": new})
    return shown


# --- Rows of tables --------------------------------------------------------------------------------------------------


def _numbers(row: Row, units: Units, *, most_splits: int) -> Context:
    metric = METRIC_OF[row["metric"]]
    return {
        "metric": metric.label,
        "unit": metric.unit,
        "n_runs": row["n_runs"],
        "is_level": metric.is_level_only and row["n_splits"] < most_splits,
        "fresh": number(row["fresh_level"], metric.decimals),
        "raw": signed(row["raw_pct_per_10km"]),
        "pace": signed(row["speed_part_pct"]),
        "hill": signed(row["slope_part_pct"]),
        "drift": signed(row["drift_pct_per_10km"]),
        "interval": between(row["drift_low"], row["drift_high"]),
        "q": _probability(row["q_value"]),
        "onset": onset_words(row, units),
        "matters": number(row["smallest_change_pct"], 1),
        "detectable": number(row["detectable_pct"], 1),
        "repeatability": number(row["repeatability"], SHOWN_DECIMALS["repeatability"]),
        "finding": finding_words(row),
    }


def _with_speed(pacing: pl.DataFrame) -> list[Row]:
    return [row for row in pacing.iter_rows(named=True) if row["speed_pct_per_10km"] is not None]


def _probability(value: float | None) -> str:
    decimals = SHOWN_DECIMALS["q_value"]
    smallest = 10**-decimals
    return f"< {smallest:.{decimals}f}" if value is not None and value < smallest / 2 else number(value, decimals)


def _pacing(row: Row) -> list[Context]:
    parts = (("speed", "speed"), ("cadence_part", "by cadence"), ("step_length_part", "by step length"))
    return [
        {
            "part": words,
            "percent": signed(row[f"{name}_pct_per_10km" if name == "speed" else f"{name}_pct"]),
            "interval": between(row[f"{name}_low"], row[f"{name}_high"]),
        }
        for name, words in parts
    ]


def _contrast(row: Row, club: ClubRows) -> Context:
    compared, reference = (_shoe_or_surface(row, name, club) for name in ("compared", "reference"))
    return {
        "metric": LABELS[row["metric"]],
        "compared": f"{FACTOR_WORDS.get(row['factor'], row['factor'])} {compared} against {reference}",
        "n_runs": f"{row['n_runs']} and {row['n_runs_reference']}",
        "level": signed(row["difference_pct"]),
        "level_interval": between(row["low"], row["high"]),
        "drift": signed(row["drift_difference_pct_per_10km"]),
        "drift_interval": between(row["drift_difference_low"], row["drift_difference_high"]),
    }


def _shoe_or_surface(row: Row, name: str, club: ClubRows) -> str:
    return str(club.shoe(row[name]) if row["factor"] == "shoe" else RIDE_WORDS.get(row[name], row[name]))


def _month(row: Row) -> Context:
    return {
        "metric": LABELS[row["metric"]],
        "month": row["month"],
        "n_runs": row["n_runs"],
        "drift": signed(row["drift_pct_per_10km"]),
        "interval": between(row["drift_low"], row["drift_high"]),
    }


def _season_slope(row: Row) -> Context:
    return {
        "metric": LABELS[row["metric"]],
        "n_runs": row["n_runs"],
        "change": signed(row["change_pct_per_10km_per_month"], 2),
        "interval": between(row["change_low"], row["change_high"], 2),
        "first": signed(row["first_drift_pct_per_10km"]),
        "last": signed(row["last_drift_pct_per_10km"]),
    }


def _complaints(
    rows: Mapping[str, pl.DataFrame], club: ClubRows, metrics: Sequence[str], min_runs: int
) -> list[Context]:
    """Complaints by date; numbered, without the text people wrote, where athletes are shown as codes."""
    in_time = rows["complaints"].sort("from_date", "line")
    return [
        {
            "from": row["from_date"],
            "to": row["to_date"],
            "site": f"complaint {number}" if club.is_coded else row["site"],
            "note": None if club.is_coded else row["note"],
            "told": complaint_sentences(row, rows["runs"], rows["run_drift"], metrics, min_runs),
        }
        for number, row in enumerate(in_time.iter_rows(named=True), 1)
    ]


def _strike(row: Row, units: Units) -> Context:
    return {
        "distance": units.distance_text(row["distance_km"]),
        "strike": row["strike"],
        "n": row["n"],
        "n_seen": row["n_seen"],
        "share": f"{100 * row['share']:.0f}",
        "interval": f"{100 * row['low']:.0f} to {100 * row['high']:.0f}",
    }


def _with_sessions(runs: pl.DataFrame) -> list[tuple[Row, int | None]]:
    """Runs, each with its number within the day where the day has several."""
    day = pl.col("started_at_utc").dt.date()
    number = pl.when(pl.len().over(day) > 1).then(pl.col("started_at_utc").rank("ordinal").over(day))
    return list(zip(runs.iter_rows(named=True), runs.select(number.alias("n"))["n"], strict=True))


def _run(row: Row, session: int | None, club: ClubRows, athlete_id: str, units: Units) -> Context:
    return {
        "page": f"{run_name(row['run_id'], athlete_id)}.html",
        "date": row["started_at_utc"],
        "session": session,
        "distance": units.distance_text(row["distance_km"]),
        "moving": duration(row["moving_s"]),
        "moving_s": row["moving_s"],
        "speed": units.speed_text(1000 * row["distance_km"] / row["moving_s"] if row["moving_s"] else None),
        "kind": row["kind"],
        "surface": row["surface"],
        "shoe": club.shoe(row["shoe_id"]),
    }


# --- What is drawn ---------------------------------------------------------------------------------------------------


def _drawn(
    pages: Pages, club: ClubRows, athlete_id: str, rows: Mapping[str, pl.DataFrame], drifts: list[Row]
) -> Context:
    """Chart data in kilometres and metres per second; the script converts them to the units of the page."""
    shown = _included_splits(pages, club, athlete_id, rows)
    runs = rows["runs"].sort("started_at_utc")
    index = {run_id: number for number, run_id in enumerate(runs["run_id"])}
    strikes = rows["strike_counts"].filter(pl.col("scope") == "athlete", pl.col("n") > 0)
    columns = ("strike", "n")
    season = _by_metric(rows["run_drift"].select("metric", "run_id", *_DRIFT), index)
    months = _by_metric(rows["season_trend"].select("metric", "month", *_DRIFT))
    return {
        "units": {"distance": pages.units.distance, "speed": pages.units.speed},
        "runs": [
            {
                "date": f"{row['started_at_utc']:%Y-%m-%d}",
                "km": round(row["distance_km"], 1),
                "session": session,
                "shoe": club.shoe(row["shoe_id"]),
                "surface": row["surface"],
            }
            for row, session in _with_sessions(runs)
        ],
        "splits": {
            "run": [index[run_id] for run_id in shown["run_id"]],
            "km": shown["distance_km"].round(3).to_list(),
            "speed": shown["speed_m_s"].round(3).to_list(),
        },
        "metrics": {
            row["metric"]: _metric_drawn(row, shown, rows["run_drift"], index)
            | {"season": season[row["metric"]], "months": months[row["metric"]]}
            for row in drifts
        },
        "surfaces": SURFACES,
        "pacing": _pacing_drawn(rows["pacing"]),
        "complaints": [
            {"from": row["from"], "to": row["to"], "site": row["site"] or "a complaint", "note": row["note"] or ""}
            for row in _complaints(rows, club, (), pages.settings.min_runs)
        ],
        "landing": strikes.sort("distance_km", "strike").select(*columns, km="distance_km").to_dicts(),
    }


def _included_splits(pages: Pages, club: ClubRows, athlete_id: str, rows: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    settings = pages.settings
    return adjusted(
        club.own("splits", athlete_id), rows["athlete_drift"], rows["run_drift"], inclusion=settings.inclusion
    )


_DRIFT = ("drift_pct_per_10km", "drift_low", "drift_high")


def _by_metric(rows: pl.DataFrame, index: Mapping[str, int] | None = None) -> Mapping[str, list[list[object]]]:
    """The drifts of each metric, each with the index of its run, or with its month."""
    by_metric: dict[str, list[list[object]]] = defaultdict(list)
    for metric, which, *drift in rows.drop_nulls(_DRIFT[0]).iter_rows():
        if index is None or which in index:
            by_metric[metric].append([which if index is None else index[which], *drift])
    return by_metric


def _metric_drawn(row: Row, shown: pl.DataFrame, run_drifts: pl.DataFrame, index: Mapping[str, int]) -> Context:
    metric = row["metric"]
    bent = bent_levels(shown, row)
    return {
        "label": LABELS[metric],
        "unit": METRIC_OF[metric].unit,
        "order": list(METRIC_OF).index(metric),
        "fresh": row["fresh_level"] * math.exp(sum(bent.values()) / max(1, len(bent))),
        "bent": {index[run_id]: round(shift, 5) for run_id, shift in bent.items()},
        "reference": row["reference_speed_m_s"],
        "to_speed": [row[name] or 0.0 for name in list(ADJUSTED_BY.values())[:2]],
        "parts": [row["speed_part_pct"], row["slope_part_pct"], row["drift_pct_per_10km"], row["raw_pct_per_10km"]],
        "splits": shown[metric].round(2).to_list(),
        "lines": [
            [index[run_id], onset_km, *(round(value, 2) for value in values)]
            for run_id, onset_km, *values in lines(shown, run_drifts, metric).iter_rows()
        ],
    }


def _pacing_drawn(pacing: pl.DataFrame) -> list[list[object]]:
    return [
        [words, row[value], row[f"{name}_low"], row[f"{name}_high"]]
        for row in pacing.iter_rows(named=True)
        for name, value, words in (
            ("speed", "speed_pct_per_10km", "speed"),
            ("cadence_part", "cadence_part_pct", "by cadence"),
            ("step_length_part", "step_length_part_pct", "by step length"),
        )
        if row[value] is not None
    ]
