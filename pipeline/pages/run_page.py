"""The page of a run: its course against the athlete's usual, its splits, what was excluded and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from markupsafe import Markup

from pipeline.core.arrays import Array
from pipeline.core.inclusion import Inclusion
from pipeline.core.metrics import Registry
from pipeline.pages.adjusted import Included
from pipeline.pages.athlete_tables import against_cells, comparison_words, quiet_words
from pipeline.pages.club_rows import ClubRows
from pipeline.pages.language import Language, upper_first
from pipeline.pages.run_pictures import RunCourse, run_pictures
from pipeline.pages.small_marks import scale_symbol, span_of
from pipeline.pages.traces import Traces
from pipeline.pages.units import duration
from pipeline.pages.words import in_order

Row = Mapping[str, Any]
Context = dict[str, Any]

#: What can be excluded besides readings, by the values of `quantity` in the table `exclusions`.
EXCLUDED = ("sample", "distance_m", "speed_m_s", "altitude_m")
#: Columns of `splits` that the page shows, besides the quantities.
_OF_SPLITS = ("km", "length_m", "moving_s", "speed_m_s", "slope_pct", "run_share")
#: Texts that a row of splits begins with.
_IN_ROW = ("km", "to", "moving_s", "speed_m_s", "slope_pct", "run_share")


@dataclass(frozen=True)
class RunRows:
    """The rows of the tables that the page of a run shows.

    Attributes:
        splits: columns of `splits`, in order.
        texts: the same as they are shown, as `split_texts` gives them.
        expected: by metric, of each split both ends of what is usual there, (splits, 2); NaN where nothing is.
        quality: of `quality`, where there is such a table.
        neighbours: the pages of the run before and of the run after, with their dates; None where there is none.
    """

    splits: Mapping[str, Sequence[Any]]
    texts: Mapping[str, Sequence[str]]
    drifts: Sequence[Row] = ()
    against: Sequence[Row] = ()
    exclusions: Sequence[Row] = ()
    quality: Sequence[Row] = ()
    expected: Mapping[str, Array] = field(default_factory=dict)
    neighbours: tuple[tuple[str, Any] | None, tuple[str, Any] | None] = (None, None)


def run_page(run: Row, rows: RunRows, *, club: ClubRows, language: Language, inclusion: Inclusion) -> Context:
    """What the page of a run shows, except its pictures.

    Args:
        club: gives the names of athletes and shoes as shown.
    """
    registry = language.registry
    columns = [one for one in registry.quantities if any(rows.texts[one.column])]
    spans = {row["metric"]: _span(row, registry) for row in rows.against}
    against, drifts = in_order(rows.against, registry), in_order(rows.drifts, registry)
    return {
        "name": club.shown(run["athlete_id"]),
        "date": run["started_at_utc"],
        "distance": language.distance(run["distance_km"], 2),
        "moving": duration(run["moving_s"]),
        "paused": duration(run["paused_s"]) if run["paused_s"] else None,
        "speed": language.speed(1000 * run["distance_km"] / run["moving_s"] if run["moving_s"] else None),
        "climb": language("run.climb", climb=f"{run['climb_m']:.0f}") if run["climb_m"] is not None else "",
        "note": club.session_note(run["session_line"]),
        "about": _about(run, club, language),
        "before": rows.neighbours[0],
        "after": rows.neighbours[1],
        "sentence": _sentence(rows, language),
        "symbols": [scale_symbol(f"run-{metric}", 0.0, span) for metric, span in spans.items()],
        "quiet": quiet_words(
            (
                (language.metric(row["metric"]), row["comparison"])
                for row in against
                if registry.metric_of[row["metric"]].is_reading
            ),
            language,
        ),
        "against": [
            {
                "metric": language.metric(row["metric"]),
                "is_derived": not registry.metric_of[row["metric"]].is_reading,
                "is_unusual": row["comparison"] in ("more", "less"),
                "mark": cell["html"],
                "n": row["n_other_runs"],
                "drift": cell["change"],
                "usual": cell["usual"],
            }
            for row, cell in zip(against, against_cells(against, spans, language), strict=True)
        ],
        "columns": [(language.head(one.column), language.unit(one.unit), "number") for one in columns],
        "split_rows": _split_rows([rows.texts[name] for name in (*_IN_ROW, *(one.column for one in columns))]),
        "has_expected": any(np.isfinite(ends).any() for ends in rows.expected.values()),
        "left_out": [
            language(f"run.left_out.{why}") for why in dict.fromkeys(why for *_, why in left_out(rows, inclusion))
        ],
        "drifts": _drifts(drifts, language),
        "exclusions": [
            {
                "what": excluded_words(row["quantity"], language),
                "reason": language.exclusion(row["reason"]),
                "n": row["n_samples"],
            }
            for row in rows.exclusions
        ],
        "quality": [quality_row(row, language) for row in rows.quality],
    }


def splits_shown(registry: Registry) -> tuple[str, ...]:
    """The columns of `splits` that the page of a run shows."""
    return (*_OF_SPLITS, *(one.column for one in registry.quantities))


def split_texts(splits: Mapping[str, Sequence[Any]], language: Language, inclusion: Inclusion) -> dict[str, list[str]]:
    """Columns of `splits` as texts, and `to`, where a split ends.

    Args:
        splits: columns, of one run or of many: these take less time at once.
    """
    ends_km = [
        ((km - 1) * inclusion.split_length_m + length_m) / 1000
        for km, length_m in zip(splits["km"], splits["length_m"], strict=True)
    ]
    return {
        "km": [str(km) for km in splits["km"]],
        "to": language.numbers([language.units.distance_of(end_km) for end_km in ends_km], 2),
        "moving_s": [duration(moving_s) for moving_s in splits["moving_s"]],
        "speed_m_s": [language.speed(speed) for speed in splits["speed_m_s"]],
        "slope_pct": language.signs(splits["slope_pct"]),
        "run_share": ["" if share is None else f"{100 * share:.0f}" for share in splits["run_share"]],
    } | {one.column: language.numbers(splits[one.column], one.decimals) for one in language.registry.quantities}


def panels(
    runs: Sequence[tuple[Row, RunRows]], traces: Traces, *, language: Language, inclusion: Inclusion
) -> list[list[Context]]:
    """The pictures of several runs, those of a run one below the other.

    Args:
        traces: of the same runs.
    """
    per_split = inclusion.split_length_m / 1000
    courses = []
    for (run, rows), distance_km, moves in zip(runs, traces.distance_km, traces.moves, strict=True):
        begins = (np.array(rows.splits["km"], dtype=float) - 1) * per_split
        ends = begins + np.array(rows.splits["length_m"], dtype=float) / 1000
        length_km = max([run["distance_km"], *distance_km[moves][-1:].tolist()])
        courses.append(
            RunCourse(rows.splits, rows.texts, begins, ends, rows.expected, left_out(rows, inclusion), length_km)
        )
    return run_pictures(courses, traces, language)


def left_out(rows: RunRows, inclusion: Inclusion) -> list[tuple[float, float, str]]:
    """Stretches whose splits do not enter the change along the distance: from, to [km], why."""
    stretches = []
    for km, length_m, run_share in zip(*(rows.splits[name] for name in ("km", "length_m", "run_share")), strict=True):
        begin = (km - 1) * inclusion.split_length_m
        if begin < inclusion.warm_up_m:
            why = "warm_up"
        elif run_share is None or run_share < inclusion.min_run_share:
            why = "walked"
        elif length_m < inclusion.min_length_share * inclusion.split_length_m:
            why = "short"
        else:
            continue
        stretches.append((begin / 1000, (begin + length_m) / 1000, why))
    return stretches


def expected_ranges(own: Included, n_splits: int, course: pl.DataFrame, inclusion: Inclusion) -> dict[str, Array]:
    """What is usual of the athlete at the pace and slope of each split, by metric.

    Args:
        own: the splits of the athlete.
        n_splits: how many there are, with those that do not enter.
        course: rows of `usual_course`.

    Returns:
        For metrics as a sensor records them, and effort: of each row of `splits` both ends of the range of single runs,
        (splits, 2); NaN where it is not included.
    """
    metrics = inclusion.registry.metric_of
    place = {column: place for place, column in enumerate(metrics)}
    km, rows = (own.splits[name].to_numpy() for name in ("km", "row"))
    bounds = np.full((len(metrics), int(km.max(initial=0)) + 1, 2), np.nan)
    shown = (course[name].to_list() for name in ("metric", "km", "start_level", "run_low", "run_high"))
    for metric, at, start, *ends in zip(*shown, strict=True):
        if None not in ends and at < bounds.shape[1]:
            bounds[place[metric], at] = [start * (1 + end / 100) for end in ends]
    ranges = {}
    for metric, effect in own.effects.items():
        if not metrics[metric].is_reading:
            continue
        ranges[metric] = np.full((n_splits, 2), np.nan)
        # The last digits of an exponential differ between processes; a digest must not.
        ends = np.round(bounds[place[metric], km] * np.exp(effect)[:, None], 3)
        ranges[metric][rows] = np.where(np.isfinite(ends).all(axis=1)[:, None], ends, np.nan)
    return ranges


def excluded_words(quantity: str, language: Language) -> str:
    """What was excluded."""
    if quantity in language.registry.reading_of:
        return language.metric(quantity)
    return language(f"excluded.{quantity}") if quantity in EXCLUDED else quantity


def quality_row(row: Row, language: Language) -> Context:
    """What is odd in the recording of one quantity."""
    return {
        "what": excluded_words(row["quantity"], language),
        "suspicion": language.suspicion(row["suspicion"]) if row["suspicion"] else "",
        "fix": language.fix(row["suspicion"]) if row["suspicion"] else "",
    }


def _about(run: Row, club: ClubRows, language: Language) -> list[tuple[str, str]]:
    told = (
        ("kind", language(f"kind.{run['kind']}") if run["kind"] else None),
        ("surface", language(f"surface.{run['surface']}") if run["surface"] else None),
        ("shoe", shoe_words(run["shoe_id"], club, language)),
        ("device", run["device"]),
        ("sensors", run["sensors"]),
        ("altitude", language(f"altitude.{run['altitude']}") if run["altitude"] in ("rough", "absent") else None),
    )
    return [(language(f"run.about.{name}"), value) for name, value in told if value is not None]


def shoe_words(shoe_id: str | None, club: ClubRows, language: Language) -> str | None:
    """A shoe with its drop, where that is known."""
    shoe, drop_mm = club.shoe(shoe_id), club.drop_mm(shoe_id)
    if shoe is None or drop_mm is None:
        return shoe
    return language("run.shoe", shoe=shoe, drop=language.number(drop_mm, 0))


def _span(row: Row, registry: Registry) -> float:
    ends = (row["drift_pct_per_10km"], row["usual_low"], row["usual_high"])
    return span_of(ends if None not in ends else ends[:1], registry.metric_of[row["metric"]].smallest_change_pct)


def _sentence(rows: RunRows, language: Language) -> str:
    """What of this run is not as usual, in a sentence; empty where nothing can be compared."""
    form = [
        row
        for row in in_order(rows.against, language.registry)
        if language.registry.metric_of[row["metric"]].is_reading
    ]
    parts = [
        language("run.unusual", metric=language.metric(row["metric"]), word=comparison_words(row, language))
        for row in form
        if row["comparison"] in ("more", "less")
    ]
    if parts:
        return upper_first("; ".join(parts)) + "."
    if any(row["comparison"] == "as_usual" for row in form):
        return language("run.as_usual")
    return language("run.cannot_tell") if form else ""


def _drifts(rows: Sequence[Row], language: Language) -> list[Context]:
    raw, drifts = (language.signs([row[name] for row in rows]) for name in ("raw_pct_per_10km", "drift_pct_per_10km"))
    intervals = language.intervals([row["drift_low"] for row in rows], [row["drift_high"] for row in rows])
    return [
        {
            "metric": language.metric(row["metric"]),
            "n_splits": row["n_splits"],
            "raw": raw[place],
            "drift": drifts[place],
            "interval": intervals[place],
            "onset": language.distance(row["onset_km"]),
        }
        for place, row in enumerate(rows)
    ]


def _split_rows(cells: Sequence[Sequence[str]]) -> Markup:
    """The rows of splits, from the texts of each column; nothing in them to escape."""
    form = f'<tr><th scope="row" class="number">%s</th>{"<td>%s</td>" * (len(cells) - 1)}</tr>'
    return Markup("\n".join([form % row for row in zip(*cells, strict=True)]))
