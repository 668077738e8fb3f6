"""Do the intervals and alarms of the drift stage hold? The long version of tests/reference/test_drift_is_calibrated.py.

python -m tests.bench.bench_calibration [--athletes 2000] [--seed 1] [--jobs N]

Invented clubs of 50 athletes go the whole way from splits to findings: `responses`, the club's, `drift`, correction for
the number of athletes (Benjamini and Hochberg). Beside it stands the drift of each athlete alone, without what the club
knows. The invented splits come from tests/support/season.py, which shares no code with the pipeline. Each club has
its own seed, made of the seed asked for, the case and the number of the club, so nothing depends on the jobs.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from importlib import import_module

# Libraries read this when they are imported. As the workers have it, so that one job gives what several give.
os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "POLARS_MAX_THREADS": "1"}

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import special

from pipeline.core.settings import Settings
from pipeline.methods.paired_classes import wilson
from pipeline.stages.drift import drift
from pipeline.stages.responses import club_responses, responses
from pipeline.stages.summaries import LEVEL, athlete_drift
from pipeline.workers.pool import workers
from tests.support.season import CADENCE_PER_M_S_BURNS, EXACTLY_MEASURED, Season, draw

CONTACT, CADENCE = "contact_time_ms", "cadence_spm"
CLUB_SIZE = 50


# --- What is invented ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Case:
    """A kind of athletes.

    Attributes:
        name: in the table; with the drift planted, part of the seed.
        season: what is true of them; of as many as make a club.
        metric: the one that was recorded.
        beside: others in the same club, as many again, who are not counted; None for none.
        has_to_be_found: whether the target for finding holds: not where runs are few or tell little.
    """

    name: str
    season: Season
    metric: str = CONTACT
    beside: Season | None = None
    has_to_be_found: bool = True

    @property
    def truth_pct(self) -> float:
        """Drift planted [% per 10 km]."""
        return (self.season.contact if self.metric == CONTACT else self.season.cadence).drift_pct

    def splits(self, seed: int, place: int) -> pl.DataFrame:
        """Splits of one club; the ids of those beside begin with another letter."""
        own = draw(self.season, self._seed(seed, place, "own"), only=(self.metric,))
        if self.beside is None:
            return own
        others = draw(self.beside, self._seed(seed, place, "beside"), only=(self.metric,))
        return pl.concat([own, others.with_columns(pl.col("run_id", "athlete_id").str.replace("^a", "b"))])

    def _seed(self, seed: int, place: int, whose: str) -> int:
        name = f"{seed}:{self.name}:{self.truth_pct}:{place}:{whose}"
        return int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big")


STILL = EXACTLY_MEASURED.but(n_athletes=CLUB_SIZE)
DRIFTING = STILL.with_contact(drift_pct=2.0)
COLLINEAR = STILL.but(
    split_speed_sd_pct=0.3, speed_per_slope=0.0, hills_sd_pct=0.8, fade_pct=-5.0, fade_sd_pct=0.5
).with_contact(per_speed_sd=0.25)
BREAKING = STILL.but(km=(20, 20)).with_contact(drift_pct=5.0, onset_km=10.0)
STRAIGHT_ON = STILL.but(km=(20, 20)).with_contact(drift_pct=3.0)

PLANTED = (
    Case(name="12 runs of 5 to 40 km", season=DRIFTING),
    Case(name="the same, -2 %", season=STILL.with_contact(drift_pct=-2.0)),
    Case(name="3 runs", season=DRIFTING.but(n_runs=3), has_to_be_found=False),
    Case(name="5 runs", season=DRIFTING.but(n_runs=5), has_to_be_found=False),
    Case(name="30 runs", season=DRIFTING.but(n_runs=30)),
    Case(name="errors independent", season=DRIFTING.with_contact(rho=0.0)),
    Case(name="errors correlated by 0.8", season=DRIFTING.with_contact(rho=0.8)),
    Case(name="runs all alike", season=DRIFTING.with_contact(own_drift_sd_pct=0.0)),
    Case(name="heavy tails", season=DRIFTING.with_contact(tail=3.0, outlier_share=0.02, outlier_sd_pct=5.0)),
    Case(name="speed collinear with distance", season=COLLINEAR.with_contact(drift_pct=2.0), has_to_be_found=False),
)
SLOWING = STILL.but(fade_pct=-5.0)
CLIMBING = STILL.but(late_climb_pct=3.0).with_contact(per_slope=0.01)
NOTHING = (
    Case(name="12 runs of 5 to 40 km", season=STILL),
    Case(name="slow down only", season=SLOWING),
    Case(name="the same, half the club drifts", season=SLOWING, beside=DRIFTING),
    Case(name="climb late only", season=CLIMBING),
    Case(name="both", season=STILL.but(late_climb_pct=3.0, fade_pct=-3.0, speed_per_slope=-0.04)),
    Case(name="speed collinear with distance", season=COLLINEAR),
    Case(
        name="cadence of speed alone, slowing",
        season=STILL.but(fade_pct=-6.0).with_cadence(per_m_s=CADENCE_PER_M_S_BURNS),
        metric=CADENCE,
    ),
)
BREAKS = (
    Case(name="+5 % from km 10 of 20", season=BREAKING),
    Case(name="-5 % from km 10 of 20", season=BREAKING.with_contact(drift_pct=-5.0)),
    Case(name="+5 % from km 12 of 20", season=BREAKING.with_contact(onset_km=12.0)),
    Case(name="+5 % from km 10 of 18 to 40", season=BREAKING.but(km=(18, 40))),
)
STRAIGHT = (
    Case(name="+3 % from the start, 20 km", season=STRAIGHT_ON),
    Case(name="-3 % from the start, 20 km", season=STRAIGHT_ON.with_contact(drift_pct=-3.0)),
    Case(name="+3 % from the start, 18 to 40 km", season=STRAIGHT_ON.but(km=(18, 40))),
)


def analysed(seed: int, task: tuple[Case, int]) -> tuple[Case, int, pl.DataFrame]:
    """Take one club all the way; a row for each athlete that has an estimate."""
    case, place = task
    settings = Settings()
    numbers = {"inclusion": settings.inclusion}
    more = {"max_collinearity": settings.max_collinearity, "seed": settings.seed}
    splits = case.splits(seed, place)
    alone = drift(splits, **numbers, **more)[1]
    run_drifts, drifts = drift(splits, **numbers, **more, club=club_responses(responses(splits, **numbers)))
    # Not the published onset, which a finding must come with: what is asked is how good the search is.
    onsets = drifts.select("athlete_id", pl.col("^onset_.*$"))
    found = athlete_drift(
        drifts,
        run_drifts,
        smallest_change_pct=settings.smallest_change_pct,
        max_collinearity=settings.max_collinearity,
        usual_distance_margin=settings.usual_distance_margin,
        max_late_exclusion_excess=settings.max_late_exclusion_excess,
    )
    counted = found.select(pl.all().exclude("^onset_.*$")).filter(
        pl.col("drift_pct_per_10km").is_not_null(), pl.col("athlete_id").str.starts_with("a")
    )
    own = alone.select("athlete_id", alone_low="drift_low", alone_high="drift_high")
    return case, place, counted.join(own, on="athlete_id").join(onsets, on="athlete_id").sort("athlete_id")


def simulated(cases: Sequence[Case], n_clubs: int, seed: int, jobs: int | None) -> list[pl.DataFrame]:
    """All clubs of all cases; the athletes of each case, in the order of the cases."""
    tasks = [(case, place) for case in cases for place in range(n_clubs)]
    told: dict[tuple[Case, int], pl.DataFrame] = {}
    with workers(len(tasks), jobs, few=2, loads="pipeline.stages.drift") as mapper:
        for n_done, (case, place, rows) in enumerate(mapper(analysed, seed, tasks), start=1):
            told[case, place] = rows.with_columns(club=pl.lit(place))
            print(f"\r{n_done} of {len(tasks)} clubs", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return [pl.concat(told[case, place] for place in range(n_clubs)) for case in cases]


# --- What is asked of it ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Figure:
    """What came out, with its 95 % interval; None where there was nothing to count."""

    value: float
    low: float
    high: float

    def told(self, decimals: int) -> str:
        """In words."""
        return f"{self.value:z.{decimals}f} [{self.low:z.{decimals}f}, {self.high:z.{decimals}f}]"


def share(rows: pl.DataFrame, condition: pl.Expr) -> Figure | None:
    """Share of rows [%], with the interval of Wilson."""
    if rows.is_empty():
        return None
    n = int(rows.select(condition.fill_null(value=False).sum()).item())
    low, high = wilson(n, rows.height)
    return Figure(100 * n / rows.height, 100 * float(low), 100 * float(high))


def mean_error(case: Case, rows: pl.DataFrame) -> Figure | None:
    """Mean of estimate minus truth; whole clubs are the unit of its interval, since what a club knows is in each."""
    by_club = rows.group_by("club").agg(pl.col("drift_pct_per_10km").mean())["drift_pct_per_10km"].to_numpy()
    if len(by_club) < 2:
        return None
    middle, error = float(np.mean(by_club)) - case.truth_pct, float(np.std(by_club, ddof=1)) / len(by_club) ** 0.5
    reach = float(special.stdtrit(len(by_club) - 1, 0.975)) * error
    return Figure(middle, middle - reach, middle + reach)


def median(values: npt.NDArray[np.float64]) -> Figure | None:
    """Median, between the two ranks that hold it in 95 of 100 samples (binomial, normal approximation)."""
    if len(values) < 2:
        return None
    ordered, middle, reach = np.sort(values), (len(values) - 1) / 2, 0.98 * len(values) ** 0.5
    low, high = max(int(np.floor(middle - reach)), 0), min(int(np.ceil(middle + reach)), len(values) - 1)
    return Figure(float(np.median(values)), float(ordered[low]), float(ordered[high]))


def holds(low: str, high: str, truth: float) -> pl.Expr:
    """Whether an interval holds the truth."""
    return pl.col(low).le(truth) & pl.col(high).ge(truth)


@dataclass(frozen=True, kw_only=True)
class Question:
    """A column of the table.

    Attributes:
        name: its head.
        ask: of a case and its athletes.
        lowest: end of the target.
        highest: other end.
        target: the target in words; empty for none.
        decimals: printed.
        is_asked: whether a case has to meet the target.
    """

    name: str
    ask: Callable[[Case, pl.DataFrame], Figure | None]
    lowest: float = -np.inf
    highest: float = np.inf
    target: str = ""
    decimals: int = 1
    is_asked: Callable[[Case], bool] = field(default=lambda _: True)

    def mark(self, case: Case, found: Figure | None) -> str:
        """`!` where the whole interval lies outside the target, `?` where only the figure does, `-` for no target."""
        if not self.is_asked(case):
            return "-"
        if found is None or self.lowest <= found.value <= self.highest:
            return " "
        return "?" if found.low <= self.highest and found.high >= self.lowest else "!"


def _onsets(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.filter(pl.col("onset_km").is_not_null())


def _onset_errors(case: Case, rows: pl.DataFrame) -> npt.NDArray[np.float64]:
    return np.abs(_onsets(rows)["onset_km"].to_numpy() - case.season.contact.onset_km)


COVERS = {"lowest": 92.0, "highest": 97.0, "target": "92 to 97"}
LEAVES_OUT = {"lowest": 3.0, "highest": 8.0, "target": "3 to 8"}
MEAN_ERROR = Question(
    name="mean error, %/10 km",
    ask=mean_error,
    lowest=-0.05,
    highest=0.05,
    target="within 0.05",
    decimals=2,
)
OF_PLANTED = (
    Question(
        name="covers, alone", ask=lambda c, rows: share(rows, holds("alone_low", "alone_high", c.truth_pct)), **COVERS
    ),
    Question(
        name="covers, in a club",
        ask=lambda c, rows: share(rows, holds("drift_low", "drift_high", c.truth_pct)),
        **COVERS,
    ),
    Question(
        name="found",
        ask=lambda case, rows: share(rows, pl.col("finding") == ("rises" if case.truth_pct > 0 else "falls")),
        lowest=90.0,
        target="90 or more",
        is_asked=lambda case: case.has_to_be_found,
    ),
    MEAN_ERROR,
)
OF_NOTHING = (
    Question(
        name="uncorrected, alone", ask=lambda _, rows: share(rows, ~holds("alone_low", "alone_high", 0.0)), **LEAVES_OUT
    ),
    Question(
        name="uncorrected, in a club",
        ask=lambda _, rows: share(rows, ~holds("drift_low", "drift_high", 0.0)),
        **LEAVES_OUT,
    ),
    # By correction alone; of these `finding` calls none whose interval is too small to matter.
    Question(name="corrected, in a club", ask=lambda _, rows: share(rows, pl.col("q_value") <= LEVEL)),
    Question(
        name="called drifting",
        ask=lambda _, rows: share(rows, pl.col("finding").is_in(["rises", "falls"])),
        highest=3.0,
        target="3 or less",
    ),
    MEAN_ERROR,
    Question(name="raw, %/10 km", ask=lambda _, rows: median(rows["raw_pct_per_10km"].to_numpy())),
)
OF_BREAKS = (
    Question(name="given an onset", ask=lambda _, rows: share(rows, pl.col("onset_km").is_not_null())),
    Question(
        name="median error, km",
        ask=lambda case, rows: median(_onset_errors(case, rows)),
        highest=2.0,
        target="2 or less",
    ),
    Question(
        name="its interval covers",
        ask=lambda c, rows: share(_onsets(rows), holds("onset_low", "onset_high", c.season.contact.onset_km)),
        **COVERS,
    ),
)
OF_STRAIGHT = (
    Question(
        name="given an onset",
        ask=lambda _, rows: share(rows, pl.col("onset_km").is_not_null()),
        highest=5.0,
        target="5 or less",
    ),
)
SECTIONS = (
    ("2 % per 10 km planted", PLANTED, OF_PLANTED),
    ("nothing planted", NOTHING, OF_NOTHING),
    ("onset 8 km or more from the end", BREAKS, OF_BREAKS),
    ("no onset planted", STRAIGHT, OF_STRAIGHT),
)


# --- The table -------------------------------------------------------------------------------------------------------

_CASE, _COLUMN = 32, 22


def section(title: str, cases: Sequence[Case], questions: Sequence[Question], found: Sequence[pl.DataFrame]) -> int:
    """Print a line for each case under heads and targets; how many figures lie wholly outside their target."""
    n_outside = 0
    print(f"\n{title:{_CASE}}       n" + "".join(f"  {question.name:{_COLUMN}}" for question in questions).rstrip())
    print(
        f"{'  target':{_CASE}}        " + "".join(f"  {question.target:{_COLUMN}}" for question in questions).rstrip()
    )
    for case, rows in zip(cases, found, strict=True):
        line = f"{case.name:{_CASE}}  {rows.height:6d}"
        for question in questions:
            figure = question.ask(case, rows)
            mark = question.mark(case, figure)
            n_outside += mark == "!"
            told = "none" if figure is None else figure.told(question.decimals)
            line += f"  {f'{told} {mark}':{_COLUMN}}"
        print(line.rstrip())
    return n_outside


def main() -> None:
    """Simulate, print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--athletes", type=int, default=2000, help=f"of each case; made up to clubs of {CLUB_SIZE}")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=None, help="worker processes; one a core unless told")
    asked = parser.parse_args()
    if asked.athletes < 1:
        parser.error("--athletes: at least 1")
    n_clubs = -(-asked.athletes // CLUB_SIZE)
    began = time.perf_counter()
    found = iter(simulated([case for _, cases, _ in SECTIONS for case in cases], n_clubs, asked.seed, asked.jobs))
    print(f"{n_clubs} clubs of {CLUB_SIZE} a case, seed {asked.seed}. n: athletes with an estimate. Shares in %,")
    print(
        "[95 % interval; of shares Wilson's, as if the athletes of a club shared nothing, of mean errors over clubs];"
    )
    print("! the whole interval lies outside the target, ? only the figure does, - no target here")
    n_outside = sum(
        section(title, cases, questions, [next(found) for _ in cases]) for title, cases, questions in SECTIONS
    )
    print(f"\n{n_outside} figures lie wholly outside their target; took {time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    # Workers take functions of modules that they can load by name.
    import_module("tests.bench.bench_calibration").main()
