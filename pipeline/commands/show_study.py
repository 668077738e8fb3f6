"""The result of a study in the terminal."""

from __future__ import annotations

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from pipeline.commands.show import plain
from pipeline.study.cohort import in_words
from pipeline.study.conduct import StudyResult
from pipeline.study.outcomes import LABELS


def study_summary(result: StudyResult) -> RenderableType:
    """The cohort and the results as a table."""
    table = Table(header_style="bold", pad_edge=False)
    for heading in ("analysis", "metric", "statistic", "estimate", "interval", "p corrected"):
        table.add_column(heading, justify="left" if heading in ("analysis", "metric", "statistic") else "right")
    for row in result.results.iter_rows(named=True):
        interval = " to ".join(f"{row[end]:.2f}" for end in ("low", "high") if row[end] is not None)
        estimate = "" if row["estimate"] is None else f"{row['estimate']:.2f}"
        corrected = "" if row["p_corrected"] is None else f"{row['p_corrected']:.4f}"
        of = plain(", ".join(name for name in (row["statistic"], row["part"]) if name))
        label = LABELS.get(row["metric"], "landing")
        table.add_row(plain(row["analysis"]), label, of, estimate, interval, corrected)
    runs = result.flow.runs
    entered = f"{runs.height} runs of {runs['athlete_id'].n_unique()} athletes are included. {in_words(result.flow)}"
    failures = [plain(f"Not computed: {failure}") for failure in result.failures]
    return Group(plain(result.study.title), Text(), plain(entered), *failures, Text(), table)
