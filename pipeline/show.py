"""Tables in the terminal: the club summary in words a coach uses, any other table as it is."""

from __future__ import annotations

import polars as pl
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from pipeline.metrics import METRICS
from pipeline.tables import TABLES, decimals_of

MOST_ROWS = 60

_HEADINGS = (
    "athlete", "metric", "runs", "fresh level", "in all", "pace", "hill", "what remains", "95 % interval", "in words",
)  # fmt: skip
_LEGEND = (
    "Change per 10 km, in percent of the athlete's own fresh level. 'in all' is what was measured; 'pace' and 'hill' "
    "are the parts that the athlete's own response to speed and slope explains; 'what remains' is the change at equal "
    "speed and slope, with its 95 % interval over whole runs. An interval that holds 0 shows no change in either "
    "direction; it does not show that there is none."
)
_CAUTION = (
    "These numbers say what changed, not why, and are no advice. Pain, or a change after an injury, belongs with a "
    "physiotherapist or doctor."
)


def club_summary(athlete_drift: pl.DataFrame, names: pl.DataFrame | None = None) -> RenderableType:
    """The club at a glance: a line an athlete and metric.

    Args:
        athlete_drift: rows of that table.
        names: `athlete_id` and `display_name`; None to show ids alone.
    """
    shown = dict(names.select("athlete_id", "display_name").drop_nulls().iter_rows()) if names is not None else {}
    table = Table(title="Form along the kilometres", title_justify="left", header_style="bold", pad_edge=False)
    for heading in _HEADINGS:
        is_text = heading in ("athlete", "metric", "in words")
        table.add_column(heading, justify="left" if is_text else "right", no_wrap=not is_text)
    labels = {metric.column: metric for metric in METRICS}
    previous = None
    for row in _in_order(athlete_drift).iter_rows(named=True):
        metric, athlete_id = labels[row["metric"]], row["athlete_id"]
        first = athlete_id != previous
        if first and previous is not None:
            table.add_section()
        previous = athlete_id
        name = shown.get(athlete_id)
        label = Text(f"{athlete_id} ({name})" if name else athlete_id) if first else Text("")
        if row["drift_pct_per_10km"] is None:
            words = "too few runs to tell"
            table.add_row(label, metric.label, str(row["n_runs"]), "", "", "", "", "", "", words)
            continue
        table.add_row(
            label,
            metric.label,
            str(row["n_runs"]),
            f"{row['fresh_level']:.{metric.decimals}f} {metric.unit}",
            f"{row['raw_pct_per_10km']:+.1f}",
            f"{row['speed_part_pct']:+.1f}",
            f"{row['slope_part_pct']:+.1f}",
            f"{row['drift_pct_per_10km']:+.1f}",
            f"{row['drift_low']:+.1f} to {row['drift_high']:+.1f}",
            in_words(row["drift_low"], row["drift_high"]),
        )
    return Group(table, Text(_LEGEND), Text(_CAUTION, style="italic"))


def in_words(low: float, high: float) -> str:
    """What an interval of drift shows."""
    if low > 0:
        return "rises with distance"
    if high < 0:
        return "falls with distance"
    return "no change shown"


def _in_order(athlete_drift: pl.DataFrame) -> pl.DataFrame:
    order = {metric.column: place for place, metric in enumerate(METRICS)}
    return athlete_drift.sort("athlete_id", pl.col("metric").replace_strict(order, return_dtype=pl.Int64))


def table_as_it_is(name: str, rows: pl.DataFrame) -> RenderableType:
    """The first rows of a table, numbers with the decimals they are published with."""
    table = Table(header_style="bold", pad_edge=False)
    columns = TABLES[name].columns()
    for column_name in rows.columns:
        number = rows.schema[column_name].is_numeric()
        table.add_column(column_name, justify="right" if number else "left", overflow="fold")
    for row in rows.head(MOST_ROWS).iter_rows(named=True):
        table.add_row(*(_cell(value, decimals_of(columns[column_name])) for column_name, value in row.items()))
    more = rows.height - MOST_ROWS
    return Group(table, Text(f"and {more} more rows" if more > 0 else f"{rows.height} rows"))


def _cell(value: object, decimals: int | None) -> Text:
    if value is None:
        return Text("")
    return Text(f"{value:.{decimals}f}" if isinstance(value, float) and decimals is not None else str(value))


def ledger_summary(ledger: pl.DataFrame, *, everything: bool) -> RenderableType:
    """How many files became what; and each that needs a person's eye, with reason and fix.

    Args:
        ledger: rows of `recordings`.
        everything: list the accepted ones too.
    """
    counts = ledger.group_by("status").len().sort("len", descending=True)
    line = ", ".join(f"{count} {status.replace('_', ' ')}" for status, count in counts.iter_rows())
    listed = ledger if everything else ledger.filter(pl.col("status") != "accepted")
    head = Text(f"{ledger['path'].str.split('!').list.first().n_unique()} files: {line}.")
    if listed.is_empty():
        return head
    table = Table(header_style="bold", pad_edge=False)
    for heading in ("file", "status", "reason and what to do"):
        table.add_column(heading, overflow="fold")
    for row in listed.iter_rows(named=True):
        place = f" (session {row['session']})" if row["session"] > 1 else ""
        table.add_row(
            Text(row["path"] + place),
            row["status"].replace("_", " "),
            Text(" ".join(filter(None, (row["reason"], row["fix"])))),
        )
    return Group(head, table)
