"""From which kilometre a metric changes: a broken line where it beats a straight one, over all runs or in a single one.

To a fitted straight line a hinge is added, zero up to a distance and rising beyond it, for every distance of a grid.
How much each unit (a run; within a run, a block of kilometres) speaks for each hinge is one number, its vote. The sum
of the votes over their scatter says how well units bear the hinge out, and the best hinge is compared with what it
reaches when the votes get random signs (wild bootstrap of the score, so that the search over the grid is part of the
null). The interval resamples whole units, and takes quantiles further out than 2.5 % the fewer units there are.

A curve has no place where it begins: where a parabola fits as well as the best hinge, none is given. Over all runs the
hinge has to do better by one error variance, which its further parameter, the place, lowers the sum of squares by on
average where it is of no use. In single runs curves do not pass for breaks, and it has not.

Over all runs the straight line is the athlete's. A single run has a level and a slope of its own, so that its onset is
a break of this run's line and not what sets the run apart; the responses to speed and slope are the athlete's.

Only a line that becomes steeper has an onset: a change that fades out began at the start.

Sources, as `data/METHODS.md` says how they were read: Davies 1987, Biometrika 74:33-43 (the best of many hinges); Kline
and Santos 2012, doi 10.1515/2156-6674.1006 (wild bootstrap of the score); Hesterberg 2015, doi
10.1080/00031305.2015.1089789 (bootstrap percentiles widened for few units).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy import special

from pipeline.core.arrays import Array
from pipeline.methods.least_squares import columns_at, dot
from pipeline.methods.mixed_model import DISTANCE, RHO, VALUE, Design, Fit, normal_equations, whiten

#: Random signs drawn for the null, and units resampled for the interval.
DRAWS = 999
#: Step of the grid [10 km]: 200 m, finer than any interval.
STEP = 0.02
#: Over all runs the hinge needs this many splits on either side, in at least three runs.
SPLITS_ASIDE = 3
RUNS_ASIDE = 3
#: With fewer units the signs have too few patterns for a small p-value: of seven, 2 to the 6th but for turning all.
FEWEST_UNITS = 7
FEWEST_BLOCKS = 7
#: Splits of a block: what is left of the errors' correlation after whitening hardly reaches beyond three kilometres.
#: Common practice, no source.
SPLITS_OF_BLOCK = 3
#: A hinge has a place where it does better than a parabola in this share of the resamples. Convention.
BETTER_THAN_CURVE = 0.9
#: A single run of fewer splits has no onset: blocks are then of two or three splits.
FEWEST_SPLITS_OF_RUN = 18
#: In a single run, on either side: two blocks, so that no block alone makes a slope.
SPLITS_ASIDE_IN_RUN = 2 * SPLITS_OF_BLOCK
#: What only rounding makes is smaller than this: two patterns of signs that are one turned round, a parabola through
#: three splits.
ROUNDING = 1e-9
#: A hinge of which the responses and the warm-up leave less than this share, next to the straight line, is one of them
#: under another name: form that settles over the first kilometres bends the line, too. Common practice, no source.
LEAST_LEFT = 0.1
#: With a larger p-value a hinge has no interval drawn: no level is as high.
MOST_P_OF_INTERVAL = 0.2
#: A bend below half the last decimal of a published drift is none [change of the logarithm per 10 km].
NO_BEND = 5e-6


@dataclass(frozen=True)
class Onset:
    """Where the change begins.

    Attributes:
        distance: of the hinge [10 km].
        low: lower end of its 95 % interval; NaN where the line is not bent at `MOST_P_OF_INTERVAL`.
        high: upper end, likewise.
        before: slope up to it, change of the logarithm per 10 km.
        after: slope beyond it.
        p_value: of a hinge as good as this where the line is straight.
        better_than_curve: share of draws of units in which a hinge fits better than a parabola; NaN likewise.
        shared_se: standard error of the bend by what units share, change of the logarithm per 10 km.
    """

    distance: float
    low: float
    high: float
    before: float
    after: float
    p_value: float
    better_than_curve: float = 1.0
    shared_se: float = 0.0

    def is_bent(self, level: float) -> bool:
        """Whether it beats a straight line at this level, and the line becomes steeper beyond it."""
        return self.p_value <= level and abs(self.after) > abs(self.before)

    def is_given(self, level: float) -> bool:
        """Whether the line is bent at this level, and not as well along a curve, which has no place to give."""
        return self.is_bent(level) and self.better_than_curve >= BETTER_THAN_CURVE


@dataclass(frozen=True)
class Votes:
    """What each unit says of each hinge, next to the straight line.

    Attributes:
        hinges: their places [10 km], m.
        votes: the product of the hinge with the residual, both after the regressors are taken out; units × m.
        sizes: the hinge's product with itself, in the same way; units × m.
        passed_on: how much of a hinge's bend the straight line's slope had taken up, m.
        scale: what the sum of the votes is judged by, m: their scatter where units differ in how far they err, as runs
            do; the length of the hinge where they do not, so that a few units can tell more.
        of_curve: the same as `votes` and `sizes` for a parabola in place of a hinge; units × 2.
        search: what the search for the place alone lowers the sum of squares by.
        moved: what one standard error of something that units share adds to the sum of the votes, m; None for nothing.
    """

    hinges: Array
    votes: Array
    sizes: Array
    passed_on: Array
    scale: Array
    of_curve: Array
    search: float = 0.0
    moved: Array | None = None


def onset(fitted: Fit, *, seed: int, shared: Array | None = None) -> Onset | None:
    """Look for the best hinge over all runs; None where the runs are too few or too short to have one.

    Args:
        fitted: the straight model of one metric.
        seed: of the random draws.
        shared: what one standard error of something that all units share adds to each value; None for nothing.
    """
    (found,) = onsets(fitted.of_metrics(None), seed=seed, shared=shared)
    return found


def onsets(fitted: Fit, *, seed: int, shared: Array | None = None) -> list[Onset | None]:
    """The same of several metrics, in their order."""
    design = fitted.design
    hinges = _grid(design.of_metrics(0), SPLITS_ASIDE, RUNS_ASIDE)
    if len(design.run_ids) < FEWEST_UNITS or not len(hinges):
        return [None] * len(fitted.beta)
    slopes = fitted.beta[:, 0].tolist()
    return [
        _best(cast, slope, seed) if len(cast.hinges) else None
        for cast, slope in zip(_votes(fitted, hinges, shared), slopes, strict=True)
    ]


def run_onsets(fitted: Fit, *, seed: int) -> list[list[Onset | None]]:
    """Look for the best hinge in each single run; None where a run has too few splits, or nothing bends at all.

    Args:
        fitted: the straight model of several metrics, whose responses and weights are taken as they are.
        seed: of the random draws.

    Returns:
        For each metric one for each run, in their order.
    """
    design = fitted.design
    counts = design.counts
    onsets: list[list[Onset | None]] = [[None] * len(counts) for _ in fitted.beta]
    is_long = counts >= FEWEST_SPLITS_OF_RUN
    if not is_long.any():
        return onsets
    responses = columns_at(design.columns, fitted.places[1:]) @ fitted.beta[:, 1:, None]
    rest = design.columns[..., [VALUE]] - responses
    pair = np.concatenate([rest, design.columns[..., [DISTANCE]]], axis=-1)
    rho = _correlation(replace(design, columns=pair))
    for run in np.flatnonzero(is_long):
        rows = slice(design.first[run], design.first[run] + counts[run])
        of_run = Design(
            pair[:, rows], np.zeros(counts[run], np.int64), [""], design.gap_km[rows], design.weight[:, rows]
        )
        for of_metric, hinge in zip(onsets, _of_run(of_run, rho, seed), strict=True):
            of_metric[run] = hinge
    return onsets


def _correlation(design: Design) -> Array:
    """Correlation of neighbouring kilometres where every run may bend, by restricted likelihood over the grid of rho.

    Where runs break, a straight model takes their bend for errors that hardly fade, and so hides it. Here each run has
    a parabola of its own: near enough to a break, and without a search, so that the likelihood allows for it.
    """
    distance = design.columns[..., [DISTANCE]]
    parabola = np.concatenate([design.columns, distance**2], axis=-1)
    along = design.per_run(distance[..., 0] ** 2, axis=-1)
    likelihoods = []
    for rho in RHO:
        white, length = whiten(design, parabola, rho)
        log_a, df = np.log(length).sum(axis=-1), np.full(len(length), white.shape[-2] - length.shape[-1])
        value, *regressors = np.moveaxis(white, -1, 0)
        for place, regressor in enumerate(regressors):
            squares = design.per_run(regressor**2, axis=-1)
            # Runs of as few splits as parabolas take say nothing: what is left of the regressor is rounding.
            usable = squares > ROUNDING * along
            per_square = np.where(usable, 1 / np.where(usable, squares, 1.0), 0.0)
            log_a = log_a + [np.log(some[which]).sum() for some, which in zip(squares, usable, strict=True)]
            df = df - usable.sum(axis=-1)
            share = per_square * design.per_run(regressor * value, axis=-1)
            value = value - regressor * share[:, design.run]
            for later in range(place + 1, len(regressors)):
                share = per_square * design.per_run(regressor * regressors[later], axis=-1)
                regressors[later] = regressors[later] - regressor * share[:, design.run]
        fades = np.where(np.isnan(design.gap_km), 0.0, rho**design.gap_km)
        log_a = log_a + np.log1p(-(fades**2)).sum()
        likelihoods.append(-0.5 * (np.maximum(df, 1) * np.log(np.maximum(dot(value, value), 1e-300)) + log_a))
    return np.asarray(RHO[np.argmax(likelihoods, axis=0)])


def _of_run(run: Design, rho: Array, seed: int) -> list[Onset | None]:
    """The best hinge in one run for each metric, whose value has the responses taken out."""
    hinges = _grid(run.of_metrics(0), SPLITS_ASIDE_IN_RUN, 1)
    if not len(hinges):  # splits of some metres
        return [None] * len(rho)
    distance = run.columns[..., [DISTANCE]]
    columns = [distance, run.columns[..., [VALUE]], np.maximum(distance - hinges, 0.0), distance**2]
    white, _ = whiten(run, np.concatenate(columns, axis=-1), rho)
    n_splits = white.shape[-2]
    n_blocks = max(n_splits // SPLITS_OF_BLOCK, FEWEST_BLOCKS)
    # What does not make whole blocks is shared out: some have a split more, in short runs a split less.
    begins = np.arange(n_blocks) * n_splits // n_blocks
    onsets: list[Onset | None] = []
    for of_metric in white:
        along = of_metric[:, 0]
        taken_up = along @ of_metric[:, 1:] / (along @ along)
        rest = of_metric[:, 1:] - along[:, None] * taken_up
        residual, hinge = rest[:, :1], rest[:, 1:]
        votes, sizes = (np.add.reduceat(hinge * factor, begins, axis=0) for factor in (residual, hinge))
        of_curve = np.column_stack([votes[:, -1], sizes[:, -1]])
        votes, sizes = votes[:, :-1], sizes[:, :-1]
        scale = np.sqrt(sizes.sum(axis=0))
        cast = Votes(hinges, votes, sizes, taken_up[1:-1], scale, of_curve)
        onsets.append(_best(cast, float(taken_up[0]), seed))
    return onsets


def _best(cast: Votes, slope: float, seed: int) -> Onset | None:
    """The hinge that lowers the sum of squares most, how far the units bear it out, and between which ends it lies.

    Args:
        cast: the units' votes.
        slope: of the straight line.
        seed: of the random draws.
    """
    hinges, votes, sizes, passed_on = cast.hinges, cast.votes, cast.sizes, cast.passed_on
    total = votes.sum(axis=0)
    best = int(np.argmax(total**2 / sizes.sum(axis=0)))
    bend = total[best] / sizes[:, best].sum()
    if abs(bend) < NO_BEND:
        return None
    before = float(slope - passed_on[best] * bend)

    signs, counts = draws_of_units(len(votes), seed)
    scores = (votes / cast.scale).T @ signs.T  # draws last: NumPy is quick where the last axis is long
    reached = np.abs(scores, out=scores).max(axis=0)
    # Signs do not show what units share: it is in the error of what was seen.
    moved = float(abs(cast.moved[best])) if cast.moved is not None else 0.0
    seen = reached[0] / np.hypot(1.0, moved / cast.scale[best])
    p_value = float(np.mean(reached >= seen * (1 - ROUNDING)))
    after, shared_se = float(before + bend), moved / float(sizes[:, best].sum())
    straight = Onset(float(hinges[best]), np.nan, np.nan, before, after, p_value, np.nan, shared_se)
    if not straight.is_bent(MOST_P_OF_INTERVAL):
        return straight

    gains = (counts @ votes) ** 2 / (counts @ sizes)
    tail = _tail(len(votes))
    low, high = np.quantile(hinges[np.argmax(gains, axis=1)], [tail, 1 - tail])
    of_curve = counts @ cast.of_curve
    better = float(np.mean(gains.max(axis=1) > of_curve[:, 0] ** 2 / of_curve[:, 1] + cast.search))
    return replace(straight, low=float(low), high=float(high), better_than_curve=better)


def _tail(n_units: int) -> float:
    """Share of the draws beyond each end of the interval: 2.5 % for many units, less for few.

    Resampled units scatter by √((n - 1) / n) of what they should, and as if their variance were known.
    """
    return float(special.ndtr(-special.stdtrit(n_units - 1, 0.975) * (n_units / (n_units - 1)) ** 0.5))


def smallest_p(n_units: int) -> float:
    """The smallest p-value that so many units can give: that of one pattern of signs."""
    return 1.0 / min(1 << (n_units - 1), DRAWS + 1)


@lru_cache(maxsize=32)
def draws_of_units(n_units: int, seed: int) -> tuple[Array, Array]:
    """Signs of units, and how often each is resampled; one draw per row. Metrics and runs with as many share them.

    The first row of signs is what was seen: all the same. Where all patterns are no more than would be drawn, each is
    taken once: chance would take the rarest too seldom or too often. Turning all signs changes nothing, so that the
    first unit's may stay.
    """
    draw = np.random.default_rng(seed)
    if 2 ** (n_units - 1) <= DRAWS + 1:
        is_turned = np.arange(2 ** (n_units - 1))[:, None] >> np.arange(n_units) & 1 == 1
        signs = np.where(is_turned[:, ::-1], -1.0, 1.0)
    else:
        drawn = draw.choice(np.array([-1.0, 1.0]), size=(DRAWS, n_units))
        signs = np.vstack([np.ones((1, n_units)), drawn])
    return signs, draw.multinomial(n_units, np.full(n_units, 1 / n_units), size=DRAWS).astype(np.float64)


def _grid(design: Design, splits_aside: int, runs_aside: int) -> Array:
    """Distances at which enough splits of enough runs lie on both sides [10 km]."""
    distance = design.columns[:, DISTANCE]
    candidates = np.arange(distance.min(), distance.max(), STEP)
    beyond = design.per_run((distance[:, None] > candidates).astype(np.float64))
    within = design.per_run((distance[:, None] <= candidates).astype(np.float64))
    enough = ((beyond >= splits_aside) & (within >= splits_aside)).sum(axis=0) >= runs_aside
    return np.asarray(candidates[enough])


def _votes(fitted: Fit, hinges: Array, shared: Array | None) -> Iterator[Votes]:
    """What each run says of each hinge, in the metric of the model; of one metric after the other."""
    design = fitted.design
    along_run = design.columns[..., [DISTANCE]]
    raised = [np.maximum(along_run - hinges, 0.0), along_run**2]
    common = [] if shared is None else [np.broadcast_to(shared[:, None], along_run.shape)]
    white, _ = whiten(design, np.concatenate([design.columns, *raised, *common], axis=-1), fitted.rho)
    ends = design.columns.shape[-1] + np.array([0, len(hinges) + 1])
    columns, hinge, of_common = np.split(white, ends, axis=-1)
    regressors = [place for place in fitted.places if place not in fitted.given]
    x = columns_at(columns, regressors)
    distance = columns[..., DISTANCE]
    ratio = np.asarray(fitted.variance_ratio)[..., None]
    shrink = ratio / (1 + ratio * design.per_run(distance**2, axis=-1))

    def passes_on(of: Array) -> Array:
        """What columns have in common with the distance of each run."""
        return design.per_run(of * distance[..., None])

    def product(left: Array, right: Array, along_left: Array, along_right: Array) -> Array:
        """Of two sets of columns in each run, in the metric of the model."""
        return design.per_run(left * right) - shrink[..., None] * (along_left * along_right)

    a, _, _ = normal_equations(fitted.products, regressors, fitted.variance_ratio)
    normal = a.sum(axis=-3)
    along_x, along_hinge = passes_on(x), passes_on(hinge)
    cross = np.stack(
        [
            product(x[..., [place]], hinge, along_x[..., [place]], along_hinge).sum(axis=-2)
            for place in range(x.shape[-1])
        ],
        axis=-2,
    )
    taken_up = np.linalg.solve(normal, cross)
    beside_line = product(hinge, hinge, along_hinge, along_hinge).sum(axis=-2)
    beside_line = beside_line - cross[..., 0, :] ** 2 / normal[..., 0, 0, None]
    hinge = hinge - x @ taken_up
    along_hinge = passes_on(hinge)
    explained = columns_at(columns, fitted.places) @ fitted.beta[..., None]
    residual = columns[..., [VALUE]] - explained
    votes = product(hinge, residual, along_hinge, passes_on(residual))
    sizes = product(hinge, hinge, along_hinge, along_hinge)
    is_apart = (sizes.sum(axis=-2) >= LEAST_LEFT * beside_line)[..., :-1]
    moved = None if shared is None else product(hinge, of_common, along_hinge, passes_on(of_common)).sum(axis=-2)
    for metric in range(len(votes)):
        of_curve = np.column_stack([votes[metric, :, -1], sizes[metric, :, -1]])
        apart = np.flatnonzero(is_apart[metric])
        of_units, of_sizes = votes[metric][:, apart], sizes[metric][:, apart]
        yield Votes(
            hinges[apart],
            of_units,
            of_sizes,
            taken_up[metric, 0, apart],
            np.sqrt((of_units**2).sum(axis=0)),
            of_curve,
            float(fitted.variance[metric]),
            None if moved is None else moved[metric, apart],
        )
