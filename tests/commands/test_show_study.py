from __future__ import annotations

import io
import json
from dataclasses import replace

import polars as pl
import pytest
from rich.console import Console

from pipeline.commands.show_study import study_summary
from pipeline.study.conduct import StudyResult, conduct
from pipeline.study.study_reader import read_study
from tests.support.demo_store import Refreshed

RED = "[bold red]loud[/] \x1b[31mred \x07"
STUDY = """\
title = {words}
question = "Does it grow?"

[cohort]
kinds = ["race"]

[[analysis]]
name = {words}
design = "paired_windows"
metrics = ["contact_time_ms"]
windows = "quarters"

[[analysis]]
name = "feet"
design = "landing"
early_km = 5
late_km = 15
"""


def told_of(demo: Refreshed, words: str) -> StudyResult:
    return conduct(read_study(STUDY.format(words=json.dumps(words)), name="study.toml"), demo.store)


def shown(told: StudyResult, width: int = 160) -> str:
    console = Console(file=io.StringIO(), width=width, force_terminal=False)
    console.print(study_summary(told))
    return console.file.getvalue()  # type: ignore[attr-defined]


@pytest.fixture(scope="module")
def told(demo: Refreshed) -> StudyResult:
    return told_of(demo, "Quarters")


def test_it_says_who_entered_and_who_did_not(told: StudyResult):
    assert (
        "24 runs of 8 athletes are included. The store holds 111 runs of 10 athletes. Left out: 87 of a kind of "
        "session other than race, or not listed." in shown(told).replace("\n", " ")
    )


def test_every_statistic_stands_there_with_its_interval_and_corrected_p(told: StudyResult):
    lines = shown(told).splitlines()
    for row in told.results.iter_rows(named=True):
        [line] = [one for one in lines if f" {row['statistic']} " in one]
        # Contact time is read to a tenth of a millisecond, shares to four decimals.
        decimals = {"early_level": 1, "late_level": 1, "share_early": 4, "share_late": 4}.get(row["statistic"], 2)
        if row["estimate"] is not None:
            assert f"{row['estimate']:.{decimals}f} " in f"{line} "
        assert ("contact time" if row["metric"] else "landing") in line
        if row["low"] is not None:
            # All who changed changed the same way: their odds have a lower end only.
            end = "or more" if row["high"] is None else f"to {row['high']:.{decimals}f}"
            assert f"{row['low']:.{decimals}f} {end}" in line
        if row["p_corrected"] is not None:
            assert f"{row['p_corrected']:.4f}" in line


@pytest.mark.parametrize(("p", "said"), [(0.00005, "0.0001"), (0.00004, "< 0.0001"), (0.0, "< 0.0001")])
def test_a_p_is_never_nothing(told: StudyResult, p: float, said: str):
    tested = told.results.with_columns(p_corrected=pl.when(pl.col("p_corrected").is_not_null()).then(p))
    [line] = [one for one in shown(replace(told, results=tested)).splitlines() if " change_pct " in one]
    assert line.split("│")[-2].strip() == said


def test_words_of_the_file_cannot_colour_or_ring_the_terminal(demo: Refreshed):
    text = shown(told_of(demo, RED))
    assert "\x1b" not in text
    assert "\x07" not in text
    assert "[bold red]loud[/]" in text


def test_nobody_is_named(told: StudyResult, demo: Refreshed):
    text = shown(told)
    assert not [name for name in demo.table("runs")["athlete_id"].unique() if name in text.split()]
