"""Analyses of how the foot landed at two distances of an event.

The cohort is who was filmed (`pipeline.study.filmed`), and each runner counts once (`pipeline.study.landing_pairs`).

Shares and tests are as counted. Where the kilometre of a recorded run is known, the change with distance is also given
at equal speed, since speed alone moves the strike, and at equal speed and slope where events differ in slope. The
surface that is known is that of a whole run: it is a runner's own and cancels.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial

import numpy as np
import polars as pl

from pipeline.core.errors import NothingDone
from pipeline.methods.kappa import cohens_kappa
from pipeline.methods.paired_change import paired_change
from pipeline.methods.paired_classes import (
    PairedTest,
    bowker,
    mcnemar_chi_squared,
    mcnemar_exact,
    mcnemar_mid_p,
    stuart_maxwell,
    wilson_of_people,
)
from pipeline.methods.paired_logit import Odds, odds_as_counted, odds_at_equal
from pipeline.study.landing_pairs import (
    by_runner,
    cell_of_angles,
    cell_of_changes,
    cell_of_raters,
    cell_of_shares,
    cell_of_tests,
    changes_of,
    counted,
    distances,
    is_once_each,
    known_pairs,
    pairs,
    rated_feet,
    smallest,
    sums,
    with_angles,
    with_speeds,
)
from pipeline.study.material import Material
from pipeline.study.results import AnalysisResult, Statistic, statistics_of
from pipeline.study.study_file import Analysis
from pipeline.tables.observed import LANDINGS, STRIKES

About = Callable[..., Statistic]


def landings(material: Material, analysis: Analysis) -> AnalysisResult:
    """How the same runners landed early and late: shares, tests, angles, odds at equal speed, agreement of raters.

    Raises:
        NothingDone: no runner was filmed at both.
    """
    rows = pairs(material, analysis)
    if rows.is_empty():
        early, late = distances(analysis)
        known = ", ".join(f"{first:g} and {second:g}" for first, second in known_pairs(material))
        raise NothingDone(
            f"{analysis.name}: no runner was filmed at both km {early:g} and km {late:g}. "
            f"Pairs of distances in the store: {known or 'none'}."
        )
    runners = by_runner(rows)
    about = statistics_of(analysis, None)
    cell = cell_of_tests(runners, material.least_cell)
    statistics = [
        *_shares(rows, runners, about),
        *_tests(rows, runners, about, cell),
        *_angles(rows, about, seed=material.seed),
        *_odds(rows, runners, about, cell),
        *_raters(rated_feet(material, analysis), about),
    ]
    return AnalysisResult(statistics)


# --- What is made of it ----------------------------------------------------------------------------------------------


def _shares(rows: pl.DataFrame, runners: pl.DataFrame, about: About) -> Iterator[Statistic]:
    (n, n_pairs), n_events = runners.select(pl.col("n_runners", "n_pairs").sum()).row(0), rows["event"].n_unique()
    note, method = f"{n} runners in {n_events} event{'s' if n_events > 1 else ''}", "share of rearfoot landings"
    if n_pairs > n:
        note += f", {n_pairs} pairs of landings; a runner counts once, by the share of the events"
        method = "mean over runners of the share of rearfoot landings"
    interval = "Wilson's interval" + (" for the effective number of runners" if n_pairs > n else "")
    for name in ("early", "late"):
        share_sum, square_sum = sums(runners, name)
        low, high = wilson_of_people(share_sum, square_sum, n, n_pairs)
        yield about(
            f"share_{name}",
            share_sum / n,
            low,
            high,
            method=f"{method}; {interval}",
            note=note,
            smallest_cell=cell_of_shares(runners),
            way="share" if n_pairs == n else "share_of_events",
        )


def _tests(rows: pl.DataFrame, runners: pl.DataFrame, about: About, cell: int | None) -> Iterator[Statistic]:
    """McNemar's tests of rearfoot against all others, then tests of all classes that occur."""
    lost, gained = changes_of(runners)
    two = [[0, lost], [gained, 0]]
    tests = {
        "mcnemar_exact": mcnemar_exact(two),
        "mcnemar_mid_p": mcnemar_mid_p(two),
        "mcnemar_continuity": mcnemar_chi_squared(two, continuity=True),
        "mcnemar": mcnemar_chi_squared(two, continuity=False),
    }
    once = is_once_each(runners)
    for name, test in tests.items():
        yield about(
            f"{name}_statistic",
            test.statistic,
            level=None,
            p_value=test.p_value,
            is_primary=name == "mcnemar_exact",
            smallest_cell=cell,
            way=name,
            method=_in_full(test),
            note="" if once else _ONE_CHANGE_EACH,
        )
    table = counted(rows, "early", "late", STRIKES)
    occurs = np.flatnonzero(table.sum(axis=0) + table.sum(axis=1))
    for name, of_all in _OF_ALL_CLASSES.items() if len(occurs) > 2 else ():
        if not once:
            yield about(f"{name}_statistic", None, level=None, note=_ONLY_ONCE_EACH)
            continue
        test = of_all(table[np.ix_(occurs, occurs)])
        yield about(
            f"{name}_statistic",
            test.statistic,
            level=None,
            p_value=test.p_value,
            smallest_cell=smallest(*table.ravel()),
            way=name,
            method=_in_full(test),
        )


def _in_full(test: PairedTest) -> str:
    """A test's name and degrees of freedom."""
    return test.method + (f", {test.degrees_of_freedom} degrees of freedom" if test.degrees_of_freedom else "")


_ONE_CHANGE_EACH = "One change per runner: in how many events the rearfoot was gained, minus in how many it was lost"
_ONLY_ONCE_EACH = (
    "Not computed: some runners were filmed in several events, and this test takes each pair of landings as of another "
    "person"
)
_OF_ALL_CLASSES = {"bowker": bowker, "stuart_maxwell": stuart_maxwell}


def _angles(rows: pl.DataFrame, about: About, *, seed: int) -> Iterator[Statistic]:
    """The angle as it is, where it was measured at both distances of single runners."""
    measured = with_angles(rows)
    if measured.height < 2:
        return
    change = paired_change(measured["early_angle_deg"], measured["late_angle_deg"], seed=seed)
    n = f"{measured.height} runners with an angle at both; heel down first positive"
    cell = cell_of_angles(rows, measured)
    for name in ("early", "late"):
        mean = float(measured[f"{name}_angle_deg"].to_numpy().mean())
        method = "mean over runners of the mean angles of their feet"
        yield about(f"angle_{name}_deg", mean, method=method, note=n, smallest_cell=cell)
    yield about(
        "angle_change_deg",
        change.mean,
        change.low,
        change.high,
        p_value=change.p_value,
        method=f"mean change of a runner's angle, t interval; p by signs, {change.p_method}",
        note=" ".join(filter(None, (n + ".", change.note))),
        smallest_cell=cell,
        way="angle",
    )


def _odds(rows: pl.DataFrame, runners: pl.DataFrame, about: About, cell: int | None) -> Iterator[Statistic]:
    """Odds of the rearfoot late over early within runners, as counted and at equal speed."""
    lost, gained = changes_of(runners)
    if gained + lost:
        one_sided = "" if gained and lost else "All changed the same way: the odds have no finite estimate."
        exact = (
            "conditional logistic regression with runners as strata, exact interval"
            if is_once_each(runners)
            else "runners who came to the rearfoot over those who left it, by the net change of each, exact interval"
        )
        odds = _finite(odds_as_counted(gained, lost))
        yield about("odds_ratio", *odds, note=one_sided, method=exact, smallest_cell=cell, way="odds")
    changed = with_speeds(rows)
    if changed is None:
        return
    for covariates, names in _AT_EQUAL.items():
        known = changed.drop_nulls(covariates)
        if known.is_empty() and "slope_change" in covariates:
            continue
        at_equal, note = _at_equal(known, covariates)
        is_once = not known["athlete_id"].is_duplicated().any()
        wald = "conditional logistic regression, Wald's interval"
        about_these = partial(
            about,
            note=note,
            method=wald if is_once else f"{wald} with what a runner's events share",
            smallest_cell=smallest(cell, cell_of_changes(runners, changed, *covariates[1:])),
            way="odds" if is_once else "odds_of_events",
        )
        yield from (about_these(name, *_finite(one)) for name, one in zip(names, at_equal, strict=True) if name)


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
        odds = odds_at_equal(
            changed["gained"].to_numpy(), changed.select(covariates).to_numpy(), changed["athlete_id"].to_numpy()
        )
    except ValueError as error:
        return none, f"Not estimated with {' and '.join(names)} taken into account: {error}"
    n = changed["athlete_id"].n_unique()
    seen = "" if n == changed.height else f", {changed.height} times in all"
    return odds, f"{n} runners changed and have {' and '.join(f'{name}s' for name in names)}{seen}"


def _finite(odds: Odds | None) -> list[float | None]:
    return [None] if odds is None else [value if np.isfinite(value) else None for value in odds]


def _raters(feet: pl.DataFrame, about: About) -> Iterator[Statistic]:
    """Agreement of two raters on the classes of single feet."""
    table = counted(feet, "strike", "second", LANDINGS)
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
        smallest_cell=cell_of_raters(feet),
        way="kappa",
    )
