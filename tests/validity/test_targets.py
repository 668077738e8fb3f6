"""`data/VALIDITY.md` is of these scenarios, and a short run of the bench keeps what it says is kept."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl
import pytest

from tests.bench.bench_validity import ATHLETES, SEED
from tests.validity.figures import COLUMNS, Figure
from tests.validity.measure import analysed
from tests.validity.scenarios import SCENARIOS, Analysis, Scenario
from tests.validity.table import coverage_of_grid, missed
from tests.validity.targets import LOWEST_COVERAGE_OF_GRID, TARGETS

VALIDITY = Path(__file__).parents[2] / "data" / "VALIDITY.md"
#: Errors beyond which a figure of the short run misses its target: many are looked at.
CHANCE = 3.0
#: Scenarios of the short run: the corners of the grid, and what changes otherwise than along a line.
SHORT = (
    "error 0 %, fade -4 %, pace wanders 2 %",
    "error 0.5 %, fade -2 %, pace wanders 2 %",
    "error 1 %, fade -2 %, pace wanders 2 %",
    "error 1 %, fade -8 %, pace wanders 1 %",
    "error 2 %, fade -4 %, pace wanders 2 %",
    "error 2 %, fade -8 %, pace wanders 1 %",
    "late climbs, slope error 1 %",
    "warm-up of 4 %, runs of 6 to 12 km",
    "six sessions of 10 x 400 m",
    "+5 % per 10 km from km 15 of 21",
)


def rows_of_the_table() -> list[tuple[str, list[str]]]:
    lines = [line for line in VALIDITY.read_text(encoding="utf-8").splitlines() if line.startswith("| ")]
    return [
        (cells[0], cells[1:])
        for line in lines
        if not line.startswith(("| scenario", "| ---"))
        for cells in [[cell.strip() for cell in line.strip("|").split("|")]]
    ]


def not_met() -> set[tuple[str, str]]:
    """Scenario and column of each figure of the table that stands in bold."""
    heads = re.findall(r"^\| scenario \| (.*) \|$", VALIDITY.read_text(encoding="utf-8"), re.MULTILINE)
    columns = {len(head.split(" | ")): head.split(" | ") for head in heads}
    return {
        (name, column)
        for name, cells in rows_of_the_table()
        for column, cell in zip(columns[len(cells)], cells, strict=True)
        if cell.startswith("**")
    }


def test_the_table_has_a_row_per_scenario_and_says_how_it_was_made():
    assert [name for name, _ in rows_of_the_table()] == [scenario.name for scenario in SCENARIOS]
    text = VALIDITY.read_text(encoding="utf-8").replace("\n", " ")
    assert f"Seed {SEED}, {ATHLETES} athletes per scenario" in text
    assert f"{len(not_met())} figures lie beyond theirs." in text


def test_no_two_scenarios_of_a_topic_share_a_name():
    names = [(scenario.topic, scenario.name) for scenario in SCENARIOS]
    assert len(set(names)) == len(names)
    assert set(SHORT) <= {name for _, name in names}


@pytest.mark.parametrize("target", TARGETS, ids=str)
def test_every_target_is_asked_of_a_scenario(target):
    assert any(target.applies(scenario) for scenario in SCENARIOS)


@pytest.mark.parametrize(
    ("value", "error", "is_missed"), [(90.0, 0.0, False), (84.0, 2.0, True), (86.1, 2.0, False), (100.0, 0.1, False)]
)
def test_a_target_is_missed_by_more_than_two_standard_errors(value: float, error: float, is_missed: bool):
    [target] = [one for one in TARGETS if one.lowest == 90 and one.column == "of findings"]
    assert target.is_missed(Figure(value, error)) == is_missed


@pytest.fixture(
    scope="module",
    params=[SHORT[::2], pytest.param(SHORT[1::2], marks=pytest.mark.depth)],
    ids=["one half", "the other half"],
)
def short_run(request: pytest.FixtureRequest) -> dict[Scenario, pl.DataFrame]:
    """Two clubs of each scenario of a half of the short run."""
    return {
        scenario: pl.concat(analysed(SEED, (scenario, place))[2].with_columns(club=pl.lit(place)) for place in (0, 1))
        for scenario in SCENARIOS
        if scenario.name in request.param
    }


@pytest.mark.slow
def test_a_short_run_misses_no_target_that_the_table_meets(short_run: dict[Scenario, pl.DataFrame]):
    beyond = missed(short_run, CHANCE)
    assert {key: str(figure) for key, figure in beyond.items() if key not in not_met()} == {}


@pytest.mark.slow
def test_intervals_of_a_short_run_hold_the_truth_often_enough(short_run: dict[Scenario, pl.DataFrame]):
    coverage = coverage_of_grid(short_run)
    assert coverage is not None
    assert coverage.value + CHANCE * coverage.error >= LOWEST_COVERAGE_OF_GRID, str(coverage)


@pytest.mark.parametrize("analysis", Analysis, ids=lambda analysis: analysis.name)
def test_every_analysis_gives_the_figures_of_its_columns(analysis: Analysis):
    scenario = next(one for one in SCENARIOS if one.analysis is analysis)
    rows = analysed(SEED, (scenario, 0))[2].with_columns(club=0)
    counted = [column.name for column in COLUMNS[analysis] if column.count(scenario, rows) is not None]
    # One study gives no mean of several.
    assert counted == [column.name for column in COLUMNS[analysis] if (analysis, column.name) not in _ONE_STUDY]


_ONE_STUDY = [(analysis, column) for analysis in (Analysis.STUDY, Analysis.LANDING) for column in ("mean", "true")]
