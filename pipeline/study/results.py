"""What a study found: a row a statistic, figures beside them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import partial
from typing import Any

import polars as pl

from pipeline.methods.corrections import benjamini_hochberg, holm, none
from pipeline.study.study_file import Analysis, Published
from pipeline.tables.columns import count, dy, measure, words


@dataclass(frozen=True)
class Found:
    """One statistic of one analysis and metric.

    Attributes:
        analysis: name of the analysis.
        design: what kind of comparison.
        metric: column of `splits`; None for landing.
        statistic: which number this is, with its unit in the name.
        estimate: the number.
        low: lower end of its interval.
        high: upper end.
        level: of the interval, 0.95 or 0.90.
        p_value: of no effect, where the statistic has a test.
        is_primary: whether its p-value is one of those that are corrected for their number.
        n_athletes: behind it.
        n_runs: behind it; None where it was not counted by runs.
        method: how it was found, exactness and continuity included.
        note: how not to read it.
        smallest_cell: people of the smallest group, but an empty one, whose number can be counted back from it; None
            where it is no count of people.
    """

    analysis: str
    design: str
    metric: str | None
    statistic: str
    estimate: float | None
    low: float | None = None
    high: float | None = None
    level: float | None = 0.95
    p_value: float | None = None
    is_primary: bool = False
    n_athletes: int | None = None
    n_runs: int | None = None
    method: str = ""
    note: str = ""
    smallest_cell: int | None = None


def found_in(analysis: Analysis, metric: str | None, rows: pl.DataFrame | None) -> Callable[..., Found]:
    """Makes the statistics of one analysis and metric, with the numbers of athletes and runs behind them.

    Args:
        analysis: which.
        metric: column of `splits`; None for landing.
        rows: with `athlete_id` and `run_id` of what entered; None where neither was counted.
    """
    n_athletes, n_runs = (None, None) if rows is None else (rows["athlete_id"].n_unique(), rows["run_id"].n_unique())
    return partial(Found, analysis.name, analysis.design, metric, n_athletes=n_athletes, n_runs=n_runs)


#: So many points of a picture show what there is to see.
MOST_POINTS = 1500


@dataclass(frozen=True)
class Figure:
    """A picture of an analysis.

    Attributes:
        title: what it shows.
        words: the same for those who do not see it.
        kind: which chart draws it (`pipeline.study.figures`).
        data: its data sets by name.
        titles: of its axes.
        analysis: name of the analysis.
        metric: column of `splits`.
    """

    title: str
    words: str
    kind: str
    data: Mapping[str, Sequence[Mapping[str, Any]]]
    titles: Mapping[str, str] = field(default_factory=dict)
    analysis: str = ""
    metric: str = ""


@dataclass(frozen=True)
class Outcome:
    """What one analysis gave."""

    found: list[Found]
    figures: list[Figure] = field(default_factory=list)


class Results(dy.Schema):
    """A statistic of an analysis and metric of a study."""

    analysis = words("Name of the analysis.", key=True)
    design = words("What kind of comparison.")
    metric = words("Name of the metric's column in splits; empty for landing.", key=True)
    statistic = words("Which number this is, with its unit.", key=True)
    estimate = measure("by statistic", 6, "The number.")
    low = measure("by statistic", 6, "Lower end of its interval.")
    high = measure("by statistic", 6, "Upper end of that interval.")
    level = measure("probability", 2, "Of the interval; null where there is none.", smallest=0, largest=1)
    p_value = measure("probability", 6, "Of no effect; null where the statistic has no test.", smallest=0, largest=1)
    p_corrected = measure(
        "probability",
        6,
        "p_value corrected over the study's primary statistics; null for others.",
        smallest=0,
        largest=1,
    )
    n_athletes = count("Athletes behind it.", nullable=True)
    n_runs = count("Runs behind it; null where it was not counted by runs.", nullable=True)
    method = words("How it was found.")
    note = words("How not to read it; empty where nothing needs saying.")


def results(found: Sequence[Found], correction: str) -> pl.DataFrame:
    """Rows of `Results`: the primary p-values corrected together, numbers rounded as they are given out."""
    names = [one.name for one in fields(Found)]
    schema = {name: column.dtype for name, column in Results.columns().items() if name in names}
    rows = [{name: getattr(one, name) for name in names} for one in found]
    frame = pl.DataFrame(rows, schema={**schema, "is_primary": pl.Boolean}, strict=False)
    primary = [place for place, one in enumerate(found) if one.is_primary and one.p_value is not None]
    p_values = [found[place].p_value or 0.0 for place in primary]
    adjusted = _CORRECTIONS[correction](p_values)
    corrected: list[float | None] = [None] * len(found)
    for place, value in zip(primary, adjusted, strict=True):
        corrected[place] = float(value)
    return Results.validate(
        frame.with_columns(
            p_corrected=pl.Series(corrected, dtype=pl.Float64),
            metric=pl.col("metric").fill_null(""),
            level=pl.when(pl.col("low").is_not_null() | pl.col("high").is_not_null()).then("level"),
        )
        .with_columns(pl.col("estimate", "low", "high", "p_value", "p_corrected").fill_nan(None).round(6) + 0.0)
        .select(Results.column_names()),
        cast=True,
    )


_CORRECTIONS: Mapping[str, Callable[[list[float]], Any]] = {
    "holm": holm,
    "benjamini_hochberg": benjamini_hochberg,
    "none": none,
}


def beside_published(rows: pl.DataFrame, published: Sequence[Published]) -> pl.DataFrame:
    """Published results with the study's own beside them, and the difference with its interval.

    The difference is ours less theirs; its variance is the sum of both, each taken from the interval as for a normal
    distribution (half its width over 1.96), theirs from SD and number where no interval was printed. Where neither was,
    the published number counts as exact, and the note says so.

    Args:
        rows: rows of `Results`.
        published: rows of the study file (`pipeline.study.study_file.Published`).

    Returns:
        `analysis`, `metric`, `statistic`, `ours`, `ours_low`, `ours_high`, `published`, `published_low`,
        `published_high`, `published_n`, `difference`, `difference_low`, `difference_high`, `source`, `read_as`, `note`.
    """
    return pl.DataFrame([_beside(rows, one) for one in published], schema=BESIDE, orient="row")


def _beside(rows: pl.DataFrame, one: Published) -> tuple[object, ...]:
    own = rows.filter(
        pl.col("analysis") == one.analysis, pl.col("metric") == (one.metric or ""), pl.col("statistic") == one.statistic
    )
    ours, low, high = own.select("estimate", "low", "high").row(0) if own.height else (None, None, None)
    error, note = _published_error(one), ""
    theirs = (one.low, one.high)
    if one.low is None and error is not None:
        theirs = (one.value - Z * error, one.value + Z * error)
    difference = difference_low = difference_high = None
    if ours is None:
        note = "this study has no such number"
    else:
        difference = ours - one.value
        if low is not None and high is not None:
            reach = Z * (((high - low) / (2 * Z)) ** 2 + (error or 0.0) ** 2) ** 0.5
            difference_low, difference_high = difference - reach, difference + reach
        if error is None:
            note = "no error was printed: the published number counts as exact"
    return (
        one.analysis, one.metric or "", one.statistic, ours, low, high, one.value, *theirs, one.n,
        difference, difference_low, difference_high, one.source, one.read_as, note,
    )  # fmt: skip


#: Of the standard normal distribution, between which 95 % lie.
Z = 1.959963984540054
BESIDE: Mapping[str, type[pl.DataType]] = {
    "analysis": pl.String, "metric": pl.String, "statistic": pl.String,
    "ours": pl.Float64, "ours_low": pl.Float64, "ours_high": pl.Float64,
    "published": pl.Float64, "published_low": pl.Float64, "published_high": pl.Float64, "published_n": pl.Int64,
    "difference": pl.Float64, "difference_low": pl.Float64, "difference_high": pl.Float64,
    "source": pl.String, "read_as": pl.String, "note": pl.String,
}  # fmt: skip


def _published_error(one: Published) -> float | None:
    if one.low is not None and one.high is not None:
        return (one.high - one.low) / (2 * Z)
    return one.sd / one.n**0.5 if one.sd is not None and one.n is not None else None
