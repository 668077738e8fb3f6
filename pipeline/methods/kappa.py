"""Agreement of two raters beyond chance."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special


class Kappa(NamedTuple):
    """Cohen's kappa with its 95 % interval, by the normal distribution."""

    kappa: float
    low: float
    high: float


def cohens_kappa(table: npt.ArrayLike) -> Kappa:
    """Kappa of a table of counts, by Fleiss, Cohen and Everitt 1969 (doi 10.1037/h0028106, from memory).

    Args:
        table: k × k, a row for each class of the one rater, a column for each of the other; at least two classes occur.
    """
    counts = np.asarray(table, dtype=np.float64)
    n = counts.sum()
    share = counts / n
    one, other = share.sum(axis=1), share.sum(axis=0)
    agreed, expected = float(np.trace(share)), float(one @ other)
    kappa = (agreed - expected) / (1 - expected)
    on = np.diag(share) @ (1 - (one + other) * (1 - kappa)) ** 2
    pairs = share * (other[:, None] + one[None, :]) ** 2
    off = (1 - kappa) ** 2 * (pairs.sum() - np.trace(pairs))
    chance = (kappa - expected * (1 - kappa)) ** 2
    se = np.sqrt((on + off - chance) / n) / (1 - expected)
    margin = float(special.ndtri(0.975) * se)
    return Kappa(kappa, kappa - margin, kappa + margin)
