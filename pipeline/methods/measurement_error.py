"""Speed is measured with error: the response to it, and the drift that is left, without the attenuation this causes.

A kilometre's log speed is x = x* + w, with w of standard deviation s, correlated by rho_w^k between splits k km apart,
independent of everything else. Regressing y on x gives kappa b in place of b (kappa: the reliability of x within runs,
at equal distance and slope), and what the response leaves over of a pace that fades is taken for drift.

The response. With any matrix A that takes out the run's level, E[x'A(y - x b)] = -b s^2 tr(A R), where R is the
correlation of w: an equation for b and s. Three are used, after the slopes and the athlete's drift are taken out:

    level      A = M        all changes of pace inside runs, equally weighted (whitening would amplify w)
    fade       A = K P      how runs differ in the slope of their pace on distance: P projects on distance, K is the
                            precision of the mixed model. Over a run errors average out, so that this is nearly free of
                            error (between against within: Griliches and Hausman 1986)
    lagged     A = N C N    the pace two to four kilometres off as an instrument; N takes out each run's own line

Their joint covariance follows from the mixed model's errors and from w, and depends on b: with it the three equations
have a likelihood in (s, b) that stays right where instruments are weak (as in continuously updated moments). It is
evaluated on a grid of s, and of b around where it is high. A prior on s (half-normal, by the source of speed) and one
on b (Student's t about the published or the club's mean, so that an athlete far off is hardly drawn) complete it. Where
the data tell s, the three equations disagree until s is right; where they do not, the interval holds what the priors
leave open.

The drift. Given b it is generalised least squares of y - x b on distance (and slopes), with the jackknife over runs; the
result is mixed over the distribution of b. So its interval holds the uncertainty of the correction, and is as skewed as
that is.

A metric that is computed from the measured speed has w in itself: `loading` times w (step length: 1). Then y -
loading x has none, and everything above is done with that.

Sources: Fuller 1987, Measurement Error Models, ISBN 0-471-86187-1 (moment correction, instruments; its contents read);
Griliches and Hausman 1986, doi 10.1016/0304-4076(86)90058-8 (from memory); Hansen, Heaton and Yaron 1996, doi
10.1080/07350015.1996.10524656 (continuously updated moments, from memory); Lange, Little and Taylor 1989, doi
10.1080/01621459.1989.10478852 (t in place of normal, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from pipeline.methods.mixed_model import DISTANCE, VALUE, Array, Fit, leaving_out_runs, normal_equations, whiten

#: Standard deviations of the error of a kilometre's log speed that are considered.
ERROR_SD = np.array([0.0005, 0.002, 0.004, 0.006, 0.008, 0.010, 0.0125, 0.015, 0.0175, 0.02, 0.025, 0.03])
#: How far each of them speaks for its neighbourhood, in a distribution over them.
_WIDTH = np.gradient(ERROR_SD)
#: Correlation of the errors of neighbouring kilometres. Errors last minutes; 0 to 0.3 are plausible. Common practice,
#: no source.
ERROR_RHO = 0.15
#: Distances at which the pace serves as an instrument [km], each with half the weight of the one before.
LAGS_KM = (2, 3, 4)
#: Degrees of freedom of the priors' t: an athlete four deviations off keeps most of what the own runs say.
PRIOR_DF = 5.0
#: The error variance is at least this share of what the uncorrected model leaves over.
LEAST_VARIANCE = 0.3
#: Points of the grid of b, how far it reaches [standard deviations], and how often it is laid anew.
POINTS, REACH, PASSES = 25, 4.5, 3
#: Runs that the model's covariance of the equations is worth, when it is compared with how runs scatter.
RUNS_OF_MODEL = 12.0


@dataclass(frozen=True)
class ErrorPrior:
    """What is known before of the error of speed and of the response, for each of `ERROR_SD`.

    Attributes:
        log_weight: of each standard deviation.
        mean: of the response.
        variance: of the response, about that mean.
        typical: response at which errors of speed are thought to show in the metric.
        largest: size of the response up to which they do.
        is_of_club: whether the weights hold what this athlete's own runs say of the error already.
    """

    log_weight: Array
    mean: Array
    variance: Array
    typical: float
    largest: float
    is_of_club: bool = False


def half_normal(median: float) -> Array:
    """Log weights of `ERROR_SD` under a half-normal prior with this median."""
    return np.asarray(np.log(_WIDTH) - 0.5 * (ERROR_SD / median * special.ndtri(0.75)) ** 2)


def wide_prior(mean: float, sd: float, error_median: float) -> ErrorPrior:
    """The published range of a response, and an error of speed of this median."""
    same = np.ones(len(ERROR_SD))
    return ErrorPrior(half_normal(error_median), mean * same, sd**2 * same, mean, abs(mean) + 2 * sd)


@dataclass(frozen=True)
class Equations:
    """The three equations of one athlete and metric, and what the drift is made of, given the response.

    Attributes:
        value: their left-hand sides, of y.
        speed: the same of x.
        traces: tr(A R) of each.
        of_errors: covariance that the model's errors give them, over their variance.
        of_speed: covariance that errors of speed give them, over b^2 s^2; and over b^2 s^4.
        of_speed_squared: the same over b^2 s^4.
        rest: cross-products of (y, x) in the metric of the model, distance and slopes taken out.
        trace_rest: of that metric with R.
        freedom: degrees of freedom of the errors.
        variance: of the errors, by the uncorrected model.
        reliability_loss: share of the variance of x within runs, at equal distance and slope, that is error, over s^2.
        inflation: how much more runs scatter in the equations than the model says, at least 1.
    """

    value: Array
    speed: Array
    traces: Array
    of_errors: Array
    of_speed: Array
    of_speed_squared: Array
    rest: Array
    trace_rest: float
    freedom: int
    variance: float
    reliability_loss: float
    inflation: float = 1.0


@dataclass(frozen=True)
class Corrected:
    """The responses and the drift with the error of speed taken into account.

    Attributes:
        fit: with the corrected coefficients and their covariance.
        drift_low: lower end of the 95 % interval of the drift.
        drift_high: upper end.
        p_value: of no drift, two-sided.
        reliability: of log speed within runs, at equal distance and slope.
        reliability_low: lower end of its 90 % interval.
        reliability_high: upper end.
        error_sd: of log speed of a kilometre.
    """

    fit: Fit
    drift_low: float
    drift_high: float
    p_value: float
    reliability: float
    reliability_low: float
    reliability_high: float
    error_sd: float


@dataclass(frozen=True)
class OwnResponse:
    """What an athlete's own runs say of the response for each of `ERROR_SD`: a normal approximation of the likelihood.

    Attributes:
        mean: of the response.
        variance: of the response.
        log_likelihood: height of the likelihood.
    """

    mean: Array
    variance: Array
    log_likelihood: Array


@dataclass(frozen=True)
class _Padded:
    """Matrices of each run, filled up to the longest: runs x n x n, and columns, runs x n x m."""

    columns: Array
    covariance: Array
    precision: Array
    error_correlation: Array
    centre: Array
    line: Array
    lagged: Array


def _padded(fitted: Fit) -> _Padded:
    design = fitted.design
    counts = np.bincount(design.run)
    n_runs, longest = len(counts), int(counts.max())
    place = np.arange(len(design.run)) - np.repeat(design.first, counts)

    def pad(values: Array, fill: float = 0.0) -> Array:
        filled = np.full((n_runs, longest, *values.shape[1:]), fill)
        filled[design.run, place] = values
        return filled

    km = np.cumsum(np.nan_to_num(design.gap_km))
    km = pad(km, np.nan)
    is_split = np.isfinite(km)
    both = is_split[:, :, None] & is_split[:, None, :]
    apart = np.where(both, np.abs(km[:, :, None] - km[:, None, :]), np.inf)
    deviation = pad(1 / np.sqrt(design.weight))
    columns = pad(design.columns)
    distance = columns[:, :, DISTANCE]
    same = np.where(apart == 0, 1.0, 0.0)

    def fading(rho: float) -> Array:
        return np.asarray(np.where(both, rho ** np.where(both, apart, 1.0), 0.0)) if rho > 0 else same

    covariance = fading(fitted.rho) * deviation[:, :, None] * deviation[:, None, :]
    covariance = covariance + fitted.spread * distance[:, :, None] * distance[:, None, :]
    units = np.zeros((len(design.run), longest))
    units[np.arange(len(design.run)), place] = 1.0
    white, _ = whiten(design, np.column_stack([design.columns[:, DISTANCE], units]), fitted.rho)
    along, whitening = pad(white[:, 0]), pad(white[:, 1:])
    shrink = fitted.spread / (1 + fitted.spread * (along**2).sum(axis=1))
    projected = (whitening.swapaxes(1, 2) @ along[:, :, None])[:, :, 0]
    precision = whitening.swapaxes(1, 2) @ whitening
    precision = precision - shrink[:, None, None] * projected[:, :, None] * projected[:, None, :]
    centre = np.where(both, np.eye(longest) - 1 / counts[:, None, None], 0.0)
    from_mean = np.where(is_split, distance - (distance.sum(axis=1) / counts)[:, None], 0.0)
    line = from_mean[:, :, None] * from_mean[:, None, :] / (from_mean**2).sum(axis=1)[:, None, None]
    near = (apart > LAGS_KM[0] - 0.5) & (apart < LAGS_KM[-1] + 0.5)
    lagged = np.where(near, 0.5 ** (np.where(near, apart, 0.0) - LAGS_KM[0]), 0.0)
    return _Padded(columns, covariance, precision, fading(ERROR_RHO), centre, line, lagged)


def equations(fitted: Fit, speed: int, loading: float = 0.0) -> tuple[Equations, Array]:
    """Set up the equations for the response to speed.

    Args:
        fitted: the uncorrected model; its correlation, variance ratio and weights are taken.
        speed: column of log speed, one of the model's.
        loading: of the error of speed in the value.

    Returns:
        The equations, and what each run contributes to their difference between both sides, per unit of (y, x, trace):
        runs x 3 x 3.
    """
    runs = _padded(fitted)
    others = [column for column in fitted.places if column != speed]
    x = runs.columns[:, :, speed]
    y = runs.columns[:, :, VALUE] - loading * x
    z = runs.columns[:, :, others]
    beyond_line = runs.centre - runs.line
    matrices = (runs.centre, runs.precision @ runs.line, beyond_line @ runs.lagged @ beyond_line)
    of_others = (runs.precision @ z).swapaxes(1, 2)
    rows = np.stack([(matrix @ x[:, :, None])[:, :, 0] for matrix in matrices], axis=1)
    normal = (of_others @ z).sum(axis=0)
    taken = np.linalg.solve(normal.T, (rows @ z).sum(axis=0).T).T
    rows = rows - taken @ of_others
    correlated = [matrix @ runs.error_correlation for matrix in matrices]
    traces = np.stack([one.trace(axis1=1, axis2=2) for one in correlated], axis=1)
    per_run = np.stack([(rows @ y[:, :, None])[:, :, 0], (rows @ x[:, :, None])[:, :, 0], traces], axis=2)
    pair = np.stack([y, x], axis=2)
    of_pair = pair.swapaxes(1, 2) @ runs.precision
    crossed = (of_pair @ z).sum(axis=0)
    rest = (of_pair @ pair).sum(axis=0) - crossed @ np.linalg.solve(normal, crossed.T)
    of_squares = np.zeros((3, 3))
    for place, one in enumerate(correlated):
        of_squares[place, place] = float(np.einsum("rij,rji->", one, one))
    flat = runs.centre @ z
    left = (x[:, None, :] @ runs.centre @ x[:, :, None]).sum() - _explained(runs, x, flat)
    value, slope, trace = per_run.sum(axis=0).T
    return (
        Equations(
            value,
            slope,
            trace,
            (rows @ runs.covariance @ rows.swapaxes(1, 2)).sum(axis=0),
            (rows @ runs.error_correlation @ rows.swapaxes(1, 2)).sum(axis=0),
            of_squares,
            rest,
            float((runs.precision * runs.error_correlation).sum()),
            fitted.df,
            fitted.variance,
            float(traces[:, 0].sum() / left) if left > 0 else np.inf,
        ),
        per_run,
    )


def _explained(runs: _Padded, x: Array, flat: Array) -> float:
    """Of the square of x within runs, what distance and slopes explain."""
    crossed = (flat.swapaxes(1, 2) @ x[:, :, None])[:, :, 0].sum(axis=0)
    return float(crossed @ np.linalg.lstsq((flat.swapaxes(1, 2) @ flat).sum(axis=0), crossed, rcond=None)[0])


def log_likelihood(one: Equations, response: Array, typical: float, largest: float) -> Array:
    """Of the responses, for each of `ERROR_SD`; sd x points. Responses are those of y - loading x.

    The determinant of the equations' covariance is taken at one typical response. Taken at each, it would count the
    unknown true pace as flat and draw responses to zero; without it, large errors would be preferred. (The score of
    the first part has mean zero in b; with the determinant it has in s, too.) Responses beyond the largest plausible
    one do not make the equations vaguer still: otherwise an endless one would explain everything.
    """
    factor, scale = _covariance(one, np.clip(response, -largest, largest))
    s2 = ERROR_SD[:, None, None] ** 2
    gap = (one.value - response[..., None] * (one.speed - s2 * one.traces)) * scale
    solved = np.linalg.solve(factor, gap[..., None])[..., 0]
    factor, _ = _covariance(one, np.full((len(ERROR_SD), 1), typical))
    determinant = np.log(np.diagonal(factor, axis1=-2, axis2=-1)).sum(axis=-1)
    return np.asarray(-0.5 * (solved**2).sum(axis=-1) - determinant)


def _covariance(one: Equations, response: Array) -> tuple[Array, Array]:
    """Cholesky factor of the covariance of the equations, each divided by a scale, and that scale."""
    s2 = ERROR_SD[:, None] ** 2
    left = (one.rest[0, 0] - 2 * response * one.rest[0, 1] + response**2 * one.rest[1, 1]) / one.freedom
    errors = np.maximum(left - response**2 * s2 * one.trace_rest / one.freedom, LEAST_VARIANCE * one.variance)
    blurred = response**2 * s2
    omega = errors[..., None, None] * one.of_errors + blurred[..., None, None] * one.of_speed
    omega = one.inflation * (omega + (blurred * s2)[..., None, None] * one.of_speed_squared)
    scale = 1 / np.sqrt(np.diag(one.of_errors))
    omega = omega * (scale[:, None] * scale) + 1e-9 * np.eye(3) * errors[..., None, None]
    return np.linalg.cholesky(omega), scale


def _t_density(z: Array) -> Array:
    """Log density of Student's t, but for a constant."""
    return np.asarray(-0.5 * (PRIOR_DF + 1) * np.log1p(z**2 / PRIOR_DF))


def _posterior(one: Equations, prior: ErrorPrior) -> tuple[Array, Array, Array]:
    """Grid of responses for each of `ERROR_SD` around where they are likely, and log of likelihood times prior on it.

    Returns:
        Responses and log posterior, sd x points, and their step, by sd.
    """
    centre, sd = prior.mean, np.sqrt(prior.variance)
    unit = np.linspace(-1.0, 1.0, POINTS)
    reach = REACH * sd
    for _ in range(PASSES):
        response = centre[:, None] + reach[:, None] * unit
        log_posterior = log_likelihood(one, response, prior.typical, prior.largest)
        log_posterior += _t_density((response - prior.mean[:, None]) / sd[:, None]) - np.log(sd)[:, None]
        weight = np.exp(log_posterior - log_posterior.max(axis=1, keepdims=True))
        weight /= weight.sum(axis=1, keepdims=True)
        step = 2 * reach / (POINTS - 1)
        centre = (weight * response).sum(axis=1)
        spread = np.sqrt((weight * (response - centre[:, None]) ** 2).sum(axis=1))
        reach = REACH * np.maximum(spread, step / 2)
    return response, log_posterior, step


def own_response(one: Equations, prior: ErrorPrior) -> OwnResponse:
    """What the runs of an athlete say of the response, the prior taken out again, for the club to be drawn from."""
    response, log_posterior, step = _posterior(one, prior)
    top = log_posterior.max(axis=1, keepdims=True)
    weight = np.exp(log_posterior - top)
    total = weight.sum(axis=1)
    mean = (weight * response).sum(axis=1) / total
    variance = (weight * (response - mean[:, None]) ** 2).sum(axis=1) / total
    # The normal likelihood that turns the prior, taken as normal with the t's variance, into this posterior.
    known = prior.variance * PRIOR_DF / (PRIOR_DF - 2)
    variance = np.minimum(variance, 0.99 * known)
    own = 1 / (1 / variance - 1 / known)
    own_mean = own * (mean / variance - prior.mean / known)
    log_evidence = top[:, 0] + np.log(total * step)
    log_height = log_evidence + 0.5 * np.log(own + known) + 0.5 * (own_mean - prior.mean) ** 2 / (own + known)
    return OwnResponse(own_mean, own, log_height)


def correct(fitted: Fit, speed: int, prior: ErrorPrior, loading: float = 0.0) -> Corrected:
    """Correct the response to speed, and the drift, for the error of speed.

    Args:
        fitted: the uncorrected model, speed among its causes.
        speed: column of log speed.
        prior: of the error and of the response.
        loading: of the error of speed in the value.
    """
    one, _ = equations(fitted, speed, loading)
    response, log_posterior, step = _posterior(one, replace(prior, mean=prior.mean - loading, typical=prior.typical - loading))
    evidence = np.log(np.exp(log_posterior - log_posterior.max()).sum(axis=1) * step) + log_posterior.max()
    log_weight = log_posterior + np.log(step)[:, None] + prior.log_weight[:, None]
    if prior.is_of_club:
        log_weight -= evidence[:, None]
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    response = response + loading
    mean = float((weight * response).sum())
    variance = float((weight * (response - mean) ** 2).sum())
    drift = _given_response(fitted, speed, mean)
    centres = drift.beta[0] - drift.passed_on[0] * (response - mean).ravel()
    low, high, tail = _mixture(weight.ravel(), centres, float(np.sqrt(drift.covariance[0, 0])), drift.df)
    by_sd = weight.sum(axis=1)
    error_sd = float(by_sd @ ERROR_SD)
    reliability = np.clip(1 - ERROR_SD**2 * one.reliability_loss, 0.0, 1.0)
    below = np.cumsum(by_sd) - by_sd / 2
    ends = np.interp([0.95, 0.05], below, reliability)
    return Corrected(
        _with_response(fitted, speed, mean, variance, drift),
        low,
        high,
        2 * min(tail, 1 - tail),
        float(by_sd @ reliability),
        float(ends[0]),
        float(ends[1]),
        error_sd,
    )


@dataclass(frozen=True)
class _Given:
    """Drift and the other responses at a given response to speed.

    Attributes:
        beta: of the columns but speed.
        covariance: of beta, from the jackknife over runs.
        df: of the drift's variance.
        passed_on: what a unit of the response takes from beta.
    """

    beta: Array
    covariance: Array
    df: float
    passed_on: Array


def _given_response(fitted: Fit, speed: int, response: float) -> _Given:
    others = [place for place, column in enumerate(fitted.places) if column != speed]
    own = fitted.places.index(speed)
    a, b, _ = normal_equations(fitted.products, fitted.places, fitted.spread)
    of_speed = a[:, others, own]
    a, b = a[:, others][:, :, others], b[:, others] - response * of_speed
    total = a.sum(axis=0)
    beta = np.linalg.solve(total, b.sum(axis=0))
    covariance, df = leaving_out_runs(a, b, total, beta)
    return _Given(beta, covariance, df, np.linalg.solve(total, of_speed.sum(axis=0)))


def _mixture(weight: Array, centres: Array, error: float, df: float) -> tuple[float, float, float]:
    """The 2.5 and 97.5 % points of a mixture of t distributions, and its share below zero."""

    def below(points: Array) -> Array:
        return np.asarray(special.stdtr(df, (points[:, None] - centres) / error) @ weight)

    if error == 0:
        order = np.argsort(centres)
        low, high = np.interp([0.025, 0.975], np.cumsum(weight[order]), centres[order])
        return float(low), float(high), float(weight[centres < 0].sum())
    wanted = np.array([0.025, 0.975])
    reach = special.stdtrit(df, 0.9999) * error
    low, high = np.full(2, centres.min() - reach), np.full(2, centres.max() + reach)
    for _ in range(40):
        middle = (low + high) / 2
        is_below = below(middle) < wanted
        low, high = np.where(is_below, middle, low), np.where(is_below, high, middle)
    return float(low[0]), float(high[1]), float(below(np.zeros(1))[0])


def _with_response(fitted: Fit, speed: int, response: float, variance: float, given: _Given) -> Fit:
    """The fit with the corrected coefficients: the drift and the other responses move with the response to speed."""
    own = fitted.places.index(speed)
    beta = np.insert(given.beta, own, response)
    moves = np.insert(-given.passed_on, own, 1.0)
    covariance = np.insert(np.insert(given.covariance, own, 0.0, axis=0), own, 0.0, axis=1)
    covariance = covariance + variance * np.outer(moves, moves)
    return replace(fitted, beta=beta, covariance=covariance, drift_df=given.df)
