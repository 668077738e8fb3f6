"""The pages only: drawn again next to the previous state, with names or with nothing that shows whose they are."""

from __future__ import annotations

import csv
import json
import re
import shutil
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest
from click.testing import CliRunner, Result

from pipeline.__main__ import main
from pipeline.core.errors import Held, NothingDone
from pipeline.core.places import remove_tree
from pipeline.core.settings import Settings
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.redraw import rebuild_pages
from pipeline.refresh.refresh import refresh
from pipeline.store.database import write_database
from pipeline.store.generations import current, generations, published
from pipeline.store.history import read_history, return_to
from pipeline.store.layout import read_table
from pipeline.store.lock import locked
from pipeline.tables import TABLES
from tests.support.demo_store import CLUB, Refreshed
from tests.support.nights import Nights, drifting_run, noted_anew


@pytest.fixture
def store(small: Refreshed, tmp_path: Path) -> Path:
    """A copy of the store of two athletes, to be changed."""
    shutil.copytree(small.store, tmp_path / "store", symlinks=True)
    return tmp_path / "store"


@pytest.fixture(scope="module")
def coded(demo: Refreshed, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the demo's store whose pages were drawn without names, by the command. Only to be read."""
    store = tmp_path_factory.mktemp("coded") / "store"
    shutil.copytree(demo.store, store, symlinks=True)
    assert run("pages", "--store", store, "--anonymous", "--jobs", "1").exit_code == 0
    return store


@pytest.fixture
def club(tmp_path: Path) -> Nights:
    """Two athletes with a run each, one of them in the roster."""
    return club_in(tmp_path)


def run_of(day: int, *, seed: int = 1) -> bytes:
    """Without contact time, so that there are few metrics to estimate."""
    return drifting_run(day, seed=seed, contact_time_ms=np.nan)


def club_in(folder: Path) -> Nights:
    nights = Nights(folder)
    nights.put("ari/0.fit", run_of(0))
    nights.put("bea/0.fit", run_of(0, seed=2))
    nights.put("roster.csv", "athlete_id,display_name\nari,Ari of the hill\n")
    return nights


@pytest.fixture(scope="module")
def refreshed_club(tmp_path_factory: pytest.TempPathFactory) -> Nights:
    """That club after a refresh; see `refreshed`."""
    nights = club_in(tmp_path_factory.mktemp("redraw") / "club")
    nights.refresh()
    return nights.remember()


@pytest.fixture
def refreshed(refreshed_club: Nights) -> Nights:
    """The club after a refresh, to be changed."""
    return refreshed_club.restored()


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def contents(folder: Path) -> dict[str, bytes]:
    return {
        file.relative_to(folder).as_posix(): file.read_bytes() for file in sorted(folder.rglob("*")) if file.is_file()
    }


def folders(store: Path) -> list[str]:
    return sorted(one.name for one in (published(store) / "pages" / "athletes").iterdir())


# --- Rebuilding -------------------------------------------------------------------------------------------------------


def test_pages_that_went_come_back_the_same_to_the_byte(small: Refreshed, store: Path):
    remove_tree(published(store) / "pages")  # as where the settings had wanted none
    assert not (store / "pages" / "index.html").exists()
    result = run("pages", "--store", store, "--jobs", "1")
    assert (result.exit_code, result.output) == (0, f"Pages of 2 athletes: {store}/pages/index.html\n")
    assert contents(store / "pages") == contents(published(small.store) / "pages")


def test_everything_but_the_pages_is_taken_over_and_the_state_before_stays_whole(demo: Refreshed, coded: Path):
    assert [one.name for one in generations(coded)] == ["000001", "000002"]
    first = generations(coded)[0]
    beside, now = contents(published(coded)), contents(first)
    assert now == contents(published(demo.store))
    apart = {name for name in beside.keys() | now.keys() if beside.get(name) != now.get(name)}
    others = {"splitdrift.duckdb", "known", "contents.json", "whole"}
    assert {name.partition("/")[0] for name in apart} == {"pages", *others}
    assert {name for name in apart if name.startswith("known")} == {"known/page_key"}
    for table in TABLES:
        assert read_table(coded, table).equals(read_table(first, table))


def test_the_database_reads_its_own_state_also_when_the_one_before_is_gone(store: Path):
    rebuild_pages(store, jobs=1)
    remove_tree(generations(store)[0])
    with duckdb.connect(str(store / "splitdrift.duckdb"), read_only=True) as connection:
        ((n_samples,),) = connection.sql("SELECT COUNT(*) FROM samples").fetchall()
    assert n_samples > 10_000


def described(database: Path) -> list[list[Any]]:
    """What a database says of its tables and columns, and how many rows it has of each run."""
    with duckdb.connect(str(database), read_only=True) as connection:
        questions = (
            "SELECT table_name, column_name, data_type, comment FROM duckdb_columns() ORDER BY ALL",
            "SELECT table_name, constraint_column_names FROM duckdb_constraints() ORDER BY ALL",
            "SELECT run_id, COUNT(*) FROM samples GROUP BY ALL ORDER BY ALL",
            "SELECT * FROM runs ORDER BY run_id",
        )
        return [connection.sql(question).fetchall() for question in questions]


@pytest.mark.parametrize("is_damaged", [False, True])
def test_the_database_is_like_the_one_before_and_made_anew_where_that_is_damaged(
    store: Path, monkeypatch: pytest.MonkeyPatch, is_damaged: bool
):
    monkeypatch.undo()
    state = published(store)
    write_database(state, state)  # with the comments on columns
    noted_anew(state)
    before = described(state / "splitdrift.duckdb")
    if is_damaged:
        (state / "splitdrift.duckdb").write_bytes(b"no database")
    rebuild_pages(store, jobs=1)
    assert described(published(store) / "splitdrift.duckdb") == before


def test_pages_are_drawn_where_the_settings_of_the_refresh_wanted_none(club: Nights):
    club.put("settings.toml", 'pages = "none"')
    club.refresh()
    assert not (club.store / "pages" / "index.html").exists()
    assert not (published(club.store) / "pages").exists()
    assert run("pages", "--store", club.store).exit_code == 0
    assert folders(club.store) == ["ari", "bea"]
    assert "Ari of the hill" in (club.store / "pages" / "index.html").read_text(encoding="utf-8")
    assert read_table(club.store, "runs").height == 2


def test_progress_is_told_by_athletes(refreshed: Nights):
    told: list[tuple[int, int]] = []
    rebuild_pages(refreshed.store, jobs=1, progress=lambda done, total: told.append((done, total)))
    assert told == [(0, 2), (1, 2), (2, 2)]


@pytest.mark.slow
def test_workers_draw_the_same_pages(small: Refreshed, store: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("pipeline.refresh.redraw.FEW_ATHLETES", 0)
    rebuild_pages(store, jobs=2)
    assert contents(published(store) / "pages") == contents(published(small.store) / "pages")


# --- Without names ----------------------------------------------------------------------------------------------------


def lines(name: str) -> list[dict[str, str]]:
    with (CLUB / name).open(encoding="utf-8", newline="") as rows:
        return list(csv.DictReader(rows))


def telling_words() -> set[str]:
    """What tells whose a page of the demo club is: ids, names, notes of the lists, and files by any part of their path.

    Left out is what identifies no one: a day (the days of runs stay, as the help says), and the ending of a file.
    """
    roster, sessions, complaints, shoes = (
        lines(f"{name}.csv") for name in ("roster", "sessions", "complaints", "shoes")
    )
    words = {row[column] for row in roster for column in ("athlete_id", "display_name", "note")}
    words |= {row["note"] for row in (*sessions, *complaints)} | {row["site"] for row in complaints}
    words |= {row[column] for row in shoes for column in ("shoe_id", "name")}
    for file in CLUB.glob("*/**/*"):
        if file.is_file():
            name = file.relative_to(CLUB).as_posix()
            words |= {name, file.name, file.name.partition(".")[0], *name.split("/")[:-1]}
    return {word.lower() for word in words if word and not re.fullmatch(r"\d{4}(-\d\d)*", word)}


def found_in(folder: Path, words: set[str]) -> dict[str, set[str]]:
    """Which words are in which files, contents or names, as whole words."""
    found = {}
    for name, content in contents(folder).items():
        text = f"{name}\n{content.decode('utf-8')}".lower()
        # Looking for parts of words first takes a hundredth of the time.
        if hits := {one for one in words if one in text and re.search(rf"(?<!\w){re.escape(one)}(?!\w)", text)}:
            found[name] = hits
    return found


def test_words_that_tell_whose_a_page_is_are_on_the_pages_with_names(demo: Refreshed):
    # Or the next test would find nothing because it looks for nothing.
    found = set().union(*found_in(published(demo.store) / "pages", telling_words()).values())
    assert {"tallow", "brine", "ropewalk", "tallow/2026-04-07-fading-strides.fit", "new laces", "left calf"} <= found


def test_no_page_without_names_tells_whose_it_is(coded: Path):
    assert found_in(published(coded) / "pages", telling_words()) == {}


def test_every_athlete_has_a_code(coded: Path):
    codes = folders(coded)
    assert len(codes) == 10
    assert all(re.fullmatch(r"runner-[a-z2-7]{8}", name) for name in codes)
    assert [one for one in codes if one not in (coded / "pages" / "index.html").read_text(encoding="utf-8")] == []


def test_codes_stay_on_a_second_rebuild_and_are_others_in_another_store(refreshed: Nights):
    seen = []
    for _ in range(2):
        rebuild_pages(refreshed.store, anonymous=True, jobs=1)
        seen.append(folders(refreshed.store))
    assert seen[0] == seen[1]
    shutil.copytree(refreshed.store, refreshed.root / "other", symlinks=True)
    for key in (refreshed.root / "other").glob("generations/*/known/page_key"):
        key.unlink()  # as if it had never had codes
        noted_anew(key.parents[1])
    rebuild_pages(refreshed.root / "other", anonymous=True, jobs=1)
    assert not set(folders(refreshed.root / "other")) & set(seen[0])


def test_the_order_of_lines_does_not_tell_whose_a_code_is(coded: Path):
    for name in ("index.html", "files.html"):
        text = (coded / "pages" / name).read_text(encoding="utf-8")
        rows = re.findall(r'<th scope="row"[^>]*>(?:<a [^>]*>)?(runner-\w+)', text)
        assert len(set(rows)) == 10
        if name == "files.html":
            assert rows[-100:] == sorted(rows[-100:])
        # Who changes comes first, by how much; those who are alike are in the order of their codes.
        steady = re.findall(r'<tr data-state="steady"[^>]*><th scope="row" data-value="(runner-\w+)"', text)
        assert steady == sorted(steady[: len(steady) // 2]) * 2


def test_codes_stay_over_refreshes_with_names_and_the_next_refresh_goes_by_the_settings(refreshed: Nights):
    rebuild_pages(refreshed.store, anonymous=True, jobs=1)
    first = folders(refreshed.store)
    refreshed.put("bea/1.fit", run_of(1, seed=3))
    refreshed.refresh()
    assert folders(refreshed.store) == ["ari", "bea"]
    rebuild_pages(refreshed.store, anonymous=True, jobs=1)
    assert folders(refreshed.store) == first


def test_a_refresh_draws_codes_where_the_settings_say_so(club: Nights):
    club.put("settings.toml", 'pages = "codes"')
    club.refresh()
    first = folders(club.store)
    assert all(name.startswith("runner-") for name in first)
    assert found_in(published(club.store) / "pages", {"ari", "bea", "ari of the hill", "0.fit"}) == {}
    index = published(club.store) / "pages" / "athletes" / first[0] / "index.html"
    club.put("bea/1.fit", run_of(1, seed=3))
    club.refresh()
    assert folders(club.store) == first
    same = [
        (published(club.store) / "pages" / "athletes" / name / "index.html").samefile(
            index.parents[1] / name / "index.html"
        )
        for name in first
    ]
    assert sorted(same) == [False, True]


# --- What prevents it -------------------------------------------------------------------------------------------------


def refused(store: Path) -> str:
    """What the command says of a store that it cannot draw; nothing of it is changed."""
    before = [one.name for one in generations(store)] if store.exists() else []
    result = run("pages", "--store", store, "--jobs", "1")
    assert (result.exit_code, result.exception is None or isinstance(result.exception, SystemExit)) == (1, True)
    assert ([one.name for one in generations(store)] if store.exists() else []) == before
    return result.output


def test_a_folder_that_is_no_store_is_refused(tmp_path: Path):
    (tmp_path / "store").mkdir()
    assert "is not a store yet" in refused(tmp_path / "store")


@pytest.mark.parametrize("name", ["names.json"])
def test_a_store_of_a_version_without_pages_is_refused(store: Path, name: str):
    (published(store) / "known" / name).unlink()
    noted_anew(published(store))
    with pytest.raises(NothingDone, match=r"made by another version of splitdrift\. Refresh it once more"):
        rebuild_pages(store)
    assert "Refresh it once more" in refused(store)


def test_a_store_whose_tables_lack_a_column_is_refused(store: Path):
    file = published(store) / "tables" / "runs" / "runs.parquet"
    pl.read_parquet(file).drop("sensors").write_parquet(file)
    noted_anew(published(store))
    assert "Refresh it once more" in refused(store)


def test_a_store_whose_settings_this_version_does_not_know_is_refused(store: Path):
    (published(store) / "settings.toml").write_text("of_another_version = 1\n")
    noted_anew(published(store))
    result = run("pages", "--store", store)
    assert (result.exit_code, "there is no setting 'of_another_version'" in result.output) == (2, True)


def test_samples_that_are_not_as_they_were_written_are_not_drawn(store: Path):
    file = next((published(store) / "tables" / "samples").rglob("*.parquet"))
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1
    file.write_bytes(content)
    assert f"{file.name} has another content" in refused(store)


def test_a_store_that_another_process_changes_is_left_alone(store: Path):
    with locked(store, wait_s=0):
        with pytest.raises(Held):
            rebuild_pages(store)
        assert "process" in refused(store)


def test_a_fault_while_drawing_leaves_the_store_as_it_was(store: Path, monkeypatch: pytest.MonkeyPatch):
    before, names = contents(store), [one.name for one in generations(store)]

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pipeline.pages.draw.write_assets", full)
    with pytest.raises(OSError, match="No space left"):
        rebuild_pages(store, jobs=1)
    assert [one.name for one in generations(store)] == names
    assert contents(store) == before


# --- History ----------------------------------------------------------------------------------------------------------


def test_a_rebuild_is_no_refresh_and_one_can_return_to_the_state_before_it(refreshed: Nights):
    rebuild_pages(refreshed.store, anonymous=True, jobs=1)
    assert [one["generation"] for one in read_history(refreshed.store)] == ["000001"]
    return_to(refreshed.store, "000001")
    assert folders(refreshed.store) == ["ari", "bea"]
    return_to(refreshed.store, "000002")
    assert all(name.startswith("runner-") for name in folders(refreshed.store))


def test_a_refresh_after_a_rebuild_builds_on_it(refreshed: Nights):
    rebuild_pages(refreshed.store, jobs=1)
    nothing_new = refreshed.refresh()
    assert nothing_new.read == []
    assert published(refreshed.store).name == "000002"
    refreshed.put("bea/1.fit", run_of(1, seed=3))
    assert refreshed.refresh().read == ["bea/1.fit"]
    assert [one["generation"] for one in read_history(refreshed.store) if not one.get("nothing_new")] == [
        "000001",
        "000003",
    ]


def test_old_states_go_as_the_settings_say(club: Nights):
    club.put("settings.toml", "keep_generations = 2")
    club.refresh()
    for _ in range(3):
        rebuild_pages(club.store, jobs=1)
    assert [one.name for one in generations(club.store)] == ["000003", "000004"]
    record = json.loads((published(club.store) / "refresh.json").read_text())
    assert record["generation"] == "000001"
    assert current(club.store) == published(club.store)
    assert Settings().keep_generations == 5
    refresh(read_inbox(club.inbox), club.store, jobs=1)
    assert published(club.store).name == "000004"
