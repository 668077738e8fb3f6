"""Speed is measured with error: the response to it, and the drift that is left, without the attenuation this causes.

A kilometre's log speed is x = x* + w, with w of standard deviation s, correlated by rho_w^k between splits k km apart,
independent of everything else. Regressing y on x gives kappa b in place of b (kappa: the reliability of x within runs,
at equal distance and slope), and what the response leaves over of a pace that fades is taken for drift.

The response. With any matrix A that takes out the run's level, E[x'A(y - x b)] = -b s^2 tr(A R), where R is the
correlation of w: an equation for b and s. Three are used, after slopes and the athlete's drift are taken out:

    level      A = M        all changes of pace inside runs, equally weighted (whitening would amplify w)
    fade       A = K P      how runs differ in the slope of their pace on distance: P projects on distance, K is the
                            precision of the mixed model. Over a run errors average out, so that this is nearly free of
                            error (between against within: Griliches and Hausman 1986)
    lagged     A = N C N    the pace two to four kilometres off as an instrument; N takes out each run's own line

Their joint covariance follows from the mixed model's errors and from w, and depends on b: with it the three equations
have a likelihood in (s, b) that stays right where instruments are weak (as in continuously updated moments). It is
evaluated on a grid of s, and of b around where it is high. A prior on s (half-normal, by the source of speed) and one
on b (Student's t about the published or the club's mean, so that an athlete far off is hardly drawn) complete it
(`pipeline/methods/error_prior.py`). Where the data tell s, the three equations disagree until s is right; where they do
not, the interval holds what the priors leave open.

The drift. Given b it is generalised least squares of y - x b on distance (and slopes), with the jackknife over runs;
the result is mixed over the distribution of b, and over lengths of the warm-up (`pipeline/methods/warm_up.py`). So its
interval holds the uncertainty of the correction, and is as skewed as that is.

A metric that is computed from the measured speed has w in itself: `loading` times w (step length: 1). Then y -
loading x has none, and everything above is done with that.

Sources: `data/METHODS.md` derives the equation and names what was read: Fuller 1987, Measurement Error Models, ISBN
0-471-86187-1 (moment correction, instruments); Griliches and Hausman 1986, doi 10.1016/0304-4076(86)90058-8; Hansen,
Heaton and Yaron 1996, J Bus Econ Stat 14 (continuously updated moments).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from pipeline.core.arrays import Array
from pipeline.methods.drift_lines import Conditional, Lines, at_response
from pipeline.methods.error_prior import ErrorPrior, ErrorPriors, sizes_of_errors
from pipeline.methods.least_squares import Prior, dot
from pipeline.methods.mixed_model import Fit, Model
from pipeline.methods.speed_equations import (
    ERROR_SD,
    SpeedErrors,
    equations,
    log_determinant,
    log_likelihood,
    speed_errors,
)

#: Degrees of freedom of the priors' t: an athlete four deviations off keeps most of what the own runs say.
PRIOR_DF = 5.0
#: An athlete whose response lies this many of the club's deviations from the club's mean is named. Common practice, no
#: source.
FAR_FROM_CLUB = 3.0
#: Points of the grid of b each time that it is laid, narrower than before, and how far it reaches [standard
#: deviations].
POINTS, REACH = (17, 17, 21), 4.5


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

    def of_metric(self, place: int) -> OwnResponse:
        """The response of one of several metrics."""
        return OwnResponse(self.mean[place], self.variance[place], self.log_likelihood[place])


@dataclass(frozen=True)
class Corrected:
    """The responses and the drift, with the error of speed taken into account.

    Attributes:
        fit: with the corrected coefficients and their covariance, the warm-up of the usual length.
        drift: estimate of the drift, over lengths of the warm-up.
        drift_variance: its variance.
        lasting_variance: of that, what no number of such runs takes away: the size of the error of speed is not known.
        drift_low: lower end of the 95 % interval of the drift.
        drift_high: upper end.
        p_value: of no drift, two-sided; None where nothing scatters.
        reliability: of log speed within runs, at equal distance and slope; None where there is no correction.
        tipping_reliability: at which the interval, if it excludes zero, would touch it; None where at none.
        error_sd: of log speed of a kilometre; None likewise.
        depends_on_speed: whether the interval excludes zero for some plausible errors of speed and not for others.
        own_response: what the athlete's runs say of the response; None where there is no correction, or the prior is
            the club's.
        shared_se: of the response, the part of its standard error that all athletes of a club have in common.
        club_response: mean response of the club, where this athlete's is far from it; None where it is not.
    """

    fit: Fit
    drift: float
    drift_variance: float
    drift_low: float
    drift_high: float
    p_value: float | None
    lasting_variance: float = 0.0
    reliability: float | None = None
    tipping_reliability: float | None = None
    error_sd: float | None = None
    depends_on_speed: bool = False
    own_response: OwnResponse | None = None
    shared_se: float | None = None
    club_response: float | None = None


def uncorrected(model: Model, slow: Model | None = None) -> Corrected:
    """The model of one metric as it is, with the interval of its drift.

    Args:
        model: with its variances settled, or a fit.
        slow: the same with a warm-up that takes long (`settling_slowly`).
    """
    fitted = model.fitted()
    if slow is not None and model.variance > 0:
        lines = Lines.of([at_response(one, None, 0.0, model.prior) for one in (model, slow)])
        low, high, below = lines.interval(np.ones(1), np.zeros(1))
        return Corrected(fitted, lines.drift, lines.variance(0.0), low, high, 2 * min(below, 1 - below))
    estimate, variance = float(fitted.beta[0]), float(fitted.covariance[0, 0])
    error = float(np.sqrt(variance))
    margin_of_error = float(special.stdtrit(fitted.drift_df, 0.975)) * error
    p_value = 2 * float(special.stdtr(fitted.drift_df, -abs(estimate) / error)) if error > 0 else None
    return Corrected(fitted, estimate, variance, estimate - margin_of_error, estimate + margin_of_error, p_value)


def _t_density(z: Array) -> Array:
    """Log density of Student's t, but for a constant."""
    return np.asarray(-0.5 * (PRIOR_DF + 1) * np.log1p(z**2 / PRIOR_DF))


def _posterior(errors: SpeedErrors, prior: ErrorPriors) -> tuple[Array, Array]:
    """Grid of responses for each of `ERROR_SD` around where they are likely, and how much likelihood times prior it
    holds at each.

    Returns:
        Responses, and the logarithm of what they hold; metrics x sd x points.
    """
    times = errors.blur.shape[-2] // len(ERROR_SD)
    mean, sd = (np.repeat(values, times, axis=-1)[..., None] for values in (prior.mean, np.sqrt(prior.variance)))
    centre = mean
    determinant = log_determinant(errors, prior.typical)
    reach = REACH * sd
    for points in POINTS:
        response = centre + reach * np.linspace(-1.0, 1.0, points)
        log_posterior = log_likelihood(errors, response, prior.typical, prior.reach, determinant)
        log_posterior += _t_density((response - mean) / sd) - np.log(sd)
        weight = np.exp(log_posterior - log_posterior.max(axis=-1, keepdims=True))
        weight /= weight.sum(axis=-1, keepdims=True)
        step = 2 * reach / (points - 1)
        centre = (weight * response).sum(axis=-1, keepdims=True)
        spread = np.sqrt((weight * (response - centre) ** 2).sum(axis=-1, keepdims=True))
        reach = REACH * np.maximum(spread, step / 2)
    log_mass = log_posterior + np.log(step) - np.log(times)
    by_sd = (len(prior.mean), len(ERROR_SD), -1)
    return response.reshape(by_sd), log_mass.reshape(by_sd)


def _own_response(prior: ErrorPriors, response: Array, log_mass: Array, loading: Array) -> OwnResponse:
    """What the runs of an athlete say of the response, the prior taken out again, for the club to be drawn from."""
    top = log_mass.max(axis=-1, keepdims=True)
    weight = np.exp(log_mass - top)
    total = weight.sum(axis=-1)
    mean = (weight * response).sum(axis=-1) / total
    variance = (weight * (response - mean[..., None]) ** 2).sum(axis=-1) / total
    # The normal likelihood that turns the prior, taken as normal with the t's variance, into this posterior.
    known = prior.variance * PRIOR_DF / (PRIOR_DF - 2)
    variance = np.minimum(variance, 0.99 * known)
    own_variance = 1 / (1 / variance - 1 / known)
    own_mean = own_variance * (mean / variance - prior.mean / known)
    log_evidence = top[..., 0] + np.log(total)
    log_height = (
        log_evidence + 0.5 * np.log(own_variance + known) + 0.5 * (own_mean - prior.mean) ** 2 / (own_variance + known)
    )
    return OwnResponse(own_mean + loading[:, None], own_variance, log_height)


def correct(
    model: Model,
    speed: int,
    priors: Sequence[ErrorPrior],
    loadings: Sequence[float],
    of_others: Prior | None = None,
    *,
    slow: Model | None = None,
    of_drift: bool = True,
) -> list[Corrected]:
    """Correct the response to speed, and the drift, for the error of speed.

    Args:
        model: uncorrected, of several metrics, speed among its causes.
        speed: column of log speed.
        priors: of the error and of the response, for each metric; with the same other sources.
        loadings: of the error of speed in the value, for each metric.
        of_others: prior of the responses to the other causes, in their order.
        slow: the model with a warm-up that takes long (`settling_slowly`); None to take the usual one for certain.
        of_drift: whether the drift is asked for; False gives it no interval, for those who ask for responses alone.
    """
    sizes, groups = sizes_of_errors(priors, model.design.speed_sources)
    prior, loading = ErrorPriors.of(priors), np.array(loadings)
    system = equations(model, speed, loading, groups if len(groups) else None)
    errors = speed_errors(system, sizes)
    unloaded = replace(prior, mean=prior.mean - loading[:, None], typical=prior.typical - loading)
    response, log_mass = _posterior(errors, unloaded)
    own_response = _own_response(unloaded, response, log_mass, loading)
    # The weights of a club are what the errors' posterior is, this athlete's runs included.
    known = np.where(prior.is_of_club[:, None, None], _log_sum(log_mass), 0.0)
    log_weight = log_mass + prior.log_weight[:, :, None] - known
    weight = np.exp(log_weight - log_weight.max(axis=(-2, -1), keepdims=True))
    weight /= weight.sum(axis=(-2, -1), keepdims=True)
    response = response + loading[:, None, None]
    mean = (weight * response).sum(axis=(-2, -1))
    variance = (weight * (response - mean[:, None, None]) ** 2).sum(axis=(-2, -1))
    conditional = at_response(model, speed, mean, of_others)
    fits = _with_response(model, speed, mean, variance, conditional)
    corrected = [
        Corrected(
            fits.of_metrics(place),
            float(fits.beta[place, 0]),
            np.inf,
            -np.inf,
            np.inf,
            p_value=None,
            own_response=None if of_metric.is_of_club else own_response.of_metric(place),
        )
        for place, of_metric in enumerate(priors)
    ]
    if not of_drift:
        return corrected
    conditionals = [conditional, *([] if slow is None else [at_response(slow, speed, mean, of_others)])]
    by_size = weight.reshape(*sizes.shape[:2], -1).sum(axis=-1)
    reliability = dot(by_size, errors.reliability)
    error_sd = dot(by_size, np.sqrt(errors.mean_square[..., 0]))
    level = system.value[:, 0] / system.speed[:, 0]
    for place, of_metric in enumerate(priors):
        lines = Lines.of([line.of_metric(place) for line in conditionals])
        at = _Responses(weight[place], response[place], float(mean[place]), float(variance[place]))
        corrected[place] = replace(
            _with_drift(corrected[place], lines, at, float(level[place]), loadings[place]),
            reliability=float(reliability[place]),
            error_sd=float(error_sd[place]),
            shared_se=_shared_se(of_metric, at),
            club_response=_far_club(of_metric, at),
        )
    return corrected


@dataclass(frozen=True)
class _Responses:
    """Weights and responses to speed of a metric, sd x points, and their mean and variance over all."""

    weight: Array
    response: Array
    mean: float
    variance: float

    @property
    def variance_of_size(self) -> float:
        """The part of the variance that comes of not knowing the size of the error."""
        by_sd = self.weight.sum(axis=1)
        known = by_sd > 0
        centre = (self.weight[known] * (self.response[known] - self.mean)).sum(axis=1) / by_sd[known]
        return float(by_sd[known] @ centre**2)


def _with_drift(corrected: Corrected, lines: Lines, at: _Responses, level: float, loading: float) -> Corrected:
    """The same with the interval of the drift.

    Args:
        corrected: its responses.
        lines: the drift at the mean response.
        at: responses.
        level: the response by the first equation, as if speed were exact.
        loading: of the error of speed in the value.
    """
    low, high, below = lines.interval(at.weight.ravel(), at.response.ravel() - at.mean)
    without = lines.drift + lines.passed_on * (at.mean - loading)
    margin_of_error = low - lines.drift if low > 0 else high - lines.drift
    tipping = lines.passed_on * level / (without + margin_of_error) if low > 0 or high < 0 else np.nan
    return replace(
        corrected,
        drift=lines.drift,
        drift_variance=lines.variance(at.variance),
        lasting_variance=lines.passed_on**2 * at.variance_of_size,
        drift_low=low,
        drift_high=high,
        p_value=2 * min(below, 1 - below),
        tipping_reliability=float(tipping) if 0 < tipping <= 1 else None,
        depends_on_speed=lines.depend_on(at.weight, at.response - at.mean),
    )


def _log_sum(log_mass: Array) -> Array:
    """Logarithm of the sum of each row; as `special.logsumexp`, which takes seven times as long."""
    top = log_mass.max(axis=-1, keepdims=True)
    is_top = log_mass == top
    n_top = is_top.sum(axis=-1, keepdims=True)
    rest = np.where(is_top, 0.0, np.exp(log_mass - top)).sum(axis=-1, keepdims=True)
    return np.asarray(np.log1p(rest / n_top) + np.log(n_top) + top)


def _far_club(prior: ErrorPrior, at: _Responses) -> float | None:
    """The club's mean response, if there is a club and the athlete's lies far from it."""
    by_sd = at.weight.sum(axis=1)
    mean = float(by_sd @ prior.mean)
    is_far = abs(at.mean - mean) > FAR_FROM_CLUB * float(np.sqrt(by_sd @ prior.variance))
    return mean if prior.is_of_club and is_far else None


def _shared_se(prior: ErrorPrior, at: _Responses) -> float:
    """How far the response moves with the size of the error, and with the mean that athletes are shrunk towards."""
    by_sd = at.weight.sum(axis=1)
    known = by_sd > 0
    share = at.weight[known] / by_sd[known, None]
    centre = (share * at.response[known]).sum(axis=1)
    left_open = (share * (at.response[known] - centre[:, None]) ** 2).sum(axis=1)
    shrinkage = np.minimum(left_open / prior.variance[known], 1.0)
    shared = (centre - at.mean) ** 2 + shrinkage**2 * prior.mean_variance[known]
    return float(np.sqrt(by_sd[known] @ shared))


def _with_response(model: Model, speed: int, response: Array, variance: Array, conditional: Conditional) -> Fit:
    """The model with the corrected coefficients: the drift and the other responses move with the response to speed."""
    others = np.array([place for place, column in enumerate(model.places) if column != speed])
    beta = np.repeat(response[:, None], len(model.places), axis=1)
    beta[:, others] = conditional.beta
    moves = np.ones_like(beta)
    moves[:, others] = -conditional.passed_on
    covariance = np.zeros((*beta.shape, beta.shape[1]))
    covariance[:, others[:, None], others] = conditional.covariance
    covariance = covariance + variance[:, None, None] * (moves[:, :, None] * moves[:, None, :])
    return model.with_coefficients(beta, covariance, conditional.df, given=(speed,))
