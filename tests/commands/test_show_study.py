from __future__ import annotations

import io
import json

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
        if row["estimate"] is not None:
            assert f"{row['estimate']:.2f}" in line
        assert ("contact time" if row["metric"] else "landing") in line
        if row["low"] is not None:
            # All who changed changed the same way: their odds have a lower end only.
            assert f"{row['low']:.2f} " + ("or more" if row["high"] is None else f"to {row['high']:.2f}") in line
        if row["p_corrected"] is not None:
            assert f"{row['p_corrected']:.4f}" in line


def test_words_of_the_file_cannot_colour_or_ring_the_terminal(demo: Refreshed):
    text = shown(told_of(demo, RED))
    assert "\x1b" not in text
    assert "\x07" not in text
    assert "[bold red]loud[/]" in text


def test_nobody_is_named(told: StudyResult, demo: Refreshed):
    text = shown(told)
    assert not [name for name in demo.table("runs")["athlete_id"].unique() if name in text.split()]
