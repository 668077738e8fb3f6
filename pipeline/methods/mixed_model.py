"""The regression behind the stage `drift`: one athlete, one metric, all runs.

For y, the logarithm of the metric, in split k of run r, with d the distance in units of 10 km and x the causes (speed,
slope, ...) of that split:

    y = level_r + x b + (drift + own_r) d + error

Every run has its own level, so that only changes inside runs count: a fast day or a worn battery is no drift. `own_r`
is the run's departure from the athlete's drift, a random effect of variance `variance_ratio`, in units of the error's.
Errors fade along the run: those of splits x km apart correlate by rho^x; a split weighs by the time it was measured
over, and less if it lies far off its run's line (Huber). The responses b may be shrunk towards the club's (`Prior`).

Estimation is restricted maximum likelihood over rho and the variance ratio on a grid, with everything else in closed
form from each run's cross-products: a run costs one pass over its splits. Covariances leave out one whole run at a time
(jackknife), so that whatever runs do as a whole is in them, also where errors fade otherwise than assumed. Where runs
differ in length the longest decide, and the runs left out tell less than their number says: the covariance is scaled to
be unbiased under the model, and its degrees of freedom are those of Bell and McCaffrey.

Several metrics of the same splits are fitted in one call, which spares most of what a call costs on so few numbers:
what differs between metrics then has one axis more, the first, written `...` below. Each metric comes out as if it were
alone, to the last bit, since every sum runs over the same numbers in the same order.

Sources, as `data/METHODS.md` says how they were read: Laird and Ware 1982, Biometrics 38:963-974 (random effects);
Huber 1964, Ann Math Stat 35:73-101 (weights); MacKinnon and White 1985, doi 10.1016/0304-4076(85)90158-7 (jackknife);
Bell and McCaffrey 2002, Survey Methodology 28:169 (degrees of freedom).
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any, Self, TypeVar

import numpy as np
import numpy.typing as npt

from pipeline.core.arrays import Array
from pipeline.methods.least_squares import Prior, dot, estimated, known_before, solved

#: Columns of every design; the causes follow.
VALUE, DISTANCE, FIRST_CAUSE = 0, 1, 2

#: The grid of the likelihood. A finer rho moves estimates by some hundredths of their error.
RHO = np.linspace(0.0, 0.9, 10)
VARIANCE_RATIO = np.concatenate([[0.0], np.geomspace(0.03, 300.0, 14)])
#: How often the variance ratio is then looked for between its neighbours, each time four times as finely.
REFINEMENTS = 4

#: Splits of all metrics that are fitted in one call at most: beyond, what a call costs is little, and memory is not.
MOST_SPLITS = 4000

#: A split this many standard deviations off its run's line is drawn in. Huber's own choice is 1.345 for 95 %
#: efficiency; errors here fade along the run, so only what is plainly a bad split should lose weight.
FAR_OFF = 3.0
#: Median absolute deviation of a normal distribution, in standard deviations.
MAD_OF_NORMAL = 0.6744897501960817


@dataclass(frozen=True)
class Design:
    """The splits of one athlete and metric, or several, that enter, runs one after the other.

    Attributes:
        columns: log of the metric, distance [10 km], then the causes; ... × n × (2 + causes).
        run: index of the run of each split, non-decreasing, n.
        run_ids: name of each run.
        gap_km: distance from the split before in the same run, NaN for a run's first [km].
        weight: relative precision of each split, ... × n.
        speed_sources: where the speed of each run comes from; empty where all come from the same source.
    """

    columns: Array
    run: npt.NDArray[np.int64]
    run_ids: Sequence[str]
    gap_km: Array
    weight: Array
    speed_sources: Sequence[str | None] = ()

    @cached_property
    def first(self) -> npt.NDArray[np.intp]:
        """Row of each run's first split."""
        return np.flatnonzero(np.isnan(self.gap_km))

    @cached_property
    def counts(self) -> npt.NDArray[np.int64]:
        """Splits of each run."""
        return np.bincount(self.run)

    def per_run(self, values: Array, axis: int = -2) -> Array:
        """Sums over the splits of each run, which lie along the axis."""
        return np.asarray(np.add.reduceat(values, self.first, axis=axis))

    @cached_property
    def within_runs(self) -> Array:
        """Columns less their run's mean, which a run's level would take up anyway."""
        return np.asarray(self.columns - (self.per_run(self.columns) / self.counts[:, None])[..., self.run, :])

    @cached_property
    def products_by_rho(self) -> tuple[Array, Array]:
        """What the likelihood is made of, whatever the regressors: see `_products_by_rho`."""
        return _products_by_rho(self)

    @cached_property
    def likelihoods(self) -> dict[tuple[int, ...], Array]:
        """Likelihoods over the whole grid, by the regressors that they were asked for with."""
        return {}

    def weighted(self, weight: Array) -> Design:
        """The same splits with other weights; of metrics whose weights are those it has, with all that is known."""
        is_other = (weight != self.weight).any(axis=-1)
        if not is_other.any():
            return self
        design = replace(self, weight=weight)
        if not is_other.all():
            others = np.flatnonzero(is_other).tolist()
            parts = zip(self.products_by_rho, design.of_metrics(others).products_by_rho, strict=True)
            vars(design)["products_by_rho"] = tuple(_with_others(part, others, other) for part, other in parts)
        return design

    def of_metrics(self, place: int | list[int] | None) -> Design:
        """The design of one of its metrics, or of some; None makes one metric an axis."""
        return replace(self, columns=self.columns[place], weight=self.weight[place])


@dataclass(frozen=True)
class Model:
    """The model of one design with its variances settled, its coefficients not yet estimated.

    Attributes:
        design: with the weights that were used in the end.
        products: cross-products of the whitened columns in each run, its level taken out.
        places: columns of the regressors, distance first.
        rho: correlation of the errors of neighbouring kilometres.
        variance_ratio: variance of the runs' own drifts over that of the errors.
        variance: of the errors.
        df: degrees of freedom of `variance`.
        collinearity: share of the distance inside runs that the causes explain; at 1 drift and cause are one.
        prior: of the responses to the causes, in their order; None where each athlete stands alone.
    """

    design: Design
    products: Array
    places: tuple[int, ...]
    rho: Array
    variance_ratio: Array
    variance: Array
    df: int
    collinearity: Array
    prior: Prior | None

    @cached_property
    def normal(self) -> tuple[Array, Array, Array]:
        """See `normal_equations`."""
        return normal_equations(self.products, self.places, self.variance_ratio)

    def fitted(self) -> Fit:
        """The same with its coefficients."""
        a, b, _ = self.normal
        found = estimated(a, b, self.prior, self.variance)
        return self.with_coefficients(found.beta, found.covariance, found.df)

    def of_metrics(self, place: int | list[int] | None) -> Self:
        """The model of one of its metrics, or of some; None makes one metric an axis."""
        own: dict[str, Any] = {}
        for part in fields(self):
            value = getattr(self, part.name)
            if isinstance(value, Design | Prior):
                own[part.name] = value.of_metrics(place)
            elif isinstance(value, np.ndarray | np.float64):
                own[part.name] = np.asarray(value)[place]
        return replace(self, **own)

    def with_coefficients(self, beta: Array, covariance: Array, drift_df: Array, given: tuple[int, ...] = ()) -> Fit:
        """The same with coefficients found elsewhere; see `Fit`."""
        own = {part.name: getattr(self, part.name) for part in fields(Model)}
        return Fit(**own, beta=beta, covariance=covariance, drift_df=drift_df, given=given)


@dataclass(frozen=True)
class Fit(Model):
    """The model fitted to one design.

    Attributes:
        beta: drift, then the responses, in the order of `places`.
        covariance: of beta.
        drift_df: degrees of freedom of the drift's variance in it, at most one less than there are runs.
        given: causes whose response was found elsewhere, so that residuals need not be orthogonal to them.
    """

    beta: Array
    covariance: Array
    drift_df: Array
    given: tuple[int, ...] = ()

    def fitted(self) -> Fit:
        """Itself."""
        return self


def together(fits: Sequence[Fit]) -> Iterator[tuple[Sequence[int], Fit]]:
    """Fits of one metric each, those with the same splits and causes as one.

    Yields:
        Their places in the order given, and the fit of these metrics.
    """
    alike: dict[tuple[object, ...], list[int]] = {}
    for place, fitted in enumerate(fits):
        alike.setdefault((id(fitted.design.run), fitted.places, fitted.given), []).append(place)
    for of_metrics in alike.values():
        for places in in_calls(of_metrics, fits[of_metrics[0]].design):
            yield places, _stacked([fits[place] for place in places])


def in_calls(metrics: Sequence[int], design: Design) -> Iterator[Sequence[int]]:
    """Metrics of a design by the call that they are fitted in."""
    at_once = max(MOST_SPLITS // len(design.run), 1)
    for first in range(0, len(metrics), at_once):
        yield metrics[first : first + at_once]


_Part = TypeVar("_Part", Design, Prior, "Fit")


def _stacked(parts: Sequence[_Part]) -> _Part:
    """Dataclasses that differ in arrays, as one with these along a first axis."""
    own: dict[str, Any] = {}
    for name in (part.name for part in fields(parts[0])):
        values = [getattr(part, name) for part in parts]
        if isinstance(values[0], Design | Prior):
            own[name] = _stacked(values)
        elif isinstance(values[0], np.ndarray | np.float64) and name not in ("run", "gap_km"):
            own[name] = np.array(values)
    return replace(parts[0], **own)


def fit(design: Design, causes: Sequence[int], prior: Prior | None = None) -> Fit:
    """Fit the model, with distance and the given causes as regressors.

    Args:
        design: at least three runs.
        causes: columns of the causes to use, each varying inside runs.
        prior: of the responses to `causes`, in that order; None to let each athlete stand alone.
    """
    return settled(design, causes, prior).fitted()


def settled(
    design: Design, causes: Sequence[int], prior: Prior | None = None, *, nuisances: Collection[int] = ()
) -> Model:
    """The same without the coefficients, for those who estimate them otherwise.

    Args:
        nuisances: those of `causes` that do not count in `Model.collinearity`.
    """
    weighted = design.weighted(design.weight * _huber_weights(design, causes, prior))
    return settled_as_weighted(weighted, causes, prior, nuisances=nuisances)


def settled_as_weighted(
    design: Design, causes: Sequence[int], prior: Prior | None = None, *, nuisances: Collection[int] = ()
) -> Model:
    """The same with the weights of the design as they are: outliers keep theirs."""
    places = (DISTANCE, *causes)
    rho, products, variance_ratio = _variance_parameters(design, places, REFINEMENTS)
    a, b, yy = normal_equations(products, places, variance_ratio)
    total_a, total_b = a.sum(axis=-3), b.sum(axis=-2)
    df, variance = _residual_variance(design, total_a, total_b, yy.sum(axis=-1))
    along = total_a[..., 0, 0]
    counted = np.array([place for place, column in enumerate(places) if place and column not in nuisances], np.int64)
    of_causes = total_a[..., counted, 0]
    left = along - dot(of_causes, solved(total_a[..., counted[:, None], counted], of_causes))
    return Model(design, products, places, rho, variance_ratio, variance, df, 1 - left / along, prior)


def _variance_parameters(design: Design, places: tuple[int, ...], refinements: int) -> tuple[Array, Array, Array]:
    """The correlation of the errors, the products that belong to it, and the variance ratio of the runs' drifts."""
    by_rho, log_determinants = design.products_by_rho
    if places not in design.likelihoods:
        design.likelihoods[places] = _likelihoods(design, by_rho, log_determinants, places, VARIANCE_RATIO)
    likelihoods = design.likelihoods[places]
    flat = likelihoods.reshape(*likelihoods.shape[:-2], -1)
    rho_place, ratio_place = np.divmod(np.argmax(flat, axis=-1), len(VARIANCE_RATIO))
    metric = np.indices(rho_place.shape, sparse=True)  # one axis or none
    products, log_determinant = by_rho[*metric, rho_place], log_determinants[*metric, rho_place]
    variance_ratio = VARIANCE_RATIO[ratio_place]
    low, high = (VARIANCE_RATIO[np.clip(ratio_place + step, 0, len(VARIANCE_RATIO) - 1)] for step in (-1, 1))
    for _ in range(refinements):
        # The variance ratio costs no new pass over the splits: it is settled between its neighbours on the grid.
        finer = np.linspace(low, high, 9, axis=-1)
        of_rho = _likelihoods(design, products[..., None, :, :, :], log_determinant[..., None], places, finer)
        best = np.argmax(of_rho[..., 0, :], axis=-1)
        variance_ratio = finer[*metric, best]
        low, high = (finer[*metric, np.clip(best + step, 0, 8)] for step in (-1, 1))
    return RHO[rho_place], products, variance_ratio


def _residual_variance(design: Design, a: Array, b: Array, yy: Array) -> tuple[int, Array]:
    """Degrees of freedom and variance of the errors, without any prior."""
    df = max(len(design.run) - len(design.run_ids) - b.shape[-1], 1)
    return df, np.maximum(yy - dot(b, solved(a, b)), 0.0) / df


def whiten(design: Design, columns: Array, rho: npt.ArrayLike) -> tuple[Array, Array]:
    """Make the errors of columns independent and equal, and take out each run's level.

    Args:
        design: gives runs, gaps and weights.
        columns: ... × n × m.
        rho: correlation of neighbouring kilometres.

    Returns:
        The columns, ... × n × m, and for each run the squared length of its whitened level.
    """
    is_first = np.isnan(design.gap_km)
    fades = np.where(is_first, 0.0, np.asarray(rho)[..., None] ** np.where(is_first, 1.0, design.gap_km))
    white, before = _weighted_and_shifted(design, columns)
    white -= np.multiply(before, fades[..., None], out=before)
    white /= np.sqrt(1 - fades**2)[..., None]
    level = white[..., -1]
    length = design.per_run(level**2, axis=-1)
    shares = design.per_run(white[..., :-1] * level[..., None]) / length[..., None]
    return white[..., :-1] - level[..., None] * shares[..., design.run, :], length


def _weighted_and_shifted(design: Design, columns: Array) -> tuple[Array, Array]:
    """Columns and a level by the root of the weight, and those of the split before; ... × n × (m + 1)."""
    scaled = np.concatenate([columns, np.ones((*columns.shape[:-1], 1))], axis=-1) * np.sqrt(design.weight)[..., None]
    return scaled, np.concatenate([np.zeros_like(scaled[..., :1, :]), scaled[..., :-1, :]], axis=-2)


def _with_others(of_all: Array, places: list[int], others: Array) -> Array:
    """The same with other values of some metrics."""
    of_all = of_all.copy()
    of_all[places] = others
    return of_all


def _products_by_rho(design: Design) -> tuple[Array, Array]:
    """For each rho of the grid: cross-products of each run, and the log determinant that the likelihood needs.

    The same as `whiten` gives for one rho; here for all at once, runs filled up with zeros to the length of the
    longest.

    Returns:
        ... × rho × runs × m × m, and ... × rho.
    """
    within = design.within_runs
    # Products with what never varies are zero.
    is_varied = within.reshape(-1, within.shape[-1]).any(axis=0)
    varied = np.union1d(np.flatnonzero(is_varied), [VALUE])
    # Splits along the last axis: NumPy is quick where that is long.
    scaled, before = (part.swapaxes(-2, -1).copy() for part in _weighted_and_shifted(design, within[..., varied]))
    # A run's first split has nothing before it: an endless gap.
    fades = RHO[:, None] ** np.where(np.isnan(design.gap_km), np.inf, design.gap_km)
    counts = design.counts
    blocks = np.zeros((*scaled.shape[:-2], len(RHO), scaled.shape[-2], len(counts), counts.max()))
    white = before[..., None, :, :] * fades[:, None, :]
    np.subtract(scaled[..., None, :, :], white, out=white)
    white /= np.sqrt(1 - fades**2)[:, None, :]
    for run, (begin, n_splits) in enumerate(zip(design.first.tolist(), counts.tolist(), strict=True)):
        blocks[..., run, :n_splits] = white[..., begin : begin + n_splits]
    blocks = blocks.swapaxes(-3, -2)
    whole = blocks @ blocks.swapaxes(-2, -1)
    level, length = whole[..., :-1, -1], whole[..., -1, -1]
    products = whole[..., :-1, :-1] - level[..., :, None] * level[..., None, :] / length[..., None, None]
    if len(varied) < within.shape[-1]:
        of_varied, products = products, np.zeros((*whole.shape[:-2], within.shape[-1], within.shape[-1]))
        products[..., varied[:, None], varied] = of_varied
    return products, np.log(length).sum(axis=-1) + np.log1p(-(fades**2)).sum(axis=-1)


def normal_equations(
    products: Array, places: Sequence[int], variance_ratio: npt.ArrayLike
) -> tuple[Array, Array, Array]:
    """Each run's share of X'V⁻¹X, X'V⁻¹y and y'V⁻¹y, with V holding the run's own drift (Woodbury)."""
    ratio = np.asarray(variance_ratio)[..., None]
    shrink = ratio / (1 + ratio * products[..., DISTANCE, DISTANCE])
    along = products[..., DISTANCE]
    inner = products - shrink[..., None, None] * along[..., :, None] * along[..., None, :]
    x = np.array(places)
    return inner[..., x[:, None], x], inner[..., x, VALUE], inner[..., VALUE, VALUE]


def _likelihoods(
    design: Design, products: Array, log_determinant: Array, places: Sequence[int], variance_ratios: Array
) -> Array:
    """Restricted log-likelihood of every rho, whose products are given, and every variance ratio; ... × rho × ratio."""
    x = np.array([*places, VALUE])
    ratios = variance_ratios[..., None, :, None]
    squares = ratios * products[..., None, :, DISTANCE, DISTANCE]
    along = products[..., x, DISTANCE]
    outer = (along[..., :, None] * along[..., None, :]).reshape(*along.shape[:-1], -1)
    taken = ((ratios / (1 + squares)) @ outer).reshape(*squares.shape[:-1], len(x), len(x))
    left = products.sum(axis=-3)[..., None, x[:, None], x] - taken
    usable, log_a = np.ones(left.shape[:-2], np.bool_), log_determinant[..., None] + np.log1p(squares).sum(axis=-1)
    # Gauss's elimination of one regressor after the other leaves what none of them explains of the value. Rows and
    # columns come first: NumPy is quick where the last axes are long.
    left = np.moveaxis(left, (-2, -1), (0, 1)).copy()
    for _ in places:
        pivot = left[0, 0]
        usable &= pivot > 0
        pivot = np.where(usable, pivot, 1.0)
        log_a = log_a + np.log(pivot)
        left = left[1:, 1:] - left[1:, :1] * left[:1, 1:] / pivot
    rest = np.maximum(left[0, 0], 1e-300)
    df = max(len(design.run) - len(design.run_ids) - len(places), 1)
    return np.where(usable, -0.5 * (df * np.log(rest) + log_a), -np.inf)


def _huber_weights(design: Design, causes: Sequence[int], prior: Prior | None) -> Array:
    """Weight of each split by its distance from its run's own line, at the athlete's responses."""
    places = (DISTANCE, *causes)
    # For the weights alone the grid of variance ratios is fine enough.
    _, products, variance_ratio = _variance_parameters(design, places, 0)
    a, b, yy = normal_equations(products, places, variance_ratio)
    total_a, total_b = a.sum(axis=-3), b.sum(axis=-2)
    known, pull = known_before(prior, _residual_variance(design, total_a, total_b, yy.sum(axis=-1))[1], total_b)
    columns = design.columns
    responses = np.zeros((*columns.shape[:-2], columns.shape[-1]))
    responses[..., list(causes)] = solved(total_a + known, total_b + pull)[..., 1:]
    rest = columns[..., VALUE] - (columns[..., FIRST_CAUSE:] @ responses[..., FIRST_CAUSE:, None])[..., 0]
    pair = np.stack([columns[..., DISTANCE], rest], axis=-1)
    pair = pair - (design.per_run(pair) / design.counts[:, None])[..., design.run, :]
    distance, rest = pair[..., 0], pair[..., 1]
    slope = design.per_run(distance * rest, axis=-1) / design.per_run(distance**2, axis=-1)
    residual = np.abs((rest - slope[..., design.run] * distance) * np.sqrt(design.weight))
    scale = np.median(residual, axis=-1, keepdims=True) / MAD_OF_NORMAL
    return np.where(scale == 0, 1.0, np.minimum(1.0, FAR_OFF * scale / np.maximum(residual, 1e-300)))
