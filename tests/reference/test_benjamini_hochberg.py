"""The correction over athletes and metrics against Benjamini and Hochberg's own example, and against SciPy."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import false_discovery_control

from pipeline.core.settings import Settings
from pipeline.stages.drift import drift
from pipeline.stages.summaries import athlete_drift
from pipeline.tables import empty

NUMBERS = {
    "inclusion": Settings().inclusion,
    "max_collinearity": 0.9,
    "seed": 1,
    # The seasons here have exact speed and no warm-up.
    "speed_error_pct": 0.0,
    "warm_up_effect_pct": 0.0,
}

#: Benjamini and Hochberg 1995, J R Stat Soc B 57:289-300, doi 10.1111/j.2517-6161.1995.tb02031.x, section 3.2: fifteen
#: hypotheses of a trial (read in several public repositories, among them the tests of statsmodels).
PUBLISHED = [
    *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344),
    *(0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0000),
]
#: m p / rank, then the smallest from there on; computed with SciPy 1.17.1 and by hand for the first four.
ADJUSTED = [
    *(0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857143, 0.063857143, 0.0645),
    *(0.0765, 0.486, 0.581181818, 0.714875, 0.753230769, 0.813214286, 1.0),
]


def rows(p_values: list[float | None]) -> pl.DataFrame:
    """An athlete and a metric for each p-value, three metrics to an athlete; all else that the stage gives is empty."""
    n = len(p_values)
    known = pl.DataFrame(
        {
            "athlete_id": [f"a{place // 3:04d}" for place in range(n)],
            "metric": [("cadence_spm", "contact_time_ms", "vertical_oscillation_mm")[place % 3] for place in range(n)],
            "n_runs": [12] * n,
            "n_splits": [200] * n,
            "drift_pct_per_10km": [1.0] * n,
            "drift_low": [0.5] * n,
            "drift_high": [1.5] * n,
            "p_value": p_values,
        },
        schema_overrides={"athlete_id": pl.String, "metric": pl.String, "p_value": pl.Float64},
    )
    _, nothing = drift(empty("splits"), **NUMBERS)
    return known.select(
        (pl.col(name) if name in known.columns else pl.lit(None)).cast(kind).alias(name)
        for name, kind in nothing.schema.items()
    )


def q_values(p_values: list[float | None], *, shuffle: int | None = None) -> list[float | None]:
    frame = rows(p_values)
    if shuffle is not None:
        frame = frame.sample(fraction=1.0, shuffle=True, seed=shuffle)
    changes = {"cadence_spm": 1.0, "contact_time_ms": 2.0, "vertical_oscillation_mm": 3.0}
    findings = athlete_drift(
        frame,
        empty("run_drift"),
        smallest_change_pct=changes,
        max_collinearity=0.9,
        usual_distance_margin=1.5,
        max_late_exclusion_excess=0.15,
    )
    findings = findings.sort("athlete_id", "metric")
    assert findings["p_value"].to_list() == p_values
    return findings["q_value"].to_list()


def test_the_published_example_is_reproduced_whatever_the_order_of_rows():
    assert q_values(PUBLISHED) == pytest.approx(ADJUSTED, abs=1e-9)
    assert q_values(PUBLISHED, shuffle=1) == pytest.approx(ADJUSTED, abs=1e-9)


def test_four_of_the_published_hypotheses_are_rejected_as_the_authors_say():
    assert sum(q <= 0.05 for q in q_values(PUBLISHED)) == 4


def test_rows_without_a_p_value_get_no_q_value_and_do_not_count():
    gaps: list[float | None] = [*PUBLISHED[:5], None, *PUBLISHED[5:], None, None]
    expected = [*ADJUSTED[:5], None, *ADJUSTED[5:], None, None]
    corrected = q_values(gaps)
    assert [q is None for q in corrected] == [q is None for q in expected]
    assert [q for q in corrected if q is not None] == pytest.approx([q for q in expected if q is not None], abs=1e-9)


def test_no_p_values_at_all_give_none():
    assert q_values([None, None]) == [None, None]
    assert q_values([]) == []


def test_a_single_p_value_stays_as_it_is():
    assert q_values([0.03]) == pytest.approx([0.03])


# Few distinct values make ties; the ends are included.
PROBABILITY = st.one_of(st.sampled_from([0.0, 1e-12, 0.01, 0.05, 0.5, 1.0]), st.floats(0, 1))


@settings(max_examples=30, deadline=None)
@given(p_values=st.lists(st.one_of(st.none(), PROBABILITY), min_size=1, max_size=40))
def test_scipy_gives_the_same_with_ties_and_gaps(p_values: list[float | None]):
    known = [p for p in p_values if p is not None]
    corrected = [q for q in q_values(p_values, shuffle=2) if q is not None]
    # Three operations on floats: a few units in the last place.
    expected = false_discovery_control(known) if known else []
    assert corrected == pytest.approx(list(expected), rel=1e-12, abs=1e-300)


def test_scipy_gives_the_same_for_a_large_club():
    random = np.random.default_rng(1)
    p_values = np.round(random.beta(0.4, 1.0, 5000), 4).tolist()  # rounded: many ties
    assert q_values(p_values) == pytest.approx(list(false_discovery_control(p_values)), rel=1e-12)
