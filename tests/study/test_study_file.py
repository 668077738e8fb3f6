from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.core.errors import UsageError
from pipeline.study.study_file import Study
from pipeline.study.study_reader import read_study

STUDIES = sorted((Path(__file__).parents[2] / "data" / "studies").rglob("*.toml"))

WHOLE = """\
title = "Contact time"
question = "Does it grow?"
seed = 7

[cohort]
kinds = ["race"]
min_distance_km = 14

[[analysis]]
name = "ends"
design = "paired_windows"
metrics = ["contact_time_ms"]
early_km = [1, 5]
late_km = [10, 14]

[[published]]
analysis = "ends"
metric = "contact_time_ms"
statistic = "change_pct"
value = 13.1
source = "a paper"
read_as = "seen"
"""

NUMBERED = WHOLE.partition("value =")[0] + 'number = "chan-roper-2012.contact_time"\n'


def read(text: str) -> Study:
    return read_study(text, name="study.toml")


def test_a_study_is_read_as_it_was_written():
    study = read(WHOLE)
    (analysis,), (published,) = study.analyses, study.published
    assert (study.title, study.seed, study.correction, study.text) == ("Contact time", 7, "holm", WHOLE)
    assert (study.cohort.kinds, study.cohort.min_distance_km, study.cohort.min_athletes) == (("race",), 14.0, 3)
    assert (analysis.early_km, analysis.late_km, analysis.unit) == ((1.0, 5.0), (10.0, 14.0), "athlete")
    assert analysis.adjust == ("speed", "slope")
    assert (published.value, published.n, published.read_as) == (13.1, None, "seen")


def test_a_number_of_the_project_stands_for_value_people_and_source():
    (published,) = read(NUMBERED).published
    assert (published.value, published.n, published.sd, published.read_as) == (13.1, 179, None, "abstract")
    assert published.source == (
        "Chan-Roper et al. 2012, J Sports Sci Med 11:77-82: change of contact time; marathon runners filmed at km 8 "
        "and km 40, pace not held equal"
    )


def test_a_printed_range_needs_no_value():
    (published,) = read(WHOLE.replace("value = 13.1", "low = -0.71\nhigh = 0.04")).published
    assert (published.value, published.low, published.high) == (None, -0.71, 0.04)


def test_tags_and_runs_off_the_bike_may_define_the_cohort():
    cohort = read(WHOLE.replace('kinds = ["race"]', 'tags = ["team=north"]\nafter_ride = false')).cohort
    assert (cohort.tags, cohort.after_ride, read(WHOLE).cohort.after_ride) == (("team=north",), False, None)


def test_a_group_and_a_covariate_take_ten_lines():
    text = """\
title = "Fast and slow"
question = "Does contact time grow less in fast runners?"
[cohort]
min_distance_km = 14
[[analysis]]
design = "trend"
metrics = ["contact_time_ms"]
group = "speed_m_s"
covariates = ["age"]
"""
    [analysis] = read(text).analyses
    assert (analysis.group, analysis.covariates, analysis.group_at, analysis.along) == ("speed_m_s", ("age",), (), "km")
    assert len(text.splitlines()) < 10


def test_outcomes_are_compared_as_they_were_measured_unless_stated_otherwise():
    text = WHOLE.partition("[[published]]")[0].replace("contact_time_ms", "speed_m_s")
    assert read(text).analyses[0].adjust == ()


def test_a_changed_letter_changes_the_digest():
    assert read(WHOLE).digest() != read(WHOLE.replace("grow", "fall")).digest()
    assert read(WHOLE).digest() == read(WHOLE).digest()


@pytest.mark.parametrize("path", STUDIES, ids=lambda path: f"{path.parent.name}/{path.stem}")
def test_the_studies_that_are_shipped_can_be_read(path: Path):
    study = read_study(path.read_text(encoding="utf-8"), name=path.name)
    # Of cadence over 100 km no slope was printed.
    assert bool(study.published) is (path.stem != "cadence-ultra"), "each answers to a published result"


def test_every_shipped_study_has_one_for_the_invented_club_which_says_that_it_is_synthetic():
    real = {path.name for path in STUDIES if path.parent.name == "studies"}
    demo = {path.name: path for path in STUDIES if path.parent.name == "demo"}
    assert len(real) == 5
    assert real == set(demo)
    assert all("synthetic" in path.read_text(encoding="utf-8") for path in demo.values())


FAULTS = {
    "no flag": (
        WHOLE.replace('kinds = ["race"]', 'after_ride = "yes"'),
        "line 6: after_ride of [cohort] is 'yes'; expected true or false.",
    ),
    "no TOML": ("title = ", "is not valid TOML"),
    "no title": (
        WHOLE.replace('title = "Contact time"\n', ""),
        'the file: title is nothing; expected title = "some words"',
    ),
    "an unknown key": (
        WHOLE.replace("seed = 7", "sead = 7"),
        "line 3: sead is an unknown key; expected seed",
    ),
    "a seed that is no number": (
        WHOLE.replace("seed = 7", 'seed = "7"'),
        "line 3: seed is '7'; expected a whole number",
    ),
    "a kind that is no list": (
        WHOLE.replace('["race"]', '"race"'),
        "line 6: kinds of [cohort] is 'race'; expected a list",
    ),
    "an unknown condition": (WHOLE.replace("min_distance_km", "min_distance"), "line 7: min_distance of [cohort]"),
    "days the wrong way": (
        WHOLE.replace("min_distance_km = 14", 'from_date = "2026-05-02"\nto_date = "2026-05-01"'),
        "line 8: to_date of [cohort] is 2026-05-01; expected a day not before from_date",
    ),
    "no day": (WHOLE.replace("min_distance_km = 14", 'from_date = "May"'), "line 7: from_date of [cohort] is 'May'"),
    "an unknown design": (WHOLE.replace("paired_windows", "paired"), "line 11: design of [analysis] is 'paired'"),
    "an unknown metric": (
        WHOLE.replace('metrics = ["contact_time_ms"]', 'metrics = ["contact_ms"]'),
        "line 12: metrics of [analysis] is 'contact_ms'; expected contact_time_ms",
    ),
    "no stretches": (
        WHOLE.replace("early_km = [1, 5]\nlate_km = [10, 14]\n", ""),
        "line 9: early_km of [analysis] is no stretches; expected early_km = [2, 6]",
    ),
    "stretches and quarters": (
        WHOLE.replace("late_km = [10, 14]", 'late_km = [10, 14]\nwindows = "quarters"'),
        "line 13: early_km of [analysis] is both ways",
    ),
    "a stretch backwards": (WHOLE.replace("[1, 5]", "[5, 1]"), "line 13: early_km of [analysis] is [5, 1]"),
    "late before early": (WHOLE.replace("[10, 14]", "[3, 6]"), "line 14: late_km of [analysis] is [3, 6]"),
    "no margin": (
        WHOLE.replace("paired_windows", "equivalence"),
        "margin_pct of [analysis] is none; expected the largest",
    ),
    "no landing distances": (
        WHOLE.replace("paired_windows", "landing").replace('metrics = ["contact_time_ms"]\n', ""),
        "line 12: early_km of [analysis] is [1, 5]; expected kilometres, early_km = 10",
    ),
    "a word without effect": (
        WHOLE.replace("paired_windows", "trend"),
        "line 13: early_km of [analysis] is of no effect in trend; expected only metrics, adjust, speed_m_s",
    ),
    "thirds": (
        WHOLE.replace("early_km = [1, 5]\nlate_km = [10, 14]", 'windows = "thirds"'),
        "line 13: windows of [analysis] is 'thirds'; expected 'quarters'; thirds of a run are design = "
        '"sections" with sections = 3',
    ),
    "one stretch beside quarters": (
        WHOLE.replace("late_km = [10, 14]", 'windows = "quarters"'),
        "line 13: early_km of [analysis] is both ways",
    ),
    "one stretch of two": (
        WHOLE.replace("early_km = [1, 5]\n", ""),
        "line 13: late_km of [analysis] is one of two stretches",
    ),
    "no number at all": (WHOLE.replace("_km = 14", "_km = nan"), "line 7: min_distance_km of [cohort] is nan"),
    "a stretch without end": (WHOLE.replace("[10, 14]", "[10, inf]"), "line 14: late_km of [analysis] is [10, inf]"),
    "a change of nothing": (
        WHOLE.replace("late_km = [10, 14]", "late_km = [10, 14]\nchange_pct = 0"),
        "line 15: change_pct of [analysis] is 0; expected a change",
    ),
    "published of no analysis": (
        WHOLE.replace('analysis = "ends"', 'analysis = "end"'),
        "line 17: analysis of [published] is 'end'; expected 'ends'",
    ),
    "published without a value": (WHOLE.replace("value = 13.1\n", ""), "value of [published] is nothing"),
    "published and remembered": (
        WHOLE.replace('"seen"', '"from memory"'),
        "line 22: read_as of [published] is 'from memory'; expected 'seen'",
    ),
    "a number that the project does not have": (
        NUMBERED.replace(".contact_time", ".contact"),
        "line 20: number of [published] is 'chan-roper-2012.contact'; expected chan-roper-2012.contact_time",
    ),
    "a number and a value": (NUMBERED + "value = 13.0\n", "line 21: value of [published] is given beside number"),
    "two of one name": (
        WHOLE + '\n[[analysis]]\nname = "ends"\ndesign = "trend"\nmetrics = ["cadence_spm"]\n',
        "line 25: name of [analysis] is 'ends', as that of another; expected a name",
    ),
    "no level to adjust to": (
        WHOLE.replace('["contact_time_ms"]\nearly', '["contact_time_ms", "speed_m_s"]\nearly'),
        "line 9: adjust of [analysis] is speed and slope; expected adjust = []: no responses are estimated for speed",
    ),
    "stretches in two units": (
        WHOLE.replace("late_km = [10, 14]", "late_min = [40, 60]"),
        "line 13: early_km of [analysis] is both ways",
    ),
    "bounds that do not rise": (
        WHOLE.replace("paired_windows", "sections")
        .replace("early_km = [1, 5]", "sections_km = [1, 5, 5, 9]")
        .replace("late_km = [10, 14]\n", ""),
        "line 13: sections_km of [analysis] is [1, 5, 5, 9]; expected at least 4 rising numbers",
    ),
    "bounds of words": (
        WHOLE.replace("late_km = [10, 14]", 'late_km = [10, 14]\ngroup = "sex"\ngroup_at = [1, 2]'),
        "line 16: group_at of [analysis] is bounds of sex; expected group = 'age'",
    ),
    "a group that is a covariate too": (
        WHOLE.replace("late_km = [10, 14]", 'late_km = [10, 14]\ngroup = "age"\ncovariates = ["age"]'),
        "line 16: covariates of [analysis] is 'age'; expected covariates that are not the group",
    ),
    "groups of runs": (
        WHOLE.replace("late_km = [10, 14]", 'late_km = [10, 14]\ngroup = "sex"\nunit = "run"'),
        'line 16: unit of [analysis] is "run"; expected "athlete"',
    ),
    "a cohort of no length": (
        WHOLE.replace("min_distance_km = 14", "min_distance_km = 14\nmax_distance_km = 10"),
        "line 8: max_distance_km of [cohort] is 10; expected no less than min_distance_km, 14",
    ),
    "no analysis": (
        WHOLE.partition("[[analysis]]")[0],
        "analysis is none; expected one or several tables [[analysis]]",
    ),
}


@pytest.mark.parametrize("fault", FAULTS, ids=str)
def test_a_fault_is_told_with_its_line_what_was_found_and_what_was_expected(fault: str):
    text, message = FAULTS[fault]
    with pytest.raises(UsageError) as raised:
        read(text)
    assert str(raised.value).startswith("study.toml")
    assert message in str(raised.value)
