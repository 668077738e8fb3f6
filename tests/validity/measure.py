"""A drawn club through the tool's own stages: splits → responses → the club's → drift → findings.

Each stage gets, by name, the settings that it asks for. What a stage does not ask for, it does not get.
"""

from __future__ import annotations

import hashlib
import inspect
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from pipeline.core.settings import Settings
from pipeline.refresh.settled import runs_before, settled_until
from pipeline.stages.before_after import before_after
from pipeline.stages.contrasts import contrasts
from pipeline.stages.corrections import tags_text
from pipeline.stages.drift import drift
from pipeline.stages.responses import club_responses, responses
from pipeline.stages.season_slope import season_slope
from pipeline.stages.splits import LAPS, splits
from pipeline.stages.summaries import athlete_drift
from pipeline.tables import empty, publishable
from tests.validity.drawing import Club, draw
from tests.validity.feet import judged
from tests.validity.recorded import is_second_source
from tests.validity.scenarios import Analysis, Scenario
from tests.validity.studies import conducted
from tests.validity.world import EXACT, Device

SEASON_DAYS = 150
#: Altitude whose slope of a kilometre has a larger error is rough: as positions give it, not a pressure sensor.
ROUGH_PCT = 0.5
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
    """The settings that a stage takes by name; `metrics` there are those to estimate, not those of one's own."""
    names = [name for name in inspect.signature(stage).parameters if name != "metrics"]
    return {name: getattr(settings, name) for name in names if hasattr(settings, name)}


def splits_of(club: Club, settings: Settings, device: Device = EXACT) -> pl.DataFrame:
    """Rows of `splits` as they are published; the device's reader knows whether altitude is rough, and the sources of
    speed apart.
    """
    bodies = club.athletes.select(
        "athlete_id", **dict.fromkeys(("mass_kg", "height_m", "leg_length_m"), pl.lit(None, dtype=pl.Float64))
    )
    altitude = pl.lit("rough" if device.slope_error_pct >= ROUGH_PCT else "steady")
    second = pl.Series(is_second_source(device, club.runs["run"].to_numpy()))
    source = pl.when(second).then(pl.lit("positions")).otherwise(pl.lit("device"))
    rows, _ = splits(
        club.samples,
        pl.DataFrame(schema=LAPS),
        club.runs.select("run_id", "athlete_id", altitude=altitude, speed_source=source),
        bodies,
        **by_settings(splits, settings),
    )
    return publishable("splits", rows, subject="the club")


def analysed(seed: int, task: tuple[Scenario, int]) -> tuple[Scenario, int, pl.DataFrame]:
    """Take one club all the way: a row for each athlete with truth and estimate."""
    scenario, place = task
    if scenario.filmed is not None:
        return scenario, place, judged(scenario.filmed, seed_of(seed, scenario, place))
    settings = Settings()
    club = draw(scenario.world, seed_of(seed, scenario, place))
    rows = splits_of(club, settings, scenario.world.device)
    dated = _dated(club)
    of_runs = runs_before(dated, settled_until([dated]))["run_id"]
    own = responses(rows, **by_settings(responses, settings), of_runs=of_runs)
    common = club_responses(own, **by_settings(club_responses, settings))
    counted = rows.filter(athlete_id="a0000") if scenario.only_odd else rows
    metric = scenario.world.metric.column
    run_drifts, drifts = drift(counted, **by_settings(drift, settings) | {"club": common, "metrics": [metric]})
    match scenario.analysis:
        case Analysis.DRIFT | Analysis.LATE_CHANGE:
            found = _findings(run_drifts, drifts, settings)
        case Analysis.SEASON:
            found = _season(run_drifts.filter(metric=metric), club)
        case Analysis.SHOES:
            found = _contrast(run_drifts.filter(metric=metric), club, "shoe", "lantern")
        case Analysis.TAGS:
            found = _contrast(run_drifts.filter(metric=metric), club, "wind", "tail")
        case Analysis.EVENT_LEVEL | Analysis.EVENT_DRIFT:
            found = _event(run_drifts.filter(metric=metric), club, _OF_EVENT[scenario.analysis])
        case Analysis.LANDING:
            raise AssertionError("Landings are not drawn as clubs.")
        case Analysis.STUDY:
            assert scenario.asked is not None
            found = conducted(scenario.asked, rows, run_drifts, drifts, seed_of(seed, scenario, place))
    return scenario, place, club.athletes.join(found, on="athlete_id")


def _findings(run_drifts: pl.DataFrame, drifts: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    found = athlete_drift(drifts, run_drifts, **by_settings(athlete_drift, settings))
    # The onset as the stage `drift` gives it, not only with the findings that show it.
    onsets = drifts.select("athlete_id", "onset_km", "onset_low", "onset_high")
    return found.select("athlete_id", *(name for name in READ if name in found.columns)).join(onsets, on="athlete_id")


def _dated(club: Club) -> pl.DataFrame:
    """The runs, spread evenly over the season."""
    days = pl.col("run") * (SEASON_DAYS / (pl.col("run").max() + 1))
    started = datetime(2026, 1, 5, 9, tzinfo=UTC) + pl.duration(days=days.cast(int))
    return club.runs.with_columns(started_at_utc=started)


def _season(run_drifts: pl.DataFrame, club: Club) -> pl.DataFrame:
    """The change of the drift per month."""
    return season_slope(run_drifts, _dated(club)).select(
        "athlete_id", estimate="change_pct_per_10km_per_month", low="change_low", high="change_high"
    )


def _contrast(run_drifts: pl.DataFrame, club: Club, factor: str, compared: str) -> pl.DataFrame:
    """The level of an athlete's fastest third of runs, which have a shoe and a tag, against the other: nothing is
    true.
    """
    is_fast = pl.col("mean_speed_m_s").rank(descending=True).over("athlete_id") <= pl.len().over("athlete_id") / 3
    shoe = pl.when(is_fast).then(pl.lit("lantern")).otherwise(pl.lit("pebble"))
    tags = pl.when(is_fast).then(pl.lit(tags_text({"wind": "tail"}))).otherwise(pl.lit(tags_text({"wind": "head"})))
    none = pl.lit(None, dtype=pl.String)
    runs = _dated(club).with_columns(shoe_id=shoe, surface=none, tags=tags, after_ride=pl.lit(value=False))
    return (
        contrasts(run_drifts, runs)
        .filter(factor=factor, compared=compared)
        .select("athlete_id", "low", "high", estimate="difference_pct")
    )


#: The numbers of `before_after` that are looked at: estimate and interval.
_OF_EVENT = {
    Analysis.EVENT_LEVEL: ("difference_pct", "low", "high"),
    Analysis.EVENT_DRIFT: ("drift_difference_pct_per_10km", "drift_difference_low", "drift_difference_high"),
}


def _event(run_drifts: pl.DataFrame, club: Club, columns: tuple[str, str, str]) -> pl.DataFrame:
    """A number of the runs after an event in the middle of the season against those before: nothing is true."""
    none = pl.lit(None, dtype=pl.String)
    runs = _dated(club).with_columns(local_date=none, shoe_id=none)
    day = (datetime(2026, 1, 5, tzinfo=UTC) + timedelta(days=SEASON_DAYS // 2)).date().isoformat()
    events = empty("events").join(club.athletes.select("athlete_id"), on="athlete_id", how="right")
    events = events.with_columns(date=pl.lit(day), kind=pl.lit("coach"))
    found = before_after(run_drifts, runs, events, empty("complaints")).filter(kind="coach")
    return found.select("athlete_id", **dict(zip(("estimate", "low", "high"), columns, strict=True)))
