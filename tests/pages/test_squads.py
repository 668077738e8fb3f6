"""A large club by squads: every athlete on one page, drawn from its rows, and again only where these moved."""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Callable
from html import unescape
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from playwright.sync_api import Browser

from pipeline.core.settings import Settings
from pipeline.pages import club_pages, squads
from pipeline.pages import club_rows as rows_of_club
from pipeline.pages.answers import state
from pipeline.pages.club_rows import Pages, club_rows
from pipeline.pages.language import Language
from pipeline.pages.squads import MOST_ATHLETES, squad_pages
from pipeline.pages.units import Units
from pipeline.refresh.redraw import rebuild_pages
from pipeline.refresh.steps import draw_over
from pipeline.store import sections
from pipeline.store.generations import link_files, link_tree, published
from pipeline.workers.pool import here
from tests.pages.test_draw import (
    Change,
    assert_every_address_leads_to_a_file_of,
    dateless,
    nothing,
    pages_below,
    read,
    rewritten,
)
from tests.support.browser import PHONE, Watched
from tests.support.demo_store import Refreshed
from tests.support.nights import Nights, drifting_run

People = dict[str, tuple[str | None, str]]

DEMO_SQUADS = ("harbour", "harbour_2", "lighthouse", "lighthouse_2")
ENGLISH = Language("en", Units("km", "pace"))


def people(squad: str | None, n: int, begin: int = 0) -> People:
    return {f"a{place:04d}": (squad, f"Name {place:04d}") for place in range(begin, begin + n)}


def named(squad: str | None, *names: str) -> People:
    return {f"{squad}-{name}": (squad, name) for name in names}


# --- Which page an athlete is on --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("n", "n_pages"), [(0, 0), (MOST_ATHLETES, 0), (MOST_ATHLETES + 1, 2), (10 * MOST_ATHLETES, 10)]
)
def test_a_club_is_divided_from_one_athlete_more_than_a_page_has(n: int, n_pages: int):
    assert len(squad_pages(people(None, n))) == n_pages


@pytest.mark.parametrize("n", [201, 399, 400, 401, 5003])
def test_a_squad_too_large_for_a_page_is_divided_by_name_into_equal_parts(n: int):
    parts = [athletes for _, athletes in squad_pages(people("harbour", n))]
    assert [one for part in parts for one in part] == sorted(people("harbour", n))
    sizes = Counter(map(len, parts))
    n_parts = -(-n // MOST_ATHLETES)
    assert sizes == Counter({n // n_parts: n_parts - n % n_parts}) + Counter({n // n_parts + 1: n % n_parts})


def test_every_athlete_is_on_one_page_with_the_own_squad_only_and_those_without_come_last():
    club = people("U18", 30) | people(None, 250, 100) | people("harbour", 3, 400) | people("Ärmel", 7, 500)
    found = squad_pages(club)
    assert Counter(one for _, athletes in found for one in athletes) == Counter(list(club))
    assert {(page.squad, club[one][0]) for page, athletes in found for one in athletes} == {
        (squad, squad) for squad in ("U18", None, "harbour", "Ärmel")
    }
    assert [(page.squad, len(athletes)) for page, athletes in found] == [
        ("harbour", 3), ("U18", 30), ("Ärmel", 7), (None, 125), (None, 125),
    ]  # fmt: skip
    assert [page.place for page, _ in found] == [0, 1, 2, 3, 4]


def test_names_are_in_order_as_they_are_shown_whatever_the_ids_are(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(squads, "MOST_ATHLETES", 2)
    club: People = {"x1": (None, "cyd"), "x2": (None, "Bea"), "x3": (None, "ari"), "x4": (None, "Dor")}
    assert [athletes for _, athletes in squad_pages(club)] == [["x3", "x2"], ["x1", "x4"]]


@pytest.mark.parametrize(
    ("names", "titles"),
    [
        (("Ari", "Bea", "Cyd", "Dor"), ["A to B", "C to D"]),
        (("Ari", "Cara", "Celo", "Dor"), ["A to Ca", "Ce to D"]),
        (("Ari", "Cara", "Cara B.", "Dor"), ["A to Cara", "Cara to D"]),
        (("runner-aa", "runner-ab", "runner-ba", "runner-bb"), ["runner-a", "runner-b"]),
    ],
)
def test_a_part_is_called_by_as_much_of_its_names_as_tells_it_from_the_next(
    names: tuple[str, ...], titles: list[str], monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(squads, "MOST_ATHLETES", 2)
    assert [page.title(ENGLISH) for page, _ in squad_pages(named(None, *names))] == titles


def test_parts_between_which_names_are_the_same_are_numbered(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(squads, "MOST_ATHLETES", 1)
    club: People = {"x0": (None, "Ari")} | {f"x{place}": (None, "Cyd") for place in range(1, 5)}
    titles = [page.title(ENGLISH) for page, _ in squad_pages(club)]
    assert titles == ["A", "C to Cyd", "Cyd (3)", "Cyd (4)", "Cyd to C"]


def test_parts_of_a_squad_and_those_without_one_say_so_beside_others(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(squads, "MOST_ATHLETES", 2)
    club = named("harbour", "Ari", "Bea", "Cyd") | named("U18", "Ebb") | named(None, "Flo")
    assert [page.title(ENGLISH) for page, _ in squad_pages(club)] == [
        "harbour, A",
        "harbour, B to C",
        "U18",
        "No squad",
    ]


@pytest.mark.parametrize(
    ("names", "files"),
    [
        (("U 18 / girls", "Ärmel"), {"u-18-girls", "armel"}),
        (("U18", "u18"), {r"u18_[0-9a-f]{10}"}),
        (("東", "西"), {r"_[0-9a-f]{10}"}),
        (("no squad", "../index", "a_2"), {"no-squad", "index", "a-2"}),
    ],
)
def test_a_squad_has_a_file_of_its_own_whatever_signs_its_name_has(
    names: tuple[str, ...], files: set[str], monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(squads, "MOST_ATHLETES", 1)
    found = [page.name for page, _ in squad_pages({name: (name, name) for name in names})]
    assert len(set(found)) == len(names)
    assert all(any(re.fullmatch(pattern, name) for pattern in files) for name in found)


# --- The pages --------------------------------------------------------------------------------------------------------


@pytest.fixture
def in_threes(monkeypatch: pytest.MonkeyPatch) -> None:
    """A club is large that has more than three athletes."""
    monkeypatch.setattr(squads, "MOST_ATHLETES", 3)
    monkeypatch.setattr(squads, "ATHLETES_AT_ONCE", 2)


def drawn(
    demo: Refreshed,
    folder: Path,
    settings: Settings | None = None,
    *,
    before: Path | None = None,
    change: Change = nothing,
) -> Path:
    """The pages of the demo's tables with one thing changed, drawn anew or after those of a state before."""
    built = folder / "built"
    link_tree(published(demo.store), built, Path(), wanted=lambda file: file.parts[0] != "pages")
    if settings is not None and settings.pages == "codes":
        (built / "known" / "page_key").write_bytes(b"a key of this test")
    change(built)
    athletes = demo.table("runs")["athlete_id"].unique().sort().to_list()
    for _ in draw_over(here, Pages(built, before, settings or Settings(), folder.name), athletes):
        pass
    return built / "pages"


def squads_listed(pages: Path) -> dict[str, list[str]]:
    """The numbers of each row of the index, as texts, by the page that it leads to."""
    index = (pages / "index.html").read_text(encoding="utf-8")
    rows = re.findall(r'<tr><th scope="row".*?<a href="(squads/.*?)">(.*?)</tr>', index)
    return {page: re.findall(r'data-value="(\d*)"', cells) for page, cells in rows}


def findings_listed(page: Path) -> list[str]:
    """The findings that changed, as the page says them, and how many more."""
    listed = page.read_text(encoding="utf-8").partition('<ul class="news">')[2].partition("</ul>")[0]
    return re.findall(r"<li>(.*?)</li>", listed)


def athletes_on(page: Path) -> list[str]:
    """The athletes in the picture of a page, by the folder that each name leads to."""
    picture = page.read_text(encoding="utf-8").partition('<table class="people"')[2].partition("</table>")[0]
    return re.findall(r'<th scope="row"[^>]*><a href="(?:\.\./)?athletes/([^/]+)/index.html">', picture)


def test_a_small_club_has_its_index_and_no_pages_of_squads(demo: Refreshed):
    pages = published(demo.store) / "pages"
    assert len(athletes_on(pages / "index.html")) == 10
    assert not (pages / "squads").exists()


@pytest.mark.usefixtures("in_threes")
def test_the_index_of_a_large_club_counts_the_athletes_of_each_squad_by_what_their_form_does(
    demo: Refreshed, tmp_path: Path
):
    pages = drawn(demo, tmp_path)
    squad_of = dict(demo.table("roster").select("athlete_id", "squad").iter_rows())
    drifts = demo.table("athlete_drift").partition_by("athlete_id", as_dict=True)
    expected = {}
    for page, cells in squads_listed(pages).items():
        on_page = athletes_on(pages / page)
        assert len({squad_of[one] for one in on_page}) == 1
        found = Counter(
            state(drifts[(one,)].to_dicts(), Settings().registry) if (one,) in drifts else "nothing" for one in on_page
        )
        expected[page] = [len(on_page), *(found[name] for name in ("changes", "open", "steady", "few", "nothing"))]
        assert list(map(int, cells[:6])) == expected[page]
    assert [sum(one) for one in zip(*expected.values(), strict=True)][:2] == [10, 4]
    assert sorted(one for page in expected for one in athletes_on(pages / page)) == sorted(squad_of)


@pytest.mark.usefixtures("in_threes")
def test_every_address_of_a_large_club_leads_to_a_page_and_back_to_the_squad(demo: Refreshed, tmp_path: Path):
    pages = drawn(demo, tmp_path)
    assert_every_address_leads_to_a_file_of(pages)
    assert {file.name for file in (pages / "squads").iterdir()} == {
        f"{name}{of}.html" for name in DEMO_SQUADS for of in ("", ".files")
    }
    for page in (pages / "squads").iterdir():
        assert read(page).unbalanced == []
        for athlete_id in athletes_on(page):
            assert f"../../squads/{page.name}" in read(pages / "athletes" / athlete_id / "index.html").links


@pytest.mark.usefixtures("in_threes")
def test_the_pages_of_athletes_and_runs_are_those_of_an_undivided_club_but_for_their_neighbours(
    demo: Refreshed, tmp_path: Path
):
    divided, whole = pages_below(drawn(demo, tmp_path)), pages_below(published(demo.store) / "pages")

    def content(file: Path) -> str:
        return re.sub(
            r'<header>.*?</header>|<meta name="rests-on".*?>', "", file.read_text(encoding="utf-8"), flags=re.S
        )

    own = {name for name in whole if name.startswith("athletes/")}
    assert {name for name in divided if name.startswith("athletes/")} == own
    assert [name for name in own if content(divided[name]) != content(whole[name])] == []


@pytest.mark.usefixtures("in_threes")
def test_a_page_of_a_squad_is_drawn_from_the_rows_of_its_athletes_alone(
    demo: Refreshed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    whole: list[str] = []

    def noted(folder: Path, table: str) -> pl.DataFrame:
        whole.append(table)
        return read_rows(folder, table)

    read_rows = rows_of_club.read_rows
    drawing: list[str] = []

    def watched(step: Callable[..., object], shared: Pages, items: list[object], **_: object):
        drawing.append(str(step))
        for item in items:
            monkeypatch.setattr(rows_of_club, "read_rows", noted if isinstance(item, squads.SquadTask) else read_rows)
            yield step(shared, item)

    built = tmp_path / "built"
    link_tree(published(demo.store), built, Path(), wanted=lambda file: file.parts[0] != "pages")
    pages = Pages(built, None, Settings(), "token")
    for _ in draw_over(watched, pages, club_rows(pages).athletes):  # type: ignore[arg-type]
        pass
    assert len(drawing) == 3
    assert set(whole) == {"shoes"}


@pytest.mark.usefixtures("in_threes")
def test_a_task_holds_the_rows_of_its_athletes_and_that_of_a_page_only_what_the_page_shows(
    demo: Refreshed, tmp_path: Path
):
    built = tmp_path / "built"
    link_tree(published(demo.store), built, Path(), wanted=lambda file: file.parts[0] in ("tables", "known"))
    link_files(published(demo.store), built, ["refresh.json"])
    pages = Pages(built, None, Settings(), "token")
    divided = squad_pages({one: ("all", one) for one in club_rows(pages).athletes})
    for division in squads.divisions(built, divided):
        squads.divide(pages, division)
    page, (own, *others) = divided[0]
    shown = squads.rows_of(built, squads.SquadTask(page))
    drawn = squads.rows_of(built, squads.SquadTask(page, (own,)))
    assert set(shown) == set(squads.OF_SQUAD) < set(drawn)
    run_ids = demo.table("runs").filter(pl.col("athlete_id") == own)["run_id"]
    for name in ("recordings", "run_drift", "athlete_drift", "quality", "usual_course"):
        rows = demo.table(name)
        is_own = pl.col("athlete_id") == own if "athlete_id" in rows.columns else pl.col("run_id").is_in(run_ids)
        assert drawn[name].equals(rows.filter(is_own)), name
        if name in shown:
            assert shown[name].height > drawn[name].height > 0, name
    assert set(drawn["runs"]["athlete_id"]) == {own, *others}


@pytest.mark.usefixtures("in_threes")
def test_in_german_the_index_and_the_pages_of_squads_are_german(demo: Refreshed, tmp_path: Path):
    pages = drawn(demo, tmp_path, Settings(page_language="de"))
    files = [pages / "index.html", *(pages / "squads").iterdir()]
    assert len(files) == 9
    for file in files:
        plain = unescape(re.sub(r"<[^>]+>", " ", file.read_text(encoding="utf-8").partition("<main")[2]))
        assert not re.findall(
            r"(?<![-\w])(?:the|of|and|with|to|athletes?|squads?|steady|look|days)(?![-.\w])", plain
        ), file.name
    assert "harbour, E bis P" in (pages / "index.html").read_text(encoding="utf-8")


@pytest.mark.usefixtures("in_threes")
def test_where_athletes_are_codes_they_are_divided_by_these_and_no_squad_is_told(demo: Refreshed, tmp_path: Path):
    pages = drawn(demo, tmp_path, Settings(pages="codes"))
    listed = list(squads_listed(pages))
    assert listed == [f"squads/no_squad{number}.html" for number in ("", "_2", "_3", "_4")]
    on_pages = [one for page in listed for one in athletes_on(pages / page)]
    assert len(on_pages) == 10
    assert [one for page in listed for one in sorted(athletes_on(pages / page))] == sorted(on_pages)
    for file in [pages / "index.html", *(pages / "squads").iterdir()]:
        assert not re.search("harbour|lighthouse", file.read_text(encoding="utf-8"))


def refused_listed(pages: Path) -> list[str]:
    index = (pages / "index.html").read_text(encoding="utf-8")
    return re.findall(r'<li><span class="path">(.*?)</span>', index)


@pytest.mark.parametrize("shown_by", [pytest.param("names", marks=pytest.mark.depth), "codes"])
def test_refused_files_are_the_first_of_an_undivided_club_as_they_are_shown(
    demo: Refreshed, tmp_path: Path, shown_by: str, monkeypatch: pytest.MonkeyPatch
):
    def reject(built: Path) -> None:
        for athlete_id in ("brine", "ember", "pip", "wick"):
            rewritten(built, "recordings", "status", pl.lit("rejected"), athlete_id)

    settings = Settings(pages=shown_by)
    refused = refused_listed(drawn(demo, tmp_path / "whole", settings, change=reject))
    assert len(refused) > 3
    for module in (squads, club_pages):
        monkeypatch.setattr(module, "MOST_LISTED", 3)
    monkeypatch.setattr(squads, "MOST_ATHLETES", 3)
    assert refused_listed(drawn(demo, tmp_path / "divided", settings, change=reject)) == refused[:3]


@pytest.mark.usefixtures("in_threes")
def test_every_file_is_listed_once_with_its_squad_and_counted_as_in_an_undivided_club(demo: Refreshed, tmp_path: Path):
    pages, whole = drawn(demo, tmp_path), published(demo.store) / "pages" / "files.html"

    def parts(page: Path) -> tuple[str, list[str]]:
        text = page.read_text(encoding="utf-8")
        return text.partition("<h1>")[2].partition('<section aria-labelledby="every">')[0], re.findall(
            r'<th scope="row" class="path">(.*?)</tr>', text
        )

    counts, files = parts(whole)
    listed = [parts(page)[1] for page in (pages / "squads").glob("*.files.html")]
    assert parts(pages / "files.html") == (counts, [])
    assert len(files) > 100
    assert sorted(one for page in listed for one in page) == sorted(files)
    assert all(listed)


@pytest.mark.slow
@pytest.mark.usefixtures("in_threes")
def test_squads_are_sorted_by_a_heading_lead_to_their_athletes_and_fit_a_phone(
    demo: Refreshed, tmp_path: Path, browser: Browser
):
    pages = drawn(demo, tmp_path)
    watched = Watched(browser)
    page = watched.open(pages / "index.html")
    page.locator("th[data-key=look] button").click()
    rows = page.locator("table.squads tbody th")
    worth_a_look = [int(cells[6]) for cells in squads_listed(pages).values()]
    assert [int(one) for one in page.locator("table.squads td:nth-last-child(2)").all_inner_texts()] == sorted(
        worth_a_look, reverse=True
    )
    assert rows.first.get_attribute("data-value") == "harbour, T to W"
    rows.first.locator("a").click()
    watched.drawn()
    page.locator("[data-filter=name]").fill("wi")
    names = page.locator("table.people").first.locator("tbody th").filter(visible=True)
    assert [one.get_attribute("data-value") for one in names.all()] == ["Wick"]
    names.first.locator("a").click()
    watched.drawn()
    page.locator("nav a", has_text="harbour, T to W").click()
    for file in (pages / "index.html", pages / "squads" / "harbour_2.html"):
        page = watched.open(file)
        watched.resized(PHONE)
        assert page.evaluate("document.documentElement.scrollWidth") == PHONE["width"], file.name
    assert watched.heard == []
    watched.close()


# --- What is drawn again ----------------------------------------------------------------------------------------------


def club_of_four(folder: Path) -> Nights:
    club = Nights(folder)
    for place, name in enumerate(("ari", "bea", "cyd", "dor")):
        for day in range(2):
            club.put(f"{name}/{day}.fit", drifting_run(day, seed=10 * place + day))
    club.put("roster.csv", "athlete_id,squad\nari,north\nbea,south\ncyd,north\n")
    return club


def of_squads(**is_same: bool) -> dict[str, bool]:
    return {f"{squad}{of}.html": value for squad, value in is_same.items() for of in ("", ".files")}


def same(before: Path, after: Path) -> dict[str, bool]:
    old = pages_below(before / "pages" / "squads")
    return {
        name: name in old and file.samefile(old[name])
        for name, file in pages_below(after / "pages" / "squads").items()
    }  # fmt: skip


@pytest.mark.usefixtures("in_threes")
def test_a_new_run_draws_the_page_of_its_squad_alone_and_a_club_that_shrinks_has_its_index_again(tmp_path: Path):
    club = club_of_four(tmp_path)
    club.refresh()
    first = published(club.store)
    assert not (first / "gathered").exists()
    club.put("bea/2.fit", drifting_run(2, seed=99))
    club.refresh()
    second = published(club.store)
    # All findings of the first refresh are new, and not listed: the pages of the others are as they were.
    assert same(first, second) == of_squads(no_squad=True, north=True, south=False)
    assert squads_listed(second / "pages")["squads/south.html"][0] == "1"
    club.put("roster.csv", "athlete_id,squad\nari,north\nbea,north\ncyd,north\n")
    club.refresh()
    third = published(club.store)
    assert same(second, third) == of_squads(no_squad=True, north=False)
    assert_every_address_leads_to_a_file_of(third / "pages")
    (club.inbox / "dor" / "0.fit").unlink()
    (club.inbox / "dor" / "1.fit").unlink()
    club.refresh()
    last = published(club.store) / "pages"
    assert not (last / "squads").exists()
    assert_every_address_leads_to_a_file_of(last)
    assert sorted(athletes_on(last / "index.html")) == ["ari", "bea", "cyd"]


@pytest.mark.usefixtures("in_threes")
def test_pages_of_a_squad_are_linked_where_another_squad_comes_before_it(
    demo: Refreshed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    before, after, walked, walk = drawn(demo, tmp_path / "before"), tmp_path / "after", [], os.walk

    def noted(folder: Path, **options: Any) -> Any:
        walked.append(folder.name)
        return walk(folder, **options)

    monkeypatch.setattr(os, "walk", noted)
    pages = drawn(
        demo,
        after,
        before=before.parent,
        change=lambda built: rewritten(built, "roster", "squad", pl.lit("a"), "quill"),
    )
    assert list(squads_listed(pages)) == [f"squads/{name}.html" for name in ("a", *DEMO_SQUADS)]
    harbour = [*athletes_on(pages / "squads/harbour.html"), *athletes_on(pages / "squads/harbour_2.html")]
    assert len(harbour) == 5
    names = [f"athletes/{athlete_id}/index.html" for athlete_id in harbour]
    names += [f"squads/harbour{of}.html" for of in ("", "_2", ".files", "_2.files")]
    assert [name for name in names if not (pages / name).samefile(before / name)] == []
    # Its squad is called "G to M" now, before "G to Q".
    assert not (pages / "athletes/gull/index.html").samefile(before / "athletes/gull/index.html")
    assert "squads" not in walked


@pytest.mark.usefixtures("in_threes")
def test_findings_of_an_athlete_without_a_run_left_are_on_the_index_as_in_an_undivided_club(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(sections, "MOST_ATHLETES", 1)
    club = club_of_four(tmp_path)
    for day in range(2):
        club.put(f"eve/{day}.fit", drifting_run(day, seed=50 + day))
    club.refresh()
    for day in range(2):
        (club.inbox / "eve" / f"{day}.fit").unlink()
        club.put(f"bea/{day + 2}.fit", drifting_run(day + 2, seed=60 + day))
    club.refresh()
    listed = findings_listed(published(club.store) / "pages" / "index.html")
    assert listed
    assert all(finding.startswith("eve, ") and "no run is left" in finding for finding in listed)
    monkeypatch.setattr(squads, "MOST_ATHLETES", 4)
    rebuild_pages(club.store, jobs=1)
    of_all = findings_listed(published(club.store) / "pages" / "index.html")
    assert [finding for finding in of_all if finding.startswith("eve, ")] == listed != of_all


@pytest.mark.usefixtures("in_threes")
def test_pages_are_the_same_however_the_club_is_in_sections(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    pages = []
    for number, most in enumerate((1024, 1)):
        monkeypatch.setattr(sections, "MOST_ATHLETES", most)
        club = club_of_four(tmp_path / str(number))
        club.put("ari/odd.fit", b"no recording")
        club.put("eve/odd.fit", b"no recording")
        club.put("stray.fit", b"no recording")
        club.refresh()
        assert len(list((published(club.store) / "tables" / "runs").iterdir())) == (1 if most > 1 else 8)
        pages.append(pages_below(published(club.store) / "pages"))
    one, many = pages
    assert set(one) == set(many)
    assert [name for name, file in one.items() if dateless(file) != dateless(many[name])] == []
    index = one["index.html"].read_text(encoding="utf-8")
    assert "11 recordings in 11 files" in index
    assert "3 files were rejected" in index
    assert "No run could be read for: eve." in index
