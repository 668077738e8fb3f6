"""The stages: inbox file → recording → samples → quality → splits → responses → drift → … → tables of the club.

`STAGES` is the one declaration of their order, of what each reads and writes, and of the settings that it is given. The
refresh, `check`, the Prefect flow and what is kept between refreshes follow it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

    import polars as pl

    from pipeline.notebook import Recorded, Store

#: What a stage needs to be computed: one file, the splits of one athlete, the tables of the whole club; or, on demand,
#: the published tables.
FILE, ATHLETE, CLUB, ON_DEMAND = "file", "athlete", "club", "on demand"
#: The rounds over athletes: what of the whole club the stages of each take besides the athlete's own tables.
ALONE, OF_RUNS, OF_CLUB = "alone", "of_runs", "of_club"


@dataclass(frozen=True)
class Function:
    """A pure function of a stage's module.

    Attributes:
        name: in `pipeline/stages/<stage>.py`.
        reads: what it is given, in order: tables as the stages before it left them, lists of the inbox (`*.csv`).
        writes: the tables that it returns: one frame, or a tuple of as many frames in this order. What replaces the
            table of an earlier stage is written here too.
        settings: attributes of `Settings` that it takes as keyword arguments of the same names.
        by_athlete: of a club-level function: what it makes of an athlete rests on that athlete's rows, on lists, and on
            what is in common. A club is taken through it section by section; through others after that, as a whole.
        in_common: the names of two functions of the module, for what a function `by_athlete` needs of the whole club:
            the first takes the same tables, of a section, and returns one frame; the second takes all these frames in
            one and returns frames by name, which the function is given as `in_common`.
        moved_by_all: columns of its tables that any new run of the club may move, by what is in common. Functions
            `by_athlete` after it are not given them, so that what they make of others can be taken over.
        told: of one that takes a club as a whole: the name of a function of the module that makes one frame of what a
            section has in the table that comes first in `reads`. Instead of that table it is given these frames in one.
    """

    name: str
    reads: tuple[str, ...]
    writes: tuple[str, ...]
    settings: tuple[str, ...] = ()
    by_athlete: bool = False
    in_common: tuple[str, str] | None = None
    moved_by_all: tuple[str, ...] = ()
    told: str | None = None


@dataclass(frozen=True)
class Stage:
    """A stage: its module is `pipeline/stages/<name>.py`, its tests are `tests/stages/test_<name>.py`.

    Attributes:
        name: the one word that finds everything about it.
        level: `FILE`, `ATHLETE`, `CLUB` or `ON_DEMAND`.
        round: of an athlete-level stage. One of those `ALONE` needs nothing of the club. One `OF_RUNS` takes, as
            `of_runs`, the athlete's runs before the day up to which the club's responses are drawn; where that is
            another day than before, it runs for all athletes. One `OF_CLUB` takes, as `club`, what the responses of the
            whole club have in common, and as `metrics`, the metrics to estimate; where the club's responses changed in
            a metric, it runs for all athletes in that metric. Its tables have a column `metric`.
    """

    name: str
    level: str
    functions: tuple[Function, ...]
    round: str = ALONE

    @property
    def writes(self) -> tuple[str, ...]:
        """The tables that come out."""
        return tuple(table for function in self.functions for table in function.writes)

    @property
    def module(self) -> str:
        """The name of its module."""
        return f"pipeline.stages.{self.name}"

    def call(self, name: str, *inputs: Any, settings: object, **more: Any) -> Any:
        """Call one of its functions, whose module is imported with the first call."""
        (function,) = (function for function in self.functions if function.name == name)
        chosen = {setting: getattr(settings, setting) for setting in function.settings}
        return self.made_by(name, *inputs, **chosen, **more)

    def made_by(self, name: str, *inputs: Any, **more: Any) -> Any:
        """What a function of its module returns."""
        return getattr(import_module(self.module), name)(*inputs, **more)

    def tables(self, frames: Mapping[str, pl.DataFrame], *, settings: object, **more: Any) -> dict[str, pl.DataFrame]:
        """Call all its functions, each with the frames that the ones before left; returns the tables that come out."""
        made: dict[str, pl.DataFrame] = {}
        for function in self.functions:
            made |= self.tables_by(function, {**frames, **made}, settings=settings, **more)
        return made

    def tables_by(
        self, function: Function, frames: Mapping[str, pl.DataFrame], *, settings: object, **more: Any
    ) -> dict[str, pl.DataFrame]:
        """Call one of its functions; returns the tables that come out."""
        result = self.call(function.name, *map(frames.__getitem__, function.reads), settings=settings, **more)
        return dict(zip(function.writes, result if isinstance(result, tuple) else (result,), strict=True))


STAGES = (
    Stage("recording", FILE, (
        Function("recording", ("an inbox file",), ("recordings",),
                 ("sensor_preference", "described_fields", "max_unpacked_bytes", "max_members", "registry")),
    )),
    Stage("samples", FILE, (
        Function("samples", ("a recording",), ("samples", "exclusions"),
                 ("gap_s", "slope_window_m", "slope_window_rough_m", "rough_altitude_m", "registry")),
    )),
    Stage("quality", FILE, (Function("quality", ("samples", "exclusions"), ("quality",), ("registry",)),)),
    Stage("splits", FILE, (
        Function("splits", ("samples", "laps of a recording", "roster.csv", "quality"), ("splits", "lap_splits"),
                 ("split_length_m", "level_slope_pct", "level_roughness_pct", "min_run_share", "registry")),
    )),
    Stage("responses", ATHLETE, (
        Function("responses", ("splits",), ("responses",), ("inclusion", "speed_error_pct", "warm_up_effect_pct")),
    ), OF_RUNS),
    Stage("drift", ATHLETE, (
        Function("drift", ("splits",), ("run_drift", "athlete_drift"),
                 ("inclusion", "max_collinearity", "seed", "speed_error_pct", "warm_up_effect_pct", "slope_error_pct",
                  "rough_slope_error_pct")),
    ), OF_CLUB),
    Stage("pacing", ATHLETE, (Function("pacing", ("splits",), ("pacing",), ("inclusion",)),)),
    Stage("single_runs", ATHLETE, (Function("single_runs", ("splits",), ("single_runs",), ("inclusion",)),)),
    Stage("corrections", CLUB, (
        Function("corrections", ("recordings", "corrections.toml"), ("corrections",), told="corrected_alike"),
        Function("clocks_apart", ("recordings", "runs", "splits"), ("recordings",), by_athlete=True),
    )),
    Stage("summaries", CLUB, (
        Function("runs", ("runs", "splits", "sessions.csv", "recordings"), ("runs",), ("time_zone",),
                 by_athlete=True),
        Function("athlete_drift", ("athlete_drift", "run_drift", "quality"), ("athlete_drift",),
                 ("smallest_change_pct", "max_collinearity", "usual_distance_margin", "max_late_exclusion_excess",
                  "registry"), by_athlete=True, in_common=("drifts_of_athletes", "drifts_in_common"),
                 moved_by_all=("q_value", "repeatability", "repeatability_low", "repeatability_high")),
        Function("season_trend", ("run_drift", "runs"), ("season_trend",), by_athlete=True),
        Function("complaints", ("complaints.csv",), ("complaints",)),
        Function("lists", ("roster.csv", "shoes.csv", "sessions.csv", "events.csv"),
                 ("roster", "shoes", "sessions", "events")),
    )),
    Stage("strikes", CLUB, (
        Function("landings", ("strikes.csv", "runs", "splits"), ("landings",), ("strike_angle_thresholds",),
                 by_athlete=True),
        Function("strike_counts", ("landings",), ("strike_counts",), told="runners_seen"),
        Function("strike_shift", ("landings",), ("strike_shift",), told="changes_seen"),
    )),
    Stage("contrasts", CLUB, (Function("contrasts", ("run_drift", "runs"), ("contrasts",), by_athlete=True),)),
    Stage("before_after", CLUB, (
        Function("before_after", ("run_drift", "runs", "events", "complaints"), ("before_after",),
                 by_athlete=True),
    )),
    Stage("season_slope", CLUB, (Function("season_slope", ("run_drift", "runs"), ("season_slope",), by_athlete=True),)),
    Stage("usual", CLUB, (
        Function("usual_course", ("splits", "run_drift", "athlete_drift"), ("usual_course",), ("inclusion",),
                 by_athlete=True),
        Function("usual", ("usual_course", "athlete_drift"), ("usual",), ("inclusion",), by_athlete=True),
        Function("run_against_usual", ("run_drift", "athlete_drift"), ("run_against_usual",), by_athlete=True),
    )),
    # Made by its own command from what is published, and removed by the next refresh that changes something.
    Stage("calibration", ON_DEMAND, (Function("calibration", ("splits", "responses"), ("calibration",)),)),
)  # fmt: skip


def stages_of(level: str, in_round: str | None = None) -> list[Stage]:
    """The stages of a level in their order; all of them, or those of one of the rounds over athletes."""
    return [stage for stage in STAGES if stage.level == level and in_round in (None, stage.round)]


def stage_named(name: str) -> Stage:
    """The stage of this name."""
    (stage,) = (stage for stage in STAGES if stage.name == name)
    return stage


def tables_of(level: str, in_round: str | None = None) -> list[str]:
    """The tables that come out of the stages of a level, in order."""
    return [table for stage in stages_of(level, in_round) for table in stage.writes]


def parts_by_athlete() -> list[list[tuple[Stage, Function]]]:
    """The club-level functions `by_athlete` in parts that need no table of each other; those of a part in their order.

    The part with the most functions comes first: computed for all athletes it takes longest, and should not begin last.
    """
    functions = [(stage, one) for stage in stages_of(CLUB) for one in stage.functions if one.by_athlete]
    parts: list[list[tuple[Stage, Function]]] = []
    for stage, function in functions:
        names = {*function.reads, *function.writes}
        joined = [part for part in parts if any(not names.isdisjoint(one.writes) for _, one in part)]
        parts = [part for part in parts if part not in joined]
        parts.append([one for part in joined for one in part] + [(stage, function)])
    return sorted((sorted(part, key=functions.index) for part in parts), key=len, reverse=True)


# --- For notebooks and scripts ----------------------------------------------------------------------------------------


def read_store(folder: str | Path) -> Store:
    """Open a store to read; see `pipeline.notebook.read_store`."""
    store: Store = import_module("pipeline.notebook").read_store(folder)
    return store


def read_recording(file: str | Path, *, settings: str | Path | None = None) -> Recorded:
    """Take a file through the file-level stages; see `pipeline.notebook.read_recording`."""
    recorded: Recorded = import_module("pipeline.notebook").read_recording(file, settings=settings)
    return recorded
