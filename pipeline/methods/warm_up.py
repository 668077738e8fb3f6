"""How long the warm-up lasts is not known: the drift as a mean over lengths, by what the runs say of each.

The model takes out a warm-up that dies out over `WARM_UP_KM`. Form that settles over twice that is taken for drift in
part. So the line is also fitted with a warm-up that dies out over `SLOW_WARM_UP_KM`, from the same products but for
those of the warm-up's own column, and both lines are weighted by their marginal likelihood: normal errors, the prior of
the responses the same in both, neither length more probable before. A mixture of what each model says, weighted by
the models' posterior probabilities, is averaging over models (Clyde 1999, in Bayesian Statistics 6, pp. 157-185; its
abstract was read).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.core.arrays import Array
from pipeline.methods.mixed_model import DISTANCE, VALUE, Model, whiten

#: How far off form is at the start dies out over this distance [km]. Common practice, no source; `data/METHODS.md` has
#: simulated seasons whose form settles sooner or later.
WARM_UP_KM = 2.0
#: The same where it takes long [km]. Common practice, no source.
SLOW_WARM_UP_KM = 4.0


def warm_up_left(km: Array, split_length_m: float) -> Array:
    """Share of the warm-up's effect at the start that is left in the middle of splits, by their numbers."""
    return np.asarray(np.exp(-(km - 0.5) * split_length_m / 1000 / WARM_UP_KM))


def settling_slowly(model: Model, warm_up: int) -> Model | None:
    """A model whose warm-up dies out over `SLOW_WARM_UP_KM`, as far as products go; None where it has no warm-up.

    Correlation of errors, variances and weights stay.

    Args:
        model: with its variances settled.
        warm_up: column of the warm-up.
    """
    if warm_up not in model.places:
        return None
    design = model.design
    used = [VALUE, *model.places]
    place = used.index(warm_up)
    columns = design.columns[..., used]
    columns[..., place] = np.exp(-10 * design.columns[..., DISTANCE] / SLOW_WARM_UP_KM)
    white, _ = whiten(design, columns, model.rho)
    of_warm_up = design.per_run(white * white[..., [place]])
    products: Array = model.products.copy()
    products[..., warm_up, used] = products[..., used, warm_up] = of_warm_up
    return replace(model, products=products)
