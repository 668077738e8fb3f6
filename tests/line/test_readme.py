"""The README's tables are what the project is: its stages, and what the demo club gives."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline import ON_DEMAND, STAGES
from pipeline.commands.show import in_words
from pipeline.core.metrics import METRICS
from pipeline.formats.columns import COLUMNS, MEANINGS
from tests.support.demo_store import Refreshed
from tests.support.readme_blocks import with_blocks

ROOT = Path(__file__).parents[2]
LABELS = {metric.label: metric.column for metric in METRICS}


def cells() -> list[list[str]]:
    text = (ROOT / "README.md").read_text(encoding="utf-8").replace("−", "-")
    table = text.partition("| athlete | metric | planted |")[2].partition("\n\n")[0]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in table.splitlines()[2:]]


def shown(value: float | None) -> str:
    if value is None:
        return ""
    return f"{value:+.1f}" if round(value, 1) else "0.0"


def test_every_line_of_it_is_a_row_of_the_demo_store(demo: Refreshed):
    rows = {(row["athlete_id"], row["metric"]): row for row in demo.table("athlete_drift").iter_rows(named=True)}
    lines = cells()
    assert len(lines) >= 16
    for athlete_id, label, _, raw, pace, hill, remains, interval, words in lines:
        row = rows[athlete_id, LABELS[label]]
        numbers = [row[one] for one in ("raw_pct_per_10km", "speed_part_pct", "slope_part_pct", "drift_pct_per_10km")]
        assert [raw, pace, hill, remains] == [shown(one) for one in numbers]
        known = row["drift_low"] is not None
        assert interval == (f"{shown(row['drift_low'])} to {shown(row['drift_high'])}" if known else "")
        assert words == in_words(row)


def test_what_it_says_was_planted_was_planted():
    truth = pl.read_csv(ROOT / "data" / "truth.csv")
    planted = {(row["athlete_id"], row["metric"]): row for row in truth.iter_rows(named=True)}
    for athlete_id, label, said, *_ in cells():
        row = planted[athlete_id, LABELS[label]]
        value = f"{row['planted_drift_pct_per_10km']:+.1f}" if row["planted_drift_pct_per_10km"] else "0"
        assert said == value + (f" from km {row['onset_km']}" if row["onset_km"] is not None else "")


def test_its_blocks_made_from_the_code_are_current():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert with_blocks(text) == text, "python -m tests.support.readme_blocks"


def test_every_reading_of_a_csv_column_has_a_meaning():
    assert {column.reading for column in COLUMNS.values()} == set(MEANINGS)


def test_its_table_of_stages_has_every_stage_in_order_with_its_tables():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    table = text.partition("| stage | what goes in |")[2].partition("\n\n")[0]
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in table.splitlines()[2:]]
    told = [(row[0], tuple(word.strip(" `") for word in row[3].split(","))) for row in rows]
    assert told == [(stage.name, stage.writes) for stage in STAGES if stage.level != ON_DEMAND]
