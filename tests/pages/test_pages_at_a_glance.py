"""What a coach sees of the demo club's pages without looking for it: verdicts, folds, room on a phone, the season."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.support.browser import PHONE, WIDE, Watched
from tests.support.demo_store import Refreshed

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def pages(demo: Refreshed) -> Path:
    return (demo.store / "pages").resolve()


def of_athlete(pages: Path, athlete_id: str) -> Path:
    return pages / "athletes" / athlete_id / "index.html"


# --- The answer -------------------------------------------------------------------------------------------------------


def test_answer_and_picture_are_seen_without_scrolling_on_a_laptop(browser: Browser, pages: Path):
    watched = Watched(browser, viewport={"width": 1280, "height": 800})
    page = watched.open(of_athlete(pages, "brine"))
    for part in (".answer", "figure[data-picture=course] >> visible=true >> nth=0"):
        box = page.locator(part).bounding_box()
        assert box is not None
        assert box["y"] + min(box["height"], 300) <= 800
    watched.close()


def test_three_looks_are_shown_and_their_sources_unfold(browser: Browser, pages: Path):
    watched = Watched(browser)
    looks = watched.open(of_athlete(pages, "brine")).locator("section[aria-labelledby=look]")
    assert looks.locator("dl").filter(visible=True).count() == 3
    titles = looks.locator("dt").all_inner_texts()
    assert len(set(titles)) == 3
    source = looks.locator("dl details").first
    assert not source.locator(".source").is_visible()
    source.locator("summary").click()
    assert source.locator(".source").is_visible()
    watched.close()


def test_no_effect_of_another_landing_is_quoted_while_a_complaint_is_open(pages: Path):
    texts = {name: of_athlete(pages, name).read_text(encoding="utf-8") for name in ("tarn", "brine")}
    assert "A complaint is open since" in texts["tarn"]
    assert "behind the kneecap" not in texts["tarn"]
    assert "behind the kneecap" in texts["brine"]
    assert "While a complaint is open, the person treating it decides what may be tried." in texts["tarn"]


# --- A phone ----------------------------------------------------------------------------------------------------------


def test_on_a_phone_the_club_is_one_picture_without_scrolling_sideways(browser: Browser, pages: Path):
    watched = Watched(browser, viewport=PHONE)
    page = watched.open(pages / "index.html")
    for row in page.locator(".people:not(.derived) tbody tr").all():
        marks = row.locator("td.m").all()
        boxes = [box for one in marks if (box := one.bounding_box()) is not None]
        assert len(boxes) >= 4
        assert boxes[-1]["x"] + boxes[-1]["width"] <= PHONE["width"]
        assert len({round(box["y"]) for box in boxes}) == 1
    watched.close()


@pytest.mark.parametrize("size", [PHONE, WIDE], ids=["phone", "wide"])
def test_a_table_says_that_it_goes_on_sideways_exactly_where_it_does(
    browser: Browser, pages: Path, size: dict[str, int]
):
    watched = Watched(browser, viewport=size)
    page = watched.open(of_athlete(pages, "brine"))
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    page.wait_for_timeout(100)  # what unfolds tells so a moment later
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


def test_a_month_is_framed_where_what_is_too_small_to_matter_is_a_band(browser: Browser, pages: Path):
    watched = Watched(browser, viewport=WIDE)
    page = watched.open(pages / "athletes/brine/index.html")
    season = page.locator("figure[data-picture=season]:visible")
    assert "too small to matter: within ±2.0 %" in season.locator(".key").inner_text()
    fill = "(one) => getComputedStyle(one).fill"
    assert season.locator(".stage .interval").first.evaluate(fill) == "none"
    assert season.locator(".key .interval").evaluate(fill) == "none"
    assert season.locator(".stage .margin").first.evaluate(fill) != "none"
    watched.close()


# --- A run ------------------------------------------------------------------------------------------------------------


def test_only_a_run_with_walking_in_it_speaks_of_it(pages: Path):
    told = set()
    for file in pages.glob("athletes/*/2026*.html"):
        text = file.read_text(encoding="utf-8")
        caption = text.partition("<figcaption>")[2].partition("</figcaption>")[0]
        assert "Gaps: the sensor gave no reading." in caption
        told.add("walked" in caption)
    assert told == {True, False}
