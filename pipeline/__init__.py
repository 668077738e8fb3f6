"""The line: inbox file → recording → samples → splits → responses → drift → summaries.

The order is written here once. Tests hold the files, the tables, the Prefect flow and the README's table to it. A
stage that has no task in the flow is taken inside that of its unit: pacing with drift, strikes and what follows with
summaries.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Stage:
    """One step of the line: its module is `pipeline/stages/<name>.py`, its tests are `tests/stages/test_<name>.py`.

    Attributes:
        name: the one word that finds everything about it.
        reads: what goes in.
        writes: the tables that come out.
        unit: what it can be shared out by: nothing outside one such unit is needed to compute it.
    """

    name: str
    reads: str
    writes: tuple[str, ...]
    unit: str


STAGES = (
    Stage("recording", "an inbox file", ("recordings",), "file"),
    Stage("samples", "a recording", ("samples", "exclusions"), "run"),
    Stage("splits", "the samples of runs", ("splits",), "run"),
    Stage("responses", "the splits of an athlete", ("responses",), "athlete"),
    Stage("drift", "the splits of an athlete", ("run_drift", "athlete_drift"), "athlete"),
    Stage("pacing", "the splits of an athlete", ("pacing",), "athlete"),
    Stage("strikes", "the list strikes.csv", ("strike_counts", "strike_shift"), "club"),
    Stage("summaries", "the tables of all athletes", ("runs", "athlete_drift", "season_trend", "complaints"), "club"),
    Stage("contrasts", "the level and drift of runs, by surface and shoe", ("contrasts",), "club"),
    Stage("season_slope", "the drift of runs, by date", ("season_slope",), "club"),
)

#: Beside the line: made on demand from what is published, and gone with the next refresh.
ON_DEMAND = (Stage("calibration", "the published splits", ("calibration",), "athlete"),)
