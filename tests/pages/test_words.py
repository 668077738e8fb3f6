"""Findings in the words of the terminal, and what counts as a change."""

from __future__ import annotations

import pytest

from pipeline.core.metrics import METRICS
from pipeline.pages.words import CHANGES, finding_words, in_order, is_change
from pipeline.tables.analysed import FINDINGS


@pytest.mark.parametrize("finding", FINDINGS)
def test_every_finding_has_words_without_underscores(finding: str):
    assert "_" not in finding_words({"finding": finding})
    assert is_change({"finding": finding}) == (finding in CHANGES)


def test_rows_are_in_the_order_of_the_registry():
    columns = [metric.column for metric in METRICS]
    rows = [{"metric": column} for column in reversed(columns)]
    assert [row["metric"] for row in in_order(rows)] == columns
