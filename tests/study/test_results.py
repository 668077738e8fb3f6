from __future__ import annotations

from dataclasses import replace

import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from pipeline.study.results import Results, Statistic, compare_with_published, results
from pipeline.study.study_file import Published


def statistic(name: str, p_value: float | None, *, is_primary: bool = True, **more: object) -> Statistic:
    return Statistic(
        name, "trend", "cadence_spm", "slope_pct_per_10km", 1.0, p_value=p_value, is_primary=is_primary, **more
    )  # type: ignore[arg-type]


@pytest.mark.parametrize(("correction", "statsmodels"), [("holm", "holm"), ("benjamini_hochberg", "fdr_bh")])
def test_primary_p_values_are_corrected_together_as_statsmodels_does(correction: str, statsmodels: str):
    p_values = [0.01, 0.04, 0.03, 0.20]
    rows = results([statistic(f"a{k}", p) for k, p in enumerate(p_values)], correction)
    assert rows["p_corrected"].to_list() == pytest.approx(multipletests(p_values, method=statsmodels)[1], abs=1e-6)


def test_without_correction_they_stay_and_what_is_not_primary_has_none():
    rows = results([statistic("a", 0.03), statistic("b", 0.01, is_primary=False), statistic("c", None)], "none")
    assert rows["p_corrected"].to_list() == [0.03, None, None]


def test_rows_have_the_columns_of_their_table_and_a_level_only_with_an_interval():
    rows = results([statistic("a", 0.03, low=0.5, high=1.5), statistic("b", 0.5)], "none")
    assert rows.columns == Results.column_names()
    assert rows["level"].to_list() == [0.95, None]


# --- Compared with published results ---------------------------------------------------------------------------------


def published(**more: object) -> Published:
    return Published("a", "slope_pct_per_10km", 3.0, "a paper 2026", "seen", "cadence_spm", **more)  # type: ignore[arg-type]


OURS = results([statistic("a", 0.03, low=1.0 - 1.959964, high=1.0 + 1.959964)], "none")


def test_the_difference_has_the_variances_of_both():
    row = compare_with_published(OURS, [published(sd=4.0, n=4)]).row(0, named=True)
    reach = stats.norm.ppf(0.975) * (1.0**2 + 2.0**2) ** 0.5
    assert row["difference"] == pytest.approx(-2.0)
    assert (row["difference_low"], row["difference_high"]) == pytest.approx((-2.0 - reach, -2.0 + reach), abs=1e-5)
    assert (row["published_low"], row["published_high"]) == pytest.approx((3 - 3.919928, 3 + 3.919928), abs=1e-5)


def test_a_printed_interval_counts_before_sd_and_number():
    row = compare_with_published(OURS, [published(low=3 - 1.959964, high=3 + 1.959964, sd=100.0, n=2)]).row(
        0, named=True
    )
    assert row["difference_high"] - row["difference_low"] == pytest.approx(2 * 1.959964 * 2**0.5, abs=1e-5)


def test_without_an_error_the_difference_has_no_interval_and_the_row_says_so():
    row = compare_with_published(OURS, [published()]).row(0, named=True)
    assert row["difference"] == pytest.approx(-2.0)
    assert (row["difference_low"], row["difference_high"]) == (None, None)
    assert row["note"] == "no error was printed, so the difference has no interval"


@pytest.mark.parametrize(("high", "where"), [(1.0, "inside"), (0.99, "outside")])
def test_of_a_printed_range_it_is_told_whether_ours_lies_in_it(high: float, where: str):
    row = compare_with_published(OURS, [replace(published(low=0.5, high=high), value=None)]).row(0, named=True)
    assert (row["published"], row["difference"]) == (None, None)
    assert row["note"] == f"a range was printed and no value; ours lies {where}"


def test_a_published_row_without_a_counterpart_is_shown_and_says_so():
    without_interval = Published("a", "change_pct", 3.0, "a paper 2026", "seen", "cadence_spm")
    row = compare_with_published(OURS, [without_interval]).row(0, named=True)
    assert (row["ours"], row["difference"], row["note"]) == (None, None, "this study has no such number")


def test_a_published_standardised_difference_is_compared_with_that_over_the_sd_of_levels():
    sizes = [
        Statistic("a", "paired_windows", "cadence_spm", name, size) for name, size in (("d_z", 3.25), ("d_av", 0.56))
    ]
    theirs = Published("a", "effect_size", 0.52, "a paper 2026", "seen", "cadence_spm")
    assert compare_with_published(results(sizes, "none"), [theirs])["ours"].to_list() == [0.56]
