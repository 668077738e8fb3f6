"""The pages of the demo club in a browser: nothing complains, nothing is fetched, everybody can use them.

That they say what the tables say is in `test_pages_tell_the_tables.py`.
"""

from __future__ import annotations

from itertools import product
from pathlib import Path
from typing import Any

import axe_core_python
import pytest
from playwright.sync_api import Browser, Page

from tests.support.browser import PAPER, PHONE, WIDE, Watched
from tests.support.demo_store import Refreshed

pytestmark = pytest.mark.slow

AXE = (Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
#: Of each kind a page, by what is special about it: pip has too few runs, moss nothing of form.
KINDS = {
    "index": "index.html", "files": "files.html", "methods": "methods.html", "athlete": "athletes/brine/index.html",
    "nothing of form": "athletes/moss/index.html", "too few runs": "athletes/pip/index.html",
    "run": "athletes/tarn/20260315*.html", "run without form": "athletes/moss/20260202*.html",
}  # fmt: skip
#: The club, an athlete and a run; what takes long is tried on the others in depth.
every_kind = pytest.mark.parametrize(
    "kind",
    [kind if kind in ("index", "athlete", "run") else pytest.param(kind, marks=pytest.mark.depth) for kind in KINDS],
)
#: What a keyboard has to reach, if it is to be seen.
REACHABLE = "a[href], button, select, input, summary, [tabindex='0']"


@pytest.fixture(scope="module")
def pages(demo: Refreshed) -> Path:
    return (demo.store / "pages").resolve()


def page_of(pages: Path, kind: str) -> Path:
    [file] = pages.glob(KINDS[kind])
    return file


def all_opened(page: Page) -> None:
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")


# --- Quiet -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_a_page_opens_from_the_disk_without_a_complaint_and_asks_nobody(browser: Browser, pages: Path, kind: str):
    watched = Watched(browser)
    page = watched.open(page_of(pages, kind))
    for figure in page.locator("figure[data-chart]").all():
        assert figure.locator("svg").count() == 1
    assert watched.heard == []
    watched.close()


def test_without_scripts_every_table_is_there_and_the_pictures_say_why_they_are_not(browser: Browser, pages: Path):
    watched = Watched(browser, java_script_enabled=False)
    watched.page.goto(page_of(pages, "athlete").as_uri())
    assert watched.page.locator("tbody tr").count() > 30
    assert watched.page.locator("time").first.inner_text() == "2026-02-02"
    figures = watched.page.locator("figure[data-chart]")
    assert figures.count() == 6
    assert all("needs JavaScript" in figure.inner_text() for figure in figures.all())
    watched.close()


# --- Room ------------------------------------------------------------------------------------------------------------


@every_kind
def test_no_page_has_to_be_moved_sideways_on_a_wide_screen_a_phone_or_magnified(
    browser: Browser, pages: Path, kind: str
):
    watched = Watched(browser)
    page = watched.open(page_of(pages, kind))
    all_opened(page)
    # 320 is a screen of 1280 at four times the size, which WCAG 2.2 asks for (1.4.10).
    for size in (WIDE, PHONE, {"width": 320, "height": 640}):
        watched.resized(size)
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        assert page.evaluate(_WIDER, size["width"]) == []
    watched.close()


#: Elements that end to the right of a place, but for what lies in something that scrolls, or in a picture.
_WIDER = """(right) => [...document.querySelectorAll('body *')]
  .filter((one) => one.getBoundingClientRect().right > right + 1 && one.getClientRects().length)
  .filter((one) => !one.closest('svg, .skip'))
  .filter((one) => {
    for (let over = one.parentElement; over; over = over.parentElement)
      if (getComputedStyle(over).overflowX !== 'visible' && over.tagName !== 'BODY') return false;
    return true;
  })
  .map((one) => `${one.tagName}.${one.className}`)"""


@every_kind
def test_on_paper_there_is_no_navigation_and_no_table_is_cut_off(browser: Browser, pages: Path, kind: str):
    watched = Watched(browser)
    page = watched.open(page_of(pages, kind))
    all_opened(page)
    assert page.locator("header nav").is_visible()
    page.emulate_media(media="print")
    watched.resized(PAPER)
    for hidden in ("header nav", ".skip", "form", "[data-choose]"):
        assert not any(one.is_visible() for one in page.locator(hidden).all()), hidden
    assert page.evaluate(_WIDER, PAPER["width"]) == []
    # Nothing scrolls on paper: what does not fit its box is lost.
    assert page.evaluate(_SCROLLING) == []
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    watched.close()


def test_what_is_folded_on_the_screen_is_not_lost_on_paper(browser: Browser, pages: Path):
    watched = Watched(browser)
    page = watched.open(page_of(pages, "athlete"))
    folded = page.locator("details:not([open]) table, details:not([open]) p").all()
    assert folded
    assert not any(one.is_visible() for one in folded)
    page.emulate_media(media="print")
    assert all(one.is_visible() for one in folded)
    watched.close()


_SCROLLING = """[...document.querySelectorAll('main *')]
  .filter((one) => one.clientWidth && one.scrollWidth > one.clientWidth + 1 && !one.closest('svg'))
  .filter((one) => getComputedStyle(one).overflowX !== 'visible')
  .map((one) => `${one.tagName}.${one.className}`)"""


# --- Everybody -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "scheme"),
    [
        one
        if one in [("index", "light"), ("athlete", "dark"), ("run", "light")]
        else pytest.param(*one, marks=pytest.mark.depth)
        for one in product(KINDS, ["light", "dark"])
    ],
)
def test_axe_finds_nothing_serious(browser: Browser, pages: Path, kind: str, scheme: str):
    # In dark on a phone, so that both are seen: axe takes its time.
    watched = Watched(browser, color_scheme=scheme, viewport=WIDE if scheme == "light" else PHONE)
    page = watched.open(page_of(pages, kind))
    all_opened(page)
    assert serious(page) == []
    watched.close()


def test_axe_would_find_a_text_that_is_too_pale_and_a_picture_without_words(browser: Browser, pages: Path):
    watched = Watched(browser)
    page = watched.open(page_of(pages, "too few runs"))
    page.evaluate("document.querySelector('h1').style.color = '#bbb'; document.body.append(new Image());")
    assert {one["id"] for one in serious(page)} == {"color-contrast", "image-alt"}
    watched.close()


def serious(page: Page) -> list[dict[str, Any]]:
    """What axe finds outside the drawings: those are told in words, and their colours are those of the page."""
    page.evaluate(AXE)
    found = page.evaluate("axe.run({ exclude: ['.drawn'] }, { resultTypes: ['violations'] })")["violations"]
    return [
        {"id": one["id"], "at": [node["target"] for node in one["nodes"]][:5]}
        for one in found
        if one["impact"] in ("serious", "critical")
    ]


def test_dark_is_dark_and_light_is_light(browser: Browser, pages: Path):
    brightness = {}
    for scheme in ("light", "dark"):
        watched = Watched(browser, color_scheme=scheme)
        page = watched.open(page_of(pages, "index"))
        colours = page.evaluate(
            "[document.body, document.querySelector('figure text')].map((one, place) => "
            "getComputedStyle(one)[place ? 'fill' : 'backgroundColor'].match(/\\d+/g).map(Number))"
        )
        brightness[scheme] = [sum(colour) / 3 for colour in colours]
        watched.close()
    (light_paper, light_ink), (dark_paper, dark_ink) = brightness["light"], brightness["dark"]
    assert min(light_paper, dark_ink) > 200
    assert max(light_ink, dark_paper) < 60


@every_kind
def test_the_keyboard_reaches_everything_in_order_and_shows_where_it_is(browser: Browser, pages: Path, kind: str):
    watched = Watched(browser)
    page = watched.open(page_of(pages, kind))
    all_opened(page)
    page.evaluate(
        f'window.wanted = [...document.querySelectorAll("{REACHABLE}")].filter((one) => one.checkVisibility())'
    )
    wanted = page.evaluate("wanted.length")
    assert wanted >= 5
    reached = []
    for _ in range(wanted):
        page.keyboard.press("Tab")
        reached.append(page.evaluate(_AT))
    assert [place for place, _ in reached] == list(range(wanted))
    assert all(is_shown for _, is_shown in reached), reached
    # Whatever scrolls is among them, with a name.
    assert page.evaluate(_SCROLLING.replace("=> `", "=> wanted.includes(one) ? '' : `")) == [""] * page.evaluate(
        f"{_SCROLLING}.length"
    )
    watched.close()


#: Which of the elements wanted has the focus, and whether that is seen: an outline, inside the window.
_AT = """(() => {
  const one = document.activeElement, style = getComputedStyle(one), box = one.getBoundingClientRect();
  const outlined = style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2;
  const inside = box.left >= 0 && box.left < innerWidth && box.bottom > 0 && box.top < innerHeight;
  return [wanted.indexOf(one), outlined && inside];
})()"""


def test_by_keyboard_alone_one_gets_from_the_club_to_an_athlete_and_on_to_a_run(browser: Browser, pages: Path):
    watched = Watched(browser)
    page = watched.open(page_of(pages, "index"))
    tab_to(page, "Ember")
    page.keyboard.press("Enter")
    page.wait_for_url("**/ember/index.html")
    watched.drawn()
    assert page.locator("h1").inner_text() == "Ember"
    tab_to(page, "20 Apr 2026")
    page.keyboard.press("Enter")
    page.wait_for_url("**/ember/20260420*.html")
    watched.drawn()
    assert page.locator("h1").inner_text() == "Ember, 20 Apr 2026"
    tab_to(page, "Ember")
    page.keyboard.press("Enter")
    page.wait_for_url("**/ember/index.html")
    assert watched.heard == []
    watched.close()


def tab_to(page: Page, words: str) -> None:
    for _ in range(120):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.innerText") == words:
            return
    raise AssertionError(f"no way to {words} by Tab")


def test_the_first_key_skips_what_every_page_begins_with(browser: Browser, pages: Path):
    watched = Watched(browser)
    page = watched.open(page_of(pages, "index"))
    page.keyboard.press("Tab")
    box = page.locator(".skip").bounding_box()
    assert box is not None
    assert box["x"] >= 0
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    assert page.evaluate("document.querySelector('main').contains(document.activeElement)")
    watched.close()


# --- Charts ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["index", "athlete", "nothing of form", "run", "run without form"])
def test_every_chart_is_drawn_with_marks_and_told_in_words(browser: Browser, pages: Path, kind: str):
    watched = Watched(browser)
    page = watched.open(page_of(pages, kind))
    figures = page.locator("figure[data-chart]")
    assert figures.count() >= 1
    for figure in figures.all():
        assert figure.locator(".role-mark path, .role-mark line, .role-mark text").count() >= 1
        box = figure.locator("svg").bounding_box()
        assert box is not None
        assert box["width"] > 600
        assert box["height"] > 60
        picture = figure.get_by_role("img")
        assert picture.count() == 1
        assert len(picture.get_attribute("aria-label") or "") > 60
    watched.close()


@pytest.mark.parametrize("kind", ["index", "athlete"])
def test_a_chart_changes_with_each_metric_that_is_chosen(browser: Browser, pages: Path, kind: str):
    watched = Watched(browser)
    page = watched.open(page_of(pages, kind))
    for figure in page.locator("figure:has([data-choose])").all():
        choice = figure.locator("[data-choose]")
        metrics = choice.locator("option").evaluate_all("(all) => all.map((one) => one.value)")
        assert len(metrics) == 9
        seen = set()
        for metric in metrics:
            figure.evaluate("(one) => one.querySelector('svg').dataset.old = 'yes'")
            choice.select_option(metric)
            figure.locator("svg:not([data-old])").wait_for()
            seen.add(figure.locator("svg").evaluate("(one) => one.innerHTML"))
        assert len(seen) == len(metrics)
    assert watched.heard == []
    watched.close()


# --- Dates -----------------------------------------------------------------------------------------------------------


def test_dates_are_in_the_form_of_the_viewer_and_on_the_same_day_everywhere(browser: Browser, pages: Path):
    seen = {}
    for locale, zones in (("en-GB", ("UTC", "Pacific/Auckland", "America/Los_Angeles")), ("de-DE", ("UTC",))):
        for zone in zones:
            watched = Watched(browser, locale=locale, timezone_id=zone)
            page = watched.open(page_of(pages, "athlete"))
            chart = "figure[data-chart={}] svg text"
            seen[locale, zone] = [
                page.locator(place).all_text_contents()
                for place in ("time", chart.format("season"), chart.format("runs"))
            ]
            watched.close()
    for (locale, _), texts in seen.items():
        assert texts == seen[locale, "UTC"]
    english, german = seen["en-GB", "UTC"], seen["de-DE", "UTC"]
    assert english[0][:2] == ["2 Feb 2026", "23 May 2026"]
    assert german[0][:2] == ["2. Feb. 2026", "23. Mai 2026"]
    assert {"March", "10 May"} <= set(english[1])
    assert {"März", "10 Mai"} <= set(german[1])
    assert "23 May 2026, 16.4 km" in english[2]


def test_what_is_shown_beside_the_pointer_has_the_day_of_the_table(browser: Browser, pages: Path):
    watched = Watched(browser, timezone_id="America/Los_Angeles")
    page = watched.open(page_of(pages, "athlete"))
    page.locator("figure[data-chart=season] .mark-symbol.role-mark path").first.hover()
    page.locator("#vg-tooltip-element.visible").wait_for()
    assert "2 Feb 2026" in page.locator("#vg-tooltip-element").inner_text()
    assert watched.heard == []
    watched.close()
