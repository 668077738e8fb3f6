"""From which kilometre a metric changes: a broken line across the runs of an athlete, where it beats a straight one.

To the fitted straight model a hinge is added, zero up to a distance and rising beyond it, for every distance of a
grid. How much each run speaks for each hinge is one number; their sum over their scatter says how well the hinge is
borne out by the runs, and the best hinge is compared with what it reaches when the runs' votes get random signs (wild
bootstrap of the score, so that the search over the grid is part of the null). The interval draws whole runs anew.

Only a line that becomes steeper has an onset: a change that fades out began at the start.

Sources: Davies 1987, doi 10.1093/biomet/74.1.33 (the best of many hinges); Kline and Santos 2012,
doi 10.1515/2156-6674.1006 (wild bootstrap of the score); from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from pipeline.methods.mixed_model import DISTANCE, VALUE, Array, Fit, normal_equations, whiten

#: Random signs drawn for the null, and runs drawn anew for the interval.
DRAWS = 999
#: Step of the grid [10 km]: half a kilometre, finer than any interval.
STEP = 0.05
#: The hinge needs this many splits on either side, in at least three runs.
SPLITS_ASIDE = 3
RUNS_ASIDE = 3
#: With fewer runs the random signs have too few patterns for a small p-value: 2 to the 7th is 128.
FEWEST_RUNS = 7


@dataclass(frozen=True)
class Onset:
    """Where the change begins.

    Attributes:
        distance: of the hinge [10 km].
        low: lower end of its 95 % interval.
        high: upper end.
        before: slope up to it, change of the logarithm per 10 km.
        after: slope beyond it.
        p_value: of a hinge as good as this where the line is straight.
    """

    distance: float
    low: float
    high: float
    before: float
    after: float
    p_value: float


def onset(fitted: Fit, *, seed: int) -> Onset | None:
    """Look for the best hinge; None where the runs are too few or too short to have one.

    Args:
        fitted: the straight model.
        seed: of the random draws.
    """
    hinges = _grid(fitted)
    if len(fitted.design.run_ids) < FEWEST_RUNS or not len(hinges):
        return None
    votes, sizes, passed_on = _votes(fitted, hinges)
    total = votes.sum(axis=0)
    best = int(np.argmax(total**2 / sizes.sum(axis=0)))
    bend = total[best] / sizes[:, best].sum()
    before = float(fitted.beta[0] - passed_on[best] * bend)

    signs, counts = _draws(len(votes), seed)
    scatter = np.sqrt((votes**2).sum(axis=0))
    reached = np.max(np.abs(total) / scatter)
    by_chance = np.max(np.abs(signs @ votes) / scatter, axis=1)
    p_value = (1 + int((by_chance >= reached).sum())) / (DRAWS + 1)

    places = hinges[np.argmax((counts @ votes) ** 2 / (counts @ sizes), axis=1)]
    low, high = np.quantile(places, [0.025, 0.975])
    return Onset(float(hinges[best]), float(low), float(high), before, float(before + bend), p_value)


@lru_cache(maxsize=8)
def _draws(n_runs: int, seed: int) -> tuple[Array, Array]:
    """Random signs of runs, and how often each is drawn anew; one draw a row. The metrics of an athlete share them."""
    draw = np.random.default_rng(seed)
    signs = draw.choice(np.array([-1.0, 1.0]), size=(DRAWS, n_runs))
    return signs, draw.multinomial(n_runs, np.full(n_runs, 1 / n_runs), size=DRAWS).astype(np.float64)


def _grid(fitted: Fit) -> Array:
    """Distances at which enough splits of enough runs lie on both sides [10 km]."""
    design = fitted.design
    distance = design.columns[:, DISTANCE]
    candidates = np.arange(distance.min(), distance.max(), STEP)
    beyond = design.per_run((distance[:, None] > candidates).astype(np.float64))
    within = design.per_run((distance[:, None] <= candidates).astype(np.float64))
    enough = ((beyond >= SPLITS_ASIDE) & (within >= SPLITS_ASIDE)).sum(axis=0) >= RUNS_ASIDE
    return np.asarray(candidates[enough])


def _votes(fitted: Fit, hinges: Array) -> tuple[Array, Array, Array]:
    """What each run says of each hinge, beside the straight model.

    Returns:
        For each run and hinge the product of the hinge with the residual, and with itself, both after the regressors
        are taken out; and how much of a hinge's bend the straight line's slope had taken up.
    """
    design = fitted.design
    raised = np.maximum(design.columns[:, DISTANCE, None] - hinges, 0.0)
    n_columns = design.columns.shape[1]
    white, _ = whiten(design, np.column_stack([design.columns, raised]), fitted.rho)
    columns, hinge = white[:, :n_columns], white[:, n_columns:]
    x = columns[:, list(fitted.places)]
    distance = columns[:, DISTANCE]
    shrink = fitted.spread / (1 + fitted.spread * design.per_run(distance**2))

    def product(left: Array, right: Array) -> Array:
        """Of two sets of columns in each run, in the metric of the model."""
        along = design.per_run(left * distance[:, None]) * design.per_run(right * distance[:, None])
        return design.per_run(left * right) - shrink[:, None] * along

    a, _, _ = normal_equations(fitted.products, fitted.places, fitted.spread)
    cross = np.stack([product(x[:, [place]], hinge).sum(axis=0) for place in range(x.shape[1])])
    taken_up = np.linalg.solve(a.sum(axis=0), cross)
    hinge = hinge - x @ taken_up
    residual = (columns[:, VALUE] - x @ fitted.beta)[:, None]
    return product(hinge, residual), product(hinge, hinge), taken_up[0]
