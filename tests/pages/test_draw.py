"""Drawing: what did not change is not drawn again; every page is whole, leads somewhere and asks nobody."""

from __future__ import annotations

import json
import re
import shutil
import sys
from collections import Counter
from collections.abc import Callable
from functools import cache, partial
from html.parser import HTMLParser
from importlib.util import cache_from_source
from pathlib import Path
from urllib.parse import unquote

import jinja2
import polars as pl
import pytest

from pipeline.core.catalogue import catalogue
from pipeline.core.errors import Damaged
from pipeline.core.metrics import QUANTITIES, Registry
from pipeline.core.settings import Settings
from pipeline.inbox.inbox import read_inbox
from pipeline.pages import draw as drawing
from pipeline.pages.club_rows import ClubRows, Pages, club_rows, run_name
from pipeline.pages.draw import draw
from pipeline.pages.language import TEXTS, Language
from pipeline.pages.units import Units
from pipeline.refresh.refresh import refresh
from pipeline.store.generations import link_tree, published
from pipeline.store.layout import run_of
from tests.support.demo_store import CLUB, Refreshed
from tests.support.nights import Nights, drifting_run
from tests.support.tcx_files import activity
from tests.support.tcx_files import file as tcx_file

VOID = {"meta", "wbr", "link", "input", "br", "hr", "img"}
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; base-uri 'none'; form-action 'none'"
)


class Page(HTMLParser):
    """What a page holds, as far as these tests ask."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: Counter[str] = Counter()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.unbalanced: list[str] = []
        self.title = ""
        self.feed(path.read_text(encoding="utf-8"))
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        self.ids += [value or "" for name, value in attrs if name == "id"]
        self.links += [value or "" for name, value in attrs if name in ("href", "src")]
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.unbalanced.append(tag)

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "title":
            self.title += data


@cache
def read(path: Path) -> Page:
    return Page(path)


def pages_below(folder: Path) -> dict[str, Path]:
    return {file.relative_to(folder).as_posix(): file for file in sorted(folder.rglob("*")) if file.is_file()}


def html(demo: Refreshed) -> dict[str, Path]:
    return {name: file for name, file in pages_below(published(demo.store) / "pages").items() if name.endswith(".html")}


# --- Every page of the demo club --------------------------------------------------------------------------------------


def test_there_is_a_page_for_the_club_each_athlete_and_each_run_and_no_other(demo: Refreshed):
    runs = demo.table("runs")
    expected = {"index.html", "files.html", "methods.html"}
    expected |= {f"athletes/{one}/index.html" for one in runs["athlete_id"]}
    expected |= {
        f"athletes/{one}/{at:%Y%m%dT%H%M%SZ}.html"
        for one, at in runs.select("athlete_id", "started_at_utc").iter_rows()
    }
    assert set(html(demo)) == expected


def assert_every_address_leads_to_a_file_of(root: Path) -> None:
    for name, file in pages_below(root).items():
        if not name.endswith(".html"):
            continue
        page = read(file)
        assert len(page.links) > 5, name
        for link in page.links:
            if link == "data:,":  # no icon, so that none is asked for
                continue
            assert not re.match(r"[a-z]+:|/", link, re.IGNORECASE), f"{name}: {link}"
            path, _, fragment = link.partition("#")
            target = (file.parent / unquote(path)).resolve() if path else file.resolve()
            assert target.is_file(), f"{name}: {link}"
            assert target.is_relative_to(root), f"{name}: {link}"
            assert not fragment or fragment in read(target).ids, f"{name}: {link}"


def test_every_address_leads_to_a_file_of_the_pages_and_none_elsewhere(demo: Refreshed):
    assert_every_address_leads_to_a_file_of(published(demo.store) / "pages")


def test_signs_that_mean_something_in_an_address_or_a_page_are_but_letters_of_a_name(tmp_path: Path):
    club = Nights(tmp_path)
    names = ("x#1 50%", 'd\'or & "ç"', "a?b=<i>", "-lead;")
    for name in names:
        club.put(f"{name}/0.fit", drifting_run(0))
    club.put("roster.csv", "athlete_id,display_name\n-lead;,</title><script>alert(1)</script>\n")
    club.refresh()
    root = published(club.store) / "pages"
    assert_every_address_leads_to_a_file_of(root)
    assert {one.name for one in (root / "athletes").iterdir()} == set(names)
    for name, file in pages_below(root).items():
        if name.endswith(".html"):
            assert read(file).unbalanced == [], name
            assert not re.search(r"<script>|<i>", file.read_text(encoding="utf-8")), name


def test_every_page_can_be_reached_from_the_index(demo: Refreshed):
    files = html(demo)
    seen, waiting = set(), [files["index.html"].resolve()]
    while waiting:
        here = waiting.pop()
        if here in seen or here.suffix != ".html":
            continue
        seen.add(here)
        waiting += [
            (here.parent / unquote(link)).resolve() for link in read(here).links if not link.startswith("data:")
        ]
    assert seen == {file.resolve() for file in files.values()}


def test_every_page_is_well_formed_and_says_what_it_is(demo: Refreshed):
    for name, file in html(demo).items():
        page = read(file)
        assert (page.unbalanced, page.open) == ([], []), name
        assert page.tags["h1"] == page.tags["main"] == page.tags["title"] == 1, name
        assert page.title.strip(), name
        assert file.read_text(encoding="utf-8").lstrip().startswith("<!doctype html>"), name
        assert ("html", "lang", "en") in page.attributes, name
        assert ("meta", "content", POLICY) in page.attributes, name
        assert ("meta", "charset", "utf-8") in page.attributes, name
        assert len(page.ids) == len(set(page.ids)), name


def test_whatever_a_page_is_labelled_by_is_on_it(demo: Refreshed):
    for name, file in html(demo).items():
        page = read(file)
        named = {value for _, attribute, value in page.attributes if attribute in ("aria-labelledby", "for")}
        assert named <= set(page.ids), name


def test_no_page_holds_script_or_style_that_its_policy_forbids(demo: Refreshed):
    for name, file in html(demo).items():
        page = read(file)
        forbidden = [one for one in page.attributes if one[1] == "style" or one[1].startswith("on")]
        assert forbidden == [], name
        scripts = re.findall(r"<script([^>]*)>([^<]*)", file.read_text(encoding="utf-8"))
        assert [re.sub(r"(\.\./)*", "", about) for about, _ in scripts] == [' src="assets/pages.js"'], name


def test_the_index_stays_small(demo: Refreshed):
    assert html(demo)["index.html"].stat().st_size < 100_000


def test_no_page_tells_where_anything_lies_on_this_machine(demo: Refreshed):
    places = [str(demo.store), str(demo.store.parent), str(published(demo.store)), str(CLUB), str(Path.home())]
    for name, file in pages_below(published(demo.store) / "pages").items():
        text = file.read_text(encoding="utf-8")
        assert not [place for place in places if len(place) > 5 and place in text], name
        assert not re.search(r"latitude|longitude|serial", text, re.IGNORECASE), name


def test_positions_and_serial_numbers_of_a_file_are_on_no_page(tmp_path: Path):
    # Seven kilometres due north from 47.123 degrees, at 3 m/s.
    points = "".join(
        f"<Trackpoint><Time>2026-03-14T09:{s // 60:02d}:{s % 60:02d}Z</Time><Position><LatitudeDegrees>"
        f"{47.123456 + s * 3 / 111_195:.6f}</LatitudeDegrees><LongitudeDegrees>-8.765432</LongitudeDegrees></Position>"
        f"<Extensions><x:TPX><x:RunCadence>85</x:RunCadence></x:TPX></Extensions></Trackpoint>"
        for s in range(0, 2333, 5)
    )
    creator = "<Creator><Name>harbour watch</Name><UnitId>3141592653</UnitId></Creator>"
    club = Nights(tmp_path)
    club.put("ari/a.tcx", tcx_file(activity(points, after=creator)))
    club.refresh()
    pages = pages_below(published(club.store) / "pages")
    whole = "".join(file.read_text(encoding="utf-8") for name, file in pages.items() if not name.startswith("assets/"))
    assert "harbour watch" in whole
    assert "7.0" in whole
    for secret in ("47.1", "8.7654", "3141592653"):
        assert secret not in whole


# --- What is drawn again ----------------------------------------------------------------------------------------------

Change = Callable[[Path], None]


def nothing(_: Path) -> None:
    """The next state is as the one before."""


def next_state(demo: Refreshed, folder: Path, change: Change, settings: Settings | None = None) -> Pages:
    """A state after the demo's with one thing changed, its pages not drawn."""
    before, built = published(demo.store), folder / "built"
    link_tree(before, built, Path(), wanted=lambda file: file.parts[0] != "pages")
    change(built)
    return Pages(built, before, settings or Settings(), folder.name)


def rewritten(built: Path, table: str, column: str, value: pl.Expr, athlete_id: str = "brine") -> None:
    path = built / "tables" / table / f"{table}.parquet"
    rows = pl.read_parquet(path)
    path.unlink()  # or the demo's own would change
    rows.with_columns(
        pl.when(pl.col("athlete_id") == athlete_id).then(value).otherwise(column).alias(column)
    ).write_parquet(path)


def drawn_anew(pages: Pages, athlete_id: str) -> tuple[bool, str]:
    """Whether the athlete's page was drawn, and of how many runs: none, some, or all."""
    draw(pages, athlete_id)
    assert pages.before is not None
    folder = Path("pages") / "athletes" / club_rows(pages).folder(athlete_id)
    before, after = pages_below(pages.before / folder), pages_below(pages.built / folder)
    assert len(after) > 1
    new = {name: name not in before or not file.samefile(before[name]) for name, file in after.items()}
    own = new.pop("index.html")
    return own, "all" if all(new.values()) else "some" if any(new.values()) else "none"


def test_what_did_not_change_gets_a_second_name(demo: Refreshed, tmp_path: Path):
    assert drawn_anew(next_state(demo, tmp_path, nothing), "brine") == (False, "none")


@pytest.mark.parametrize(
    ("moved", "expected"),
    [
        (("athlete_drift", "q_value", 2e-5), (False, "none")),
        (("athlete_drift", "q_value", 2e-3), (True, "none")),
        (("athlete_drift", "repeatability", 0.001), (False, "none")),
        (("athlete_drift", "repeatability", -0.2), (True, "none")),
        (("athlete_drift", "repeatability_low", -0.2), (False, "none")),
        (("athlete_drift", "drift_pct_per_10km", 0.001), (True, "none")),
        (("run_drift", "drift_low", 0.01), (True, "some")),
        (("usual_course", "change_pct", 0.01), (True, "none")),
        (("usual_course", "run_low", 0.01), (True, "all")),
        (("run_against_usual", "usual_low", 0.01), (True, "some")),
        (("runs", "paused_s", 1.0), (True, "all")),
    ],
    ids=str,
)
def test_pages_are_drawn_again_where_a_number_on_them_moves(
    demo: Refreshed, tmp_path: Path, moved: tuple[str, str, float], expected: tuple[bool, str]
):
    table, column, by = moved
    pages = next_state(demo, tmp_path, lambda built: rewritten(built, table, column, pl.col(column) + by))
    assert drawn_anew(pages, "brine") == expected
    assert drawn_anew(pages, "wick") == (False, "none")


def test_a_number_of_one_run_draws_that_runs_page_alone(demo: Refreshed, tmp_path: Path):
    run_id = demo.table("runs").filter(athlete_id="brine")["run_id"][3]
    longer = pl.when(run_id=run_id).then(pl.col("paused_s") + 1).otherwise("paused_s")
    pages = next_state(demo, tmp_path, lambda built: rewritten(built, "runs", "paused_s", longer))
    assert drawn_anew(pages, "brine") == (True, "some")
    folder = Path("pages") / "athletes" / "brine"
    before, after = (pages_below(one / folder) for one in (published(demo.store), pages.built))
    anew = {name for name, file in after.items() if not file.samefile(before[name])}
    assert anew == {"index.html", f"{run_name(run_id, 'brine')}.html"}


def test_another_name_in_the_roster_draws_that_athletes_pages_alone(demo: Refreshed, tmp_path: Path):
    def renamed(built: Path) -> None:
        names = json.loads((built / "known" / "names.json").read_text())
        (built / "known" / "names.json").unlink()
        (built / "known" / "names.json").write_text(json.dumps(names | {"brine": "Brine <the> younger"}))

    pages = next_state(demo, tmp_path, renamed)
    assert drawn_anew(pages, "brine") == (True, "all")
    assert drawn_anew(pages, "wick") == (False, "none")
    for file in pages_below(pages.built / "pages" / "athletes" / "brine").values():
        text = file.read_text(encoding="utf-8")
        assert "Brine &lt;the&gt; younger" in text
        assert "<the>" not in text


@pytest.mark.parametrize(
    "settings", [Settings(page_distance="mile"), Settings(page_language="de"), Settings(warm_up_m=2000.0)], ids=repr
)
def test_another_setting_draws_everything(demo: Refreshed, tmp_path: Path, settings: Settings):
    pages = next_state(demo, tmp_path, nothing, settings)
    assert drawn_anew(pages, "pip") == drawn_anew(pages, "moss") == (True, "all")


def test_a_note_of_the_roster_is_on_the_athletes_page_and_on_none_with_codes(demo: Refreshed, tmp_path: Path):
    note = "runs the long causeway"
    page = published(demo.store) / "pages" / "athletes" / "brine" / "index.html"
    assert note in page.read_text(encoding="utf-8")
    pages = next_state(demo, tmp_path, nothing, Settings(pages="codes"))
    (pages.built / "known" / "page_key").write_bytes(b"a key of this test")
    draw(pages, "brine")
    draw(pages, None)
    shown = pages_below(pages.built / "pages")
    assert len(shown) > 10
    assert not [name for name, file in shown.items() if note in file.read_text(encoding="utf-8")]


def test_in_german_every_page_says_so_and_nothing_of_the_frame_is_english(demo: Refreshed, tmp_path: Path):
    pages = next_state(demo, tmp_path, nothing, Settings(page_language="de"))
    draw(pages, "brine")
    draw(pages, None)
    found = {name: file.read_text(encoding="utf-8") for name, file in pages_below(pages.built / "pages").items()}
    shown = {name: text for name, text in found.items() if name.endswith(".html")}
    assert len(shown) > 10
    written = re.compile(
        "runs the long causeway; steady until the ninth milestone|tight after the second lamp, eased with rest"
        "|development sole pod and chest strap"
    )
    for name, text in shown.items():
        assert '<html lang="de">' in text, name
        assert "Verein" in text, name
        plain = re.sub(r'<(\w+)[^>]* lang="en".*?</\1>', "", text, flags=re.DOTALL)
        plain = re.sub(r"<[^>]+>", " ", written.sub("", plain))
        english = r"\b(?:the|of|and|with|that|is|are|this|runs?|usual|steady|athlete)\b(?![_.\w-])"
        assert not re.findall(english, plain), name
    athlete = shown["athletes/brine/index.html"]
    kept_english = re.findall(r'<(\w+)[^>]* lang="en"[^>]*>', athlete)
    assert kept_english == ["p"] * athlete.count('class="source" lang="en"')
    assert "23. Mai 2026" in shown["athletes/brine/index.html"]
    assert "+3,7 %" in shown["athletes/brine/index.html"] or "+3,8 %" in shown["athletes/brine/index.html"]


def test_another_athletes_pages_read_no_table_of_the_club_again(
    demo: Refreshed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    read: Counter[str] = Counter()
    table = ClubRows.table

    def counted(self: ClubRows, name: str) -> pl.DataFrame:
        read[name] += 1
        return table(self, name)

    monkeypatch.setattr(ClubRows, "table", counted)
    pages = next_state(demo, tmp_path, nothing, Settings())
    all_anew = Pages(pages.built, None, pages.settings, "all anew")
    draw(all_anew, "pip")
    of_first = Counter(read)
    draw(all_anew, "moss")
    assert of_first["quality"] > 0
    assert read == of_first


def test_how_many_states_are_kept_draws_nothing(demo: Refreshed, tmp_path: Path):
    assert drawn_anew(next_state(demo, tmp_path, nothing, Settings(keep_generations=9)), "brine") == (False, "none")


@pytest.mark.parametrize("name", ["_templates_digest", "code_digest"])
def test_other_code_or_templates_draw_everything(
    demo: Refreshed, tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(drawing, name, lambda: "another")
    assert drawn_anew(next_state(demo, tmp_path, nothing), "pip") == (True, "all")


@pytest.mark.parametrize("damage", [lambda file: file.unlink(), lambda file: file.write_text("<html>")])
def test_a_page_that_does_not_say_what_it_rests_on_is_not_taken_over(
    demo: Refreshed, tmp_path: Path, damage: Callable[[Path], None]
):
    pages = next_state(demo, tmp_path, nothing)
    before = tmp_path / "before"
    shutil.copytree(published(demo.store) / "pages" / "athletes" / "pip", before / "pages" / "athletes" / "pip")
    damage(before / "pages" / "athletes" / "pip" / "index.html")
    assert drawn_anew(Pages(pages.built, before, pages.settings, "damaged"), "pip") == (True, "none")


def test_a_run_page_that_is_gone_or_does_not_say_what_it_rests_on_is_drawn(demo: Refreshed, tmp_path: Path):
    pages = next_state(demo, tmp_path, nothing)
    before = tmp_path / "before"
    folder = Path("pages") / "athletes" / "moss"
    shutil.copytree(published(demo.store) / folder, before / folder)
    gone, damaged, *others = sorted((before / folder).glob("2*.html"))
    for file in (gone, before / folder / "index.html"):
        file.unlink()
    damaged.write_text("<html>")
    draw(Pages(pages.built, before, pages.settings, "gone"), "moss")
    after = pages_below(pages.built / folder)
    assert all(after[file.name].samefile(file) for file in others)
    assert [len(after[file.name].read_text(encoding="utf-8")) > 1000 for file in (gone, damaged)] == [True, True]
    assert damaged.read_text() == "<html>"


def test_samples_that_are_missing_are_named_with_the_command_that_repairs(demo: Refreshed, tmp_path: Path):
    pages = next_state(demo, tmp_path / "store" / "generations", nothing, Settings(page_distance="mile"))
    first, *_ = sorted((pages.built / "tables" / "samples" / "athlete_id=moss").rglob("*.parquet"))
    first.unlink()
    with pytest.raises(Damaged, match=rf"athlete_id=moss/.*{run_of(first)}.* is missing\..*/store --repair` repairs"):
        draw(pages, "moss")


def test_drawing_over_a_second_name_leaves_the_state_before_as_it_was(demo: Refreshed, tmp_path: Path):
    pages = next_state(demo, tmp_path, nothing, Settings(page_distance="mile"))
    page = Path("pages") / "athletes" / "pip" / "index.html"
    text = (published(demo.store) / page).read_text(encoding="utf-8")
    link_tree(published(demo.store), pages.built, page.parent)
    draw(pages, "pip")
    assert (pages.built / page).read_text(encoding="utf-8") != text
    assert (published(demo.store) / page).read_text(encoding="utf-8") == text


def _language(code: str) -> Language:
    return Language(code, Units("km", "min/km"))


def test_a_text_without_values_is_part_of_a_template_and_one_that_no_catalogue_has_fails():
    for code, text in (("en", "To the content"), ("de", catalogue(TEXTS, "de")["frame.skip"])):
        assert drawing._templates(_language(code)).from_string("{{ t('frame.skip') }}").render({}) == text
    escaped = drawing._templates(_language("en")).from_string('{{ t("frame.scrolls") ~ "<" }}').render({})
    assert escaped == f"{catalogue(TEXTS, 'en')['frame.scrolls']}&lt;"
    with pytest.raises(KeyError, match=r"no\.such_text"):
        drawing._templates(_language("en")).from_string('{{ t("no.such_text") }}')


def test_a_template_that_names_something_it_was_not_given_fails():
    with pytest.raises(jinja2.UndefinedError, match="'nowhere' is undefined"):
        drawing._templates(_language("en")).from_string("{{ nowhere }}").render({})
    with pytest.raises(jinja2.UndefinedError):
        drawing._templates(_language("en")).get_template("index.html").render({})


def test_a_row_of_a_template_gives_what_it_holds_whatever_its_name():
    shown = {"row": {"items": 3, "pop": "<"}}
    assert _rendered("{{ row.items }} {{ row.pop }}", **shown) == "3 &lt;"
    with pytest.raises(jinja2.UndefinedError, match="has no attribute 'nothing'"):
        _rendered("{{ row.nothing }}", **shown)


def test_a_macro_escapes_what_it_is_given_and_not_what_it_writes():
    macro = "{% macro cell(text) %}<td>{{ text }}{{ caller() }}</td>{% endmacro %}"
    call = "{% for text in texts %}{% call cell(text) %}{{ heads([(text, '', '')]) }}{% endcall %}{% endfor %}"
    assert _rendered(macro + call, texts=["<b>"]) == '<td>&lt;b&gt;<th scope="col">&lt;b&gt;</th></td>'


def test_languages_of_other_metrics_have_templates_of_their_own():
    other = Language("en", Units("km", "min/km"), Registry(QUANTITIES[:3]))
    assert drawing._templates(_language("en")) is drawing._templates(_language("en"))
    assert drawing._templates(other) is not drawing._templates(_language("en"))


def test_templates_are_compiled_once_and_again_where_a_text_changed_or_what_was_kept_is_damaged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(sys, "pycache_prefix", f"{tmp_path}")
    kept = Path(cache_from_source(drawing.__file__)).parent
    kept.mkdir(parents=True)
    compiled: list[str] = []

    def names_compiled(code: str = "en") -> list[str]:
        compiled.clear()
        environment = drawing._templates.__wrapped__(_language(code))
        compile_one = environment.compile

        def noted(source: str, name: str, *more: object) -> object:
            compiled.append(name)
            return compile_one(source, name, *more)

        environment.compile = noted
        environment.get_template("parts.html")
        return compiled

    assert names_compiled() == ["parts.html"]
    assert names_compiled() == []
    assert names_compiled("de") == ["parts.html"]
    with monkeypatch.context() as changed:
        changed.setattr(drawing, "_templates_digest", lambda: "other texts")
        assert names_compiled() == ["parts.html"]
    assert names_compiled() == ["parts.html"]
    assert len(list(kept.iterdir())) == 2
    (file,) = kept.glob("*.en.jinja")
    for damage in (lambda sound: sound[:30], *(partial(_flipped, place) for place in range(40))):
        file.write_bytes(damage(file.read_bytes()))
        assert names_compiled() == ["parts.html"]
        assert names_compiled() == []
    shutil.rmtree(kept)
    for _ in range(2):
        assert names_compiled() == ["parts.html"]
    assert not kept.exists()


def _flipped(place: int, content: bytes) -> bytes:
    return content[:place] + bytes([content[place] ^ 0x80]) + content[place + 1 :]


def _rendered(template: str, **shown: object) -> str:
    return drawing._templates(_language("en")).from_string(template).render(shown)


# --- Refreshes --------------------------------------------------------------------------------------------------------


def test_a_run_of_another_athlete_leaves_an_athletes_pages_as_they_are(tmp_path: Path):
    club = Nights(tmp_path)
    for day in range(3):
        club.put(f"ari/{day}.fit", drifting_run(day, seed=day))
    club.put("bea/0.fit", drifting_run(0, seed=9))
    club.refresh()
    first = published(club.store)
    club.put("bea/1.fit", drifting_run(1, seed=10))
    club.refresh()
    second = published(club.store)
    assert second != first
    ari, bea = (
        {name: file.samefile(first / "pages" / name) if (first / "pages" / name).exists() else None
         for name, file in pages_below(second / "pages").items() if name.startswith(f"athletes/{who}/")}
        for who in ("ari", "bea")
    )  # fmt: skip
    assert len(ari) == 4
    assert set(ari.values()) == {True}
    # Her own page is drawn again, that of her first run leads to her second now, and that of her second is new.
    assert sorted(map(str, bea.values())) == ["False", "False", "None"]
    club.put("roster.csv", "athlete_id,display_name\nari,Ari of the hill\n")
    club.refresh()
    third = published(club.store)
    same = {name: file.samefile(second / "pages" / name) for name, file in pages_below(third / "pages").items()}
    of_athletes = {name for name, is_same in same.items() if name.startswith("athletes/") and not is_same}
    # The page of the next athlete leads to hers by name.
    assert {name for name in of_athletes if "/ari/" not in name} == {"athletes/bea/index.html"}
    assert len(of_athletes) == 5


@pytest.mark.parametrize("club", ["small", pytest.param("demo", marks=pytest.mark.depth)])
def test_two_refreshes_of_one_inbox_give_the_same_pages_to_the_byte(
    club: str, small_club: Path, tmp_path: Path, request: pytest.FixtureRequest
):
    first: Refreshed = request.getfixturevalue(club)
    refresh(read_inbox(small_club if club == "small" else CLUB), tmp_path / "store", jobs=1)
    one, other = (pages_below(published(store) / "pages") for store in (first.store, tmp_path / "store"))
    assert set(one) == set(other)
    differing = [name for name, file in one.items() if dateless(file) != dateless(other[name])]
    assert differing == []


def dateless(file: Path) -> bytes:
    """The content; of the index without the day of the refresh, should midnight lie between two."""
    content = file.read_bytes()
    return re.sub(rb"Refreshed [^<]*<", b"", content) if file.name == "index.html" else content
