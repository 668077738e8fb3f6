from __future__ import annotations

from math import exp

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.core.errors import NothingDone
from pipeline.study.results import Statistic
from pipeline.study.sections import contrasts, sections
from pipeline.study.study_file import Analysis
from tests.support.cohorts import cohort_of

FOUR = Analysis("four", "sections", ("contact_time_ms",), sections_km=(1.0, 5.0, 9.0, 13.0, 17.0))
#: Change of the logarithm per section, an athlete.
SLOPES = np.array([0.01, 0.02, 0.03, 0.015, 0.025, 0.0])


def stepped(athlete: int, _run: int, km: float) -> float:
    """240 ms in the first of `FOUR`, and a step more in each."""
    return 240 * exp(SLOPES[athlete] * max((km - 1) // 4, 0))


def parts(analysis: Analysis, value=stepped, **more: object) -> dict[tuple[str, str], Statistic]:
    found = sections(cohort_of(value, n_athletes=6, **more), analysis)  # type: ignore[arg-type]
    return {(row.statistic, row.part): row for row in found.statistics}


def test_each_section_is_compared_with_the_first_by_the_t_interval_of_scipy():
    rows = parts(FOUR)
    change = rows["change_from_first_pct", "km 9 to 13"]
    expected = stats.ttest_1samp(2 * SLOPES, 0)
    assert change.estimate == pytest.approx(100 * np.expm1(2 * SLOPES.mean()))
    assert change.p_value == pytest.approx(expected.pvalue)
    assert change.low == pytest.approx(100 * np.expm1(expected.confidence_interval().low))
    assert rows["section_level", "km 1 to 5"].estimate == pytest.approx(240.0)
    assert change.is_primary


def test_a_straight_course_is_all_line_and_no_bend():
    rows = parts(FOUR, lambda *where: stepped(*where) * exp(1e-4 * np.sin(10 * where[0] + 3 * where[2])))
    assert rows["linear_change_pct", ""].estimate == pytest.approx(100 * np.expm1(3 * SLOPES.mean()), abs=0.02)
    assert rows["bend_pct", ""].estimate == pytest.approx(0.0, abs=0.02)
    assert rows["sections_f", ""].p_value < 0.05  # type: ignore[operator]


def test_the_contrasts_read_a_line_and_a_parabola_off():
    both = contrasts(5)
    places = np.arange(5)
    assert both["linear"] @ (7 + 0.5 * places) == pytest.approx(2.0)
    assert both["bend"] @ (7 + 0.5 * places) == pytest.approx(0.0)
    # 4 - (place - 2)²: the middle lies 4 above the ends.
    assert both["bend"] @ (4 - (places - 2.0) ** 2) == pytest.approx(4.0)


def test_equal_sections_divide_the_splits_of_each_run_however_long():
    eight = Analysis("eight", "sections", ("contact_time_ms",), sections=4)
    rows = parts(
        eight, lambda athlete, _run, km: 200 + km + athlete * 0.01 * km**1.5, km=lambda athlete, _run: 9 + 4 * athlete
    )
    assert {part for statistic, part in rows if statistic == "section_level"} == {
        f"section {number} of 4" for number in (1, 2, 3, 4)
    }
    assert rows["section_level", "section 1 of 4"].n_athletes == 6


def test_sections_by_time_follow_the_clock_and_not_the_distance():
    """At 10 and 20 km/h: minutes 6 to 30 are kilometres 2 to 5 of the one, 3 to 10 of the other."""
    by_time = Analysis("time", "sections", ("contact_time_ms",), adjust=(), sections_min=(6.0, 12.0, 18.0, 30.0))
    rows = parts(
        by_time, lambda athlete, _run, km: 200 + km + 0.1 * athlete * km,
        speed_m_s=lambda athlete, *_: (1 + athlete % 2) * 10 / 3.6,
    )  # fmt: skip
    # Minutes 12 to 18 are kilometre 3 of the slow, whose middle is at km 2.5, and kilometres 5 and 6 of the fast.
    middle = np.exp(np.mean([np.log(200 + (1 + 0.1 * a) * (2.5, 5.0)[a % 2]) for a in range(6)]))
    assert rows["section_level", "min 12 to 18"].estimate == pytest.approx(middle, rel=1e-3)


def test_groups_have_their_own_changes_and_the_sections_are_tested_by_group():
    athletes = pl.DataFrame({"athlete_id": [f"a{n:02}" for n in range(6)], "sex": ["f", "m"] * 3})
    by_sex = Analysis(**vars(FOUR) | {"group": "sex"})
    rows = parts(
        by_sex, lambda *where: stepped(*where) * exp(1e-5 * np.sin(where[0] + 3 * where[2])), athletes=athletes
    )
    women, men = SLOPES[::2], SLOPES[1::2]
    assert rows["linear_change_pct", "sex f"].estimate == pytest.approx(100 * np.expm1(3 * women.mean()), abs=0.01)
    difference = rows["linear_change_difference_pct", "sex m minus sex f"]
    assert difference.estimate == pytest.approx(100 * np.expm1(3 * (men.mean() - women.mean())), abs=0.01)
    assert difference.smallest_cell == 3
    # All differences of sections are multiples of one slope: the test is that of the slopes.
    t = stats.ttest_ind(men, women)
    assert rows["sections_by_group_f", ""].estimate == pytest.approx(t.statistic**2, rel=1e-3)


def test_an_error_of_the_responses_that_all_share_is_in_f():
    def test(shared_se: float) -> Statistic:
        slowing = {"speed_m_s": lambda _athlete, _run, km: 3.0 * exp(-0.01 * km), "shared_se": shared_se}
        noisy = lambda *where: stepped(*where) * exp(1e-3 * np.sin(10 * where[0] + 3 * where[2]))  # noqa: E731
        return parts(FOUR, noisy, **slowing)["sections_f", ""]

    # From the first to the last section form changes by 5 %, and the shared error moves it by 12 of 100 times 0.5.
    assert test(0.0).p_value < 0.05 < test(0.5).p_value  # type: ignore[operator]
    assert "that athletes have in common" in test(0.5).method


def test_runs_that_do_not_reach_all_sections_are_left_out_with_the_counts():
    with pytest.raises(NothingDone, match="2 athletes have a run with contact time in all of 4 sections"):
        parts(FOUR, km=lambda athlete, _run: 20 if athlete < 2 else 12)
