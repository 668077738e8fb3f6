"""What the methods of a study rest on: all of it, and nothing else."""

from __future__ import annotations

import pytest

from pipeline.study.results import Statistic
from pipeline.study.sources import all_sources, sources
from pipeline.study.study_file import CORRECTIONS, DESIGNS, Study
from pipeline.study.study_reader import read_study

STRETCHES = 'windows = "quarters"\nadjust = []\n'
WORDS = {
    "paired_windows": STRETCHES,
    "equivalence": f"{STRETCHES}margin_pct = 2.0\n",
    "trend": "adjust = []\n",
    "sections": "sections = 4\nadjust = []\n",
    "responders": STRETCHES,
    "onset": "adjust = []\n",
    "landing": "early_km = 10\nlate_km = 32\n",
    "agreement": "",
    "reliability": "",
}
BETWEEN = {"Bell and McCaffrey 2002", "MacKinnon and White 1985"}
MODELS = {"Laird and Ware 1982", "Patterson and Thompson 1971"}
#: Of each design, as its modules name them.
WORKS = {
    "paired_windows": {"Hedges 1981", "Steiger and Fouladi 1997", "Student 1908"},
    "equivalence": {"Schuirmann 1987"},
    "trend": MODELS,
    "sections": {*BETWEEN, "Greenhouse and Geisser 1959"},
    "responders": {"Searle, Casella and McCulloch 1992", "Weir 2005", "Wilson 1927"},
    "onset": {*MODELS, "Davies 1987", "Huber 1964", "Kline and Santos 2012"},
    "landing": {"Edwards 1948", "Fagerland, Lydersen and Laake 2013", "McNemar 1947", "Wilson 1927"},
    "agreement": {"Bland and Altman 1986"},
    "reliability": {
        *MODELS, "DerSimonian and Laird 1986", "Hopkins 2000", "Huber 1964", "Searle, Casella and McCulloch 1992",
        "Shrout and Fleiss 1979", "Weir 2005",
    },
}  # fmt: skip


def study(design: str, words: str = "", *, metric: str = "cadence_spm", top: str = "") -> Study:
    metrics = "" if design == "landing" else f'metrics = ["{metric}"]\n'
    text = f'title = "A"\nquestion = "B"\n{top}\n[[analysis]]\ndesign = "{design}"\n{metrics}{words or WORDS[design]}'
    return read_study(text, name="study.toml")


def named(stated: Study, way: str = "", *, is_corrected: bool = False, with_power: bool = False) -> set[str]:
    [analysis] = stated.analyses
    statistic = Statistic(analysis.name, analysis.design, "", "change_pct", 1.0, way=way)
    works = sources(stated, [statistic], is_corrected=is_corrected, with_power=with_power)
    return {source.cite.partition(". ")[0] for source in works}


@pytest.mark.parametrize("design", DESIGNS)
def test_a_design_names_the_works_of_its_own_methods_and_no_others(design: str):
    assert named(study(design)) == WORKS[design]


@pytest.mark.parametrize(
    ("design", "way", "more"),
    [
        ("paired_windows", "signs_drawn", {"Fisher 1935", "Phipson and Smyth 2010"}),
        ("paired_windows", "signs_counted", {"Fisher 1935"}),
        ("paired_windows", "t", set()),
        ("landing", "bowker", {"Bowker 1948"}),
        ("landing", "share", set()),
        ("landing", "share_of_events", {"Korn and Graubard 1998"}),
        ("landing", "odds_of_events", {"Liang and Zeger 1986"}),
        ("landing", "kappa", {"Cohen 1960", "Fleiss, Cohen and Everitt 1969"}),
        ("landing", "stuart_maxwell", {"Maxwell 1970", "Stuart 1955"}),
        ("agreement", "several_pairs", {"Bland and Altman 2007", "Zou 2013"}),
        ("agreement", "one_pair", {"Carkeet 2015"}),
    ],
)
def test_of_several_ways_of_a_design_the_one_that_was_taken_is_named(design: str, way: str, more: set[str]):
    assert named(study(design), way) == WORKS[design] | more


def test_adjusting_names_what_the_responses_come_from():
    adjusted = named(study("paired_windows", 'windows = "quarters"\n'))
    assert adjusted == WORKS["paired_windows"] | MODELS | {"DerSimonian and Laird 1986", "Huber 1964"}


@pytest.mark.parametrize(
    ("correction", "more"),
    [("holm", {"Holm 1979"}), ("benjamini_hochberg", {"Benjamini and Hochberg 1995"}), ("none", set())],
)
def test_a_correction_is_named_where_something_was_corrected(correction: str, more: set[str]):
    stated = study("trend", top=f'correction = "{correction}"')
    assert named(stated, is_corrected=True) == WORKS["trend"] | more
    assert named(stated, is_corrected=False) == WORKS["trend"]


def test_groups_covariates_and_priors_name_what_they_rest_on():
    assert named(study("trend", "adjust = []\ngroup = 'sex'\n")) == WORKS["trend"] | BETWEEN
    assert named(study("trend", "adjust = []\nprior_sd_pct = 5\n")) == WORKS["trend"] | {"Gelman 2006"}


def test_stiffness_and_power_are_named_where_they_are_told():
    power = {"Johnson and Welch 1940", "Searle, Casella and McCulloch 1992"}
    assert named(study("trend", metric="leg_stiffness_kn_m")) == {
        *WORKS["trend"], "Morin, Dalleau, Kyrolainen, Jeannin and Belli 2005",
    }  # fmt: skip
    assert named(study("equivalence"), with_power=True) == WORKS["equivalence"] | power


def test_every_work_of_the_file_is_called_for_by_something():
    callers = {*DESIGNS, *CORRECTIONS, "adjust", "between", "posterior", "stiffness", "power"}
    for source in all_sources():
        assert source.of, source.work
        assert source.gives, source.work
        assert set(source.of) <= callers, source.work
        if source.way:
            assert len(source.of) == 1, source.work
    works = [source.cite.partition(". ")[0] for source in all_sources()]
    assert len(set(works)) == len(works)
    elsewhere = {
        "Gelman",
        "Johnson and Welch",
        "Morin",
        "Holm",
        "Benjamini",
        "Fisher",
        "Phipson",
        "Bowker",
        "Maxwell",
        "Stuart",
        "Korn",
        "Liang",
    }
    elsewhere |= {"Carkeet", "Cohen", "Fleiss"}
    for work in works:
        assert any(work in named for named in WORKS.values()) or work.startswith(
            (*elsewhere, "Bland", "Carkeet", "Zou")
        ), work
