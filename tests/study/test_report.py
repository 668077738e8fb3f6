"""The report of a study: one file that says all of it, runs nothing, fetches nothing and prints."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from pipeline.study.conduct import StudyResult, conduct
from pipeline.study.register import Registered
from pipeline.study.released import exposure_of, released_data
from pipeline.study.report import report as report_of
from pipeline.study.study_reader import read_study
from tests.support.browser import PAPER, PHONE, Watched
from tests.support.demo_store import Refreshed

STATED = Registered("2026-11-25T10:00:00+00:00", 0, 1)
HOSTILE = "<script>alert('in')</script>\"'><img src=x onerror=alert(1)>{{ 7 * 7 }}&amp;</style></svg>\u202e"
STUDY = """\
title = {words}
question = {words}
note = {words}
authors = [{words}]
{top}
[[analysis]]
name = {words}
design = "paired_windows"
metrics = ["contact_time_ms", "cadence_spm"]
windows = "quarters"
adjust = []

[[published]]
analysis = {words}
metric = "contact_time_ms"
statistic = "change_pct"
value = 13.1
n = 179
sd = 9.5
source = {words}
read_as = "seen"
"""


class Outline(HTMLParser):
    """Elements of a page, with their attributes, and its texts."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[tuple[str, str]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        if data.strip() and self.elements:
            self.texts.append((self.elements[-1][0], data.strip()))

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]

    def texts_of(self, tag: str) -> list[str]:
        return [text for name, text in self.texts if name == tag]


def told_of(demo: Refreshed, words: str = "Quarters", top: str = "", *, with_power: bool = False) -> StudyResult:
    stated = STUDY.format(words=json.dumps(words, ensure_ascii=False), top=top)
    return conduct(read_study(stated, name="study.toml"), demo.store, with_power=with_power)


def report(result: StudyResult, registered: Registered = STATED) -> str:
    return report_of(result, registered, exposure_of(result, released_data(result)))


@pytest.fixture(scope="module")
def result(demo: Refreshed) -> StudyResult:
    return told_of(demo, with_power=True)


@pytest.fixture(scope="module")
def page(result: StudyResult) -> str:
    return report(result)


@pytest.fixture(scope="module")
def hostile(demo: Refreshed) -> str:
    return report(told_of(demo, HOSTILE))


# --- What it says ----------------------------------------------------------------------------------------------------


def test_there_is_one_first_heading_and_a_section_for_all_that_a_reader_looks_for(page: str):
    outline = Outline(page)
    assert outline.texts_of("h1") == ["Quarters"]
    assert outline.texts_of("h2") == [
        "Cohort", "Results", "Compared with published results", "How many athletes would be needed", "Figures",
        "Methods", "Limits", "References", "Who could be found in the released data", "What the results depend on",
    ]  # fmt: skip
    assert [text.partition(".")[0] for text in outline.texts_of("caption")] == [
        "From all runs to those included", "From the cohort to what each analysis used", "Table 1", "Table 2",
        "Table 3", "Given this store's own scatter",
    ]  # fmt: skip


def test_what_is_not_there_has_no_heading(demo: Refreshed):
    stated = STUDY.format(words='"Quarters"', top="").partition("[[published]]")[0]
    outline = Outline(report(conduct(read_study(stated, name="study.toml"), demo.store)))
    assert not {"Compared with published results", "How many athletes would be needed"} & set(outline.texts_of("h2"))


def test_the_numbers_are_those_of_the_results(page: str, result: StudyResult):
    cells = Outline(page).texts
    for row in result.results.iter_rows(named=True):
        # Contact time and cadence are read to a tenth.
        decimals = 1 if row["statistic"].endswith("_level") else 2
        assert ("td", f"{row['estimate']:.{decimals}f}".replace("-", "−")) in cells
        if row["low"] is not None:
            assert any(f"{row['low']:.2f} to {row['high']:.2f}".replace("-", "−") == text for _, text in cells)


def test_the_way_from_all_runs_to_those_that_entered_adds_up(demo: Refreshed):
    result = told_of(demo, top='[cohort]\nkinds = ["race", "training"]\nmin_distance_km = 14\nmin_runs = 2')
    assert result.flow.n_runs - sum(step.n_runs for step in result.flow.steps) == result.flow.runs.height
    n_left = result.flow.n_athletes - sum(step.n_athletes for step in result.flow.steps)
    assert n_left == result.flow.runs["athlete_id"].n_unique()
    outline = Outline(report(result))
    for step in result.flow.steps:
        assert f"left out: {step.reason}" in outline.texts_of("th")
        assert (f"−{step.n_runs}" if step.n_runs else "0") in outline.texts_of("td")
    assert "−0" not in outline.texts_of("td")


def test_methods_say_what_was_done_and_limits_what_it_cannot_say(page: str):
    said = " ".join(Outline(page).texts_of("p") + Outline(page).texts_of("li"))
    for words in (
        "Splits of 1000 m are included if they are complete", "as measured, without adjustment", "by Holm's method",
        "first against last quarter of each run", "runs of an athlete averaged", "random seed is 1",
        "nothing was assigned at random", "8 kinds of device", "Estimand: the mean change over the population of units",
        "with one list of results",
    ):  # fmt: skip
        assert words in said, words


def test_references_are_published_results_and_what_the_methods_used_rest_on(page: str):
    listed = Outline(page).texts_of("li")
    named = [text.partition(". ")[0] for text in listed if text == "Quarters" or "Here for:" in text]
    assert not [text for text in listed if "memory" in text]
    assert named == [
        "Quarters", "Fisher 1935", "Hedges 1981", "Holm 1979", "Johnson and Welch 1940",
        "Searle, Casella and McCulloch 1992", "Steiger and Fouladi 1997", "Student 1908",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("top", "said"),
    [('correction = "benjamini_hochberg"', "Benjamini and Hochberg"), ('correction = "none"', "are not corrected")],
)
def test_the_correction_is_named_as_the_study_asks_for_it(top: str, said: str, demo: Refreshed):
    assert said in report(told_of(demo, top=top))


def test_a_cohort_chosen_by_hand_says_so(demo: Refreshed):
    chosen = told_of(demo, top='[cohort]\nathletes = ["brine", "crag", "ember"]')
    assert "Athletes were selected by name" in report(chosen)
    assert "selected by name" not in report(told_of(demo))


@pytest.mark.parametrize(
    ("n_versions", "said"),
    [(0, "before it was computed."), (1, "after 1 other version of it had been run"), (4, "after 4 other versions of")],
)
def test_it_says_when_the_study_was_stated_and_how_often_it_was_changed(
    n_versions: int, said: str, result: StudyResult
):
    text = report(result, Registered("2026-11-25T10:00:00+00:00", n_versions, 7))
    assert "Stated on 2026-11-25T10:00:00+00:00, before it was computed" in text
    assert said in text
    assert "This is study 7 on this store." in text


# --- What it does not ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("which", ["page", "hostile"])
def test_nothing_runs_and_nothing_is_fetched(which: str, request: pytest.FixtureRequest):
    text = request.getfixturevalue(which)
    outline = Outline(text)
    tags = {tag for tag, _ in outline.elements}
    assert not tags & {"script", "iframe", "object", "embed", "form", "input", "img", "a", "base", "foreignobject"}
    for tag, attributes in outline.elements:
        assert not [name for name in attributes if name.startswith("on")], tag
        for name in ("src", "href", "xlink:href", "action", "data", "poster"):
            assert (attributes.get(name) or "data:,").startswith(("data:", "#")), tag
    # Names of the languages of pictures are no addresses that anything asks.
    addresses = set(re.findall(r"\w+://[^\s\"'<)]+", text))
    assert addresses <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
    assert not re.search(r"url\((?!#)|@import", text)


@pytest.mark.parametrize("which", ["page", "hostile"])
def test_a_policy_forbids_all_but_its_own_style(which: str, request: pytest.FixtureRequest):
    [policy] = [meta["content"] for meta in Outline(request.getfixturevalue(which)).all("meta") if "http-equiv" in meta]
    assert policy is not None
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "unsafe" not in policy
    assert "script-src" not in policy


def test_hostile_words_are_shown_as_words(hostile: str):
    outline = Outline(hostile)
    assert outline.texts_of("h1") == [HOSTILE]
    assert HOSTILE in outline.texts_of("title")
    assert "49" not in outline.texts_of("h1")[0]
    assert HOSTILE in outline.texts_of("li")
    assert len(outline.all("style")) == 1


def test_the_names_of_athletes_are_not_asked_for_by_anything_it_draws(page: str, demo: Refreshed):
    for name in demo.table("runs")["athlete_id"].unique():
        assert not re.search(rf"\b{name}\b", page, re.I), name


# --- In a browser ----------------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("which", ["page", "hostile"])
def test_it_opens_quietly_and_fits_a_phone_and_paper(
    which: str, browser: Browser, tmp_path: Path, request: pytest.FixtureRequest
):
    (tmp_path / "report.html").write_text(request.getfixturevalue(which), encoding="utf-8")
    watched = Watched(browser)
    page = watched.open(tmp_path / "report.html")
    assert watched.heard == []
    assert page.locator("figure svg").count() == 2
    page.set_viewport_size(PHONE)
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    page.emulate_media(media="print")
    page.set_viewport_size(PAPER)
    assert page.evaluate("document.documentElement.scrollWidth") <= PAPER["width"]
    wide = "[...document.querySelectorAll('.wide')].filter((one) => one.scrollWidth > one.clientWidth + 1).length"
    assert page.evaluate(wide) == 0
    watched.close()
