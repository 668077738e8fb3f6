"""Posterior of effects between athletes under stated priors: a normal model with random effects, on a grid.

For athlete i with columns x(i) and a score y(i) whose own standard error s(i) is known (0 where there is none),

    y(i) = x(i)'b + m(i) g + e(i),    e(i) ~ normal(0, sigma² + s(i)²)
    b(j) ~ normal(0, prior_sd(j)²),   g ~ normal(0, 1),   sigma ~ half-Cauchy(scale)

where m(i) is what one standard error of something that all athletes share adds. Given sigma everything else is normal
and follows in closed form, so that one integral is left; it is taken over quantiles of the prior of sigma, and nothing
is drawn at random.

Source: Gelman 2006, Bayesian Anal 1:515-534 (half-t priors of a standard deviation; abstract read). The tests compare
it with draws of the eight schools that were published.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from pipeline.core.arrays import Array

#: Quantiles of the prior of sigma that are summed over: 200 change the third digit of an interval, 2000 none.
GRID = 2000


@dataclass(frozen=True)
class Marginal:
    """The posterior of one number: its median, a 95 % interval with the same share on either side, its mean.

    Attributes:
        above_zero: probability that it is above zero.
    """

    mean: float
    median: float
    low: float
    high: float
    above_zero: float


@dataclass(frozen=True)
class Posterior:
    """The posterior as a mixture of normals, one per value of sigma.

    Attributes:
        sigma: values, G.
        weight: their posterior probabilities, G.
        means: of b given sigma, G × q.
        covariances: of b given sigma, G × q × q.
    """

    sigma: Array
    weight: Array
    means: Array
    covariances: Array

    def contrast(self, weights: Array) -> Marginal:
        """A linear combination of the effects."""
        mean = self.means @ weights
        sd = np.sqrt(np.einsum("i,gij,j->g", weights, self.covariances, weights))
        far = float(np.abs(mean).max() + 40 * sd.max())

        def quantile(share: float) -> float:
            below = lambda value: float(self.weight @ special.ndtr((value - mean) / sd)) - share  # noqa: E731
            return float(optimize.brentq(below, -far, far, xtol=1e-12))

        return Marginal(
            mean=float(self.weight @ mean),
            median=quantile(0.5),
            low=quantile(0.025),
            high=quantile(0.975),
            above_zero=float(self.weight @ special.ndtr(mean / sd)),
        )


def posterior(
    score: npt.ArrayLike,
    columns: Array,
    *,
    prior_sd: npt.ArrayLike,
    scale: float,
    score_se: npt.ArrayLike | None = None,
    shared: npt.ArrayLike | None = None,
) -> Posterior:
    """Compute the posterior.

    Args:
        score: n, one per athlete.
        columns: n × q.
        prior_sd: standard deviation of each effect's prior, q, in the unit of the scores.
        scale: of the half-Cauchy prior of sigma: its median, in the unit of the scores.
        score_se: known standard errors of the scores, n; None for none.
        shared: what one standard error of something that all athletes share adds to each score, n.

    Raises:
        ValueError: a prior without width.
    """
    y, (n, q) = np.asarray(score, dtype=np.float64), columns.shape
    sds = np.broadcast_to(np.asarray(prior_sd, dtype=np.float64), (q,))
    if scale <= 0 or np.any(sds <= 0):
        raise ValueError("Priors must have a width above zero.")
    own = np.zeros(n) if score_se is None else np.asarray(score_se, dtype=np.float64)
    moved = np.zeros(n) if shared is None else np.asarray(shared, dtype=np.float64)
    # All that is unknown given sigma, as standard normal numbers.
    loadings = np.column_stack([columns * sds, moved])
    sigma = scale * np.tan(np.pi / 2 * (np.arange(GRID) + 0.5) / GRID)
    precision = 1 / (sigma[:, None] ** 2 + own**2)
    inner = np.eye(q + 1) + np.einsum("gn,ni,nj->gij", precision, loadings, loadings)
    right = np.einsum("gn,ni,n->gi", precision, loadings, y)
    means = np.linalg.solve(inner, right[..., None])[..., 0]
    log_likelihood = 0.5 * (
        np.log(precision).sum(axis=1)
        - np.linalg.slogdet(inner)[1]
        - precision @ y**2
        + np.einsum("gi,gi->g", right, means)
    )
    weight = np.exp(log_likelihood - log_likelihood.max())
    covariances = np.linalg.inv(inner)[:, :q, :q] * np.outer(sds, sds)
    return Posterior(sigma, weight / weight.sum(), means[:, :q] * sds, covariances)
