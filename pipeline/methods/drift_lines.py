"""The drift at a given response to speed, and over responses and models that are not known for certain: a mixture of t
distributions, whose ends are those of the interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
from scipy import special

from pipeline.core.arrays import Array
from pipeline.methods.least_squares import Prior, dot, estimated, solved
from pipeline.methods.mixed_model import Model

#: Places that a mixture is gathered in before its ends are looked for; how often they are looked for at most, and the
#: probability that they may be off.
BINS, MOST_STEPS, CLOSE_ENOUGH = 40, 40, 1e-8
#: A line that counts less is left out: it moves no end by a visible digit.
NEGLIGIBLE = 1e-5


@dataclass(frozen=True)
class Conditional:
    """Drift and the other responses at a given response to speed.

    Attributes:
        beta: of the columns but speed.
        covariance: of beta, from the jackknife over runs.
        df: of the drift's variance.
        passed_on: what a unit of the response takes from beta.
        log_evidence: what the runs say of the model, but for what models with the same priors have in common.
    """

    beta: Array
    covariance: Array
    df: Array
    passed_on: Array
    log_evidence: Array

    def of_metric(self, place: int) -> Conditional:
        """Those of one of several metrics."""
        return Conditional(*(getattr(self, part.name)[place] for part in fields(self)))


def at_response(model: Model, speed: int | None, response: Array | float, prior: Prior | None) -> Conditional:
    """The rest of the model at a response to speed, of each metric; all of it without a column of speed."""
    other_places = [place for place, column in enumerate(model.places) if column != speed]
    a, b, _ = model.normal
    of_speed = np.zeros(b.shape) if speed is None else a[..., other_places, model.places.index(speed)]
    a = a[..., other_places, :][..., other_places]
    b = b[..., other_places] - np.asarray(response)[..., None, None] * of_speed
    found = estimated(a, b, prior, model.variance)
    scatters = model.variance > 0
    fits = np.where(scatters, 0.5 * dot(found.right, found.beta), 0.0) / np.where(scatters, model.variance, 1.0)
    log_evidence = -0.5 * np.linalg.slogdet(found.total)[1] + fits
    passed_on = solved(found.total, of_speed.sum(axis=-2))
    return Conditional(found.beta, found.covariance, found.df, passed_on, log_evidence)


@dataclass(frozen=True)
class Lines:
    """The drift by models that differ in one thing that is not known, and how much each counts; one value each.

    Attributes:
        share: how much it counts.
        centre: drift at the mean response to speed.
        error: standard error of that.
        df: degrees of freedom of the error.
        moves: what a unit of the response takes from the drift.
    """

    share: Array
    centre: Array
    error: Array
    df: Array
    moves: Array

    @classmethod
    def of(cls, lines: Sequence[Conditional]) -> Lines:
        """Lines with the same priors, by what the runs say of each."""
        evidence = np.array([line.log_evidence for line in lines])
        share = np.exp(evidence - evidence.max())
        columns = np.array([(line.beta[0], line.covariance[0, 0] ** 0.5, line.df, line.passed_on[0]) for line in lines])
        return cls(share / share.sum(), *columns.T)

    @property
    def drift(self) -> float:
        """The mean."""
        return float(self.share @ self.centre)

    @property
    def passed_on(self) -> float:
        """What a unit of the response takes from the mean."""
        return float(self.share @ self.moves)

    def variance(self, of_response: float) -> float:
        """Of the drift, with that of the response to speed."""
        within = self.error**2 + self.moves**2 * of_response
        return float(self.share @ (within + (self.centre - self.drift) ** 2))

    def interval(self, weight: Array, response: Array) -> tuple[float, float, float]:
        """The 2.5 and 97.5 % points over all lines and responses to speed, and the share below zero.

        Args:
            weight: of the responses.
            response: their difference from the mean.
        """
        known = [place for place in range(len(self.share)) if self.share[place] > NEGLIGIBLE]
        parts = [(self.share[k] * weight, self.centre[k] - self.moves[k] * response, k) for k in known]
        if (self.error[known] == 0).any():
            return _of_points(np.concatenate([part[0] for part in parts]), np.concatenate([part[1] for part in parts]))
        gathered = [(*_binned(of, centres), k) for of, centres, k in parts]
        return _mixture(
            np.concatenate([of for of, _, _ in gathered]),
            np.concatenate([centres for _, centres, _ in gathered]),
            np.repeat([k for _, _, k in gathered], [len(of) for of, _, _ in gathered]),
            self.error,
            self.df,
        )

    def depend_on(self, weight: Array, response: Array) -> bool:
        """Whether the sign is certain under some errors of speed in the middle 90 % and not under others.

        Args:
            weight: of the responses, sizes of the error x points.
            response: their difference from the mean.
        """
        centres, error = self.drift - self.passed_on * response, np.sqrt(self.variance(0.0))
        by_sd = weight.sum(axis=1)
        below = np.cumsum(by_sd)
        plausible = (below > 0.05) & (below - by_sd < 0.95)
        share = weight / np.maximum(by_sd, np.finfo(float).tiny)[:, None]
        centre = (share * centres).sum(axis=1)
        spread = np.sqrt(error**2 + (share * (centres - centre[:, None]) ** 2).sum(axis=1))
        is_certain = np.abs(centre) > special.stdtrit(self.df[0], 0.975) * spread
        signs = np.where(is_certain, np.sign(centre), 0.0)[plausible]
        return bool((signs != signs[0]).any())


def _of_points(weight: Array, points: Array) -> tuple[float, float, float]:
    """The 2.5 and 97.5 % points of weighted points, and their share below zero."""
    order = np.argsort(points)
    low, high = np.interp([0.025, 0.975], np.cumsum(weight[order]), points[order])
    return float(low), float(high), float(weight[points < 0].sum())


def _mixture(
    weight: Array, centres: Array, line: npt.NDArray[np.int64], error_of_line: Array, df_of_line: Array
) -> tuple[float, float, float]:
    """The 2.5 and 97.5 % points of a mixture of t distributions, and its share below zero."""
    error, df = error_of_line[line], df_of_line[line]
    tails = np.array([0.025, 0.975])
    reach = special.stdtrit(df_of_line, 0.9999)[line] * error
    lower: Array = np.full(2, (centres - reach).min())
    upper: Array = np.full(2, (centres + reach).max())
    height = np.exp(special.gammaln((df + 1) / 2) - special.gammaln(df / 2)) / np.sqrt(df * np.pi) / error
    middle = float(weight @ centres) + np.array([-2.0, 2.0]) * float(weight @ error)
    for _ in range(MOST_STEPS):
        middle = np.where((lower < middle) & (middle < upper), middle, (lower + upper) / 2)
        z = (middle[:, None] - centres) / error
        missing = tails - special.stdtr(df, z) @ weight
        lower, upper = np.where(missing > 0, middle, lower), np.where(missing > 0, upper, middle)
        if (np.abs(missing) < CLOSE_ENOUGH).all():
            break
        # Newton's step; where it leaves what is known to hold the end, the next one halves that.
        middle = middle + missing / ((1 + z**2 / df) ** (-(df + 1) / 2) @ (height * weight))
    return float(middle[0]), float(middle[1]), float(special.stdtr(df, -centres / error) @ weight)


def _binned(weight: Array, centres: Array) -> tuple[Array, Array]:
    """The same weights gathered in a few places, each at its mean."""
    ends = np.linspace(centres.min(), centres.max(), BINS + 1)
    place = np.clip(np.searchsorted(ends, centres, side="right") - 1, 0, BINS - 1)
    gathered: Array = np.bincount(place, weight, BINS).astype(np.float64)
    moments = np.bincount(place, weight * centres, BINS)
    is_used = gathered > 0
    return gathered[is_used], moments[is_used] / gathered[is_used]
