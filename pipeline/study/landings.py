"""Analyses of how the foot landed at two distances of an event.

The cohort is who was filmed (`pipeline.study.filmed`). Shares and tests are as counted. Where the kilometre of a
recorded run is known, the change with distance is also given at equal speed, since speed alone moves the strike, and at
equal speed and slope where events differ in slope. The surface that is known is that of a whole run: it is a runner's
own and cancels.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.core.errors import NothingDone
from pipeline.methods.kappa import cohens_kappa
from pipeline.methods.paired_change import paired_change
from pipeline.methods.paired_classes import (
    bowker,
    mcnemar_chi_squared,
    mcnemar_exact,
    mcnemar_mid_p,
    stuart_maxwell,
    wilson,
)
from pipeline.methods.paired_logit import Odds, odds_as_counted, odds_at_equal
from pipeline.stages.strikes import of_runners
from pipeline.study.material import Material
from pipeline.study.results import AnalysisResult, Statistic, statistics_of
from pipeline.study.study_file import BOTH_FEET, Analysis
from pipeline.tables.observed import LANDINGS, REARFOOT, STRIKES

Counts = npt.NDArray[np.int64]
About = Callable[..., Statistic]
#: Speed is taken into account by steps of this factor: 10 % faster.
SPEED_STEP = 1.1
#: How finely the slope of a course is taken, and released: finer would name the course [%].
SLOPE_STEP_PCT = 0.5
_EVENT = ["event", "athlete_id"]


def landings(material: Material, analysis: Analysis) -> AnalysisResult:
    """How the same runners landed early and late: shares, tests, angles, odds at equal speed, agreement of raters.

    Raises:
        NothingDone: no runner was filmed at both.
    """
    rows = pairs(material, analysis)
    if rows.is_empty():
        early, late = _distances(analysis)
        known = ", ".join(f"{first:g} and {second:g}" for first, second in _known_pairs(material))
        raise NothingDone(
            f"{analysis.name}: no runner was filmed at both km {early:g} and km {late:g}. "
            f"Pairs of distances in the store: {known or 'none'}."
        )
    table = _table(rows)
    about = statistics_of(analysis, None)
    cell = _cell_of_tests(table, material.least_cell)
    statistics = [
        *_shares(rows, table, about),
        *_tests(table, about, cell),
        *_angles(rows, table, about, seed=material.seed),
        *_odds(rows, table, about, cell),
        *_raters(rater_table(material, analysis), about),
    ]
    return AnalysisResult(statistics)


# --- What was seen ---------------------------------------------------------------------------------------------------


def pairs(material: Material, analysis: Analysis) -> pl.DataFrame:
    """Runners (or groups) seen at both distances of an event.

    Returns:
        `event`, `athlete_id`, `run_id` (null without one), `n_runners`, `early`, `late` (classes), `early_angle_deg`,
        `late_angle_deg`, `speed_change` (from early to late, log over that of `SPEED_STEP`, to a tenth, as it is
        released: nearer than a kilometre's speed is known, and too coarse to find a runner by; null without speeds),
        `slope_change` (by so much the late kilometre is steeper [%], the median over the event's runners, since the
        course is that of all, to `SLOPE_STEP_PCT`; null without slopes).
    """
    seen = of_runners(_feet(material, analysis))
    early, late = (
        seen.filter(pl.col("distance_km") == distance).select(
            *_EVENT, "run_id", "n_runners", pl.col("strike").alias(name),
            pl.col("angle_deg").alias(f"{name}_angle_deg"), pl.col("speed_m_s").alias(f"{name}_speed"),
            pl.col("slope_pct").alias(f"{name}_slope"),
        )
        for name, distance in zip(("early", "late"), _distances(analysis), strict=True)
    )  # fmt: skip
    both = early.join(late.drop("run_id", "n_runners"), on=_EVENT, how="inner").sort(_EVENT)
    change = (pl.col("late_speed") / pl.col("early_speed")).log() / np.log(SPEED_STEP)
    steeper = (pl.col("late_slope") - pl.col("early_slope")).median().over("event")
    return both.with_columns(
        speed_change=change.round(1), slope_change=(steeper / SLOPE_STEP_PCT).round() * SLOPE_STEP_PCT
    ).drop("early_speed", "late_speed", "early_slope", "late_slope")


def rater_table(material: Material, analysis: Analysis) -> Counts:
    """Feet at either distance by the class that counts (rows) and that of the other rater with most feet."""
    feet = _feet(material, analysis).filter(pl.col("distance_km").is_in(_distances(analysis)))
    place = [*_EVENT, "distance_km", "foot"]
    others = feet.filter(~pl.col("is_counted"))
    most = others.group_by("rater").len().sort("len", "rater", descending=[True, False]).head(1)
    second = others.join(most, on="rater", how="semi").select(*place, pl.col("strike").alias("second"))
    both = feet.filter("is_counted").join(second, on=place, how="inner")
    return _counted(both, "strike", "second", LANDINGS)


def _feet(material: Material, analysis: Analysis) -> pl.DataFrame:
    rows = material.landings
    return rows if analysis.foot == BOTH_FEET else rows.filter(pl.col("foot") == analysis.foot)


def _distances(analysis: Analysis) -> tuple[float, float]:
    assert analysis.early_km is not None and analysis.late_km is not None  # noqa: PT018
    return analysis.early_km[0], analysis.late_km[0]


def _known_pairs(material: Material) -> list[tuple[float, float]]:
    places = material.landings.select(*_EVENT, "distance_km").unique()
    both = places.join(places, on=_EVENT, suffix="_late").filter(pl.col("distance_km") < pl.col("distance_km_late"))
    return both.select("distance_km", "distance_km_late").unique().sort(pl.all()).rows()


def _table(rows: pl.DataFrame) -> Counts:
    return _counted(rows, "early", "late", STRIKES)


def _counted(rows: pl.DataFrame, first: str, second: str, classes: tuple[str, ...]) -> Counts:
    numbers = dict.fromkeys(((a, b) for a in classes for b in classes), 0)
    for a, b, n in rows.group_by(first, second).agg(pl.col("n_runners").sum()).iter_rows():
        numbers[a, b] = n
    return np.array([[numbers[a, b] for b in classes] for a in classes], dtype=np.int64)


# --- What is made of it ----------------------------------------------------------------------------------------------


def _shares(rows: pl.DataFrame, table: Counts, about: About) -> Iterator[Statistic]:
    n = int(table.sum())
    n_events = rows["event"].n_unique()
    note = f"{n} pairs of landings in {n_events} event" + (
        "s; a runner in several events counts in each" if n_events > 1 else ""
    )
    counts = {"early": int(table[0].sum()), "late": int(table[:, 0].sum())}
    smallest = _smallest(*_margins(table))
    for name, count in counts.items():
        low, high = wilson(count, n)
        yield about(
            f"share_{name}",
            count / n,
            float(low),
            float(high),
            method="share of rearfoot landings; Wilson's interval",
            note=note,
            smallest_cell=smallest,
        )


def _tests(table: Counts, about: About, cell: int | None) -> Iterator[Statistic]:
    """McNemar's tests of rearfoot against all others, then tests of all classes that occur."""
    two = of_two(table)
    cells = cell, _smallest(*table.ravel())
    occurs = np.flatnonzero(table.sum(axis=0) + table.sum(axis=1))
    tests = {
        "mcnemar_exact": mcnemar_exact(two),
        "mcnemar_mid_p": mcnemar_mid_p(two),
        "mcnemar_continuity": mcnemar_chi_squared(two, continuity=True),
        "mcnemar": mcnemar_chi_squared(two, continuity=False),
    }
    if len(occurs) > 2:
        tests |= {name: test(table[np.ix_(occurs, occurs)]) for name, test in _OF_ALL_CLASSES.items()}
    for name, test in tests.items():
        yield about(
            f"{name}_statistic",
            test.statistic,
            level=None,
            p_value=test.p_value,
            is_primary=name == "mcnemar_exact",
            smallest_cell=cells[name in _OF_ALL_CLASSES],
            way=name,
            method=test.method + (f", {test.degrees_of_freedom} degrees of freedom" if test.degrees_of_freedom else ""),
        )


_OF_ALL_CLASSES = {"bowker": bowker, "stuart_maxwell": stuart_maxwell}


def _angles(rows: pl.DataFrame, table: Counts, about: About, *, seed: int) -> Iterator[Statistic]:
    """The angle as it is, where it was measured at both distances of single runners."""
    measured = with_angles(rows)
    if measured.height < 2:
        return
    change = paired_change(measured["early_angle_deg"], measured["late_angle_deg"], seed=seed)
    n = f"{measured.height} runners with an angle at both; heel down first positive"
    smallest = _smallest(measured.height, *of_two(table).ravel())
    for name in ("early", "late"):
        mean = float(measured[f"{name}_angle_deg"].to_numpy().mean())
        method = "mean of the feet's mean angles"
        yield about(f"angle_{name}_deg", mean, method=method, note=n, smallest_cell=smallest)
    yield about(
        "angle_change_deg",
        change.mean,
        change.low,
        change.high,
        p_value=change.p_value,
        method=f"mean change of a runner's angle, t interval; p by signs, {change.p_method}",
        note=" ".join(filter(None, (n + ".", change.note))),
        smallest_cell=smallest,
        way="angle",
    )


def with_angles(rows: pl.DataFrame) -> pl.DataFrame:
    """Of `pairs`, single runners whose angle was measured at both distances."""
    return rows.filter(pl.col("n_runners") == 1).drop_nulls(["early_angle_deg", "late_angle_deg"])


def _odds(rows: pl.DataFrame, table: Counts, about: About, smallest: int | None) -> Iterator[Statistic]:
    """Odds of the rearfoot late over early within runners, as counted and at equal speed."""
    about = partial(about, smallest_cell=smallest, way="odds")
    two = of_two(table)
    lost, gained = int(two[0, 1]), int(two[1, 0])
    if gained + lost:
        one_sided = "" if gained and lost else "All changed the same way: the odds have no finite estimate."
        exact = "conditional logistic regression with runners as strata, exact interval"
        yield about("odds_ratio", *_finite(odds_as_counted(gained, lost)), note=one_sided, method=exact)
    changed = with_speeds(rows)
    if changed is None:
        return
    for covariates, names in _AT_EQUAL.items():
        known = changed.drop_nulls(covariates)
        if known.is_empty() and "slope_change" in covariates:
            continue
        odds, note = _at_equal(known, covariates)
        for name, one in zip(names, odds, strict=True):
            if name is not None:
                wald = "conditional logistic regression, Wald's interval"
                yield about(name, *_finite(one), note=note, method=wald)


#: By what is held equal: the odds then, and those for more of each; None for what was given before.
_AT_EQUAL: Mapping[tuple[str, ...], Sequence[str | None]] = {
    ("speed_change",): ("odds_ratio_equal_speed", "odds_ratio_10_pct_faster"),
    ("speed_change", "slope_change"): ("odds_ratio_equal_speed_and_slope", None, "odds_ratio_1_pct_steeper"),
}


def _at_equal(changed: pl.DataFrame, covariates: Sequence[str]) -> tuple[Sequence[Odds | None], str]:
    """Odds at equal covariates and for more of each, None where they cannot be estimated, and what to say of them."""
    names, none = [name.removesuffix("_change") for name in covariates], [None] * (len(covariates) + 1)
    if "slope" in names and changed["slope_change"].n_unique() == 1:
        return none, (
            "Not estimated with slope taken into account: the late kilometre is as much steeper for all who changed, "
            "so that slope cannot be told from distance; that takes several courses"
        )
    try:
        odds = odds_at_equal(changed["gained"].to_numpy(), changed.select(covariates).to_numpy())
    except ValueError as error:
        return none, f"Not estimated with {' and '.join(names)} taken into account: {error}"
    return odds, f"{changed.height} runners changed and have {' and '.join(f'{name}s' for name in names)}"


def _finite(odds: Odds | None) -> list[float | None]:
    return [None] if odds is None else [value if np.isfinite(value) else None for value in odds]


def with_speeds(rows: pl.DataFrame) -> pl.DataFrame | None:
    """Of `pairs`, single runners with speeds who changed, and whether they `gained` the rearfoot; None without any."""
    known = rows.filter(pl.col("n_runners") == 1).drop_nulls("speed_change")
    if known.is_empty():
        return None
    is_early, is_late = (pl.col(name) == REARFOOT for name in ("early", "late"))
    return known.filter(is_early != is_late).with_columns(gained=is_late)


def _raters(table: Counts, about: About) -> Iterator[Statistic]:
    """Agreement of two raters on the classes of single feet."""
    n = int(table.sum())
    if not n:
        return
    occurs = np.flatnonzero(table.sum(axis=0) + table.sum(axis=1))
    same = f"{n} feet seen by two raters, {int(np.trace(table))} of them classed alike"
    kappa = cohens_kappa(table[np.ix_(occurs, occurs)]) if len(occurs) > 1 else (None,)
    yield about(
        "kappa",
        *kappa,
        method="Cohen's kappa of two raters, large-sample interval",
        note=same if len(occurs) > 1 else f"{same}: with one class there is no kappa",
        smallest_cell=_smallest(*table.ravel()),
        way="kappa",
    )


def released_landings(material: Material, analysis: Analysis, *, least: int) -> dict[str, pl.DataFrame]:
    """What an analysis took, as it may be passed on: `landings`, `angles`, `strike_changes` and `raters`.

    Rows of runners are given where no group that they tell of is smaller than `least`, as their numbers are.
    """
    rows = pairs(material, analysis).with_columns(run_id=pl.format("{} {}", "event", "athlete_id"))
    table, raters = _table(rows), rater_table(material, analysis)
    angles, changes = with_angles(rows), with_speeds(rows)
    angles = angles.filter(pl.lit(value=_is_told(_smallest(angles.height, *of_two(table).ravel()), least)))
    changes = changes if changes is not None else rows.clear().with_columns(gained=pl.lit(value=False))
    agreed = [(a, b, int(raters[i, j])) for i, a in enumerate(LANDINGS) for j, b in enumerate(LANDINGS)]
    feet = agreed if raters.any() and _is_told(_smallest(*raters.ravel()), least) else []
    return {
        "landings": released_table(table, least),
        "angles": angles.select(
            "athlete_id",
            "run_id",
            *(pl.col(f"{name}_angle_deg").round_sig_figs(12).alias(name) for name in ("early", "late")),
        ),
        "strike_changes": changes.filter(pl.lit(value=_is_told(_cell_of_tests(table, least), least))).select(
            "athlete_id", "run_id", "gained", "speed_change", "slope_change"
        ),
        "raters": pl.DataFrame(feet, schema={"first": pl.String, "second": pl.String, "feet": pl.Int64}, orient="row"),
    }


def _is_told(smallest: int | None, least: int) -> bool:
    return smallest is None or smallest >= least


def released_table(table: Counts, least: int) -> pl.DataFrame:
    """As much of a cross-table as holds no small cell: all classes, rearfoot against other, the numbers at each
    distance, or those who changed.

    Returns:
        `early`, `late` (empty for numbers at one distance), `runners`; no rows where all of these have small cells.
    """
    two, names = of_two(table), (REARFOOT, "other")
    classes = [(a, b, int(table[i, j])) for i, a in enumerate(STRIKES) for j, b in enumerate(STRIKES)]
    halves = [(a, b, int(two[i, j])) for i, a in enumerate(names) for j, b in enumerate(names)]
    margins = [(a, "", int(two[i].sum())) for i, a in enumerate(names)]
    margins += [("", b, int(two[:, j].sum())) for j, b in enumerate(names)]
    safe = (rows for rows in (classes, halves, margins, halves[1:3]) if all(n == 0 or n >= least for _, _, n in rows))
    schema = {"early": pl.String, "late": pl.String, "runners": pl.Int64}
    return pl.DataFrame(next(safe, []), schema=schema, orient="row")


def of_two(table: Counts) -> Counts:
    """The cross-table with rearfoot against all others."""
    rear, early, late = table[0, 0], table[0].sum(), table[:, 0].sum()
    return np.array([[rear, early - rear], [late - rear, table.sum() - early - late + rear]])


def _margins(table: Counts) -> list[int]:
    """Numbers of runners with rearfoot and with other landings, early and late."""
    two = of_two(table)
    return [int(number) for number in (*two.sum(axis=0), *two.sum(axis=1))]


def _cell_of_tests(table: Counts, least: int) -> int | None:
    """The smallest group that a test of those who changed gives away.

    Where shares are told, all four numbers follow from both; where they are not, only the two that changed do.
    """
    two, shares = of_two(table), _smallest(*_margins(table))
    are_shares_told = shares is None or shares >= least
    return _smallest(*two.ravel()) if are_shares_told else _smallest(int(two[0, 1]), int(two[1, 0]))


def _smallest(*counts: int) -> int | None:
    """The smallest count that is not zero."""
    return min((int(count) for count in counts if count), default=None)
