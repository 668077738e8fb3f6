"""Runners filmed at two distances of an event, whose landings are drawn: as data, and what a study makes of them.

Each runner has log odds of the rearfoot of their own. Late, they are moved by the distance, by the change of speed and
by a habit of the runner, which is the same in all events.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
import polars as pl
from scipy.special import expit, ndtri

from pipeline.core.settings import Settings
from pipeline.study.landings import landings
from pipeline.study.material import Material
from pipeline.study.study_file import Analysis
from pipeline.tables import empty

EARLY_KM, LATE_KM = 10.0, 30.0
#: Log speed of a step: 10 % faster, as the design `landing` counts.
STEP = float(np.log(1.1))
#: By so much log odds differ between runners.
OWN_SD = 1.5
_ANALYSIS = Analysis("landing", "landing", (), early_km=(EARLY_KM, EARLY_KM), late_km=(LATE_KM, LATE_KM))


@dataclass(frozen=True, kw_only=True)
class Filmed:
    """What is true of a film, and which number of the study is looked at.

    Attributes:
        statistic: its name.
        truth: what it is in truth; None where nothing is to be found.
        n_runners: filmed at both distances.
        n_events: that each of them is filmed in.
        habit_sd: by so much runners differ in how the distance moves their log odds.
        odds_late: of the rearfoot, late over early, at equal speed.
        odds_faster: the same of a step of speed.
        slows: mean change of speed [steps]; its standard deviation is 1.
        error_sd_pct: of the speed of a kilometre.
        slopes: per event, by so much the late kilometre is steeper [%].
        odds_steeper: of the rearfoot for 1 % of slope.
    """

    statistic: str
    truth: float | None = 1.0
    n_runners: int = 60
    n_events: int = 1
    habit_sd: float = 0.0
    odds_late: float = 1.0
    odds_faster: float = 1.0
    slows: float = -1.0
    error_sd_pct: float = 1.0
    slopes: tuple[float, ...] = (0.0,)
    odds_steeper: float = 1.0


def filmed(of: Filmed, seed: int) -> pl.DataFrame:
    """Rows of `landings`: half of the runners would land on the rearfoot, and own log odds scatter."""
    random = np.random.default_rng(seed)
    n, runner = of.n_runners * of.n_events, np.tile(np.arange(of.n_runners), of.n_events)
    event = runner % len(of.slopes) + len(of.slopes) * (np.arange(n) // of.n_runners)
    slope = np.array(of.slopes)[event % len(of.slopes)]
    own = OWN_SD * random.standard_normal(of.n_runners)[runner]
    change = of.slows + random.standard_normal(n)
    habit = of.habit_sd * random.standard_normal(of.n_runners)[runner] if of.habit_sd else np.zeros(n)
    late = own + habit + np.log(of.odds_late) + change * np.log(of.odds_faster) + slope * np.log(of.odds_steeper)
    sides = []
    for km, odds, usual, steps, steeper in (
        (EARLY_KM, own, own, np.zeros(n), 0.0), (LATE_KM, late, own + habit, change, slope)
    ):  # fmt: skip
        is_rear = random.random(n) < 1 / (1 + np.exp(-odds))
        error = of.error_sd_pct / 100 * random.standard_normal(n)
        sides.append(
            pl.DataFrame(
                {
                    "event": [f"2026-05-{1 + number:02}" for number in event],
                    "athlete_id": [f"a{number:04}" for number in runner],
                    "strike": np.where(is_rear, "rearfoot", np.where(random.random(n) < 0.5, "mid", "fore")),
                    "angle_deg": 8 * usual + 4 * random.standard_normal(n),
                    "speed_m_s": 3.2 * np.exp(STEP * steps + error),
                    "slope_pct": steeper + 0.2 * random.standard_normal(n),
                }
            ).with_columns(
                pl.col("strike").replace({"mid": "midfoot", "fore": "forefoot"}),
                distance_km=pl.lit(km), foot=pl.lit("one"), rater=pl.lit(""), is_counted=pl.lit(value=True),
                n_runners=pl.lit(1, dtype=pl.Int64), run_id=pl.format("{}-{}", "athlete_id", "event"),
                surface=pl.lit("road"),
            )
        )  # fmt: skip
    return pl.concat([empty("landings"), *sides], how="diagonal_relaxed")


def judged(of: Filmed, seed: int) -> pl.DataFrame:
    """The number as one row: `estimate`, `low`, `high`, `truth`, `is_claimed`; null where the study gives none."""
    settings = Settings()
    material = Material(
        runs=empty("runs"), splits=empty("splits"), drifts=empty("athlete_drift"), run_drifts=empty("run_drift"),
        athletes=empty("roster"), landings=filmed(of, seed), other_splits=None, inclusion=settings.inclusion,
        seed=settings.seed,
    )  # fmt: skip
    [row] = [one for one in landings(material, _ANALYSIS).statistics if one.statistic == of.statistic]
    is_claimed = False
    if row.p_value is not None:
        is_claimed = row.p_value < 0.05
    elif row.low is not None and of.truth is not None:
        is_claimed = row.low > of.truth or (row.high is not None and row.high < of.truth)
    return pl.DataFrame(
        {
            "athlete_id": ["a0000"], "estimate": [row.estimate], "low": [row.low], "high": [row.high],
            "truth": [of.truth], "is_claimed": [is_claimed],
        },
        schema_overrides=dict.fromkeys(("estimate", "low", "high", "truth"), pl.Float64),
    )  # fmt: skip


def share_of_all(odds: float, habit_sd: float) -> float:
    """Share of rearfoot landings late, over all runners that there could be, where speed moves nothing."""
    log_odds = np.log(odds) + np.hypot(OWN_SD, habit_sd) * ndtri((np.arange(10_000) + 0.5) / 10_000)
    return float(expit(log_odds).mean())


#: Runners who keep their habits over three events.
_OFTEN = partial(Filmed, n_events=3, habit_sd=3.0)

#: By name of the row.
FILMS = {
    "odds as counted": Filmed(statistic="odds_ratio"),
    "McNemar's exact test": Filmed(statistic="mcnemar_exact_statistic", truth=None),
    "McNemar's mid-p test": Filmed(statistic="mcnemar_mid_p_statistic", truth=None),
    "Stuart and Maxwell's test": Filmed(statistic="stuart_maxwell_statistic", truth=None),
    "change of the angle": Filmed(statistic="angle_change_deg", truth=0.0),
    "odds at equal speed": Filmed(statistic="odds_ratio_equal_speed", odds_faster=0.5),
    "odds at equal speed, truly 3": Filmed(
        statistic="odds_ratio_equal_speed", odds_faster=0.5, odds_late=3.0, truth=3.0
    ),
    "odds at equal speed, 30 runners": Filmed(statistic="odds_ratio_equal_speed", odds_faster=0.5, n_runners=30),
    "odds at equal speed and slope, 100 runners on three courses": Filmed(
        statistic="odds_ratio_equal_speed_and_slope",
        odds_faster=0.5,
        odds_steeper=1.5,
        slopes=(-2.0, 0.0, 1.5),
        n_runners=100,
    ),
    "odds at equal speed, which decides nearly alone": Filmed(statistic="odds_ratio_equal_speed", odds_faster=0.02),
    "share late, each in three events": _OFTEN(statistic="share_late", truth=0.5),
    "share late, each in three events, after a shift": _OFTEN(
        statistic="share_late", odds_late=4.0, truth=share_of_all(4.0, 3.0)
    ),
    "McNemar's exact test, each in three events": _OFTEN(statistic="mcnemar_exact_statistic", truth=None),
    "McNemar's mid-p test, each in three events": _OFTEN(statistic="mcnemar_mid_p_statistic", truth=None),
    "odds as counted, each in three events": _OFTEN(statistic="odds_ratio"),
    "change of the angle, each in three events": _OFTEN(statistic="angle_change_deg", truth=0.0),
    "odds at equal speed, each in three events": _OFTEN(statistic="odds_ratio_equal_speed", odds_faster=0.5),
    "odds at equal speed, truly 3, each in three events": _OFTEN(
        statistic="odds_ratio_equal_speed", odds_faster=0.5, odds_late=3.0, truth=3.0, habit_sd=0.0
    ),
}
