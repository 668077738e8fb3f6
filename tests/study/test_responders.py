from __future__ import annotations

from math import exp

import numpy as np
import pytest

from pipeline.methods.paired_classes import wilson
from pipeline.study.responders import independent_athletes, responders
from pipeline.study.results import Statistic
from pipeline.study.study_file import Analysis
from tests.support.cohorts import cohort_of

HALVES = Analysis("who", "responders", ("contact_time_ms",), early_km=(1.0, 5.0), late_km=(15.0, 20.0))
#: Changes of two runs each: 0.02 apart in every athlete, so that the SD within athletes is 0.02 / root 2.
MEANS = (0.05, 0.02, 0.019, -0.04, 0.0)


def in_two_runs(athlete: int, run: int, km: float) -> float:
    return 240 * exp((MEANS[athlete] + (0.01 if run else -0.01)) * (km > 10))


def by_name(analysis: Analysis, **more: object) -> dict[str, Statistic]:
    found = responders(cohort_of(in_two_runs, **more), analysis)  # type: ignore[arg-type]
    return {row.statistic: row for row in found.statistics}


def test_who_is_beyond_196_standard_errors_of_their_own_mean_responds():
    """The SD within athletes is 0.02 / root 2, of a mean of two runs 0.01: beyond 0.0196 are 0.05, 0.02 and -0.04."""
    rows = by_name(HALVES, n_runs=2)
    assert rows["smallest_detectable_change_pct"].estimate == pytest.approx(100 * np.expm1(0.0196), rel=1e-4)
    of_one_run = rows["smallest_detectable_change_of_a_single_run_pct"]
    assert of_one_run.estimate == pytest.approx(100 * np.expm1(1.96 * 0.02 / 2**0.5), rel=1e-4)
    assert of_one_run.note.startswith("of a single run")
    shares = [rows[f"share_{which}"].estimate for which in ("beyond", "rising", "falling")]
    assert shares == pytest.approx([0.6, 0.4, 0.2])
    assert (rows["share_beyond"].low, rows["share_beyond"].high) == pytest.approx(tuple(map(float, wilson(3, 5))))


def test_the_scatter_of_runs_is_taken_off_what_athletes_differ_by():
    true = np.var(MEANS, ddof=1) - 0.01**2
    assert by_name(HALVES, n_runs=2)["sd_of_true_changes_pct"].estimate == pytest.approx(
        100 * np.expm1(true**0.5), rel=1e-6
    )


def test_a_detectable_change_from_elsewhere_serves_athletes_with_one_run():
    rows = by_name(Analysis(**vars(HALVES) | {"detectable_pct": 3.0}), n_runs=1)
    # Changes of one run each: 0.04, 0.01, 0.009, -0.05, -0.01, against 0.0296.
    assert rows["share_rising"].estimate == pytest.approx(0.2)
    assert rows["share_falling"].estimate == pytest.approx(0.2)
    assert "smallest_detectable_change_pct" not in rows


def slowing(shared_se: float, response_se: float) -> dict[str, Statistic]:
    """Athletes who run the late stretch 10 % slower, adjusted for speed by responses with these errors."""
    analysis = Analysis(**vars(HALVES) | {"adjust": ("speed",)})
    slower = {"n_runs": 2, "speed_m_s": lambda *at: 2.7 if at[2] > 10 else 3.0}
    return by_name(analysis, **slower, shared_se=shared_se, response_se=response_se)


def test_the_error_of_an_athletes_own_response_is_in_the_smallest_detectable_change():
    """log 0.9 times 0.1 is 0.0105, released as 0.011: with 0.01 of the runs 0.0149, beyond 1.96 of which is 0.0291."""
    rows = slowing(shared_se=0.0, response_se=0.1)
    shares = [rows[f"share_{which}"].estimate for which in ("beyond", "rising", "falling")]
    assert shares == pytest.approx([0.4, 0.2, 0.2])
    assert (rows["share_beyond"].low, rows["share_beyond"].high) == pytest.approx(tuple(map(float, wilson(2, 5))))


def test_what_athletes_differ_by_is_net_of_the_error_of_their_own_responses():
    alone, erring = (slowing(0.0, error)["sd_of_true_changes_pct"].estimate for error in (0.0, 0.1))
    assert alone is not None
    assert erring is not None
    assert np.log1p(alone / 100) ** 2 - np.log1p(erring / 100) ** 2 == pytest.approx(0.011**2, rel=1e-6)


def test_an_error_that_all_share_widens_the_interval_and_leaves_what_athletes_differ_by():
    own, common = slowing(0.0, 0.1), slowing(0.1, 0.1)
    assert common["share_beyond"].estimate == own["share_beyond"].estimate
    assert common["share_beyond"].low < own["share_beyond"].low  # type: ignore[operator]
    assert "independent athletes" in common["share_beyond"].method
    alone = slowing(0.0, 0.0)["sd_of_true_changes_pct"].estimate
    assert common["sd_of_true_changes_pct"].estimate == pytest.approx(alone)


@pytest.mark.parametrize(("shared", "n_told"), [(0.0, 20.0), (0.999, 1.0)])
def test_athletes_who_share_nothing_tell_as_many_and_those_who_share_all_as_one(shared: float, n_told: float):
    assert list(independent_athletes(np.full(20, shared)).values()) == pytest.approx([n_told] * 3, rel=0.1)


def test_the_number_of_independent_athletes_is_that_of_simulated_ones():
    random, shared = np.random.default_rng(1), np.full(20, 0.6)
    changes = shared * random.standard_normal((40_000, 1)) + 0.8 * random.standard_normal((40_000, 20))
    for side, is_beyond in (("share_beyond", np.abs(changes) > 1.96), ("share_rising", changes > 1.96)):
        share = is_beyond.mean(axis=1)
        expected = share.mean() * (1 - share.mean()) / share.var()
        assert independent_athletes(shared)[side] == pytest.approx(expected, rel=0.06)


def test_with_one_run_each_it_must_be_stated():
    with pytest.raises(ValueError, match="state it with detectable_pct"):
        by_name(HALVES, n_runs=1)


def test_the_smallest_number_of_people_that_follows_is_known():
    assert {row.smallest_cell for name, row in by_name(HALVES, n_runs=2).items() if name.startswith("share")} == {1}
