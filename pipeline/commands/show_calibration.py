"""The self-check in the terminal, in words a coach uses."""

from __future__ import annotations

import polars as pl
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.pages.words import count_of
from pipeline.stages.calibration import EVERY_METRIC

_PLACEBO = (
    "Where there is no drift. The model's remainder - what neither pace, hill nor drift explains - is kept, but whole "
    "runs are turned round at random, or shuffled in blocks of 3 km, so that no direction is left. 'false positives': "
    "the table says rises or falls all the same; above 5 % would be a fault. 'interval misses 0' should be near 5 %."
)
_PLANTED = (
    "Where there is one. A drift of this size is added to the runs turned round. 'found': the table says rises or "
    "falls, the right way. 'says holds' is right for drifts inside the smallest change of interest, wrong for larger "
    "ones. 'interval holds it' should be near 95 %. By metric: splitdrift show calibration."
)
_MEANING = (
    "What this does not show: speed and slope act in these seasons exactly as they were fitted, so a wrong form of "
    "response stays hidden; the sensor's faults stay in the remainder only as far as they scatter; and an athlete with "
    "three or four runs has few ways to be turned round. All draws share the same remainders and an athlete's metrics "
    "hang together, so in a club of few athletes the truth may lie outside these intervals, wide as they are."
)


def calibration_summary(calibration: pl.DataFrame, registry: Registry = BUILT_IN) -> RenderableType:
    """The rates at a glance: placebo by metric, planted drifts by size."""
    everything = calibration.filter(pl.col("metric") == EVERY_METRIC)
    n_athletes, n_runs = everything.select(pl.col("n_athletes", "n_runs").max()).row(0)
    behind = f"From {count_of(n_athletes, 'athlete', 'athletes')} and {n_runs} runs. Shares in percent, "
    return Group(
        _placebo(calibration, registry),
        Text(_PLACEBO),
        Text(),
        _planted(everything),
        Text(_PLANTED),
        Text(),
        Text(behind + "with the 95 % interval of the counting in brackets."),
        Text(_MEANING, style="italic"),
    )


def _placebo(calibration: pl.DataFrame, registry: Registry) -> Table:
    table = _table(
        "Placebo", "metric", "false positives (turned round)", "(shuffled)", "interval misses 0 (turned)", "(shuffled)"
    )
    rows = calibration.filter(pl.col("test") != "planted")
    for column, label in [
        *((metric.column, metric.label) for metric in registry.metrics),
        (EVERY_METRIC, "all together"),
    ]:
        of_metric = rows.filter(pl.col("metric") == column)
        if of_metric.is_empty():
            continue
        if column == EVERY_METRIC:
            table.add_section()
        cells = [
            _rate(of_metric.filter(test=test), question)
            for question in ("called", "excludes_zero")
            for test in ("reversed", "shuffled")
        ]
        table.add_row(label, *cells)
    return table


def _planted(everything: pl.DataFrame) -> Table:
    table = _table("Planted", "drift per 10 km", "found", "called the wrong way", "says holds", "interval holds it")
    planted = everything.filter(pl.col("test") == "planted")
    for (size,), of_size in planted.partition_by("planted_pct_per_10km", as_dict=True, maintain_order=True).items():
        questions = ("called", "called_wrong_way", "holds", "covers")
        table.add_row(f"{size:+.1f} %", *(_rate(of_size, question) for question in questions))
    return table


def _table(title: str, first: str, *headings: str) -> Table:
    table = Table(title=title, title_justify="left", header_style="bold", pad_edge=False)
    table.add_column(first, no_wrap=True)
    for heading in headings:
        table.add_column(heading, justify="right")
    return table


def _rate(rows: pl.DataFrame, question: str) -> str:
    answer = rows.filter(pl.col("question") == question)
    if answer.is_empty():
        return ""
    share, low, high = (100 * answer[name].item() for name in ("share", "low", "high"))
    return f"{share:.1f} [{low:.1f} to {high:.1f}]"
