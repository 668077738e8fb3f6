"""Pages of a club whose names, notes and devices are markup, scripts and addresses: shown as text, and nothing runs.

And what the policy of the pages keeps from running if something of the kind got into a page all the same.
"""

from __future__ import annotations

import shutil
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, Page

from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import refresh
from tests.support.browser import Watched
from tests.support.fit_runs import fit_run

pytestmark = pytest.mark.slow

#: Folders of athletes, and the names that the roster gives them.
ATHLETES = {
    "<img src=x onerror=alert(1)>": "</script><script>alert(1)</script>",
    '"><svg onload=alert(1)>': "{{7*7}} {% raw %} ${7*7} #{7*7}",
    "a#b?c=d%20e&f;g": "javascript:alert(1)",
    "it's 100% \u00e4\u00f8\u4e2d\U0001f3c3": "<!--<script>\u2028' onmouseover='alert(1)",
    "javascript:alert(1)": "'; alert(1); //",
}
ALL = list(ATHLETES)
SHOE = '<img src=x onerror="alert(1)">'
SITE, NOTE = "</script><script>alert(1)</script>", '"><svg onload=alert(1)>{{7*7}}'
DEVICE = "<b onclick=alert(1)>x</b>"
REFUSED = "x<iframe onload=alert(1)>#?&%.csv"


def quoted(*words: str) -> str:
    return ",".join('"{}"'.format(word.replace('"', '""')) for word in words) + "\n"


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    inbox, noise = folder / "inbox", np.random.default_rng(7)
    lists = {
        "roster.csv": "athlete_id,display_name\n" + "".join(quoted(*one) for one in ATHLETES.items()),
        "shoes.csv": "shoe_id,name\n" + quoted(SHOE, SHOE) + quoted("plain", "plain"),
        "sessions.csv": "file,shoe_id,surface\n"
        + "".join(quoted(f"{name}/{n}.fit", SHOE if n % 2 else "plain", "road") for name in ALL for n in range(4)),
        "complaints.csv": "athlete_id,from_date,to_date,site,note\n"
        + "".join(quoted(name, "2026-03-12", "2026-03-13", SITE, NOTE) for name in ALL),
    }
    for name in ALL:
        (inbox / name).mkdir(parents=True)
        for n in range(4):
            elapsed = np.arange(0, 6000 / 3 + 1)
            contact = 240 + 0.008 * elapsed + noise.normal(0, 1, len(elapsed))
            run = fit_run(f"2026-03-1{n}T09:00:00", km=6, contact_time_ms=contact, device=DEVICE)
            (inbox / name / f"{n}.fit").write_bytes(run)
    (inbox / ALL[0] / REFUSED).write_text("elapsed_s,distance_m\n")
    for name, text in lists.items():
        (inbox / name).write_text(text, encoding="utf-8")
    refresh(read_inbox(inbox), folder / "store", jobs=1)
    return (folder / "store" / "pages").resolve()


def inert(watched: Watched) -> None:
    """Nothing ran, nothing was asked for, and there is no element but those of ours."""
    assert watched.heard == []
    page = watched.page
    assert page.evaluate("[...document.scripts].map((one) => one.getAttribute('src')?.split('/').pop())") == [
        "pages.js"
    ]
    assert page.locator("img, iframe, b:not(.m b), svg image, foreignObject").count() == 0
    assert page.evaluate(_HANDLERS) == []


_HANDLERS = """[...document.querySelectorAll('*')].flatMap((one) => [...one.attributes])
  .filter(({ name, value }) => name.startsWith('on') || (name === 'href' && /^\\s*javascript/i.test(value)))
  .map(({ name, value }) => `${name}=${value}`)"""


def by_name(page: Page, athlete_id: str) -> None:
    page.get_by_role("link", name=ATHLETES[athlete_id], exact=True).first.click()


# --- Text stays text -------------------------------------------------------------------------------------------------


def test_the_index_shows_the_names_as_they_are_written(browser: Browser, pages: Path):
    watched = Watched(browser)
    page = watched.open(pages / "index.html")
    inert(watched)
    assert set(page.locator(".people:not(.derived) tbody th a").all_text_contents()) == set(ATHLETES.values())
    page.locator("section[aria-labelledby=files] summary").click()
    assert page.locator(".path").all_inner_texts() == [f"{ALL[0]}/{REFUSED}"]
    page.locator("[data-filter=name]").fill("</SCRIPT>")
    assert page.locator(".people:not(.derived) tbody th a").filter(visible=True).all_inner_texts() == [ATHLETES[ALL[0]]]
    inert(watched)
    watched.close()


def test_the_list_of_files_shows_their_names_and_the_devices_as_they_are_written(browser: Browser, pages: Path):
    watched = Watched(browser)
    page = watched.open(pages / "files.html")
    inert(watched)
    paths = page.locator("th.path").all_inner_texts()
    assert {f"{name}/{n}.fit" for name in ALL for n in range(4)} | {f"{ALL[0]}/{REFUSED}"} == set(paths)
    assert DEVICE in page.locator("main").inner_text()
    watched.close()


@pytest.mark.parametrize("athlete_id", [ALL[0], *(pytest.param(name, marks=pytest.mark.depth) for name in ALL[1:])])
def test_an_athlete_of_any_name_is_reached_shown_and_left_by_links(browser: Browser, pages: Path, athlete_id: str):
    watched = Watched(browser)
    page = watched.open(pages / "index.html")
    by_name(page, athlete_id)
    page.locator("h1", has_text="Does form").wait_for(state="detached")
    watched.drawn()
    assert page.locator("h1").inner_text() == ATHLETES[athlete_id]
    assert page.title().startswith(ATHLETES[athlete_id])
    inert(watched)
    text = page.locator("main").inner_text()
    assert f"{SITE}; {NOTE}" in text
    assert SHOE in text
    figure = page.locator("figure[data-picture=season]").filter(visible=True)
    assert SITE in figure.locator("svg text").all_text_contents()
    page.locator(".choose input").last.check(force=True)
    figure = page.locator("figure[data-picture=season]").filter(visible=True)
    figure.locator("svg.picture").focus()
    page.keyboard.press("ArrowRight")
    assert SHOE in figure.locator(".reading").inner_text()
    inert(watched)
    page.locator("section[aria-labelledby=all-runs] a").first.click()
    page.locator("h1 time").wait_for()
    watched.drawn()
    assert page.locator("h1").inner_text() == f"{ATHLETES[athlete_id]}, 13 Mar 2026"
    assert DEVICE in page.locator(".lead").inner_text()
    assert SHOE in page.locator(".lead").inner_text()
    inert(watched)
    by_name(page, athlete_id)
    page.locator("h1 time").wait_for(state="detached")
    page.get_by_role("link", name="Club", exact=True).click()
    page.locator(".people").first.wait_for()
    watched.close()


# --- The policy ------------------------------------------------------------------------------------------------------


@pytest.fixture
def asked() -> Iterator[tuple[str, list[str]]]:
    """A server on this machine: its address, and what it was asked for."""
    heard: list[str] = []

    class Listening(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            heard.append(self.path)
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Listening) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_port}", heard
        server.shutdown()


#: Ways to run something or to ask somebody, each with the word that it leaves behind.
ADDED = """
<script>window.ran.push("script in the page")</script>
<img src="data:image/gif;base64,AAAA" onerror='window.ran.push("handler of an event")'>
<a href='javascript:window.ran.push("address of a link")'>link</a>
<script src="ADDRESS/script.js"></script><img src="ADDRESS/image.png"><iframe src="ADDRESS/frame.html"></iframe>
<link rel="stylesheet" href="ADDRESS/style.css"><form action="ADDRESS/form"><button>send</button></form>
"""
TRIED = """
try { eval('window.ran.push("eval")'); } catch {}
try { Function('window.ran.push("Function")')(); } catch {}
fetch("ADDRESS/fetch").catch(() => {});
const asking = new XMLHttpRequest(); asking.open("GET", "ADDRESS/request"); asking.send();
document.querySelector('a[href^="javascript"]').click();
"""
RUN = {"script in the page", "handler of an event", "address of a link", "eval", "Function"}
ASKED = {"/script.js", "/image.png", "/frame.html", "/style.css", "/fetch", "/request"}


@pytest.mark.parametrize("has_policy", [True, False])
def test_the_policy_of_a_page_keeps_what_got_into_it_from_running_and_from_asking(
    browser: Browser, pages: Path, tmp_path: Path, asked: tuple[str, list[str]], has_policy: bool
):
    address, heard = asked
    copy = tmp_path / "pages"
    shutil.copytree(pages / "assets", copy / "assets")
    text = (pages / "index.html").read_text(encoding="utf-8")
    policy = '<meta http-equiv="Content-Security-Policy"'
    assert policy in text
    if not has_policy:
        text = text.replace(policy, "<meta data-none")
    (copy / "assets" / "first.js").write_text("window.ran = [];")
    (copy / "assets" / "last.js").write_text(TRIED.replace("ADDRESS", address))
    added = f'<script src="assets/first.js"></script>{ADDED}<script src="assets/last.js"></script></body>'
    (copy / "index.html").write_text(text.replace("</body>", added.replace("ADDRESS", address)), encoding="utf-8")
    watched = Watched(browser)
    page = watched.open(copy / "index.html")
    page.get_by_role("button", name="send").click(no_wait_after=True)
    page.wait_for_timeout(500)
    ran = set() if has_policy or "index.html" not in page.url else set(page.evaluate("window.ran"))
    if has_policy:
        assert page.evaluate("window.ran") == []
        assert heard == []
        assert len([one for one in watched.heard if "Content Security Policy" in one]) >= len(RUN | ASKED)
    else:
        assert ran == RUN
        assert {path.partition("?")[0] for path in heard} >= ASKED
    watched.close()
