"""The pages of the demo club in a browser: nothing complains, nothing is fetched, everybody can use them.

That they say what the tables say is in `test_pages_tell_the_tables.py`.
"""

from __future__ import annotations

import re
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
#: Of a group of radio buttons it reaches the one that is chosen; the arrows do the rest.
REACHABLE = "a[href], button, select, input:not([type=radio]), input:checked, summary, [tabindex='0']"


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
    assert page.locator("figure svg.picture").count() == page.locator("figure .stage").count()
    assert watched.heard == []
    watched.close()


def test_without_scripts_every_table_and_the_first_pictures_are_there(browser: Browser, pages: Path):
    watched = Watched(browser, java_script_enabled=False)
    watched.page.goto(page_of(pages, "athlete").as_uri())
    assert watched.page.locator("tbody tr").count() > 30
    assert watched.page.locator("time").first.inner_text() == "2 Feb 2026"
    shown = watched.page.locator("figure svg.picture").filter(visible=True)
    assert shown.count() == 5  # along the distance, against speed, the season, before and after, the landings
    for box in (one.bounding_box() for one in shown.all()):
        assert box is not None
        assert box["width"] > 300
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
    for hidden in ("header nav", ".skip", "form", ".choose"):
        assert not any(one.is_visible() for one in page.locator(hidden).all()), hidden
    assert page.evaluate(_WIDER, PAPER["width"]) == []
    # Nothing scrolls on paper: what does not fit its box is lost.
    assert page.evaluate(_SCROLLING) == []
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    watched.close()


def test_what_is_folded_on_the_screen_of_a_run_is_not_lost_on_paper(browser: Browser, pages: Path):
    watched = Watched(browser)
    page = watched.open(page_of(pages, "run"))
    folded = page.locator("details:not([open]) table, details:not([open]) p").all()
    assert folded
    assert not any(one.is_visible() for one in folded)
    page.emulate_media(media="print")
    assert all(one.is_visible() for one in folded)
    watched.close()


@pytest.mark.parametrize(
    ("kind", "most"),
    [
        ("athlete", 1),
        *(pytest.param(kind, 1, marks=pytest.mark.depth) for kind in ("nothing of form", "too few runs")),
        ("index", 3),
        ("run", 3),
    ],
)
def test_an_athlete_is_one_sheet_and_the_club_and_a_run_are_few(browser: Browser, pages: Path, kind: str, most: int):
    watched = Watched(browser)
    page = watched.open(page_of(pages, kind))
    printed = page.pdf(format="A4", prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) <= most
    watched.close()


def test_the_sheet_has_the_answer_the_picture_the_last_runs_and_the_caution(browser: Browser, pages: Path):
    watched = Watched(browser)
    page = watched.open(page_of(pages, "athlete"))
    page.emulate_media(media="print")
    for part in (".answer", "figure[data-picture=course] >> nth=1", ".all-runs tbody tr >> nth=0", "footer"):
        assert page.locator(part).is_visible(), part
    for part in ("#statistician", "section[aria-labelledby=look]"):
        assert not page.locator(part).is_visible(), part
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
def test_axe_finds_nothing(browser: Browser, pages: Path, kind: str, scheme: str):
    # In dark on a phone, so that both are seen: axe takes its time.
    watched = Watched(browser, color_scheme=scheme, viewport=WIDE if scheme == "light" else PHONE)
    page = watched.open(page_of(pages, kind))
    all_opened(page)
    assert violations(page) == []
    watched.close()


def test_axe_would_find_a_text_that_is_too_pale_and_a_picture_without_words(browser: Browser, pages: Path):
    watched = Watched(browser)
    page = watched.open(page_of(pages, "too few runs"))
    page.evaluate("document.querySelector('h1').style.color = '#bbb'; document.body.append(new Image());")
    assert {"color-contrast", "image-alt"} <= {one["id"] for one in violations(page)}
    watched.close()


def violations(page: Page) -> list[dict[str, Any]]:
    """What axe finds, however slight."""
    page.evaluate(AXE)
    found = page.evaluate("axe.run({ resultTypes: ['violations'] })")["violations"]
    return [{"id": one["id"], "at": [node["target"] for node in one["nodes"]][:5]} for one in found]


def test_dark_is_dark_and_light_is_light(browser: Browser, pages: Path):
    brightness = {}
    for scheme in ("light", "dark"):
        watched = Watched(browser, color_scheme=scheme)
        page = watched.open(page_of(pages, "athlete"))
        colours = page.evaluate(
            "[document.body, document.querySelector('figure text')].map((one, place) => "
            "getComputedStyle(one)[place ? 'fill' : 'backgroundColor'].match(/\\d+/g).map(Number))"
        )
        brightness[scheme] = [sum(colour) / 3 for colour in colours]
        watched.close()
    (light_paper, light_ink), (dark_paper, dark_ink) = brightness["light"], brightness["dark"]
    assert light_paper > 200 > light_ink + 80
    assert dark_paper < 60 < dark_ink - 80


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


# --- Pictures ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["athlete", "run", "run without form"])
def test_every_picture_is_as_wide_as_its_place_with_letters_of_one_size_and_told_in_words(
    browser: Browser, pages: Path, kind: str
):
    watched = Watched(browser)
    page = watched.open(page_of(pages, kind))
    for width in (1280, 768, 390):
        watched.resized({"width": width, "height": 900})
        shown = page.locator("figure svg.picture").filter(visible=True)
        assert shown.count() >= 1
        for picture in shown.all():
            box, place = picture.bounding_box(), picture.locator("..").bounding_box()
            assert box is not None
            assert place is not None
            assert box["width"] > 0.7 * place["width"]
            assert len(picture.get_attribute("aria-label") or "") > 20
            assert picture.locator(".marks path").count() >= 1
            sizes = picture.locator("text").evaluate_all("(all) => all.map((one) => getComputedStyle(one).fontSize)")
            assert set(sizes) <= {"12px"}
    watched.close()


def test_a_metric_that_is_chosen_changes_all_pictures_and_stays_in_the_address(browser: Browser, pages: Path):
    watched = Watched(browser)
    page = watched.open(page_of(pages, "athlete"))
    metrics = page.locator(".choose input").evaluate_all("(all) => all.map((one) => one.value)")
    assert len(metrics) == 10
    for metric in metrics:
        page.locator(f".choose input[value={metric}]").check(force=True)
        shown = page.locator("[data-metric]").filter(visible=True)
        assert {one.get_attribute("data-metric") for one in shown.all()} == {metric}
        assert shown.count() == 3  # along the distance, the season, before and after
        assert page.url.endswith(f"#metric={metric}")
    page.locator("section.all-runs a").first.click()
    page.wait_for_url("**/2026*.html")
    page.go_back()
    page.locator(f".choose input[value={metrics[-1]}]:checked").wait_for(state="attached")
    assert page.locator(f"[data-metric={metrics[-1]}]").first.is_visible()
    assert watched.heard == []
    watched.close()


def test_a_squad_that_is_chosen_leaves_its_athletes_and_stays_in_the_address(browser: Browser, pages: Path):
    watched = Watched(browser)
    page = watched.open(page_of(pages, "index"))
    page.locator("[data-filter=squad]").select_option("harbour")
    shown = page.locator("table.people").first.locator("tbody th").filter(visible=True)
    assert sorted(one.get_attribute("data-value") or "" for one in shown.all()) == [
        "Ember", "Pip", "Tallow", "Tarn", "Wick",
    ]  # fmt: skip
    assert page.url.endswith("#squad=harbour")
    watched.close()


def test_the_club_is_grouped_by_squad_by_its_heading_and_a_link_to_it_shows_the_same(browser: Browser, pages: Path):
    watched = Watched(browser)
    page = watched.open(page_of(pages, "index"))
    page.locator("th[data-key=squad] button").click()
    assert page.url.endswith("#sort=squad-ascending")
    page.reload()
    page.locator("th[data-key=squad][aria-sort=ascending]").wait_for()
    assert page.locator("tbody td.squad").all_inner_texts() == ["harbour"] * 5 + ["lighthouse"] * 5
    watched.close()


def test_readings_are_shown_to_pointer_finger_and_keys(browser: Browser, pages: Path):
    watched = Watched(browser, viewport=PHONE, has_touch=True)
    page = watched.open(page_of(pages, "athlete"))
    figure = page.locator("figure[data-picture=course]").filter(visible=True)
    picture, reading = figure.locator("svg.picture"), figure.locator(".reading")
    assert reading.inner_text() == ""
    picture.focus()
    assert reading.inner_text().startswith("km 1.5: ")
    page.keyboard.press("ArrowRight")
    assert reading.inner_text().startswith("km 2.5: ")
    page.keyboard.press("End")
    last = reading.inner_text()
    assert last.startswith("km 2")
    picture.tap()
    assert reading.inner_text() not in ("", last)
    assert " % since the start" in reading.inner_text()
    watched.close()
    wide = Watched(browser)
    page = wide.open(page_of(pages, "run"))
    page.locator("figure[data-picture=run] svg.picture").nth(2).hover(position={"x": 150, "y": 40})
    told = page.locator("figure[data-picture=run] .reading").inner_text()
    assert told.startswith("split ")
    assert "pace" in told
    assert "usual" in told
    assert wide.heard == []
    wide.close()


def test_points_of_the_season_lead_to_their_runs(browser: Browser, pages: Path):
    watched = Watched(browser)
    page = watched.open(page_of(pages, "athlete"))
    point = page.locator("figure[data-picture=season]").filter(visible=True).locator("a").first
    assert (point.get_attribute("aria-label") or "").startswith("2 Feb 2026, ")
    point.focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/20260202*.html")
    assert page.locator("h1").inner_text() == "Brine, 2 Feb 2026"
    assert watched.heard == []
    watched.close()


def test_from_run_to_run(browser: Browser, pages: Path):
    watched = Watched(browser)
    page = watched.open(page_of(pages, "run"))
    assert page.locator("h1").inner_text() == "Tarn, 15 Mar 2026"
    page.locator("a[rel=next]").click()
    page.wait_for_url(lambda url: "20260315" not in url)
    page.locator("a[rel=prev]").click()
    page.wait_for_url("**/20260315*.html")
    watched.close()


def test_days_are_those_of_the_tables_wherever_the_viewer_is(browser: Browser, pages: Path):
    seen = set()
    for zone in ("UTC", "Pacific/Auckland", "America/Los_Angeles"):
        watched = Watched(browser, timezone_id=zone)
        page = watched.open(page_of(pages, "athlete"))
        seen.add(tuple(page.locator("time").all_inner_texts()))
        watched.close()
    assert len(seen) == 1
    assert next(iter(seen))[:2] == ("2 Feb 2026", "23 May 2026")
