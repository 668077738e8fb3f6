"""Statistics of what differs between athletes: of each group, of their differences, of covariates; their posterior."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

import numpy as np
import numpy.typing as npt

from pipeline.core.arrays import Array
from pipeline.methods.posterior import posterior
from pipeline.methods.shared_error import Interval
from pipeline.study.factors import Factors
from pipeline.study.results import Statistic
from pipeline.study.stretches import in_percent, shared_as_released
from pipeline.study.study_file import Analysis

#: Names of statistics by the kind of a term (`pipeline.study.factors.Term`); kinds without a name are left out.
Names = Mapping[str, str]
CHANGES: Names = {
    "overall": "change_pct", "group": "change_pct", "difference": "change_difference_pct",
    "covariate": "change_by_covariate_pct",
}  # fmt: skip
LEVELS: Names = {"difference": "level_difference_pct", "covariate": "level_by_covariate_pct"}


class Effects(Protocol):
    """A fit whose combinations of effects have intervals."""

    def contrast(self, weights: Array, /) -> tuple[float, Interval]:
        """A combination and its interval."""
        ...


def term_rows(
    analysis: Analysis, effects: Effects, factors: Factors, about: Callable[..., Statistic], names: Names,
    *, method: str, note: str = "", part: str = "",
) -> list[Statistic]:  # fmt: skip
    """A row per term that has a name: overall means, differences and covariates are primary.

    Args:
        about: a constructor of statistics.
        part: what the rows are of besides the term, such as a section.
    """
    rows = []
    for term in factors.terms:
        if term.kind not in names:
            continue
        estimate, interval = effects.contrast(term.weights)
        rows.append(
            about(
                names[term.kind],
                *in_percent(estimate, interval.low, interval.high),
                p_value=interval.p_value,
                is_primary=term.kind != "group",
                n_athletes=term.n_athletes,
                **({} if term.kind in ("overall", "covariate") else {"n_runs": None}),
                part=", ".join(name for name in (part, term.part) if name),
                method=method,
                note="; ".join(words for words in (note, factors.note) if words),
                smallest_cell=factors.smallest if analysis.group is not None else None,
                shared_se=interval.shared_se,
                way="between" if analysis.has_factors else "",
            )
        )
    return rows


def posterior_rows(
    analysis: Analysis, score: npt.ArrayLike, factors: Factors, about: Callable[..., Statistic], names: Names,
    *, shared: npt.ArrayLike, score_se: npt.ArrayLike | None = None,
) -> list[Statistic]:  # fmt: skip
    """The posterior of the same terms under the priors of the analysis; none where it states no prior."""
    if analysis.prior_sd_pct is None:
        return []
    found = posterior(
        score,
        factors.columns,
        prior_sd=np.log1p(analysis.prior_sd_pct / 100) / factors.sd,
        scale=float(np.log1p(analysis.prior_scatter_pct / 100)),
        score_se=score_se,
        shared=shared_as_released(shared),
    )
    method = (
        "posterior of a normal model of athletes: prior of each mean normal about 0 with SD "
        f"{analysis.prior_sd_pct:g} %, of a covariate's effect the same per SD of it, of the SD between athletes "
        f"half-Cauchy with median {analysis.prior_scatter_pct:g} %; computed on a grid; median and central interval"
    )
    rows = []
    for term in factors.terms:
        marginal = found.contrast(term.weights)
        of = {
            "part": term.part, "n_athletes": term.n_athletes, "way": "posterior",
            "smallest_cell": factors.smallest if analysis.group is not None else None,
        }  # fmt: skip
        rows += [
            about(
                f"posterior_{names[term.kind]}", *in_percent(marginal.median, marginal.low, marginal.high),
                method=method, **of,
            ),
            about(
                "probability_above_zero", marginal.above_zero,
                level=None, method="posterior probability of an effect above zero", **of,
            ),
        ]  # fmt: skip
    return rows
