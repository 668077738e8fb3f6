"""Studies of the demo club against numbers that are computed here from its tables, by NumPy and SciPy alone."""

from __future__ import annotations

import csv
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from pipeline.core.errors import NothingDone, UsageError
from pipeline.study.conduct import StudyResult, conduct
from pipeline.study.study_file import Study
from pipeline.study.study_reader import read_study
from tests.support.demo_store import CLUB, Refreshed

STUDIES = Path(__file__).parents[2] / "data" / "studies" / "demo"


def shipped(name: str) -> Study:
    return read_study((STUDIES / f"{name}.toml").read_text(encoding="utf-8"), name=name)


def study(analysis: str, top: str = "") -> Study:
    return read_study(f'title = "A"\nquestion = "B"\n{top}\n[[analysis]]\n{analysis}', name="study.toml")


def row(result: StudyResult, statistic: str, metric: str = "contact_time_ms", analysis: str = "") -> dict[str, Any]:
    rows = result.results.filter(statistic=statistic, metric=metric)
    return (rows.filter(analysis=analysis) if analysis else rows).row(0, named=True)


def race_splits(demo: Refreshed, metric: str) -> dict[tuple[str, str], list[dict[str, Any]]]:
    """The splits of races that enter, by athlete and run."""
    races = {run["run_id"] for run in demo.table("runs").to_dicts() if run["kind"] == "race"}
    by_run = defaultdict(list)
    for split in demo.table("splits").to_dicts():
        is_whole = split["length_m"] >= 990 and (split["run_share"] or 0) >= 0.95
        if split["run_id"] in races and split["km"] > 1 and is_whole and (split[metric] or 0) > 0:
            by_run[split["athlete_id"], split["run_id"]].append(split)
    # Where altitude was lost on the way a split does not enter; a run without any is level.
    return {
        run: [split for split in splits if split["slope_pct"] is not None]
        if any(split["slope_pct"] is not None for split in splits)
        else splits
        for run, splits in by_run.items()
    }


def landed(line: dict[str, str]) -> str:
    """A landing as it was named, or by its angle: above 8 degrees on the rearfoot, below -1.6 on the forefoot."""
    if line["strike"]:
        return {"heel": "rearfoot"}.get(line["strike"], line["strike"])
    angle = float(line["angle_deg"])
    return "rearfoot" if angle > 8.0 else "forefoot" if angle < -1.6 else "midfoot"


@pytest.mark.parametrize("metric", ["contact_time_ms", "cadence_spm", "step_length_m", "vertical_stiffness_kn_m"])
def test_quarters_as_measured_are_the_mean_over_athletes_with_scipys_t_interval_and_permutations(
    metric: str, demo: Refreshed
):
    by_athlete = defaultdict(list)
    for (athlete, _), splits in race_splits(demo, metric).items():
        first, last = min(split["km"] for split in splits) - 1, max(split["km"] for split in splits)
        quarter = (last - first) / 4
        values = [(split["km"], np.log(split[metric])) for split in splits]
        early = np.mean([log for km, log in values if km <= first + quarter + 1e-9])
        late = np.mean([log for km, log in values if km - 1 >= last - quarter - 1e-9])
        by_athlete[athlete].append((early, late))
    early, late = np.array([np.mean(runs, axis=0) for runs in by_athlete.values()]).T
    interval = stats.ttest_rel(late, early).confidence_interval()
    exact = stats.permutation_test((late, early), lambda x, y: np.mean(x - y), permutation_type="samples")

    change = row(conduct(shipped("time-trial-5km"), demo.store), "change_pct", metric)
    assert change["estimate"] == pytest.approx(100 * np.expm1((late - early).mean()), abs=2e-6)
    assert change["low"] == pytest.approx(100 * np.expm1(interval.low), abs=2e-6)
    assert change["high"] == pytest.approx(100 * np.expm1(interval.high), abs=2e-6)
    assert change["p_value"] == pytest.approx(exact.pvalue, abs=2e-6)
    assert (change["n_athletes"], change["n_runs"]) == (len(early), sum(map(len, by_athlete.values())))


def test_stretches_at_equal_speed_and_slope_take_out_what_athlete_drift_publishes(demo: Refreshed):
    drifts = {
        row["athlete_id"]: row for row in demo.table("athlete_drift").to_dicts() if row["metric"] == "cadence_spm"
    }
    by_athlete = defaultdict(list)
    for (athlete, _), splits in race_splits(demo, "cadence_spm").items():
        athlete_drift, values = drifts[athlete], []
        for split in splits:
            speed = np.log(split["speed_m_s"] / athlete_drift["reference_speed_m_s"])
            terms = (
                ("response_to_speed", speed), ("response_to_speed_squared", speed**2),
                ("response_to_pace_variance", split["log_speed_variance"]),
                ("response_to_slope", split["slope_pct"]), ("response_to_slope_squared", split["slope_squared_pct2"]),
            )  # fmt: skip
            effect = sum((athlete_drift[name] or 0) * (value or 0) for name, value in terms)
            moved = (athlete_drift["response_to_speed_shared_se"] or 0) * speed
            values.append((split["km"], np.log(split["cadence_spm"]) - effect, moved))
        early, late = (
            np.mean([numbers for km, *numbers in values if first < km <= last], axis=0)
            for first, last in ((1, 5), (10, 14))
        )
        by_athlete[athlete].append(late - early)
    changes, shared = np.array([np.mean(runs, axis=0) for runs in by_athlete.values()]).T
    change = row(
        conduct(shipped("contact-time-marathon"), demo.store), "change_pct", "cadence_spm", "at equal speed and slope"
    )
    assert change["estimate"] == pytest.approx(100 * np.expm1(changes.mean()), abs=2e-6)
    se = stats.sem(changes)
    total = np.hypot(se, shared.mean())
    p_value = 2 * stats.t.sf(abs(changes.mean()) / total, (len(changes) - 1) * (total / se) ** 4)
    assert change["p_value"] == pytest.approx(p_value, abs=2e-6)


def test_shares_of_rearfoot_landings_are_those_of_the_list_of_landings(demo: Refreshed):
    feet: dict[tuple[str, str, float], set[str]] = defaultdict(set)
    with (CLUB / "strikes.csv").open(encoding="utf-8") as file:
        for line in csv.DictReader(file):
            event = line["started_at_utc"][:10] or line["date"]
            feet[line["athlete_id"], event, float(line["distance_km"])].add(landed(line))
    both = {(athlete, event) for athlete, event, km in feet if km == 5 and (athlete, event, 15.0) in feet}
    result = conduct(shipped("landing-3-and-13km"), demo.store)
    for statistic, km in (("share_early", 5.0), ("share_late", 15.0)):
        rear = sum(feet[athlete, event, km] == {"rearfoot"} for athlete, event in both)
        assert row(result, statistic, "")["estimate"] == pytest.approx(rear / len(both), abs=1e-6)


def test_reliability_is_that_of_an_analysis_of_variance_of_run_drift(demo: Refreshed):
    result = conduct(shipped("repeatability-of-slopes"), demo.store)
    long = [run["run_id"] for run in demo.table("runs").to_dicts() if run["distance_km"] >= 8]
    runs = [run for run in demo.table("run_drift").to_dicts() if run["run_id"] in long]
    by_athlete = defaultdict(list)
    for run in runs:
        if run["metric"] == "contact_time_ms":
            by_athlete[run["athlete_id"]].append(100 * np.log1p(run["drift_pct_per_10km"] / 100))
    groups = [np.array(values) for values in by_athlete.values() if len(values) >= 3]
    n, k = sum(map(len, groups)), len(groups)
    within = sum(((group - group.mean()) ** 2).sum() for group in groups) / (n - k)
    typical = (n - sum(len(group) ** 2 for group in groups) / n) / (k - 1)
    f = stats.f_oneway(*groups).statistic
    assert row(result, "slope_typical_error_pct")["estimate"] == pytest.approx(within**0.5, abs=2e-6)
    # Net of what the estimated responses give to all runs of an athlete, which here is little.
    classical = (f - 1) / (f + typical - 1)
    assert classical - 0.02 <= row(result, "slope_icc")["estimate"] <= classical


def test_the_trend_of_cadence_is_near_the_mean_of_the_athletes_own_lines(demo: Refreshed):
    slope = row(conduct(shipped("cadence-ultra"), demo.store), "slope_pct_per_10km", "cadence_spm", "as measured")
    raw = [
        row["raw_pct_per_10km"]
        for row in demo.table("athlete_drift").to_dicts()
        if row["metric"] == "cadence_spm" and row["raw_pct_per_10km"] is not None
    ]
    assert slope["estimate"] == pytest.approx(np.mean(raw), abs=0.3)
    assert slope["low"] < slope["estimate"] < slope["high"]


EVERY_DESIGN = """title = "Fast and slow"
question = "Does form change more in slow runners?"
correction = "holm"

[cohort]
min_distance_km = 12
max_distance_km = 40
max_slope_pct = 5

[[analysis]]
name = "groups"
design = "trend"
metrics = ["contact_time_ms"]
group = "speed_m_s"
covariates = ["age"]
prior_sd_pct = 5

[[analysis]]
name = "sections"
design = "sections"
metrics = ["cadence_spm", "speed_m_s", "beats_per_km"]
adjust = []
sections = 4
group = "sex"

[[analysis]]
name = "variability"
design = "paired_windows"
metrics = ["cadence_cv_pct", "contact_time_sd_ms", "contact_side_ratio"]
windows = "quarters"

[[analysis]]
name = "who"
design = "responders"
metrics = ["contact_time_ms"]
windows = "quarters"
"""


def test_groups_sections_outcomes_and_responders_of_the_demo_club(demo: Refreshed):
    result = conduct(read_study(EVERY_DESIGN, name="study.toml"), demo.store)
    slope, upper, lower = (
        result.results.filter(analysis="groups", statistic="slope_pct_per_10km", part=part).row(0, named=True)
        for part in ("", "speed, upper half", "speed, lower half")
    )
    assert slope["estimate"] == pytest.approx((upper["estimate"] + lower["estimate"]) / 2, abs=0.01)
    assert slope["n_athletes"] == upper["n_athletes"] + lower["n_athletes"]
    posterior = result.results.filter(statistic="posterior_slope_pct_per_10km", part="").row(0, named=True)
    assert slope["low"] < posterior["estimate"] < slope["high"]
    levels = result.results.filter(analysis="sections", metric="beats_per_km", statistic="section_level")
    assert levels.height == 4
    assert levels["estimate"].is_between(400, 1500).all()
    speed = result.results.filter(analysis="sections", metric="speed_m_s", statistic="linear_change_pct", part="")
    assert speed["p_corrected"].null_count() == 0
    assert 0.5 < row(result, "early_level", "cadence_cv_pct")["estimate"] < 10
    assert 1 < row(result, "early_level", "contact_side_ratio")["estimate"] < 1.1
    shares = [row(result, f"share_{which}")["estimate"] for which in ("beyond", "rising", "falling")]
    assert shares[0] == pytest.approx(shares[1] + shares[2])


def test_published_numbers_stand_beside_the_studys_own(demo: Refreshed):
    for path in sorted(STUDIES.glob("[!c]*.toml")):
        result = conduct(shipped(path.stem), demo.store)
        assert result.comparison.height == len(result.study.published)
        for row in result.comparison.to_dicts():
            statistic = result.results.filter(
                analysis=row["analysis"], metric=row["metric"], statistic=row["statistic"]
            )
            assert statistic.select("estimate", "low", "high").row(0) == (
                row["ours"],
                row["ours_low"],
                row["ours_high"],
            )
            if row["published"] is not None:
                assert row["difference"] == pytest.approx(row["ours"] - row["published"])


# --- What the results depend on and what it refuses ------------------------------------------------------------------

QUARTERS = 'name = "quarters"\ndesign = "paired_windows"\nmetrics = ["cadence_spm"]\nwindows = "quarters"\n'


def test_a_study_rests_on_its_file_the_recordings_the_settings_and_the_code(demo: Refreshed):
    result = conduct(study(QUARTERS), demo.store)
    assert list(result.parts) == ["the study file", "the recordings and lists", "the settings", "the code"]
    assert result.parts["the study file"] == result.study.digest()
    again = conduct(study(QUARTERS), demo.store)
    assert again.parts == result.parts
    assert again.results.equals(result.results)


def test_power_needs_fewer_athletes_with_more_runs_and_more_for_a_smaller_change(demo: Refreshed):
    large, small = (
        conduct(study(f"{QUARTERS}change_pct = {change}\n"), demo.store, with_power=True).power for change in (2.0, 1.0)
    )
    assert large is not None
    assert small is not None
    for wanted in (0.8, 0.9):
        assert large.filter(power=wanted).sort("n_runs")["n_athletes"].is_sorted(descending=True)
    assert (small["n_athletes"] >= large["n_athletes"]).all()
    assert small["n_athletes"].sum() > large["n_athletes"].sum()
    assert conduct(study(QUARTERS), demo.store).power is None


@pytest.mark.parametrize(
    ("analysis", "top", "message"),
    [
        ('design = "agreement"\nmetrics = ["cadence_spm"]\n', "", "a second store of the same runs"),
        (
            QUARTERS.replace('"quarters"\n', '"q"\n', 1).replace("cadence_spm", "contact_time_ms"),
            '[cohort]\nathletes = ["moss", "pip"]\nmin_athletes = 2\n',
            "Of 12 runs of the cohort 2 recorded it; 0 of 2 athletes have responses to adjust with",
        ),
        (
            'design = "onset"\nmetrics = ["cadence_spm"]\n',
            '[cohort]\nathletes = ["brine", "crag", "ember"]\n',
            "3 athletes have cadence in",
        ),
    ],
    ids=["no second store", "nobody's metric", "too few for an onset"],
)
def test_what_cannot_be_answered_is_refused_with_the_counts(analysis: str, top: str, message: str, demo: Refreshed):
    with pytest.raises(NothingDone, match=message):
        conduct(study(analysis, top), demo.store)


def test_an_analysis_that_fails_is_reported_and_costs_no_other_nor_another_metric(demo: Refreshed):
    failing = (
        'name = "far"\ndesign = "paired_windows"\nmetrics = ["cadence_spm"]\nearly_km = [2, 4]\nlate_km = [80, 90]\n'
    )
    nobody = QUARTERS.replace('["cadence_spm"]', '["leg_stiffness_kn_m", "cadence_spm"]')
    of_two = '[cohort]\nathletes = ["moss", "brine", "gull"]\n'
    result = conduct(study(f"{nobody}\n[[analysis]]\n{failing}", of_two), demo.store)
    assert set(result.results["analysis"]) == {"quarters"}
    assert [failure.partition(":")[0] for failure in result.failures] == ["far"]
    assert "at least 2 are needed" in result.failures[0]


def test_runs_that_an_analysis_does_not_use_are_steps_with_a_reason_and_add_up(demo: Refreshed):
    result = conduct(study(QUARTERS.replace("cadence_spm", "contact_time_ms")), demo.store)
    flow = result.flows["quarters", "contact_time_ms"]
    assert flow.n_runs == result.flow.runs.height == 111
    assert flow.n_runs - sum(step.n_runs or 0 for step in flow.steps) == flow.runs.height
    change = row(result, "change_pct")
    assert (flow.runs.height, flow.runs["athlete_id"].n_unique()) == (change["n_runs"], change["n_athletes"])
    splits = demo.table("splits")
    recorded = set(splits.filter(splits["contact_time_ms"] > 0)["run_id"])
    assert flow.steps[0].n_runs == 111 - len(recorded) > 0
    assert result.analysed_runs.equals(flow.runs)


def test_a_method_with_too_little_to_go_by_refuses_in_the_name_of_the_analysis(demo: Refreshed):
    one_day = '[cohort]\nfrom_date = "2026-03-14"\nto_date = "2026-03-14"\n'
    with pytest.raises(NothingDone, match=r"^quarters: "):
        conduct(study(QUARTERS, one_day), demo.store, with_power=True)


# --- The warm-up -----------------------------------------------------------------------------------------------------


def stretches(design: str, early: str, more: str = "") -> Study:
    metrics = 'metrics = ["cadence_spm"]\n'
    return study(f'design = "{design}"\n{metrics}adjust = []\nearly_km = {early}\nlate_km = [5, 7]\n{more}')


@pytest.mark.parametrize(("design", "more"), [("paired_windows", ""), ("equivalence", "margin_pct = 2.0")])
@pytest.mark.parametrize("early", ["[0, 2]", "[0.999, 3]"])
def test_a_stretch_that_begins_in_the_warm_up_is_refused_with_its_line_and_the_fix(
    design: str, more: str, early: str, demo: Refreshed
):
    with pytest.raises(UsageError) as raised:
        conduct(stretches(design, early, more), demo.store)
    begins = early.strip("[").partition(",")[0]
    assert str(raised.value) == (
        f"The study file, line 8: early_km of '{design} 1' begins at km {begins}, and the store leaves out the first "
        "1 km of each run as warm-up. Let it begin at km 1 or later, or refresh the store with a smaller warm_up_m in "
        "settings.toml."
    )


def test_a_stretch_that_begins_where_the_warm_up_ends_is_taken(demo: Refreshed):
    assert conduct(stretches("paired_windows", "[1, 3]"), demo.store).results.height == 5


def test_a_landing_in_the_warm_up_is_none_of_its_business(demo: Refreshed):
    with pytest.raises(NothingDone, match=r"no runner was filmed at both km 0.5 and km 15"):
        conduct(study('design = "landing"\nearly_km = 0.5\nlate_km = 15'), demo.store)
