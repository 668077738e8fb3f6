from __future__ import annotations

from math import exp, log

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.core.errors import NothingDone
from pipeline.study.agreements import agreements, reliabilities
from pipeline.study.material import Material
from pipeline.study.results import AnalysisResult, Statistic
from pipeline.study.study_file import Analysis
from tests.support.cohorts import cohort_of

SENSORS = Analysis("sensors", "agreement", ("contact_time_ms",))
ALIKE = Analysis("alike", "reliability", ("contact_time_ms",))


def by_name(result: AnalysisResult) -> dict[str, Statistic]:
    return {statistic.statistic: statistic for statistic in result.statistics}


def two_stores(ratio: float) -> Material:
    """Here the metric reads as many times what it reads there, but for errors of both."""
    random = np.random.default_rng(3)
    there = cohort_of(lambda athlete, _run, km: 240.0 + athlete + km, n_runs=2)
    errors = pl.Series(np.exp(0.01 * random.standard_normal(there.splits.height)))
    here = there.splits.with_columns(contact_time_ms=pl.col("contact_time_ms") * ratio * errors)
    return cohort_of(lambda *_: 1.0, n_runs=2, splits=here, other_splits=there.splits)


def test_a_sensor_that_reads_4_percent_longer_has_a_bias_of_that_logarithm():
    rows = by_name(agreements(two_stores(1.04), SENSORS))
    errors = 100 * 0.01 * np.random.default_rng(3).standard_normal(200)
    assert rows["bias_pct"].estimate == pytest.approx(100 * log(1.04) + errors.mean())
    assert (rows["bias_pct"].n_athletes, rows["bias_pct"].n_runs) == (5, 10)
    width = rows["upper_limit_pct"].estimate - rows["lower_limit_pct"].estimate  # type: ignore[operator]
    assert width == pytest.approx(2 * 1.96 * errors.std(ddof=1), rel=0.02)


def test_the_other_way_round_the_bias_has_the_other_sign():
    material = two_stores(1.04)
    turned = cohort_of(lambda *_: 1.0, n_runs=2, splits=material.other_splits, other_splits=material.splits)
    here, there = (by_name(agreements(stores, SENSORS))["bias_pct"].estimate for stores in (material, turned))
    assert here == pytest.approx(-there)  # type: ignore[operator]


def test_splits_are_compared_with_their_own_whatever_the_order():
    material = two_stores(1.04)
    assert material.other_splits is not None
    shuffled = cohort_of(
        lambda *_: 1.0, n_runs=2, splits=material.splits,
        other_splits=material.other_splits.sample(fraction=1.0, shuffle=True, seed=2),
    )  # fmt: skip
    assert agreements(shuffled, SENSORS).statistics == agreements(material, SENSORS).statistics


def test_without_a_second_store_agreement_says_how_to_name_one():
    with pytest.raises(NothingDone, match=r"a second store of the same runs.*--against STORE"):
        agreements(cohort_of(lambda *_: 240.0), SENSORS)


def test_stores_without_a_split_in_common_are_refused_with_the_counts():
    material = cohort_of(lambda *_: 240.0)
    material = cohort_of(lambda *_: 240.0, other_splits=material.splits.with_columns(run_id=pl.col("run_id") + "x"))
    with pytest.raises(NothingDone) as raised:
        agreements(material, SENSORS)
    assert str(raised.value) == (
        "sensors: 0 splits have contact time from different sensors in both stores; at least 2 are needed. 0 runs have "
        "it in both, of which 0 read the same in every split."
    )


def test_runs_of_one_sensor_alone_which_read_the_same_in_both_do_not_dilute_the_bias():
    material = two_stores(1.04)
    assert material.other_splits is not None
    is_first_run = pl.col("run_id").str.ends_with("-0")
    mixed = pl.concat([material.other_splits.filter(is_first_run), material.splits.filter(~is_first_run)])
    diluted = cohort_of(lambda *_: 1.0, n_runs=2, splits=mixed, other_splits=material.other_splits)
    bias = by_name(agreements(diluted, SENSORS))["bias_pct"]
    assert bias.estimate == pytest.approx(100 * log(1.04), abs=0.3)
    assert (bias.n_runs, bias.note) == (5, "5 runs that read the same in both stores, from one sensor, left out")


def test_a_store_beside_itself_is_refused():
    material = cohort_of(lambda *_: 240.0)
    with pytest.raises(NothingDone, match="5 runs have it in both, of which 5 read the same in every split"):
        agreements(cohort_of(lambda *_: 240.0, other_splits=material.splits), SENSORS)


# --- How alike runs are ----------------------------------------------------------------------------------------------


def runs_of(athletes: int, runs: int, between: float, within: float) -> pl.DataFrame:
    random = np.random.default_rng(11)
    rows = []
    for athlete in range(athletes):
        athlete_level, drift = between * random.standard_normal(), between * random.standard_normal()
        for run in range(runs):
            level, slope = (centre + within * random.standard_normal() for centre in (athlete_level, drift))
            rows.append(
                {"athlete_id": f"a{athlete}", "run_id": f"a{athlete}-{run}", "metric": "contact_time_ms"}
                | {"fresh_level": 240 * exp(level / 100), "drift_pct_per_10km": 100 * np.expm1(slope / 100)}
                | {"response_se_pct_per_10km": 0.0}
            )
    return pl.DataFrame(rows)


@pytest.mark.parametrize(("of", "column"), [("level", "fresh_level"), ("slope", "drift_pct_per_10km")])
def test_the_icc_is_that_of_the_analysis_of_variance_of_scipy(of: str, column: str):
    drifts = runs_of(12, 4, between=3.0, within=1.0)
    logs = 100 * np.log(drifts[column].to_numpy() if of == "level" else 1 + drifts[column].to_numpy() / 100)
    groups = logs.reshape(12, 4)
    f = stats.f_oneway(*groups).statistic
    rows = by_name(reliabilities(cohort_of(lambda *_: 1.0, run_drifts=drifts), ALIKE))
    error = np.sqrt(groups.var(axis=1, ddof=1).mean())
    assert rows[f"{of}_icc"].estimate == pytest.approx((f - 1) / (f + 3))
    assert rows[f"{of}_typical_error_pct"].estimate == pytest.approx(error)
    assert rows[f"{of}_smallest_detectable_change_pct"].estimate == pytest.approx(1.96 * 2**0.5 * error, rel=1e-4)
    assert (rows[f"{of}_icc"].n_athletes, rows[f"{of}_icc"].n_runs) == (12, 48)


def test_planted_scatter_between_and_within_athletes_is_found():
    rows = by_name(reliabilities(cohort_of(lambda *_: 1.0, run_drifts=runs_of(200, 4, 3.0, 1.0)), ALIKE))
    for of in ("level", "slope"):
        assert rows[f"{of}_icc"].estimate == pytest.approx(0.9, abs=0.03)
        assert rows[f"{of}_typical_error_pct"].estimate == pytest.approx(1.0, abs=0.06)


def test_what_the_responses_make_runs_of_an_athlete_share_is_no_difference_between_athletes():
    alike = runs_of(200, 4, between=1.0, within=1.0)
    of_responses = alike.with_columns(response_se_pct_per_10km=1 + pl.col("drift_pct_per_10km") / 100)
    plain, net = (
        by_name(reliabilities(cohort_of(lambda *_: 1.0, run_drifts=runs), ALIKE)) for runs in (alike, of_responses)
    )
    assert plain["slope_icc"].estimate == pytest.approx(0.5, abs=0.08)
    assert net["slope_icc"].estimate == pytest.approx(0.0, abs=0.12)
    assert net["level_icc"] == plain["level_icc"]
    assert "net of the error" in net["slope_icc"].method


def test_athletes_with_one_run_each_are_refused_with_the_counts():
    once = cohort_of(lambda *_: 1.0, run_drifts=pl.concat([runs_of(2, 3, 1.0, 1.0), runs_of(6, 1, 1.0, 1.0)[2:]]))
    with pytest.raises(NothingDone) as raised:
        reliabilities(once, ALIKE)
    assert str(raised.value) == (
        "alike: 2 athletes have two runs or more with a drift of contact time in the cohort; at least 3 are needed."
    )
