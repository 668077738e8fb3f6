"""The data dictionary: complete, and current in the repository."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.core.metrics import METRICS
from pipeline.tables import TABLES, unit_of
from pipeline.tables.dictionary import dictionary

FILE = Path(__file__).parents[2] / "data" / "DICTIONARY.md"


def test_the_file_is_what_the_command_prints():
    assert FILE.read_text(encoding="utf-8") == dictionary(), "run: splitdrift dictionary > data/DICTIONARY.md"


@pytest.mark.parametrize("table", TABLES)
def test_a_table_is_a_heading_with_a_line_for_each_column(table: str):
    section = dictionary().split(f"\n## {table}\n")[1].split("\n## ")[0]
    lines = [[cell.strip() for cell in line.split("|")[1:-1]] for line in section.splitlines() if line.startswith("|")]
    key = TABLES[table].primary_key()
    assert lines[2:] == [
        [
            f"**{name}**" if name in key else name,
            unit_of(column),
            "yes" if column.nullable else "",
            column.description,
        ]
        for name, column in TABLES[table].columns().items()
    ]


def test_every_metric_is_explained():
    for metric in METRICS:
        assert f"| {metric.column} | {metric.label} | {metric.unit} |" in dictionary()
