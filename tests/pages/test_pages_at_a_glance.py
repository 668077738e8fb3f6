"""What a coach sees of the demo club's pages without looking for it: verdicts, folds, room on a phone, the season."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from pipeline.inbox.lists import SURFACES
from tests.support.browser import PHONE, WIDE, Watched
from tests.support.demo_store import Refreshed

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def pages(demo: Refreshed) -> Path:
    return (demo.store / "pages").resolve()


def of_athlete(pages: Path, athlete_id: str) -> Path:
    return pages / "athletes" / athlete_id / "index.html"


# --- Worth a look -----------------------------------------------------------------------------------------------------


def test_one_look_is_open_and_the_others_unfold_under_their_names(browser: Browser, pages: Path):
    watched = Watched(browser)
    looks = watched.open(of_athlete(pages, "brine")).locator("section[aria-labelledby=look]")
    assert looks.locator("dl").filter(visible=True).count() == 1
    folded = looks.locator("details.look")
    assert folded.count() == looks.locator("dl").count() - 1 > 10
    for one in folded.all()[:3]:
        name = one.locator("summary").inner_text()
        assert name == one.locator("dt").text_content()
        one.locator("summary").click()
        assert one.locator("dd").is_visible()
        assert one.inner_text().count(name) == 1
    watched.close()


# --- A phone ----------------------------------------------------------------------------------------------------------


def test_on_a_phone_the_finding_and_what_remains_with_its_interval_are_seen_without_scrolling(
    browser: Browser, pages: Path
):
    watched = Watched(browser, viewport=PHONE)
    page = watched.open(of_athlete(pages, "brine"))
    edge = page.locator("section[aria-labelledby=numbers] .wide").evaluate(
        "(one) => one.getBoundingClientRect().left + one.clientWidth"
    )
    cells = page.locator("section[aria-labelledby=numbers] thead th")
    assert [text.split("\n")[0] for text in cells.all_inner_texts()[:4]] == [
        "metric", "finding", "what remains", "95 % interval",
    ]  # fmt: skip
    box = cells.nth(3).bounding_box()
    assert box is not None
    assert box["x"] + box["width"] <= edge + 1
    watched.close()


@pytest.mark.parametrize("size", [PHONE, WIDE], ids=["phone", "wide"])
def test_a_table_says_that_it_goes_on_sideways_exactly_where_it_does(
    browser: Browser, pages: Path, size: dict[str, int]
):
    watched = Watched(browser, viewport=size)
    page = watched.open(of_athlete(pages, "brine"))
    told = page.locator(".wide").evaluate_all(
        "(all) => all.filter((one) => one.clientWidth).map((one) => [one.scrollWidth > one.clientWidth + 1, "
        "getComputedStyle(one, '::before').content !== 'none'])"
    )
    assert [says for _, says in told] == [scrolls for scrolls, _ in told]
    assert any(scrolls for scrolls, _ in told)
    assert not all(scrolls for scrolls, _ in told)
    watched.close()


def test_on_a_phone_what_became_of_a_file_stands_below_its_name(browser: Browser, pages: Path):
    boxes = {}
    for size in (PHONE, WIDE):
        watched = Watched(browser, viewport=size)
        cells = watched.open(pages / "files.html").locator(".stacked tbody tr").first.locator("th, td").all()
        boxes[size["width"]] = [box for one in cells if (box := one.bounding_box()) is not None]
        watched.close()
    stacked, beside = boxes[PHONE["width"]], boxes[WIDE["width"]]
    assert len({box["x"] for box in stacked}) == 1
    assert [box["y"] for box in stacked] == sorted({box["y"] for box in stacked})
    assert len({box["x"] for box in beside}) == len(beside) == 3


def test_on_a_phone_the_name_of_a_setting_breaks_between_its_words(browser: Browser, pages: Path):
    watched = Watched(browser, viewport=PHONE)
    names = watched.open(pages / "methods.html").locator("code.setting")
    lines = names.evaluate_all(_LINES)
    assert len(lines) > 20
    assert any(len(broken) > 1 for broken in lines)
    for broken in lines:
        assert all(line.endswith("_") for line in broken[:-1]), broken
    watched.close()


#: The lines that a text is broken into, by where each of its letters stands.
_LINES = """(all) => all.map((one) => {
  const lines = [], range = document.createRange();
  let last = null;
  for (const text of one.childNodes) for (let place = 0; place < (text.length ?? 0); place += 1) {
    range.setStart(text, place); range.setEnd(text, place + 1);
    const top = Math.round(range.getClientRects()[0].top);
    if (top !== last) { lines.push(''); last = top; }
    lines[lines.length - 1] += text.data[place];
  }
  return lines;
})"""


# --- The season -------------------------------------------------------------------------------------------------------


def points(page: Page) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = page.locator("figure[data-chart=season] .mark-symbol.role-mark path").evaluate_all(
        "(all) => all.map((one) => ({ ...one.__data__.datum, fill: one.getAttribute('fill'), "
        "stroke: one.getAttribute('stroke') }))"
    )
    return found


def test_a_shoe_has_one_colour_on_all_pages_and_what_is_not_listed_is_hollow(browser: Browser, pages: Path):
    watched, colours = Watched(browser), {}
    hollow = 0
    for name in ("brine", "tarn", "wick", "ember", "crag"):
        shown = points(watched.open(of_athlete(pages, name)))
        assert len(shown) >= 12
        for one in shown:
            is_hollow = one["fill"] in (None, "transparent")
            assert is_hollow == ("not listed" in (one["shoe"], one["surface"]))
            hollow += is_hollow
            if not is_hollow:
                colours.setdefault(one["shoe"], set()).add(one["fill"])
    assert hollow > 0
    assert all(len(of_shoe) == 1 for of_shoe in colours.values())
    assert len(set(map(min, colours.values()))) == len(colours) > 2
    assert watched.heard == []
    watched.close()


def test_shoes_of_an_athlete_are_told_apart_also_where_the_club_has_more_than_there_are_colours(
    browser: Browser, pages: Path
):
    watched = Watched(browser)
    page = watched.open(of_athlete(pages, "brine"))
    many = [f"s{place:02}" for place in range(20)]
    placed = page.evaluate(
        "([seen, all, range]) => inSeries(seen, all)(range)", [["s01", "s07", "s13", "s02"], many, list("abcdef")]
    )
    assert placed["domain"] == ["s01", "s02", "s07", "s13"]
    assert placed["range"][:2] == ["b", "c"]
    assert len(set(placed["range"])) == 4
    surfaces = page.evaluate("(all) => inSeries(['trail'], all)([...'abcdef'])", list(SURFACES))
    assert surfaces == {"domain": ["trail"], "range": ["c"]}
    watched.close()


def test_a_complaint_that_is_not_over_runs_to_the_edge_and_one_that_is_does_not(browser: Browser, pages: Path):
    watched, reach = Watched(browser), {}
    for name in ("tarn", "brine"):
        page = watched.open(of_athlete(pages, name))
        chart = page.locator("figure[data-chart=season]")
        box = next(
            box for one in chart.locator(".mark-rect.role-mark path").all()
            if one.evaluate("(one) => 'site' in one.__data__.datum") and (box := one.bounding_box())
        )  # fmt: skip
        whole = chart.locator(".role-frame > g > path.background").first.bounding_box()
        assert whole is not None
        reach[name] = whole["x"] + whole["width"] - box["x"] - box["width"]
    assert abs(reach["tarn"]) <= 2
    assert reach["brine"] > 50
    watched.close()


# --- A run ------------------------------------------------------------------------------------------------------------


def test_only_a_run_with_walking_in_it_speaks_of_it(pages: Path):
    told = set()
    for file in pages.glob("athletes/*/2026*.html"):
        text = file.read_text(encoding="utf-8")
        caption = text.partition("<figcaption>")[2].partition("</figcaption>")[0]
        assert "Gaps: the sensor gave no reading." in caption
        has = '"run_share": [' in text
        assert ("walked" in caption) == has
        told.add(has)
    assert told == {True, False}
