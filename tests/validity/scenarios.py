"""The scenarios of `data/VALIDITY.md`, as data. Each is a world and what is asked of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

from tests.validity.feet import FILMS, Filmed
from tests.validity.studies import AT_MARGIN, AT_MARGIN_PCT, OF_NOTHING, Asked
from tests.validity.world import CADENCE, CONTACT_TIME, EXACT, HEART_RATE, World


class Truth(Enum):
    """What an interval has to hold."""

    PLANTED = "planted_pct"
    SEASON = "season_pct"
    WEIGHTED = "weighted_pct"


class Analysis(Enum):
    """What is asked of a club."""

    DRIFT = "the drift of athletes"
    LATE_CHANGE = "a change that begins late"
    SEASON = "the change of the drift over the months"
    SHOES = "the level in one shoe against another"
    TAGS = "the level under one tag against another"
    EVENT_LEVEL = "the level after an event against before"
    EVENT_DRIFT = "the drift after an event against before"
    LANDING = "a study of landings"
    STUDY = "a study whose cohort is the club"


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """A row of the table.

    Attributes:
        name: in the table; part of the seed.
        topic: heading that it stands under.
        world: what is true.
        analysis: what is asked.
        truth: what an interval has to hold.
        only_odd: counts only the first athlete of each club.
        asked: of a study: its analysis, and what is true.
        filmed: of a study of landings: who is filmed, and what is true.
        size: athletes relative to the number that was asked for.
    """

    name: str
    topic: str
    world: World
    analysis: Analysis = Analysis.DRIFT
    truth: Truth = Truth.PLANTED
    only_odd: bool = False
    asked: Asked | None = None
    filmed: Filmed | None = None
    size: float = 1.0


#: By default: 12 runs of 8 to 24 km, speed with an error of 1 % per kilometre, pace that wanders by 2 % and fades by
#: 2 % per 10 km, hills of 0.8 %; in turn nothing and +3 % per 10 km is planted; clubs of 20.
ORDINARY = World()

SPEED_ERRORS_PCT = (0.0, 0.5, 1.0, 2.0)
FADES_PCT = (-2.0, -4.0, -8.0)
WANDERS_PCT = (1.0, 2.0, 3.0)

#: A mean absolute error of 4.4 % of the whole distance. Eight watches had 3.2 to 6.1 %: Gilgen-Ammann et al. 2020, JMIR
#: mHealth 8:e17118 (read in the abstract).
CALIBRATION_SD_PCT = 5.5

_SPEED_ERROR = "Speed measured with error"
#: Every cell of error, fade and wander.
GRID = tuple(
    Scenario(
        name=f"error {error:g} %, fade {fade:g} %, pace wanders {wander:g} %",
        topic=_SPEED_ERROR,
        world=ORDINARY.but(
            fade_pct=fade, wander_pct=wander, **({"device": EXACT} if error == 0 else {"speed_error_pct": error})
        ),
    )
    for error in SPEED_ERRORS_PCT
    for fade in FADES_PCT
    for wander in WANDERS_PCT
)
_STEADY = ORDINARY.but(wander_pct=0.3, fade_pct=-5.0, fade_sd_pct=0.5, speed_per_slope=0.0)
_FADING = ORDINARY.but(fade_pct=-4.0)
_SPEED = (
    *GRID,
    Scenario(
        name="error 0.3 %, pace always fades and hardly wanders",
        topic=_SPEED_ERROR,
        world=_STEADY.but(speed_error_pct=0.3),
    ),
    Scenario(
        name="error 1 % that lasts 10 minutes, fade -4 %",
        topic=_SPEED_ERROR,
        world=_FADING.but(speed_error_s=600.0),
    ),
    Scenario(
        name="error 1 % that lasts 20 s, fade -4 %",
        topic=_SPEED_ERROR,
        world=_FADING.but(speed_error_s=20.0),
    ),
    Scenario(
        name="calibration shifts by 5.5 % between runs, fade -4 %",
        topic=_SPEED_ERROR,
        world=_FADING.but(speed_error_pct=0.5, scale_sd_pct=CALIBRATION_SD_PCT),
    ),
    *(
        Scenario(
            name=f"error {first:g} and {second:g} % in turn, two sources, fade -4 %",
            topic=_SPEED_ERROR,
            world=_FADING.but(speed_error_pct=first, second_speed_error_pct=second),
            size=4.0,
        )
        for first, second in ((0.5, 2.0), (2.0, 0.5))
    ),
    *(
        Scenario(
            name=f"one sensor: {shared:g} times the error of 1 % also in contact time",
            topic=_SPEED_ERROR,
            world=ORDINARY.but(shared_error=shared),
        )
        for shared in (-0.5, 0.5, 1.0)
    ),
    Scenario(
        name="error 1 %, fade -8 %, 30 runs all alike",
        topic=_SPEED_ERROR,
        world=ORDINARY.but(fade_pct=-8.0, n_runs=30, run_drift_sd_pct=0.0),
        size=0.5,
    ),
    Scenario(
        name="error 1 %, fade -8 %, -3 % planted in every other",
        topic=_SPEED_ERROR,
        world=ORDINARY.but(fade_pct=-8.0, planted_pct=(0.0, -3.0)),
    ),
    *(
        Scenario(
            name=f"cadence, error {error:g} %, fade -4 %",
            topic=_SPEED_ERROR,
            world=_FADING.but(metric=CADENCE, speed_error_pct=error),
        )
        for error in (0.5, 1.0, 2.0)
    ),
)

_SLOPE = "Slope measured with error"
_CLIMBING = ORDINARY.but(late_climb_pct=3.0, per_slope=0.01, speed_error_pct=0.5)
_HILLS = (
    Scenario(name="late climbs, exact altitude", topic=_SLOPE, world=_CLIMBING.but(slope_error_pct=0.0)),
    Scenario(name="late climbs, slope error 0.5 %", topic=_SLOPE, world=_CLIMBING.but(slope_error_pct=0.5)),
    Scenario(name="late climbs, slope error 1 %", topic=_SLOPE, world=_CLIMBING.but(slope_error_pct=1.0)),
)

_SHAPE = "Form that changes otherwise than along a line"
_WARM = ORDINARY.but(km=(6, 12), speed_error_pct=0.5)
_SHAPES = (
    Scenario(name="warm-up of 4 %, runs of 6 to 12 km", topic=_SHAPE, world=_WARM.but(warm_up_pct=4.0)),
    Scenario(name="warm-up of 2 %, runs of 6 to 12 km", topic=_SHAPE, world=_WARM.but(warm_up_pct=2.0)),
    *(
        Scenario(
            name=f"form that settles over {length:g} km, by 4 %, runs of {km[0]} to {km[1]} km",
            topic=_SHAPE,
            world=ORDINARY.but(km=km, speed_error_pct=0.5, warm_up_pct=4.0, warm_up_m=1000 * length),
        )
        for length, km in ((1, (6, 12)), (3, (6, 12)), (3, (8, 24)), (4, (8, 24)))
    ),
    Scenario(
        name="form that settles over 1 km, by 4 %, runs of 6 to 12 km, half of the scatter",
        topic=_SHAPE,
        world=_WARM.but(metric=replace(CONTACT_TIME, error_sd_pct=0.5), warm_up_pct=4.0, warm_up_m=1000.0),
    ),
    Scenario(name="warm-up of 2 %, runs of 20 km", topic=_SHAPE, world=ORDINARY.but(km=(20, 20), warm_up_pct=2.0)),
    Scenario(
        name="mixed pace inside kilometres, last 4 km",
        topic=_SHAPE,
        world=ORDINARY.but(km=(10, 16), mixed_pct=15.0, mixed_last_km=4.0, speed_error_pct=0.5),
    ),
    Scenario(
        name="six sessions of 10 x 400 m",
        topic=_SHAPE,
        world=ORDINARY.but(n_runs=6, km=(10, 12), mixed_pct=20.0, mixed_m=400.0, speed_error_pct=0.5),
    ),
)

_RUNS = "Runs and athletes that differ"
_ALIKE = ORDINARY.but(run_drift_rho=0.8, run_drift_sd_pct=1.5, speed_error_pct=0.5)
_DIFFER = (
    Scenario(name="drifts of neighbouring runs alike (0.8), long run", topic=_RUNS, world=_ALIKE),
    Scenario(
        name="drifts of neighbouring runs alike (0.8), this season", topic=_RUNS, world=_ALIKE, truth=Truth.SEASON
    ),
    Scenario(
        name="responses vary by run (sd 0.2)", topic=_RUNS, world=ORDINARY.but(exponent_run_sd=0.2, speed_error_pct=0.5)
    ),
    *(
        Scenario(
            name=f"long runs on good days (0.7), {claim}",
            topic=_RUNS,
            world=ORDINARY.but(longer_when_good=0.7, speed_error_pct=0.5),
            truth=truth,
        )
        for claim, truth in (("mean of all runs", Truth.PLANTED), ("runs by what they tell", Truth.WEIGHTED))
    ),
    Scenario(
        name="one athlete far from the club (exponent -1.6)",
        topic=_RUNS,
        world=ORDINARY.but(n_athletes=12, odd_exponent=-1.6, fade_pct=-4.0, wander_pct=1.0, speed_error_pct=0.5),
        only_odd=True,
        size=0.4,
    ),
    *(
        Scenario(name=f"club of {n}", topic=_RUNS, world=ORDINARY.but(n_athletes=n), size=0.5 if n == 3 else 1.0)
        for n in (3, 8, 20, 40)
    ),
    *(
        Scenario(name=f"{n} runs", topic=_RUNS, world=ORDINARY.but(n_runs=n), size=0.5 if n == 30 else 1.0)
        for n in (3, 5, 12, 30)
    ),
)

_SENSORS = "Sensors"
_PLAIN = ORDINARY.but(speed_error_pct=0.5)
_FAULTS = (
    Scenario(
        name="heavy tails (t with 3 df) and 2 % outliers",
        topic=_SENSORS,
        world=_PLAIN.but(tail_df=3.0, outlier_share=0.02),
    ),
    Scenario(
        name="a jump of 3 % in a quarter of the runs", topic=_SENSORS, world=_PLAIN.but(step_share=0.25, step_pct=3.0)
    ),
    Scenario(name="stuck in the last third of 15 % of the runs", topic=_SENSORS, world=_PLAIN.but(stuck_share=0.15)),
    Scenario(
        name="heart rate, +3.4 % per 10 km in all",
        topic=_SENSORS,
        world=_PLAIN.but(metric=HEART_RATE, planted_pct=(3.4,)),
    ),
    Scenario(
        name="heart rate locked to cadence in 10 % of the runs",
        topic=_SENSORS,
        world=_PLAIN.but(metric=HEART_RATE, planted_pct=(3.4,), locked_share=0.1),
    ),
)

_NOTHING = "Nothing planted in a whole club"
_STILL = ORDINARY.but(planted_pct=(0.0,))
_NULLS = (
    Scenario(name="exact speed, fade -4 %", topic=_NOTHING, world=_STILL.but(device=EXACT, fade_pct=-4.0)),
    Scenario(name="error 1 %, fade -4 %", topic=_NOTHING, world=_STILL.but(fade_pct=-4.0)),
)

_BREAKING = ORDINARY.but(km=(20, 20), planted_pct=(5.0,), speed_error_pct=0.5)
_LATE = tuple(
    Scenario(name=name, topic="Late change", world=world, analysis=Analysis.LATE_CHANGE)
    for name, world in (
        ("+5 % per 10 km from km 15 of 21", _BREAKING.but(km=(21, 21), break_km=15.0)),
        (
            "+8 % per 10 km from km 35 of 42, 8 runs",
            _BREAKING.but(km=(42, 42), break_km=35.0, planted_pct=(8.0,), n_runs=8),
        ),
        ("+5 % per 10 km from km 10 of 20", _BREAKING.but(break_km=10.0)),
        ("+8 % per 10 km from km 10 of 20", _BREAKING.but(break_km=10.0, planted_pct=(8.0,))),
        ("straight, +3 % per 10 km, 20 km", _BREAKING.but(planted_pct=(3.0,))),
        (
            "straight, +3 % per 10 km, a warm-up of 2 %, 20 km",
            _BREAKING.but(planted_pct=(3.0,), warm_up_pct=2.0),
        ),
        ("no drift, 20 km", _BREAKING.but(planted_pct=(0.0,))),
        ("no drift, a warm-up of 2 %, 20 km", _BREAKING.but(planted_pct=(0.0,), warm_up_pct=2.0)),
    )
)

_CURVES = tuple(
    Scenario(
        name=f"+5 % per 10 km by km {km}",
        topic="Change along a curve",
        world=_BREAKING.but(km=(km, km), curve_km=float(km)),
        analysis=Analysis.LATE_CHANGE,
    )
    for km in (20, 30)
)

_MONTHS = ORDINARY.but(planted_pct=(2.0,), n_runs=24, km=(8, 20), n_athletes=10, speed_error_pct=0.5)
_SEASON = tuple(
    Scenario(name=name, topic="Change of the drift over the months", world=world, analysis=Analysis.SEASON, size=0.5)
    for name, world in (
        ("24 runs in 5 months", _MONTHS),
        ("drifts of neighbouring runs alike (0.8)", _MONTHS.but(run_drift_rho=0.8, run_drift_sd_pct=1.5)),
        ("fade eases from -8 to -2 %, exact speed", _MONTHS.but(device=EXACT, fade_pct=-5.0, fade_trend_pct=6.0)),
        ("fade eases from -8 to -2 %, error 1 %", _MONTHS.but(speed_error_pct=1.0, fade_pct=-5.0, fade_trend_pct=6.0)),
    )
)
_SHOES = tuple(
    Scenario(name=name, topic="A shoe worn on fast days", world=world, analysis=Analysis.SHOES)
    for name, world in (
        ("exact speed", ORDINARY.but(device=EXACT)),
        ("error 1 %", ORDINARY),
        ("error 2 %, pace wanders 1 %", ORDINARY.but(speed_error_pct=2.0, wander_pct=1.0)),
    )
)

_TAGS = tuple(
    Scenario(name=name, topic="A tag of fast days", world=world, analysis=Analysis.TAGS)
    for name, world in (("tag, exact speed", ORDINARY.but(device=EXACT)), ("tag, error 1 %", ORDINARY))
)
_AROUND = ORDINARY.but(n_runs=24, km=(8, 20), n_athletes=10, fade_pct=-5.0, fade_trend_pct=6.0)
_EVENTS = tuple(
    Scenario(name=f"{what}, {error}", topic="Before and after an event, while the fade eases", world=world,
        analysis=analysis)
    for what, analysis in (("level", Analysis.EVENT_LEVEL), ("drift", Analysis.EVENT_DRIFT))
    for error, world in (("exact speed", _AROUND.but(device=EXACT)), ("error 1 %", _AROUND))
)  # fmt: skip

_COHORT = ORDINARY.but(planted_pct=(0.0,), n_runs=4, km=(16, 24), fade_pct=-4.0)
_STUDIES = tuple(
    Scenario(
        name=f"{name}, {error}", topic="Studies of 20 athletes with 4 runs each, fade -4 %", world=world,
        analysis=Analysis.STUDY, asked=asked, size=20.0,
    )
    for planted_pct, designs in ((0.0, OF_NOTHING), (AT_MARGIN_PCT, AT_MARGIN))
    for name, asked in designs.items()
    for error, world in (
        ("exact speed", _COHORT.but(device=EXACT, planted_pct=(planted_pct,))),
        ("error 1 %", _COHORT.but(planted_pct=(planted_pct,))),
    )
)  # fmt: skip

_LANDINGS = tuple(
    Scenario(
        name=name, topic="Studies of landings of 60 runners at two distances, who slow down by 9 %", world=ORDINARY,
        analysis=Analysis.LANDING, filmed=film, size=20.0,
    )
    for name, film in FILMS.items()
)  # fmt: skip

SCENARIOS = (
    *_SPEED,
    *_HILLS,
    *_SHAPES,
    *_DIFFER,
    *_FAULTS,
    *_NULLS,
    *_LATE,
    *_CURVES,
    *_SEASON,
    *_SHOES,
    *_TAGS,
    *_EVENTS,
    *_STUDIES,
    *_LANDINGS,
)
