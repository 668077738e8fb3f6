"""The result of a study in the terminal."""

from __future__ import annotations

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from pipeline.commands.show import plain
from pipeline.study.cohort import in_words
from pipeline.study.conduct import StudyResult
from pipeline.study.outcomes import decimals_of, labels


def study_summary(result: StudyResult) -> RenderableType:
    """The cohort and the results as a table."""
    table, named = Table(header_style="bold", pad_edge=False), labels(result.settings.registry)
    for heading in ("analysis", "metric", "statistic", "estimate", "interval", "p corrected"):
        table.add_column(heading, justify="left" if heading in ("analysis", "metric", "statistic") else "right")
    for row in result.results.iter_rows(named=True):
        decimals = decimals_of(row["statistic"], row["metric"], result.settings.registry)
        interval = _interval(row["low"], row["high"], decimals)
        estimate = "" if row["estimate"] is None else f"{row['estimate']:.{decimals}f}"
        corrected = "" if row["p_corrected"] is None else _p(row["p_corrected"])
        of = plain(", ".join(name for name in (row["statistic"], row["part"]) if name))
        label = named.get(row["metric"], "landing")
        table.add_row(plain(row["analysis"]), label, of, estimate, interval, corrected)
    flow, runs = result.flow, result.flow.runs
    included = f"{runs.height} {flow.counts} of {runs['athlete_id'].n_unique()} athletes are included."
    entered = f"{included} {in_words(flow)}"
    failures = [plain(f"Not computed: {failure}") for failure in result.failures]
    return Group(plain(result.study.title), Text(), plain(entered), *failures, Text(), table)


def _interval(low: float | None, high: float | None, decimals: int) -> str:
    if low is None:
        return ""
    return f"{low:.{decimals}f} " + ("or more" if high is None else f"to {high:.{decimals}f}")


def _p(value: float) -> str:
    return "< 0.0001" if value < 0.00005 else f"{value:.4f}"
