"""Results of a study: one row per statistic, and figures."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import partial
from typing import Any

import polars as pl
from polars import selectors as cs

from pipeline.methods.corrected_p import benjamini_hochberg, holm
from pipeline.study.study_file import Analysis, Published
from pipeline.tables.columns import count, dy, interval, measure, share, words


@dataclass(frozen=True)
class Statistic:
    """One statistic of one analysis and metric.

    Attributes:
        statistic: which number this is, with its unit in the name.
        low: lower end of its interval.
        level: of the interval, 0.95 or 0.90.
        p_value: under the null hypothesis of no effect, where the statistic has a test.
        is_primary: whether its p-value is one of those that are corrected for their number.
        n_athletes: number of athletes that it was computed from.
        n_runs: number of runs; None where it was not counted by runs.
        method: how it was computed, exactness and continuity correction included.
        part: which group, section, difference or covariate it is of; empty for all.
        way: which of several ways of its design that was, where works in `sources.toml` depend on it.
        shared_se: part of the standard error of the estimate's logarithm that comes from responses to speed which
            athletes have in common.
        smallest_cell: number of people of the smallest non-empty group whose size could be computed from it; None where
            it is not based on counts of people.
    """

    analysis: str
    design: str
    metric: str
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
    part: str = ""
    way: str = ""
    shared_se: float = 0.0


def statistics_of(analysis: Analysis, rows: pl.DataFrame | None) -> Callable[..., Statistic]:
    """A constructor of the statistics of an analysis: of which number, its estimate, the ends of its interval, and more
    by name; their numbers of athletes and runs are filled in.

    Args:
        rows: with `athlete_id` and `run_id` of what was analysed, or `n_runs` of each row; None where neither was
            counted.
    """
    n_athletes = n_runs = None
    if rows is not None:
        n_athletes = rows["athlete_id"].n_unique()
        n_runs = int(rows["n_runs"].sum()) if "n_runs" in rows.columns else rows["run_id"].n_unique()
    return partial(Statistic, analysis.name, analysis.design, analysis.metric, n_athletes=n_athletes, n_runs=n_runs)


#: Points drawn per figure; more only make the file larger.
MOST_POINTS = 400


@dataclass(frozen=True)
class Figure:
    """A figure of an analysis.

    Attributes:
        words: a description, also for readers who cannot see it.
        kind: which chart draws it (`pipeline.study.figures`).
    """

    title: str
    words: str
    kind: str
    data: Mapping[str, Sequence[Mapping[str, Any]]]
    titles: Mapping[str, str] = field(default_factory=dict)
    analysis: str = ""
    metric: str = ""


def figure_of(
    analysis: Analysis, words: str, kind: str, data: Mapping[str, Sequence[Mapping[str, Any]]],
    *, after: str = "", **titles: str,
) -> Figure:  # fmt: skip
    """A figure of an analysis.

    Args:
        after: what its title ends with.
        titles: of its axes, `x` and `y`.
    """
    return Figure(analysis.title + after, words, kind, data, titles, analysis.name, analysis.metric)


@dataclass(frozen=True)
class AnalysisResult:
    """Statistics and figures of one analysis."""

    statistics: list[Statistic]
    figures: list[Figure] = field(default_factory=list)


class Results(dy.Schema):
    """A statistic of an analysis and metric of a study."""

    analysis = words("Name of the analysis.", key=True)
    design = words("What kind of comparison.")
    metric = words("Name of the metric's column in splits; empty for landing.", key=True)
    statistic = words("Which number this is, with its unit.", key=True)
    part = words("Which group, section, difference or covariate it is of; empty for all.", key=True)
    estimate = measure("by statistic", 6, "The number.")
    low = measure("by statistic", 6, "Lower end of its interval.")
    high = measure("by statistic", 6, "Upper end of that interval.")
    level = share("probability", 2, "Level of the interval; null where there is none.")
    p_value = share("probability", 6, "p under the null hypothesis of no effect; null where the statistic has no test.")
    p_corrected = share("probability", 6, "p_value corrected over the study's primary statistics; null for others.")
    n_athletes = count("Athletes that it was computed from.", nullable=True)
    n_runs = count("Runs that it was computed from; null where it was not counted by runs.", nullable=True)
    method = words("How it was computed.")
    note = words("A caution for the reader; empty where none is needed.")


class Comparison(dy.Schema):
    """A published result, and the study's own."""

    analysis = words("Name of the analysis, as in results.")
    metric = words("Its metric; empty for landing.")
    statistic = words("Which number was published.")
    part = words("Which group, section, difference or covariate it is of; empty for all.")
    ours = measure("by statistic", 6, "The study's number.")
    ours_low, ours_high = interval("by statistic", 6, "Lower end of its interval.")
    published = measure("by statistic", 6, "The published number.")
    published_low, published_high = interval("by statistic", 6, "Lower end of its 95 % interval, printed or computed.")
    published_n = count("People or races that it is of.", nullable=True)
    difference = measure("by statistic", 6, "The study's number minus the published one.")
    difference_low, difference_high = interval("by statistic", 6, "Lower end of its 95 % interval.")
    source = words("Where it was published.")
    read_as = words("How the source was read.")
    note = words("A caution for the reader; empty where none is needed.")


class Power(dy.Schema):
    """How many athletes would be needed to detect a change, given the scatter of this store."""

    analysis = words("Name of the analysis, as in results.", key=True)
    metric = words("Its metric.", key=True)
    change_pct = measure("%", 4, "The change to detect.")
    between_sd_pct = measure("%", 4, "Standard deviation of athletes' true changes.")
    within_sd_pct = measure("%", 4, "Standard deviation of single runs' changes within an athlete.")
    n_runs = count("Runs per athlete.", key=True)
    power = share("probability", 2, "Probability of detecting the change.", key=True, nullable=False)
    n_athletes = count("Athletes needed.")


class FlowSteps(dy.Schema):
    """A step from the store to what was analysed: runs that were left out, and why."""

    analysis = words("Name of the analysis; empty for the cohort of all.", key=True)
    metric = words("Its metric; empty for the cohort.", key=True)
    step = count("Number of the step; 0 are the runs before it, of the store or of the cohort.", key=True)
    reason = words("Why runs were left out.")
    n_runs = count("Runs left out; null where they are of too few athletes.", nullable=True)
    n_athletes = count("Athletes who had no run left; null where they are too few.", nullable=True)


def results(statistics: Sequence[Statistic], correction: str) -> pl.DataFrame:
    """Rows of `Results`: primary p-values corrected together, numbers rounded to six digits."""
    names = [field.name for field in fields(Statistic)]
    schema = {name: dtype for name, dtype in Results.create_empty().schema.items() if name in names}
    rows = [{name: getattr(row, name) for name in names} for row in statistics]
    frame = pl.DataFrame(rows, schema={**schema, "is_primary": pl.Boolean}, strict=False)
    return Results.validate(
        frame.with_columns(
            p_corrected=pl.Series(_corrected(statistics, correction), dtype=pl.Float64),
            level=pl.when(pl.col("low").is_not_null() | pl.col("high").is_not_null()).then("level"),
        )
        .with_columns(pl.col("estimate", "low", "high", "p_value", "p_corrected").fill_nan(None).round(6) + 0.0)
        .select(Results.column_names()),
        cast=True,
    )


_CORRECTIONS = {"holm": holm, "benjamini_hochberg": benjamini_hochberg}


def _corrected(statistics: Sequence[Statistic], correction: str) -> list[float | None]:
    """p-values of primary statistics, corrected for their number (Holm 1979; Benjamini and Hochberg 1995)."""
    primary = [row.p_value for row in statistics if row.is_primary and row.p_value is not None]
    if primary and correction in _CORRECTIONS:
        primary = _CORRECTIONS[correction](primary).tolist()
    adjusted = iter(primary)
    return [next(adjusted) if row.is_primary and row.p_value is not None else None for row in statistics]


def compare_with_published(rows: pl.DataFrame, published: Sequence[Published]) -> pl.DataFrame:
    """Published results and the study's own, with the difference and its interval.

    The difference is ours minus theirs; its variance is the sum of both. Each variance is taken from the interval as
    for a normal distribution (half its width over 1.96), the published one from SD and n where no interval was printed.
    Where neither was, the difference has no interval, and `note` says so; of a range that was printed without a value
    `note` says whether ours lies in it.

    Args:
        rows: rows of `Results`.
        published: rows of the study file (`pipeline.study.study_file.Published`).

    Returns:
        Rows of `Comparison`.
    """
    compared = [_compare(rows, row) for row in published]
    return pl.DataFrame(compared, schema=Comparison.create_empty().schema, orient="row").with_columns(
        cs.float().round(6)
    )


def _compare(rows: pl.DataFrame, published: Published) -> tuple[object, ...]:
    matching = rows.filter(
        pl.col("analysis") == published.analysis,
        pl.col("metric") == (published.metric or ""),
        pl.col("statistic") == _COMPARABLE.get(published.statistic, published.statistic),
        pl.col("part") == (published.part or ""),
    )
    ours, low, high = matching.select("estimate", "low", "high").row(0) if matching.height else (None, None, None)
    error, note = _published_error(published), ""
    interval = (published.low, published.high)
    if published.value is not None and published.low is None and error is not None:
        interval = (published.value - Z * error, published.value + Z * error)
    difference = difference_low = difference_high = None
    if ours is None:
        note = "this study has no such number"
    elif published.value is None:
        is_inside = published.low is not None and published.high is not None and published.low <= ours <= published.high
        note = f"a range was printed and no value; ours lies {'inside' if is_inside else 'outside'}"
    else:
        difference = ours - published.value
        if error is None:
            note = "no error was printed, so the difference has no interval"
        elif low is not None and high is not None:
            margin = Z * (((high - low) / (2 * Z)) ** 2 + error**2) ** 0.5
            difference_low, difference_high = difference - margin, difference + margin
    return (
        published.analysis, published.metric or "", published.statistic, published.part or "", ours, low, high,
        published.value, *interval, published.n, difference, difference_low, difference_high, published.source,
        published.read_as, note,
    )  # fmt: skip


#: 97.5 % quantile of the standard normal distribution.
Z = 1.959963984540054
#: A published standardised mean difference is over the SD between people.
_COMPARABLE = {"effect_size": "d_av"}


def _published_error(published: Published) -> float | None:
    if published.value is not None and published.low is not None and published.high is not None:
        return (published.high - published.low) / (2 * Z)
    return published.sd / published.n**0.5 if published.sd is not None and published.n is not None else None
