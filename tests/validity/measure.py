"""A drawn club through the tool's own stages: splits → responses → the club's → drift → findings.

Each stage gets, by name, the settings that it asks for. What a stage does not ask for, it does not get.
"""

from __future__ import annotations

import hashlib
import inspect
from collections.abc import Callable
from typing import Any

import polars as pl

from pipeline.core.settings import Settings
from pipeline.stages.drift import drift
from pipeline.stages.responses import club_responses, responses
from pipeline.stages.splits import splits
from pipeline.stages.summaries import athlete_drift
from pipeline.tables import publishable
from tests.validity.drawing import Club, draw
from tests.validity.scenarios import Scenario

#: Read from `athlete_drift` where it has them.
READ = (
    "drift_pct_per_10km",
    "drift_low",
    "drift_high",
    "finding",
    "change_at_usual_distance_pct",
    "change_at_usual_distance_low",
    "change_at_usual_distance_high",
    "usual_distance_km",
)


def seed_of(seed: int, scenario: Scenario, place: int) -> int:
    """Seed of one club: independent of the other scenarios and of the order of work."""
    return int.from_bytes(hashlib.sha256(f"{seed}:{scenario.name}:{place}".encode()).digest()[:8], "big")


def by_settings(stage: Callable[..., Any], settings: Settings) -> dict[str, Any]:
    """The settings that a stage takes by name."""
    return {name: getattr(settings, name) for name in inspect.signature(stage).parameters if hasattr(settings, name)}


def splits_of(club: Club, settings: Settings) -> pl.DataFrame:
    """Rows of `splits` as they are published."""
    rows = splits(club.samples, **by_settings(splits, settings))
    rows = rows.join(club.runs.select("run_id", "athlete_id"), on="run_id")
    return publishable("splits", rows, subject="the club")


def analysed(seed: int, task: tuple[Scenario, int]) -> tuple[Scenario, int, pl.DataFrame]:
    """Take one club all the way: a row for each athlete with truth, estimate and finding."""
    scenario, place = task
    settings = Settings()
    club = draw(scenario.world, seed_of(seed, scenario, place))
    rows = splits_of(club, settings)
    metric = scenario.world.metric.column
    common = club_responses(responses(rows, **by_settings(responses, settings)))
    counted = rows.filter(athlete_id="a0000") if scenario.only_odd else rows
    run_drifts, drifts = drift(counted, **by_settings(drift, settings), club=common, metrics=[metric])
    found = athlete_drift(drifts, run_drifts, **by_settings(athlete_drift, settings)).filter(metric=metric)
    # The onset as the stage `drift` gives it, not only with the findings that show it.
    onsets = drifts.select("athlete_id", "onset_km", "onset_low", "onset_high")
    told = found.select("athlete_id", *(name for name in READ if name in found.columns))
    return scenario, place, club.athletes.join(told, on="athlete_id").join(onsets, on="athlete_id")
