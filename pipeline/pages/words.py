"""Findings in the words of the terminal and of the nightly page, and what is a change."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.tables.analysed import FINDING_WORDS

Row = Mapping[str, Any]

#: Shown with findings: on every page, below the club summary, on the page of a night.
CAUTION = (
    "These numbers say what changed in recorded runs, not why, and are no advice. Pain, or a change after an injury, "
    "belongs with a physiotherapist or doctor."
)
CHANGES = ("rises", "falls", "changes_late")


def finding_words(row: Row) -> str:
    """A finding as a coach would say it."""
    finding = str(row["finding"])
    return FINDING_WORDS.get(finding, finding)


def is_change(row: Row) -> bool:
    """Whether the finding is that the metric changes."""
    return row["finding"] in CHANGES


def in_order(rows: Iterable[Row], registry: Registry = BUILT_IN) -> list[Row]:
    """Rows in the order of the metrics in their registry."""
    place = {column: place for place, column in enumerate(registry.metric_of)}
    return sorted(rows, key=lambda row: place[row["metric"]])


def count_of(number: int, singular: str, plural: str) -> str:
    """A count with its noun."""
    return f"{number} {singular if number == 1 else plural}"
