"""Analyses over distance: a line by a mixed model, and the distance from which the cohort changes."""

from __future__ import annotations

from functools import partial

import numpy as np
import polars as pl
from scipy import special

from pipeline.core.arrays import Array
from pipeline.core.errors import NothingDone
from pipeline.methods.design import TEN_KM
from pipeline.methods.mixed_model import Design, fit
from pipeline.methods.mixed_trend import MixedTrend, mixed_trend
from pipeline.methods.onset import FEWEST_UNITS, Onset, onset, smallest_p
from pipeline.stages.drift import ONSET_LEVEL
from pipeline.study.between import LEVELS, Names, posterior_rows, term_rows
from pipeline.study.factors import Factors, factors
from pipeline.study.material import Material
from pipeline.study.models import FITTED_MIXED, model
from pipeline.study.results import MOST_POINTS, AnalysisResult, Figure, Statistic, figure_of, statistics_of
from pipeline.study.stretches import percent
from pipeline.study.study_file import ALONG, Analysis


def trend(material: Material, analysis: Analysis) -> AnalysisResult:
    """The slope along runs, by a mixed model with random intercept and slope per athlete."""
    rows, between = rows_of_trend(material, analysis)
    _require_athletes(rows, analysis, 3)
    fitted = mixed_trend(
        rows["log"].to_numpy(),
        rows["along"].to_numpy(),
        rows["athlete_id"].to_numpy(),
        shared=rows["shared"].to_numpy(),
        between=between.by_row(rows["athlete_id"]),
        overall=between.terms[0].weights,
    )
    return AnalysisResult(_trend_rows(analysis, fitted, rows, between), _diagnostics(analysis, fitted))


def rows_of_trend(material: Material, analysis: Analysis) -> tuple[pl.DataFrame, Factors]:
    """The splits of a trend, runs centred, of athletes who have what the analysis asks of them."""
    rows = material.values(analysis).with_columns(along=_along(analysis))
    between = factors(material.athletes, analysis, rows["athlete_id"])
    return _centred(between.rows_of(rows)), between


def _along(analysis: Analysis) -> pl.Expr:
    """What the trend runs along, in the unit of its slope."""
    return {
        "km": pl.col("distance_km") * 1000 / TEN_KM, "min": pl.col("moved_min") / 60, "share": pl.col("share"),
    }[analysis.along]  # fmt: skip


def onsets(material: Material, analysis: Analysis) -> AnalysisResult:
    """The distance from which the cohort changes: a hinge in the athletes' mean lines, with athletes as units."""
    rows = _centred(material.values(analysis).with_columns(along="distance_km"))
    _require_athletes(rows, analysis, FEWEST_UNITS)
    design, shared = _athletes_as_runs(rows)
    estimate = onset(fit(design, (), None), seed=material.seed, shared=shared)
    n_athletes = rows["athlete_id"].n_unique()
    supported = estimate if estimate is not None and estimate.is_given(ONSET_LEVEL) else None
    row = statistics_of(analysis, rows)(
        "onset_km",
        *((10 * supported.distance, 10 * supported.low, 10 * supported.high) if supported else (None,)),
        p_value=estimate.p_value if estimate is not None else None,
        is_primary=True,
        method="best hinge in the athletes' mean lines, against random signs of whole athletes; interval by "
        f"resampling athletes; {n_athletes} athletes can reach p = {smallest_p(n_athletes):.2g}, and an onset "
        f"is given at p <= {ONSET_LEVEL:g}"
        + ("; p with the error of the responses to speed that athletes share" if shared.any() else ""),
        note=_why_none(estimate),
        shared_se=round(estimate.shared_se, 12) if estimate is not None else 0.0,
    )
    return AnalysisResult([row])


def _why_none(estimate: Onset | None) -> str:
    """Why no onset is given; empty where one is."""
    if estimate is None or estimate.p_value > ONSET_LEVEL:
        return "no distance stands out: a straight line does as well"
    if not estimate.is_bent(ONSET_LEVEL):
        return "the line becomes flatter beyond the best hinge: that is no onset"
    if not estimate.is_given(ONSET_LEVEL):
        return "the line is bent, but a smooth curve fits about as well: there is no distance to give"
    return ""


def _require_athletes(rows: pl.DataFrame, analysis: Analysis, least: int) -> None:
    n_athletes = rows["athlete_id"].n_unique()
    if n_athletes < least:
        raise NothingDone(
            f"{analysis.name}: {n_athletes} athletes have {analysis.label} in "
            f"{rows['run_id'].n_unique()} runs of the cohort; {'an' if analysis.design == 'onset' else 'a'} "
            f"{analysis.design} needs at least {least}."
        )


def _centred(rows: pl.DataFrame) -> pl.DataFrame:
    """Replace each run's level by the athlete's: differences between days, such as heat, are not a trend.

    A run's level is computed along the athlete's own slope within runs, so that the levels of short and long runs do
    not differ by the effect of distance itself.
    """
    weight = pl.col("weight")

    def mean(value: pl.Expr, of: str) -> pl.Expr:
        return (value * weight).sum().over(of) / weight.sum().over(of)

    along = pl.col("along")

    def level(log: pl.Expr) -> pl.Expr:
        rest, apart = log - mean(log, "run_id"), along - mean(along, "run_id")
        product, square = ((weight * apart * value).sum().over("athlete_id") for value in (rest, apart))
        return log - pl.when(square > 0).then(product / square).otherwise(0.0) * along

    values = ("log", "shared")
    levels = {f"{name}_level": level(pl.col(name)) for name in values}
    return rows.with_columns(**levels).with_columns(
        pl.col(name) - mean(pl.col(f"{name}_level"), "run_id") + mean(pl.col(f"{name}_level"), "athlete_id")
        for name in values
    )


def _athletes_as_runs(rows: pl.DataFrame) -> tuple[Design, Array]:
    """A design whose runs are the athletes' means by split, and the means of `shared`."""
    # In order of level rather than of name, so that pseudonyms meet the same random draws.
    means = (
        rows.with_columns(level=pl.col("log").mean().over("athlete_id"))
        .group_by("athlete_id", "distance_km")
        .agg(pl.col("log", "shared").mean(), pl.col("weight").sum(), pl.col("level").first())
        .sort("level", "athlete_id", "distance_km")
    )
    run = means["athlete_id"].rle_id().to_numpy().astype(np.int64)
    begins = np.flatnonzero(np.diff(run, prepend=-1))
    distance = means["distance_km"].to_numpy()
    nothing = np.zeros(len(run))
    columns = [means["log"].to_numpy(), distance * 1000 / TEN_KM, nothing, nothing, nothing, nothing]
    gap_km = np.diff(distance, prepend=np.nan)
    gap_km[begins] = np.nan
    weight = means["weight"].to_numpy()
    names = means["athlete_id"].gather(begins).to_list()
    design = Design(np.column_stack(columns), run, names, gap_km, weight / np.median(weight))
    return design, means["shared"].to_numpy()


def _trend_rows(analysis: Analysis, fitted: MixedTrend, rows: pl.DataFrame, between: Factors) -> list[Statistic]:
    method = "linear mixed model of the logarithm (REML), intercept and slope by athlete; each run's own level removed"
    if (rows["shared"] != 0).any():
        method += "; the error of the responses to speed that athletes have in common is in the interval"
    if analysis.has_factors:
        method += f"; {model(analysis)}, {FITTED_MIXED}"
    about = partial(statistics_of(analysis, rows), method=method)
    return [
        *term_rows(analysis, fitted.slopes, between, about, slope_names(analysis), method=method, note=fitted.note),
        *term_rows(analysis, fitted.levels, between, about, LEVELS, method=method, note=fitted.note),
        about("sd_of_athletes_slopes_pct", percent(fitted.sd_slope), level=None),
        about("sd_of_splits_pct", percent(fitted.sd_residual), level=None),
        *_posterior_of_slopes(analysis, rows, between),
    ]


def slope_names(analysis: Analysis) -> Names:
    """Names of the slope's statistics, with their unit."""
    slope = f"slope_pct_per_{ALONG[analysis.along]}"
    of = {"difference": "slope_difference_pct", "covariate": "slope_by_covariate_pct"}
    return {"overall": slope, "group": slope} | of


def _posterior_of_slopes(analysis: Analysis, rows: pl.DataFrame, between: Factors) -> list[Statistic]:
    """The posterior of athletes' own slopes, whose errors count as known."""
    if analysis.prior_sd_pct is None:
        return []
    slopes, about = own_slopes(rows), statistics_of(analysis, rows)
    return posterior_rows(
        analysis, slopes["slope"], between, about, slope_names(analysis),
        shared=slopes["shared"], score_se=slopes["error"],
    )  # fmt: skip


def own_slopes(rows: pl.DataFrame) -> pl.DataFrame:
    """The slope of each athlete by least squares, in order of athletes.

    Args:
        rows: of a trend, runs centred.

    Returns:
        `athlete_id`, `slope`, its standard `error`, and `shared`, what athletes have in common moves it by.

    Raises:
        ValueError: an athlete has one distance only.
    """
    x, y = (pl.col(name) - pl.col(name).mean().over("athlete_id") for name in ("along", "log"))
    sums = (
        rows.with_columns(x=x, y=y)
        .group_by("athlete_id")
        .agg(
            square=(pl.col("x") ** 2).sum(),
            slope=(pl.col("x") * pl.col("y")).sum(),
            shared=(pl.col("x") * pl.col("shared")).sum(),
            total=(pl.col("y") ** 2).sum(),
            df=pl.len() - 1 - pl.col("run_id").n_unique().cast(pl.Int64),
        )
        .sort("athlete_id")
    )
    if (sums["square"] == 0).any():
        raise ValueError("An athlete has values at one distance only: a posterior needs a slope of each.")
    rest = pl.col("total") - pl.col("slope") ** 2 / pl.col("square")
    error = (rest.sum() / pl.max_horizontal(pl.col("df").sum(), 1)).sqrt() / pl.col("square").sqrt()
    return sums.select(
        "athlete_id", slope=pl.col("slope") / pl.col("square"), error=error, shared=pl.col("shared") / pl.col("square")
    )


def _diagnostics(analysis: Analysis, fitted: MixedTrend) -> list[Figure]:
    """Residuals against fitted values, and against the normal distribution."""
    residuals, values = np.asarray(fitted.residuals), np.asarray(fitted.fitted)
    shown = np.linspace(0, len(residuals) - 1, min(len(residuals), MOST_POINTS)).astype(int)
    ordered = np.sort(residuals)
    expected = special.ndtri((np.arange(len(ordered)) + 0.5) / len(ordered)) * residuals.std()
    by_fitted = [{"x": float(np.exp(values[k])), "y": 100 * float(residuals[k])} for k in shown]
    by_quantile = [{"x": 100 * float(expected[k]), "y": 100 * float(ordered[k])} for k in shown]
    return [
        figure_of(
            analysis, "Residuals against fitted values: a bend or a funnel would show a violation of the model.",
            "points", {"points": by_fitted}, after=", residuals", x="fitted", y="residual, %",
        ),
        figure_of(
            analysis, "Residuals against normal quantiles: close to a straight line, except at the ends.",
            "points", {"points": by_quantile}, after=", normal plot", x="expected, %", y="residual, %",
        ),
    ]  # fmt: skip
