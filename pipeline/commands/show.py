"""Tables in the terminal: the club summary in words a coach uses, any other table as it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

import polars as pl
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from pipeline.commands.terminal import printable
from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.core.quality_rules import SUSPICIONS
from pipeline.pages.units import signed
from pipeline.pages.words import CAUTION, finding_words, is_change
from pipeline.tables import TABLES, decimals_of, schema_of
from pipeline.tables.analysed import FINDING_WORDS, FINDINGS

MOST_ROWS = 60
#: With more athletes than this, the numbers are left out, or the summary would scroll out of view.
MOST_WITH_NUMBERS = 40
#: Runs of athletes with too few of them that are listed.
MOST_SINGLE_RUNS = 12

#: In a narrower window the parts of the change are left out.
WIDE = 125
SAME_PACE = "same pace\nand slope"
_NARROW = ("athlete", "metric", SAME_PACE, "95 % interval", "in words")
_HEADINGS = (
    "athlete", "metric", "runs", "fresh level", "total change", "from pace", "from hills", SAME_PACE, "95 % interval",
    "in words",
)  # fmt: skip
_LEGEND_OF_NUMBERS = (
    "Change per 10 km, in percent of the athlete's own fresh level. 'total change' is what was measured; 'from pace' "
    "and 'from hills' are the parts that the athlete's own response to speed and slope passes on; 'same pace and "
    "slope' is the change without them, with its 95 % interval over whole runs."
)
_LEGEND = (
    "'steady' means that whatever change there is at the same pace and slope is smaller than matters (`splitdrift "
    "settings`: smallest_change_pct); "
    "'cannot tell yet' that the data leave it open: `reason` in `splitdrift show athlete_drift`."
)


_MORE = Text(
    "'+5.2 % beyond km 9.5': per 10 km, once 9.5 km have been run. "
    "All metrics: the workbook, or `splitdrift show athlete_drift`."
)

#: With the hyphen that every terminal has.
_signed = partial(signed, minus="-")


def club_summary(
    athlete_drift: pl.DataFrame,
    runs: pl.DataFrame,
    names: pl.DataFrame | None = None,
    *,
    width: int = WIDE,
    most_with_numbers: int = MOST_WITH_NUMBERS,
    single_runs: pl.DataFrame | None = None,
    registry: Registry = BUILT_IN,
) -> RenderableType:
    """The club at a glance: one line per athlete, then, except for a large club, the numbers of the leading metrics.

    Args:
        names: `athlete_id` and `display_name`; None to show ids only.
        width: of the terminal [characters].
        most_with_numbers: with more athletes than this, the numbers are left out.
        single_runs: the table of this name; None to leave it out.
        registry: the quantities in force.
    """
    shown = dict(names.select("athlete_id", "display_name").drop_nulls().iter_rows()) if names is not None else {}
    drifts = _in_order(athlete_drift, registry)
    return Group(
        _at_a_glance(drifts, runs, shown, registry),
        *_unadjusted(single_runs, shown, registry),
        *_numbers_explained(drifts, shown, _HEADINGS if width >= WIDE else _NARROW, most_with_numbers, registry),
        Text(CAUTION, style="italic"),
    )


def _numbers_explained(
    drifts: pl.DataFrame, shown: dict[str, str], headings: Sequence[str], most: int, registry: Registry
) -> list[RenderableType]:
    """The numbers and how to read them; of a large club, where to find the numbers; nothing where there are none."""
    if drifts["drift_pct_per_10km"].count() == 0:
        return []
    n_athletes = drifts["athlete_id"].n_unique()
    if n_athletes > most:
        where = f"The numbers of {n_athletes} athletes are in the workbook (here: of {most} at most)."
        return [Text(f"Change per 10 km, in percent of the athlete's own fresh level. {where} {_LEGEND}"), _MORE]
    leading = drifts.filter(pl.col("metric").is_in([metric.column for metric in registry.metrics if metric.is_leading]))
    return [Text(), _numbers(leading, shown, headings, registry), Text(f"{_LEGEND_OF_NUMBERS} {_LEGEND}"), _MORE]


def _at_a_glance(drifts: pl.DataFrame, runs: pl.DataFrame, shown: dict[str, str], registry: Registry) -> Table:
    table = Table(title="At equal speed and slope, as the kilometres add up", title_justify="left", pad_edge=False)
    late = ["changes_late"] if "changes_late" in drifts["finding"] else []
    kinds = ["rises", "falls", *late, "holds"]
    for heading in ("athlete", "runs", *(FINDING_WORDS.get(kind, kind) for kind in (*kinds, "unclear"))):
        table.add_column(heading, justify="right" if heading == "runs" else "left", overflow="fold")
    counts = runs.group_by("athlete_id").len().sort("athlete_id")
    of_athletes = drifts.partition_by("athlete_id", as_dict=True, maintain_order=True)
    for athlete_id, n_runs in counts.iter_rows():
        rows = of_athletes.get((athlete_id,), drifts.clear())
        cells = {finding: _listed(rows.filter(pl.col("finding") == finding), registry) for finding in FINDINGS}
        unclear = [cells["unclear"]]
        few = rows.filter(pl.col("finding") == "too_little_data", pl.col("suspicion").is_null())
        if rows.is_empty():
            unclear = ["no cadence, contact time or heart rate recorded"]
        elif few.height == rows.height:
            unclear.append(": ".join(filter(None, ("too few runs", rows.sort("n_runs")["reason"][-1]))))
        elif not few.is_empty():
            unclear.append(f"too few: {_listed(few, registry)}")
        elif rows.filter(pl.col("finding") != "too_little_data").is_empty() and rows["n_runs"].max():
            unclear.append("too few runs")
        unclear += _excluded(rows, registry)
        name = plain(_named(athlete_id, shown))
        table.add_row(name, str(n_runs), *(cells[kind] for kind in kinds), "; ".join(filter(None, unclear)))
    return table


def _excluded(drifts: pl.DataFrame, registry: Registry) -> list[str]:
    """The readings of an athlete that were excluded in most of a run, with what they are suspected of."""
    rows = drifts.filter(pl.col("suspicion").is_not_null(), pl.col("metric").is_in(list(registry.reading_of)))
    labels: dict[str, list[str]] = {}
    for metric, suspicion, n_runs in rows.select("metric", "suspicion", "n_runs").iter_rows():
        part = " in part" if n_runs else ""
        labels.setdefault(f"excluded{part}: {SUSPICIONS[suspicion].words}", []).append(registry.label(metric))
    return [f"{', '.join(metrics)} {words}" for words, metrics in labels.items()]


def _unadjusted(single_runs: pl.DataFrame | None, shown: dict[str, str], registry: Registry) -> list[RenderableType]:
    """The runs of athletes with too few for a drift, a line each, in the leading metrics."""
    if single_runs is None:
        return []
    leading = [metric.column for metric in registry.metrics if metric.is_leading]
    rows = single_runs.filter(pl.col("metric").is_in(leading)).sort(
        "athlete_id", "run_id", pl.col("metric").cast(pl.Enum(list(registry.metric_of)))
    )
    lines = []
    for (athlete_id, run_id), run_rows in rows.group_by(["athlete_id", "run_id"], maintain_order=True):
        changes = ", ".join(
            f"{registry.label(row['metric'])} {_signed(row['unadjusted_pct_per_10km'])} % "
            f"({_signed(row['unadjusted_low'])} to {_signed(row['unadjusted_high'])})"
            for row in run_rows.iter_rows(named=True)
        )
        lines.append(plain(f"{_named(str(athlete_id), shown)}, run {run_id}: {changes}"))
    if not lines:
        return []
    more = [Text(f"and {len(lines) - MOST_SINGLE_RUNS} more runs; `splitdrift show single_runs`")]
    head = Text(
        "With too few runs for a drift: the change per 10 km along single runs, unadjusted (pace and hills in it)."
    )
    return [head, *lines[:MOST_SINGLE_RUNS], *(more if len(lines) > MOST_SINGLE_RUNS else [])]


def _listed(rows: pl.DataFrame, registry: Registry) -> str:
    """Labels of metrics; with an onset, the change beyond it, else for changes the one over whole runs."""
    parts = []
    for row in rows.iter_rows(named=True):
        part = registry.label(row["metric"])
        if row["onset_km"] is not None:
            part += f" {_signed(row['drift_after_onset_pct'])} % beyond km {row['onset_km']:.1f}"
        elif is_change(row):
            part += f" {_signed(row['drift_pct_per_10km'])} %"
        parts.append(part)
    return ", ".join(parts)


def _numbers(drifts: pl.DataFrame, shown: dict[str, str], headings: Sequence[str], registry: Registry) -> Table:
    table = Table(title="The numbers", title_justify="left", header_style="bold", pad_edge=False)
    for heading in headings:
        is_text = heading in ("athlete", "metric", "in words")
        table.add_column(heading, justify="left" if is_text else "right", no_wrap=not is_text)
    previous = None
    for row in drifts.filter(pl.col("drift_pct_per_10km").is_not_null()).iter_rows(named=True):
        metric, athlete_id = registry.metric_of[row["metric"]], row["athlete_id"]
        if previous not in (None, athlete_id):
            table.add_section()
        cells: dict[str, str | Text] = {
            "athlete": plain(_named(athlete_id, shown) if athlete_id != previous else ""),
            "metric": metric.label,
            "runs": str(row["n_runs"]),
            "fresh level": f"{row['fresh_level']:.{metric.decimals}f} {metric.unit}",
            "total change": _signed(row["raw_pct_per_10km"]),
            "from pace": _signed(row["speed_part_pct"]),
            "from hills": _signed(row["slope_part_pct"]),
            SAME_PACE: _signed(row["drift_pct_per_10km"]),
            "95 % interval": f"{_signed(row['drift_low'])} to {_signed(row['drift_high'])}",
            "in words": in_words(row),
        }
        table.add_row(*(cells[heading] for heading in headings))
        previous = athlete_id
    return table


def plain(text: str) -> Text:
    """A text from outside, with control characters replaced."""
    return Text(printable(text))


def in_words(row: Mapping[str, Any]) -> str:
    """The finding of a row of `athlete_drift` as a coach would say it."""
    words = finding_words(row)
    if row["onset_km"] is None:
        return words
    where = f"from km {row['onset_km']:.1f} ({row['onset_low']:.1f} to {row['onset_high']:.1f})"
    return f"{words} {where}, {_signed(row['drift_after_onset_pct'])} beyond"


def _named(athlete_id: str, shown: dict[str, str]) -> str:
    name = shown.get(athlete_id)
    return athlete_id if name is None or name.lower() == athlete_id.lower() else f"{name} ({athlete_id})"


def _in_order(athlete_drift: pl.DataFrame, registry: Registry) -> pl.DataFrame:
    return athlete_drift.sort("athlete_id", pl.col("metric").cast(pl.Enum(list(registry.metric_of))))


def table_as_it_is(
    name: str, rows: pl.DataFrame, *, width: int = WIDE, registry: Registry = BUILT_IN
) -> RenderableType:
    """The first rows of a table, numbers with the decimals they are published with.

    A table wider than the terminal is shown in parts, one below the other, each of which begins with the key.

    Args:
        width: of the terminal [characters].
    """
    columns = schema_of(name, registry).columns()
    cells = {
        column: [_cell(value, decimals_of(columns[column])) for value in rows[column].head(MOST_ROWS)]
        for column in rows.columns
    }
    parts = []
    for shown in _fitting(cells, [column for column in TABLES[name].primary_key() if column in cells], width):
        table = Table(header_style="bold", pad_edge=False)
        for column in shown:
            table.add_column(column, justify="right" if rows.schema[column].is_numeric() else "left", overflow="fold")
        for row in zip(*(cells[column] for column in shown), strict=True):
            table.add_row(*row)
        parts.append(table)
    more = rows.height - MOST_ROWS
    return Group(*parts, Text(f"and {more} more rows" if more > 0 else f"{rows.height} rows"))


def _fitting(cells: Mapping[str, Sequence[Text]], key: Sequence[str], width: int) -> list[list[str]]:
    """Columns split into parts, each with the key, that fit the terminal where possible."""
    border = 3  # between two columns
    widths = {
        column: border + max(len(column), *(len(cell) for cell in column_cells), 0)
        for column, column_cells in cells.items()
    }
    parts: list[list[str]] = [[*key]]
    for column in (column for column in cells if column not in key):
        if parts[-1] != key and sum(widths[name] for name in (*parts[-1], column)) > width:
            parts.append([*key])
        parts[-1].append(column)
    return parts


def _cell(value: object, decimals: int | None) -> Text:
    if value is None:
        return Text("")
    return plain(f"{value:.{decimals}f}" if isinstance(value, float) and decimals is not None else str(value))
