"""Equations for the response to a speed that was measured with error, and their likelihood.

What they are and why, `pipeline/methods/measurement_error.py` says.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

from pipeline.core.arrays import Array, Mask
from pipeline.methods.least_squares import columns_at
from pipeline.methods.mixed_model import DISTANCE, VALUE, Model, whiten

#: Standard deviations of the error of a kilometre's log speed that are considered.
ERROR_SD = np.array([0.0005, 0.002, 0.004, 0.006, 0.008, 0.010, 0.0125, 0.015, 0.0175, 0.02, 0.025, 0.03])
#: Correlation of the errors of neighbouring kilometres. Errors last minutes; 0 to 0.3 are plausible. Common practice,
#: no source.
ERROR_RHO = 0.15
#: Distances at which the pace serves as an instrument [km], each with half the weight of the one before.
LAGS_KM = (2, 3, 4)
#: The error variance is at least this share of what the uncorrected model leaves over.
LEAST_VARIANCE = 0.5
#: Share of the residuals' degrees of freedom that count where error of speed alone would scatter them by more than they
#: do: they are alike in shape only roughly. Common practice, no source.
RESIDUALS_COUNT = 1 / 3
#: A smaller error of the metric is none, but rounding.
EXACT = 1e-6


@dataclass(frozen=True)
class Equations:
    """The three equations of one athlete and metric, and what the drift is made of, given the response.

    Attributes:
        value: their left-hand sides, of y.
        speed: the same of x.
        traces: tr(A R) of each, by group of runs whose speed has the same source.
        of_errors: covariance that the model's errors give them, over their variance.
        of_speed: covariance that errors of speed give them, over b^2 s^2, by group; the sum over groups is theirs.
        of_speed_squared: the same over b^2 s^4; only its diagonal counts.
        rest: cross-products of (y, x) in the metric of the model, distance and slopes taken out.
        trace_rest: of that metric with R, by group.
        df: degrees of freedom of the errors.
        variance: of the errors, by the uncorrected model.
        reliability_loss: share of the variance of x within runs, at equal distance and slope, that is error, over s^2,
            by group.
    """

    value: Array
    speed: Array
    traces: Array
    of_errors: Array
    of_speed: Array
    of_speed_squared: Array
    rest: Array
    trace_rest: Array
    df: int
    variance: Array
    reliability_loss: Array


@dataclass(frozen=True)
class _Layout:
    """What follows from runs and distances alone: matrices of each run, filled up to the longest, runs x n x n.

    All metrics of an athlete share it, as long as the same splits enter.

    Attributes:
        both: whether both places are splits.
        apart: distance between splits [km], endless where one is none.
        centre: takes out the mean.
        line: projects on distance.
        instrument: the pace two to four kilometres off.
        error_correlation: of errors of speed.
        traces: of `centre` and of `instrument` times that, 2 x runs.
        squares: traces of the squares of these products, likewise.
    """

    both: Mask
    apart: Array
    centre: Array
    line: Array
    instrument: Array
    error_correlation: Array
    traces: Array
    squares: Array

    def fading(self, rho: Array) -> Array:
        """Correlation of what fades by `rho` a kilometre; ... x runs x n x n."""
        different, place = np.unique(rho, return_inverse=True)  # metrics have few of them, and powers take long
        return np.asarray(_of_runs(different) ** self.apart)[place]


@lru_cache(maxsize=2)
def _layout_of(run_bytes: bytes, gap_km_bytes: bytes, distance_bytes: bytes) -> _Layout:
    """The layout of a design; the metrics of an athlete share it, as long as the same splits enter."""
    run = np.frombuffer(run_bytes, np.int64)
    gap_km, distance = np.frombuffer(gap_km_bytes), np.frombuffer(distance_bytes)
    counts = np.bincount(run)
    km = _filled_up(np.cumsum(np.nan_to_num(gap_km)), run, np.nan)
    is_split = np.isfinite(km)
    both = is_split[:, :, None] & is_split[:, None, :]
    apart = np.where(both, np.abs(km[:, :, None] - km[:, None, :]), np.inf)
    centre = np.where(both, np.eye(km.shape[1]) - 1 / counts[:, None, None], 0.0)
    along = _filled_up(distance, run)
    from_mean = np.where(is_split, along - (along.sum(axis=1) / counts)[:, None], 0.0)
    line = from_mean[:, :, None] * from_mean[:, None, :] / (from_mean**2).sum(axis=1)[:, None, None]
    near = (apart > LAGS_KM[0] - 0.5) & (apart < LAGS_KM[-1] + 0.5)
    lagged = np.where(near, 0.5 ** (np.where(near, apart, 0.0) - LAGS_KM[0]), 0.0)
    beyond_line = centre - line
    instrument = beyond_line @ lagged @ beyond_line
    error_correlation = np.where(both, ERROR_RHO ** np.where(both, apart, 1.0), 0.0)
    products = [matrix @ error_correlation for matrix in (centre, instrument)]
    return _Layout(
        both,
        apart,
        centre,
        line,
        instrument,
        error_correlation,
        np.stack([product.trace(axis1=1, axis2=2) for product in products]),
        np.stack([_trace_of_square(product) for product in products]),
    )


def _filled_up(values: Array, run: npt.NDArray[np.int64], fill: float = 0.0, *, axis: int = -1) -> Array:
    """Values of splits, which lie along the axis, as runs x the longest run."""
    counts = np.bincount(run)
    before, after = values.shape[:axis], values.shape[axis:][1:]
    filled = np.full((*before, len(counts), int(counts.max()), *after), fill)
    place = np.arange(len(run)) - np.repeat(np.cumsum(counts) - counts, counts)
    filled[(slice(None),) * len(before) + (run, place)] = values
    return filled


def _trace_of_square(product: Array) -> Array:
    return np.asarray(np.einsum("...rij,...rji->...r", product, product))


def _times(matrix: Array, vector: Array) -> Array:
    """Product of each matrix with its vector."""
    return np.asarray((matrix @ vector[..., None])[..., 0])


def _covariance_and_precision(model: Model, layout: _Layout) -> tuple[Array, Array]:
    """Of the model's errors, over their variance, with each run's own drift; ... x runs x n x n."""
    design = model.design
    deviation, distance = (
        _filled_up(values, design.run) for values in (1 / np.sqrt(design.weight), design.columns[..., DISTANCE])
    )
    covariance = layout.fading(model.rho) * deviation[..., :, None] * deviation[..., None, :]
    covariance = covariance + _of_runs(model.variance_ratio) * distance[..., :, None] * distance[..., None, :]
    n = len(design.run)
    units = np.zeros((*distance.shape[:-2], n, deviation.shape[-1]))
    units[..., np.arange(n), np.arange(n) - np.repeat(design.first, design.counts)] = 1.0
    white, _ = whiten(design, np.concatenate([design.columns[..., [DISTANCE]], units], axis=-1), model.rho)
    along, whitening = _filled_up(white[..., 0], design.run), _filled_up(white[..., 1:], design.run, axis=-2)
    ratio = np.asarray(model.variance_ratio)[..., None]
    shrink = ratio / (1 + ratio * (along**2).sum(axis=-1))
    projected = _times(whitening.swapaxes(-2, -1), along)
    precision = whitening.swapaxes(-2, -1) @ whitening
    return covariance, precision - shrink[..., None, None] * projected[..., :, None] * projected[..., None, :]


def _of_runs(values: npt.ArrayLike) -> Array:
    """One value for all matrices of a metric."""
    return np.asarray(values)[..., None, None, None]


@dataclass(frozen=True)
class SpeedErrors:
    """What errors of given sizes do to the equations of one athlete; one row for each size, or pair of sizes.

    Attributes:
        equations: of the athlete.
        speed_less: by how much x' A x is too large for them, sizes x equations.
        of_speed: covariance over b^2, sizes x equations x equations.
        of_speed_squared: the same, of the part over b^2 s^4 in `Equations`; its diagonal, sizes x equations.
        trace_rest: by how much they scatter residuals over b^2, sizes x 1.
        blur: of the first equation, variance that the errors alone have by chance, halved; sizes x 1.
        mean_square: of the errors of splits, sizes x 1.
        reliability: of log speed within runs, at equal distance and slope; sizes.
    """

    equations: Equations
    speed_less: Array
    of_speed: Array
    of_speed_squared: Array
    trace_rest: Array
    blur: Array
    mean_square: Array
    reliability: Array

    @cached_property
    def scaled(self) -> _Scaled:
        """What the covariance is made of at any response."""
        of_errors = self.equations.of_errors
        variances = np.diagonal(of_errors, axis1=-2, axis2=-1)
        has_instrument = variances > 0  # without splits two to four kilometres apart there is no instrument
        scale = np.where(has_instrument, 1 / np.sqrt(np.where(has_instrument, variances, 1.0)), 0.0)
        product = scale[..., :, None] * scale[..., None, :]
        return _Scaled(
            scale,
            has_instrument[..., 2],
            of_errors * product + 1e-9 * np.eye(3),
            self.of_speed * product[..., None, :, :],
            self.of_speed_squared * np.diagonal(product, axis1=-2, axis2=-1)[..., None, :],
        )


@dataclass(frozen=True)
class _Scaled:
    """Parts of the covariance of the equations, each divided by a scale, by what they are multiplied with."""

    scale: Array
    has_instrument: Mask
    by_errors: Array
    by_speed: Array
    by_square: Array


def speed_errors(system: Equations, error_sd: Array) -> SpeedErrors:
    """Errors of these sizes.

    Args:
        system: the equations.
        error_sd: standard deviation of log speed of a kilometre, ... x sizes x groups.
    """
    s2 = error_sd**2
    of_speed = s2 @ system.of_speed.reshape(*system.of_speed.shape[:-2], 9)
    level_trace = system.traces[..., :1]
    return SpeedErrors(
        system,
        s2 @ system.traces,
        of_speed.reshape(*of_speed.shape[:-1], 3, 3),
        s2**2 @ system.of_speed_squared,
        s2 @ system.trace_rest[..., None],
        s2**2 @ system.of_speed_squared[..., :1],
        s2 @ level_trace / level_trace.sum(axis=-2, keepdims=True),
        np.clip(1 - _times(s2, system.reliability_loss), 0.0, 1.0),
    )


def equations(
    model: Model, speed: int, loading: npt.ArrayLike = 0.0, groups: npt.NDArray[np.int64] | None = None
) -> Equations:
    """Set up the equations for the response to speed.

    Args:
        model: uncorrected; its correlation, variance ratio and weights are taken.
        speed: column of log speed, one of the model's.
        loading: of the error of speed in the value.
        groups: of each run, from 0: those whose speed has the same source; None for a single group.

    Returns:
        The equations. Where a metric answers exactly (`answers_exactly`) there is no error to weigh them by.
    """
    design = model.design
    distance = design.columns.reshape(-1, *design.columns.shape[-2:])[0, :, DISTANCE]
    layout = _layout_of(design.run.tobytes(), design.gap_km.tobytes(), distance.tobytes())
    covariance, precision = _covariance_and_precision(model, layout)
    columns = _filled_up(design.columns, design.run, axis=-2)
    x = columns[..., speed]
    y = columns[..., VALUE] - _of_sizes(loading) * x
    z = columns_at(columns, [column for column in model.places if column != speed])
    fade = precision @ layout.line
    of_others = (precision @ z).swapaxes(-2, -1)
    rows = np.stack([_times(matrix, x) for matrix in (layout.centre, fade, layout.instrument)], axis=-2)
    normal = (of_others @ z).sum(axis=-3)
    crossed = (rows @ z).sum(axis=-3)
    taken = np.linalg.solve(normal.swapaxes(-2, -1), crossed.swapaxes(-2, -1)).swapaxes(-2, -1)
    rows = rows - taken[..., None, :, :] @ of_others
    groups = np.zeros(x.shape[-2], np.int64) if groups is None else groups
    is_in = (groups == np.arange(groups.max() + 1)[:, None]).astype(np.float64)
    of_fade = fade @ layout.error_correlation
    of_matrices = np.broadcast_arrays(layout.traces[0], of_fade.trace(axis1=-2, axis2=-1), layout.traces[1])
    traces = is_in @ np.stack(of_matrices, axis=-1)
    per_run = np.stack([_times(rows, y), _times(rows, x)], axis=-1)
    pair = np.stack([y, x], axis=-1)
    of_pair = pair.swapaxes(-2, -1) @ precision
    crossed = (of_pair @ z).sum(axis=-3)
    rest = (of_pair @ pair).sum(axis=-3) - crossed @ np.linalg.solve(normal, crossed.swapaxes(-2, -1))
    squares = np.broadcast_arrays(layout.squares[0], _trace_of_square(of_fade), layout.squares[1])
    of_speed = rows @ layout.error_correlation @ rows.swapaxes(-2, -1)
    of_speed = is_in @ of_speed.reshape(*of_speed.shape[:-2], 9)
    left = _left_of_speed(layout, x.reshape(-1, *x.shape[-2:]), z.reshape(-1, *z.shape[-3:])).reshape(x.shape[:-2])
    value, slope = np.moveaxis(per_run.sum(axis=-3), -1, 0)
    return Equations(
        value,
        slope,
        traces,
        (rows @ covariance @ rows.swapaxes(-2, -1)).sum(axis=-3),
        of_speed.reshape(*of_speed.shape[:-1], 3, 3),
        np.stack([_times(is_in, square) for square in squares], axis=-1),
        rest,
        _times(is_in, (precision * layout.error_correlation).sum(axis=(-2, -1))),
        model.df,
        model.variance,
        np.where(left > 0, traces[..., 0].T / np.where(left > 0, left, 1.0), np.inf).T,
    )


def answers_exactly(model: Model) -> Mask:
    """Whether the error of a metric is none, but rounding."""
    return np.asarray(model.variance <= EXACT**2)


def _left_of_speed(layout: _Layout, x: Array, z: Array) -> Array:
    """Of the square of x within runs, what distance and slopes leave, of each metric."""
    left: dict[bytes, float] = {}  # most metrics have the same speed
    for of_metric, others in zip(x, z, strict=True):
        if (key := of_metric.tobytes()) not in left:
            flat = layout.centre @ others
            crossed = _times(flat.swapaxes(-2, -1), of_metric).sum(axis=0)
            explained = crossed @ np.linalg.lstsq((flat.swapaxes(-2, -1) @ flat).sum(axis=0), crossed, rcond=None)[0]
            square = (of_metric[:, None, :] @ layout.centre @ of_metric[:, :, None]).sum()
            left[key] = float(square - explained)
    return np.array([left[of_metric.tobytes()] for of_metric in x])


def log_determinant(errors: SpeedErrors, typical: Array) -> Array:
    """Of the equations' covariance at a typical response, half of it, for each size of the errors; ... x sizes x 1."""
    at_typical = np.broadcast_to(_of_sizes(typical), errors.blur.shape)
    (first, _, second, _, _, third), _, _ = _covariance(errors, at_typical)
    return np.asarray(np.log(first) + np.log(second) + np.log(third))


def log_likelihood(errors: SpeedErrors, response: Array, typical: Array, reach: Array, determinant: Array) -> Array:
    """Of the responses, for each size of the errors; ... x sizes x points. Responses are those of y - loading x.

    The determinant of the equations' covariance is taken at one typical response. Taken at each, it would count the
    unknown true pace as flat and draw responses to zero; without it, large errors would be preferred. (The score of
    the first part has mean zero in b; with the determinant it has in s, too.) Implausible responses do not
    make the equations vaguer than the plausible ones next to them: otherwise an endless one would explain everything.
    """
    system, lowest, highest = errors.equations, _of_sizes(typical - reach), _of_sizes(typical + reach)
    factor, scale, excess = _covariance(errors, np.clip(response, lowest, highest))
    left = system.speed[..., None, :] - errors.speed_less
    gap = [
        (_of_sizes(system.value[..., place]) - response * left[..., place, None]) * _of_sizes(scale[..., place])
        for place in range(3)
    ]
    first = gap[0] / factor[0]
    second = (gap[1] - factor[1] * first) / factor[2]
    third = (gap[2] - factor[3] * first - factor[4] * second) / factor[5]
    # Pace that was seen is pace that varied and error: what is left for the first is no less than nothing.
    true = left[..., :1]
    blur = np.sqrt(2 * errors.blur + 4 * errors.mean_square * np.maximum(true, 0.0))
    # Nor do residuals scatter by less than error of speed makes them.
    scatter = -0.5 * RESIDUALS_COUNT * system.df * (np.log(excess) + 1 / excess - 1)
    misfit = first**2 + second**2 + third**2
    return np.asarray(-0.5 * misfit - determinant + scatter + special.log_ndtr(true / blur))


def _of_sizes(values: npt.ArrayLike) -> Array:
    """One value for all sizes and points of a metric."""
    return np.asarray(values)[..., None, None]


def _covariance(errors_of_speed: SpeedErrors, response: Array) -> tuple[tuple[Array, ...], Array, Array]:
    """Cholesky factor of the covariance of the equations, each divided by a scale; that scale; and by how much the
    errors and those of speed together exceed the residuals.

    The factor is written out, row by row: for hundreds of matrices of three rows this takes a tenth of the time.
    """
    system, squared = errors_of_speed.equations, response**2
    of_value, of_both, of_pace = (_of_sizes(system.rest[..., row, column]) for row, column in ((0, 0), (0, 1), (1, 1)))
    left = (of_value - 2 * response * of_both + squared * of_pace) / system.df
    of_speed = squared * errors_of_speed.trace_rest / system.df
    errors = np.maximum(left - of_speed, _of_sizes(LEAST_VARIANCE * system.variance))
    parts = errors_of_speed.scaled

    def of(row: int, column: int) -> Array:
        by_both = parts.by_speed[..., row, column] + (parts.by_square[..., row] if row == column else 0.0)
        return np.asarray(errors * _of_sizes(parts.by_errors[..., row, column]) + squared * by_both[..., None])

    first = np.sqrt(of(0, 0))
    below, last = of(1, 0) / first, of(2, 0) / first
    second = np.sqrt(of(1, 1) - below**2)
    beside = (of(2, 1) - last * below) / second
    third = np.sqrt(np.where(_of_sizes(parts.has_instrument), of(2, 2) - last**2 - beside**2, 1.0))
    return (first, below, second, last, beside, third), parts.scale, np.maximum((of_speed + errors) / left, 1.0)
