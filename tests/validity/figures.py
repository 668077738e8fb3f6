"""What is counted in the athletes of a scenario, each figure with its Monte Carlo error."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl

from tests.validity.scenarios import Analysis, Scenario, Truth

#: Findings that claim a change.
CHANGES = ("rises", "falls", "changes_late")
#: Findings that claim nothing.
CLAIMS_NOTHING = ("unclear", "too_little_data")
#: A planted drift below this is none [% per 10 km].
NO_DRIFT_PCT = 1e-9


@dataclass(frozen=True)
class Figure:
    """A number and its Monte Carlo standard error, both in the unit of the column.

    Attributes:
        value: what was counted.
        error: its standard error.
    """

    value: float
    error: float

    def __str__(self) -> str:
        decimals = 2 if self.error < 0.1 else 1
        return f"{self.value:z.{decimals}f} ± {self.error:.{decimals}f}"


def share(rows: pl.DataFrame, condition: pl.Expr) -> Figure | None:
    """Share of athletes [%]; None without athletes.

    The error is the larger of two: of a ratio over clubs, whose athletes have the club's responses in common, and of a
    binomial share with two more athletes on either side (Agresti and Coull 1998, Am Stat 52:119, abstract read), which
    is not zero where all athletes are alike.
    """
    if rows.is_empty():
        return None
    hits = rows.with_columns(hit=condition.fill_null(value=False).cast(pl.Float64))
    by_club = hits.group_by("club").agg(pl.col("hit").sum(), n=pl.len()).sort("club")
    hit, n = by_club["hit"].to_numpy(), by_club["n"].to_numpy()
    value, adjusted = hit.sum() / n.sum(), (hit.sum() + 2) / (n.sum() + 4)
    error = np.sqrt(adjusted * (1 - adjusted) / (n.sum() + 4))
    if len(n) > 1:
        squares = ((hit - value * n) ** 2).sum() * len(n) / (len(n) - 1)
        error = max(error, np.sqrt(squares) / n.sum())
    return Figure(100 * float(value), 100 * float(error))


def mean(rows: pl.DataFrame, value: pl.Expr) -> Figure | None:
    """Mean over athletes; its error is the larger of that over clubs and that over athletes."""
    known = rows.select("club", value=value).drop_nulls()
    if known.height < 2:
        return None
    by_club = known.group_by("club").agg(pl.col("value").mean())["value"].to_numpy()
    values = known["value"].to_numpy()
    error = max(float(np.std(sample, ddof=1)) / len(sample) ** 0.5 for sample in (by_club, values) if len(sample) > 1)
    return Figure(float(values.mean()), error)


def median(rows: pl.DataFrame, value: pl.Expr) -> Figure | None:
    """Median over athletes; its error from the two ranks a standard deviation away."""
    known = np.sort(rows.select(value=value).drop_nulls()["value"].to_numpy())
    if not len(known):
        return None
    middle, away = (len(known) - 1) / 2, len(known) ** 0.5 / 2
    low, high = (
        known[int(np.clip(place, 0, len(known) - 1))] for place in (np.floor(middle - away), np.ceil(middle + away))
    )
    return Figure(float(np.median(known)), float(high - low) / 2)


def covers(low: str, high: str, truth: pl.Expr) -> pl.Expr:
    """Whether an interval holds the truth."""
    return pl.col(low).le(truth) & pl.col(high).ge(truth)


@dataclass(frozen=True)
class Column:
    """A column of the table.

    Attributes:
        name: its head.
        meaning: for the legend.
        count: of a scenario and its athletes.
    """

    name: str
    meaning: str
    count: Callable[[Scenario, pl.DataFrame], Figure | None]


def _estimated(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.filter(pl.col("drift_pct_per_10km").is_not_null())


def _decided(rows: pl.DataFrame) -> pl.DataFrame:
    return _estimated(rows).filter(~pl.col("finding").is_in(CLAIMS_NOTHING))


def _nothing(scenario: Scenario, rows: pl.DataFrame) -> pl.DataFrame:
    return _where_planted(scenario, rows).filter(pl.col("planted_pct").abs() < NO_DRIFT_PCT)


def _planted(scenario: Scenario, rows: pl.DataFrame) -> pl.DataFrame:
    return _where_planted(scenario, rows).filter(pl.col("planted_pct").abs() >= NO_DRIFT_PCT)


def _where_planted(scenario: Scenario, rows: pl.DataFrame) -> pl.DataFrame:
    """The rows, if what was planted is the truth: the mean of a season's runs is never nothing."""
    return rows if scenario.truth is Truth.PLANTED else rows.clear()


def _coverage(scenario: Scenario, rows: pl.DataFrame) -> Figure | None:
    return share(rows, covers("drift_low", "drift_high", pl.col(scenario.truth.value)))


_IS_RIGHT = pl.col("finding") == pl.when(pl.col("planted_pct") > 0).then(pl.lit("rises")).otherwise(pl.lit("falls"))

COVERAGE = Column(
    "coverage",
    "share of 95 % intervals that hold the planted drift, or what the row names, of all athletes with an estimate [%]",
    lambda scenario, rows: _coverage(scenario, _estimated(rows)),
)
COVERAGE_DECIDED = Column(
    "of findings",
    "the same among athletes whose finding claims something, that is, is not `unclear` [%]",
    lambda scenario, rows: _coverage(scenario, _decided(rows)),
)
BIAS = Column(
    "bias",
    "mean of estimate minus truth [% per 10 km]",
    lambda scenario, rows: mean(rows, pl.col("drift_pct_per_10km") - pl.col(scenario.truth.value)),
)
WIDTH = Column(
    "width",
    "median width of the interval [% per 10 km]",
    lambda _, rows: median(rows, pl.col("drift_high") - pl.col("drift_low")),
)
FALSE_CHANGE = Column(
    "false change",
    "athletes with no planted drift who are called `rises`, `falls` or `changes_late` [%]",
    lambda scenario, rows: share(_nothing(scenario, rows), pl.col("finding").is_in(CHANGES)),
)
FALSE_HOLDS = Column(
    "false holds",
    "athletes with a planted drift beyond the margin who are called `holds` [%]",
    lambda scenario, rows: share(_planted(scenario, rows), pl.col("finding") == "holds"),
)
POWER = Column(
    "power",
    "athletes with a planted drift who are called `rises` or `falls`, with the right sign [%]",
    lambda scenario, rows: share(_planted(scenario, rows), _IS_RIGHT),
)
UNCLEAR = Column(
    "unclear",
    "athletes whose finding is `unclear` [%]",
    lambda _, rows: share(rows, pl.col("finding").is_in(CLAIMS_NOTHING)),
)
OF_DRIFT = (COVERAGE, COVERAGE_DECIDED, BIAS, WIDTH, FALSE_CHANGE, FALSE_HOLDS, POWER, UNCLEAR)


def _is_finding(*findings: str) -> Callable[[Scenario, pl.DataFrame], Figure | None]:
    return lambda _, rows: share(rows, pl.col("finding").is_in(findings))


def _with_onset(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.filter(pl.col("onset_km").is_not_null())


def _change_covered(scenario: Scenario, rows: pl.DataFrame) -> Figure | None:
    """Coverage of the change at the usual distance; None until the table has it."""
    if "change_at_usual_distance_low" not in rows.columns:
        return None
    metric = scenario.world.metric
    beyond = (pl.col("usual_distance_km") - metric.break_km).clip(lower_bound=0) / 10
    if metric.curve_km is not None:
        beyond = beyond * pl.col("usual_distance_km") / metric.curve_km
    truth = 100 * (((1 + pl.col("planted_pct") / 100).log() * beyond).exp() - 1)
    given = rows.filter(pl.col("change_at_usual_distance_low").is_not_null())
    return share(given, covers("change_at_usual_distance_low", "change_at_usual_distance_high", truth))


HOLDS = Column("holds", "athletes who are called `holds` [%]", _is_finding("holds"))
OF_LATE_CHANGE = (
    HOLDS,
    Column("changes late", "athletes who are called `changes_late` [%]", _is_finding("changes_late")),
    Column("rises or falls", "athletes who are called `rises` or `falls` [%]", _is_finding("rises", "falls")),
    UNCLEAR,
    Column(
        "onset given",
        "athletes for whom the stage `drift` gives an onset [%]",
        lambda _, rows: share(rows, pl.col("onset_km").is_not_null()),
    ),
    Column(
        "onset covered",
        "share of those onsets whose 95 % interval holds the planted one [%]",
        lambda scenario, rows: (
            share(_with_onset(rows), covers("onset_low", "onset_high", pl.lit(scenario.world.metric.break_km)))
            if scenario.world.metric.break_km
            else None
        ),
    ),
    Column(
        "change covered",
        "share of intervals of the change at the usual distance that hold the true change [%]",
        _change_covered,
    ),
)
OF_NO_DIFFERENCE = (
    Column(
        "coverage of zero",
        "share of 95 % intervals that hold zero, the truth [%]",
        lambda _, rows: share(rows.drop_nulls("low"), covers("low", "high", pl.lit(0.0))),
    ),
    Column(
        "estimate",
        "mean estimate [% per 10 km, of months % per 10 km and month, of shoes, tags and levels %]",
        lambda _, rows: mean(rows, pl.col("estimate")),
    ),
    Column(
        "width of it",
        "median width of the interval, in the same unit",
        lambda _, rows: median(rows, pl.col("high") - pl.col("low")),
    ),
)
OF_STUDY = (
    Column(
        "covered",
        "share of intervals (95 %, of equivalence 90 %) that hold the truth [%]",
        lambda _, rows: share(rows.drop_nulls(["truth", "low"]), covers("low", "high", pl.col("truth"))),
    ),
    Column(
        "false claims",
        "studies with p < 0.05, an onset, or without a p an interval above the truth, although nothing is true [%]",
        lambda _, rows: share(rows, pl.col("is_claimed")),
    ),
    Column("mean", "mean of the number [in its unit]", lambda _, rows: mean(rows, pl.col("estimate"))),
    Column("true", "the truth", lambda _, rows: mean(rows, pl.col("truth"))),
    Column("wide", "median width of its interval", lambda _, rows: median(rows, pl.col("high") - pl.col("low"))),
)
OF_LANDING = (
    *OF_STUDY,
    Column(
        "not given",
        "studies that say why they give no estimate [%]",
        lambda _, rows: share(rows, pl.col("estimate").is_null()),
    ),
)
COLUMNS = {
    Analysis.DRIFT: OF_DRIFT,
    Analysis.LATE_CHANGE: OF_LATE_CHANGE,
    Analysis.SEASON: OF_NO_DIFFERENCE,
    Analysis.SHOES: OF_NO_DIFFERENCE,
    Analysis.TAGS: OF_NO_DIFFERENCE,
    Analysis.EVENT_LEVEL: OF_NO_DIFFERENCE,
    Analysis.EVENT_DRIFT: OF_NO_DIFFERENCE,
    Analysis.LANDING: OF_LANDING,
    Analysis.STUDY: OF_STUDY,
}
