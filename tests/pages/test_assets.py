"""What all pages share: written whole whatever the cache is like, and nothing in it asks anybody for anything."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from pipeline.core import places
from pipeline.pages import assets
from pipeline.pages.assets import write_assets
from pipeline.pages.charts import specifications

OURS = Path(assets.__file__).parent / "assets"
TEMPLATES = Path(assets.__file__).parent / "templates"
NAMES = ["charts.js", "pages.css", "pages.js", "shoes.js", "vega.js"]
SHOES = ["alder", "</script>"]


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty cache of this test's own."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return tmp_path / "cache" / "splitdrift"


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What is made is made at once; the list says what was made."""
    made: list[str] = []

    def make(text: str) -> str:
        made.append(text)
        return f"{text} made\n"

    monkeypatch.setattr(assets, "_library", lambda: make("library"))
    monkeypatch.setattr(assets, "_charts", lambda: make("charts"))
    return made


def written(folder: Path) -> dict[str, str]:
    write_assets(folder, SHOES)
    return {file.name: file.read_text(encoding="utf-8") for file in folder.iterdir()}


# --- The real ones ----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("assets")
    write_assets(folder, SHOES)
    return folder


def test_five_files_are_written_and_all_are_complete(real: Path):
    assert sorted(file.name for file in real.iterdir()) == NAMES
    for name in ("pages.css", "pages.js"):
        assert (real / name).read_bytes() == (OURS / name).read_bytes()
    library = (real / "vega.js").read_text(encoding="utf-8")
    assert len(library) > 500_000
    assert "window.vegaEmbed" in library


def test_the_charts_are_one_assignment_of_all_specifications(real: Path):
    text = (real / "charts.js").read_text(encoding="utf-8")
    found = re.fullmatch(r"window\.CHARTS = (\{.*\});\n", text)
    assert found
    assert json.loads(found[1]) == json.loads(json.dumps(specifications()))


def test_the_shoes_of_the_club_are_one_assignment_in_their_order(real: Path):
    found = re.fullmatch(r"window\.SHOES = (\[.*\]);\n", (real / "shoes.js").read_text(encoding="utf-8"))
    assert found
    assert json.loads(found[1]) == SHOES


def test_every_chart_that_a_page_asks_for_is_there_and_every_one_there_is_asked_for():
    asked = {
        name
        for file in TEMPLATES.glob("*.html")
        for name in re.findall(r'parts\.chart\("(\w+)"', file.read_text(encoding="utf-8"))
    }
    assert asked == set(specifications())


@pytest.mark.parametrize("name", ["pages.js", "charts.js", "pages.css"])
def test_nothing_of_ours_fetches_anything(real: Path, name: str):
    text = (real / name).read_text(encoding="utf-8")
    forbidden = (
        r"https?:|//\w+\.\w+|\bfetch\s*\(|XMLHttpRequest|WebSocket|EventSource|sendBeacon|importScripts|\bimport\b"
    )
    assert re.findall(forbidden + r"|@import|url\(|\beval\s*\(|new Function|innerHTML", text) == []


def test_every_variable_of_the_style_sheet_is_given_in_it():
    text = (OURS / "pages.css").read_text(encoding="utf-8")
    assert set(re.findall(r"var\(--([\w-]+)\)", text)) <= set(re.findall(r"--([\w-]+):", text))


# --- The cache --------------------------------------------------------------------------------------------------------


def test_what_was_made_once_is_not_made_again(tmp_path: Path, cache: Path, quick: list[str]):
    first, second = written(tmp_path / "one"), written(tmp_path / "two")
    assert quick == ["library", "charts"]
    assert first == second
    assert first["vega.js"] == "library made\n"
    assert sorted(file.name.split("-")[0] for file in cache.iterdir()) == ["charts", "vega"]


@pytest.mark.usefixtures("quick")
def test_the_cache_is_what_is_used(tmp_path: Path, cache: Path, monkeypatch: pytest.MonkeyPatch):
    written(tmp_path / "one")
    monkeypatch.setattr(assets, "_library", lambda: "another")
    assert written(tmp_path / "two")["vega.js"] == "library made\n"
    next(cache.glob("vega-*")).unlink()
    assert written(tmp_path / "three")["vega.js"] == "another"


def test_another_version_is_made_anew(tmp_path: Path, cache: Path, quick: list[str], monkeypatch: pytest.MonkeyPatch):
    written(tmp_path / "one")
    monkeypatch.setattr(assets, "version", lambda _: "0.0.0")
    written(tmp_path / "two")
    assert quick == ["library", "charts"] * 2
    assert len(list(cache.iterdir())) == 4


def test_what_another_process_left_half_written_is_not_taken(tmp_path: Path, cache: Path, quick: list[str]):
    cache.mkdir(parents=True)
    (cache / "tmpabc").write_text("libr")
    assert written(tmp_path / "one")["vega.js"] == "library made\n"
    assert quick == ["library", "charts"]


def _is_a_file(cache: Path) -> None:
    cache.parent.write_text("no folder")


def _names_are_folders(cache: Path) -> None:
    write_assets(cache.parents[1] / "before", SHOES)
    for file in list(cache.iterdir()):
        file.unlink()
        file.mkdir()


def _is_no_text(cache: Path) -> None:
    write_assets(cache.parents[1] / "before", SHOES)
    for file in cache.iterdir():
        file.write_bytes(b"\xff\xfe\x00damaged\n\xff")


def _was_emptied(cache: Path) -> None:
    write_assets(cache.parents[1] / "before", SHOES)
    for file in cache.iterdir():
        file.write_bytes(b"")


def _was_cut_off(cache: Path) -> None:
    write_assets(cache.parents[1] / "before", SHOES)
    for file in cache.iterdir():
        file.write_bytes(file.read_bytes()[:-1])


@pytest.mark.parametrize("damage", [_is_a_file, _names_are_folders, _is_no_text, _was_emptied, _was_cut_off])
@pytest.mark.usefixtures("quick")
def test_a_damaged_cache_does_no_harm(tmp_path: Path, cache: Path, damage: object):
    assert callable(damage)
    damage(cache)
    found = written(tmp_path / "assets")
    assert sorted(found) == NAMES
    assert (found["vega.js"], found["charts.js"]) == ("library made\n", "charts made\n")


@pytest.mark.usefixtures("quick")
def test_without_a_home_the_assets_are_made_all_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    monkeypatch.delenv("HOME", raising=False)
    # As on a machine whose user has no entry: then there is no home to be found at all.
    monkeypatch.setattr(Path, "expanduser", _no_home)
    assert sorted(written(tmp_path / "assets")) == NAMES


def _no_home(_: Path) -> Path:
    raise RuntimeError("Could not determine home directory.")


@pytest.mark.usefixtures("quick")
def test_a_cache_that_may_not_be_written_does_no_harm(tmp_path: Path, cache: Path, monkeypatch: pytest.MonkeyPatch):
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(assets, "replacing", full)
    assert sorted(written(tmp_path / "assets")) == NAMES
    assert not list(cache.iterdir())


def test_a_disk_that_fills_while_the_cache_is_written_leaves_nothing_behind(
    tmp_path: Path, cache: Path, quick: list[str], monkeypatch: pytest.MonkeyPatch
):
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(places.os, "replace", full)
    assert written(tmp_path / "assets")["vega.js"] == "library made\n"
    assert quick == ["library", "charts"]
    assert not list(cache.iterdir())
