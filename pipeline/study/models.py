"""The model of each design as a formula, in one place: results, reports and scripts that recompute a study name it.

Formulas are written as R and statsmodels write them; rows are splits of runs (trend), or one per athlete (all others).
"""

from __future__ import annotations

from pipeline.study.study_file import QUARTERS, Analysis

#: How models of one row per athlete are fitted.
FITTED_BETWEEN = (
    "least squares over athletes, standard errors HC2, t with degrees of freedom of Bell and McCaffrey; covariates "
    "centred at the mean of the athletes"
)
FITTED_MIXED = (
    "restricted maximum likelihood; t with as many degrees of freedom as there are athletes, less one per group and "
    "covariate; covariates centred at the mean of the athletes"
)


def model(analysis: Analysis) -> str:
    """The formula of an analysis, the response on the left: `log` is the logarithm of the value, adjusted or not."""
    between = [f"0 + {analysis.group}" if analysis.group else "1", *analysis.covariates]
    if analysis.design == "trend":
        crossed = [analysis.group, *analysis.covariates]
        slopes = [f"{name}:{analysis.along}" for name in crossed if name]
        terms = [*between, *([] if analysis.group else [analysis.along]), *slopes, f"(1 + {analysis.along} | athlete)"]
        return "log ~ " + " + ".join(terms)
    response = {"sections": "contrast of sections", "equivalence": "change", "paired_windows": "change"}
    return f"{response.get(analysis.design, 'value')} ~ " + " + ".join(between)


def in_words(analysis: Analysis, which: str) -> str:
    """The early or the late stretch of an analysis, in words."""
    if analysis.windows == QUARTERS:
        return f"in the {'first' if which == 'early' else 'last'} quarter of a run"
    if tags := getattr(analysis, f"{which}_tags"):
        return f"in runs tagged {' and '.join(tags)}"
    unit = "km" if analysis.early_km is not None else "min"
    low, high = getattr(analysis, f"{which}_{unit}")
    return f"from {unit} {low:g} to {high:g}"
