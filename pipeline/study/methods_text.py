"""The methods of a study in sentences that can be taken into a paper."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.study.conduct import StudyResult
from pipeline.study.filmed import is_of_landings
from pipeline.study.models import in_words, model
from pipeline.study.outcomes import labels
from pipeline.study.software import software
from pipeline.study.study_file import BOTH_FEET, DESIGNS, Analysis

#: Model, estimand, centring and test of each design. y is the logarithm of the metric.
DESIGN_WORDS: Mapping[str, str] = {
    "paired_windows": "With y(e) and y(l) the mean logarithm of the metric over the early and the late stretch of a "
    "run, each split counting the same, the change of a unit is y(l) - y(e). Estimand: the mean change over the "
    "population of units, given as 100 (exp(mean) - 1) percent; interval: Student's t. p-value: two-sided; of values "
    "as measured by random signs of the changes (all patterns up to 16 units, else 9999 drawn), of values adjusted for "
    "speed by the t of the interval, whose error includes what athletes share by the responses. d_z is the mean change "
    "over the standard deviation of changes; d_av is the difference of mean levels over the mean of their standard "
    "deviations between units, which is the one to compare with published standardised mean differences. Both have "
    "Hedges' correction.",
    "equivalence": "The change y(l) - y(e) is computed as for paired stretches. Estimand: its mean, in percent; two "
    "one-sided t tests against the margin, with the 90 % interval that belongs to them.",
    "trend": "Model: y(ijk) = (b0 + u0(i)) + (b1 + u1(i)) d(ijk) + e(ijk) for split k of run j of athlete i at "
    "distance d in units of 10 km, with (u0, u1) normal with free covariance between athletes and e independent "
    "normal; restricted maximum likelihood; random intercepts only where slopes do not differ beyond error. "
    "Centring: each run's level is replaced by its athlete's, both taken along the athlete's least-squares slope "
    "within runs, so that differences between days are no trend. All splits count the same. Estimand: b1, given as "
    "100 (exp(b1) - 1) percent per 10 km, by t with one degree of freedom less than there are athletes.",
    "sections": "The mean logarithm of an athlete in each section, runs counting alike, is compared over sections: F "
    "of repeated measures with the degrees of freedom of Greenhouse and Geisser, after adjusting for speed with the "
    "error of the responses that athletes share in the covariance; the change along the line through all "
    "sections, and each section against the first, as scores of athletes. Estimands: their means, in percent.",
    "responders": "An athlete responds where the mean change over n runs is beyond 1.96 standard errors, from the "
    "scatter of changes of single runs within athletes and the error of the athlete's responses to speed and slope, or "
    "beyond the change that the study states. Estimand: the share of athletes, with Wilson's interval for as many "
    "independent athletes as would tell it as well: those who share a part of the error are beyond the change "
    "together.",
    "onset": "Athletes' mean logarithms at each distance, centred as for a trend and weighted by their number of "
    "splits, follow a straight line with a slope per athlete and errors correlated along the distance (restricted "
    "likelihood over a grid); a hinge is added at each distance of a grid of 200 m. Estimand: the distance of the "
    "best hinge; p-value by random signs of athletes, 95 % interval by resampling athletes. It is given at p <= 0.02 "
    "where the line becomes steeper and a parabola fits worse.",
    "landing": "Estimand: the share of runners who landed on the rearfoot (Wilson's interval), and the change within "
    "runners: McNemar's tests of rearfoot against all others, Bowker's (a degree of freedom for each pair of classes "
    "between which someone changed) and Stuart and Maxwell's of all classes. Odds of the rearfoot late over early are "
    "those of a conditional logistic regression with runners as strata: as counted (exact interval), and with the "
    "change of the logarithm of speed as a covariate (Wald's interval), where at least ten runners who changed have "
    "speeds, and with the change of slope as a second one where at least fifteen have both and the events differ in "
    "slope: on one course slope cannot be told from distance. The surface that is known is that of a whole run, and "
    "cancels. The angle is compared by its mean change (Student's t, p by random signs), two raters by Cohen's kappa "
    "over feet.",
    "agreement": "With d the difference of logarithms of both sensors in a split, in percent: d = bias + athlete + "
    "run + error, random effects nested, by a nested analysis of variance. Estimands: the bias, and bias ± 1.96 "
    "standard deviations of a single difference.",
    "reliability": "Model: y(ij) = mean + athlete(i) + error(ij) for run j, one-way random effects, of each run's "
    "level when fresh and of its drift, in logarithms. Estimands: ICC(1,1), the typical error (standard deviation "
    "within an athlete) and 1.96 root 2 typical errors. What estimated responses add to all runs of an athlete is "
    "subtracted.",
}
_CORRECTION_WORDS = {
    "holm": "corrected by Holm's method",
    "benjamini_hochberg": "corrected by the method of Benjamini and Hochberg",
    "none": "not corrected",
}


def methods_text(result: StudyResult) -> list[str]:
    """The methods, a paragraph per entry, from the study file, the settings and the software."""
    study, settings = result.study, result.settings
    primary = result.results.filter(pl.col("p_corrected").is_not_null()).height
    designs = dict.fromkeys(analysis.design for analysis in study.analyses)
    made = software()
    versions = ", ".join(f"{name} {made['libraries'][name]}" for name in ("numpy", "scipy", "polars"))
    corrected = f"The {primary} p-values of primary statistics are {_CORRECTION_WORDS[study.correction]}. "
    splits = (
        f"Splits of {settings.split_length_m:g} m are included if they are complete (at least "
        f"{settings.min_length_share:g} of that length), run for at least {settings.min_run_share:g} of their moving "
        f"time, and begin after {settings.warm_up_m:g} m."
    )
    return [
        *([] if is_of_landings(study) else [splits]),
        *([_responses(result)] if any(_is_adjusted(analysis) for analysis in study.analyses) else []),
        *(DESIGN_WORDS[design] for design in designs if design in DESIGN_WORDS),
        *(_analysis_words(analysis) for analysis in study.analyses),
        *(
            [_cut(study.least_cell)]
            if designs.keys() & {"trend", "onset", "agreement"} and study.least_cell > 1
            else []
        ),
        *(
            [_blocks(study.least_cell)]
            if any(analysis.covariates for analysis in study.analyses) and study.least_cell > 1
            else []
        ),
        (corrected if primary > 1 else "") + f"The random seed is {study.seed}.",
        f"Computed with splitdrift {made['splitdrift']} ({made['python']}; {versions}); all versions are in "
        "provenance.json. recompute.py and recompute.R compute every number of results.csv from data/ alone.",
    ]


def _is_adjusted(analysis: Analysis) -> bool:
    return bool(analysis.adjust) and analysis.design not in ("landing", "agreement", "reliability")


def _responses(result: StudyResult) -> str:
    """How values are adjusted, and from which runs the responses are."""
    metrics = {metric for analysis in result.study.analyses if _is_adjusted(analysis) for metric in analysis.metrics}
    used = result.material.drifts.filter(pl.col("metric").is_in(list(metrics)), pl.col("fresh_level").is_not_null())
    named = labels(result.settings.registry)
    numbers = (
        f"{named[str(metric)]} {_or_none(rows['response_to_speed'].median())} "
        f"(up to {int(rows['n_runs'].to_numpy().max())} runs of an athlete)"
        for (metric,), rows in sorted(used.group_by("metric"))
    )
    return (
        "Values are adjusted to the athlete's usual speed on the level: y minus b log(speed / usual speed) minus c "
        "slope, with squares of both where they could be estimated. The responses b and c are each athlete's own, "
        "estimated from all runs in the store, also those outside the cohort, by a regression that allows for errors "
        "of speed and draws them towards the club's. Median b over athletes: "
        + "; ".join(numbers)
        + ". The released values "
        "are adjusted; responses and speeds are not released, since runs could be recognised by them."
    )


def _or_none(value: object) -> str:
    return f"{value:.2f}" if isinstance(value, float) else "not estimated"


def _cut(least: int) -> str:
    return (
        f"Where splits are analysed one by one, a run that fewer than {least} athletes ran so far is cut back to the "
        "next shorter length, since the longest run can be looked up in a list of results. Moving time and the share "
        "of a run are rounded to 5 minutes and a twentieth; least_cell = 1 cuts and rounds nothing."
    )


def _blocks(least: int) -> str:
    return (
        f"Each covariate is the mean of at least {least} athletes who are alike, so that no one is known by it: its "
        "effect stays unbiased and its interval becomes wider; least_cell = 1 takes each athlete's own."
    )


def _analysis_words(analysis: Analysis) -> str:
    words = [f"{analysis.name}: {DESIGNS[analysis.design]}"]
    if analysis.metrics:
        words.append("of " + ", ".join(f"{one.label} [{one.metric_unit}]" for one in analysis.by_metric))
    if analysis.design not in ("landing", "agreement", "reliability"):
        words.append(
            f"adjusted by the athlete's own response to {' and '.join(analysis.adjust)}" if analysis.adjust
            else "as measured, without adjustment"
        )  # fmt: skip
    if analysis.design == "landing" and analysis.early_km and analysis.late_km:
        words.append(f"km {analysis.early_km[0]:g} against km {analysis.late_km[0]:g}")
        words.append("both feet" if analysis.foot == BOTH_FEET else f"{analysis.foot} foot")
    elif analysis.windows:
        words.append("first against last quarter of each run")
    elif analysis.design in ("paired_windows", "equivalence", "responders"):
        words.append(f"{in_words(analysis, 'early')} against {in_words(analysis, 'late')}")
    if analysis.speed_m_s:
        words.append("splits run at {:g} to {:g} m/s".format(*analysis.speed_m_s))
    if analysis.has_factors or analysis.design == "trend":
        words.append(f"model {model(analysis)}")
    if analysis.design in ("paired_windows", "equivalence"):
        words.append("runs of an athlete averaged" if analysis.unit == "athlete" else "each run counts separately")
    if analysis.margin_pct:
        words.append(f"with a margin of {analysis.margin_pct:g} %")
    return ", ".join(words) + "."
