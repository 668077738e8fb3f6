"""A refresh that finds nothing new is decided without a library, and only where that is certain."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from click.testing import CliRunner

from pipeline.__main__ import main
from pipeline.core.settings import Settings
from pipeline.inbox.as_found import digest_of_others
from pipeline.refresh.unchanged import NOTE, nothing_new
from pipeline.store.generations import published
from pipeline.store.history import read_history
from tests.support.nights import Nights, drifting_run

ROSTER = "athlete_id,mass_kg\nari,60\nnobody,70\n"


@pytest.fixture(scope="module")
def refreshed_club(tmp_path_factory: pytest.TempPathFactory) -> Nights:
    nights = Nights(tmp_path_factory.mktemp("unchanged") / "club")
    nights.put("ari/a.fit", drifting_run())
    nights.put("ari/b.csv", "not,a,recording\n1,2,3\n")
    nights.put("bo/a.fit", drifting_run(1, seed=2))
    nights.put("bo/columns.toml", "# nothing\n")
    nights.put("roster.csv", ROSTER)
    nights.put("settings.toml", 'pages = "none"\n')
    nights.refresh()
    return nights.remember()


@pytest.fixture
def club(refreshed_club: Nights) -> Nights:
    return refreshed_club.restored()


def test_an_inbox_as_it_was_is_nothing_new_and_stands_in_the_history(club: Nights):
    found = nothing_new(club.inbox, club.store)
    assert found is not None
    assert (found.state, found.n_files) == (published(club.store), 3)
    assert found.statuses == {"accepted": 2, "rejected": 1}
    assert [record.get("nothing_new", False) for record in read_history(club.store)] == [False, True]


def changed_with_its_times_kept(club: Nights, name: str) -> None:
    path = club.inbox / name
    about, content = path.stat(), bytearray(path.read_bytes())
    content[-1] ^= 1
    path.write_bytes(content)
    os.utime(path, ns=(about.st_atime_ns, about.st_mtime_ns))


def test_what_comes_in_after_the_inbox_was_listed_is_new_the_next_time(club: Nights, monkeypatch: pytest.MonkeyPatch):
    def digest(*arguments: Any, **more: Any) -> str:
        club.put("bo/b.fit", drifting_run(2))
        return digest_of_others(*arguments, **more)

    club.put("ari/c.fit", drifting_run(3))
    monkeypatch.setattr("pipeline.inbox.inbox.digest_of_others", digest)
    assert club.refresh().read == ["ari/c.fit"]
    assert nothing_new(club.inbox, club.store) is None
    assert club.refresh().read == ["bo/b.fit"]


CHANGES: dict[str, Callable[[Nights], object]] = {
    "a recording's content": lambda club: changed_with_its_times_kept(club, "ari/a.fit"),
    "a rejected file's content": lambda club: changed_with_its_times_kept(club, "ari/b.csv"),
    "a line of a list": lambda club: changed_with_its_times_kept(club, "roster.csv"),
    "a new recording": lambda club: club.put("bo/b.fit", drifting_run(2)),
    "a new athlete": lambda club: club.put("cy/a.fit", b""),
    "a recording that is gone": lambda club: (club.inbox / "bo" / "a.fit").unlink(),
    "a recording with another name": lambda club: (club.inbox / "bo/a.fit").rename(club.inbox / "bo/c.fit"),
    "a new list": lambda club: club.put("shoes.csv", "shoe_id,name\n1,one\n"),
    "a list that is gone": lambda club: (club.inbox / "roster.csv").unlink(),
    "a setting": lambda club: club.put("settings.toml", 'pages = "none"\nseed = 2\n'),
    "a correction": lambda club: club.put("ari/corrections.toml", "# none\n"),
    "what columns mean": lambda club: club.put("bo/columns.toml", "# nothing at all\n"),
    "a link": lambda club: (club.inbox / "bo" / "b.fit").symlink_to(club.inbox / "bo" / "a.fit"),
    "a pipe": lambda club: os.mkfifo(club.inbox / "bo" / "b.fit"),
    "the place of the store": lambda club: club.store.rename(club.root / "store-2"),
    "a damaged file of the state": lambda club: (club.store / "tables/runs/runs.parquet").write_bytes(b""),
    "an output that a person saved": lambda club: (club.store / "exports/runs.csv").write_bytes(b""),
    "the note itself": lambda club: (published(club.store) / NOTE).write_bytes(b"{}"),
    "no note": lambda club: (published(club.store) / NOTE).unlink(),
    "no state": lambda club: (club.store / "current").unlink(),
}


@pytest.mark.parametrize("change", CHANGES)
def test_whatever_changed_is_left_to_the_refresh_itself(club: Nights, change: str):
    history = read_history(club.store)
    CHANGES[change](club)
    store = next(club.root.glob("store*"))
    assert nothing_new(club.inbox, store) is None
    assert read_history(store) == history


def test_so_is_an_inbox_in_another_place_and_other_code(club: Nights, monkeypatch: pytest.MonkeyPatch):
    elsewhere = club.inbox.rename(club.root / "inbox-2")
    assert nothing_new(elsewhere, club.store) is None
    elsewhere.rename(club.inbox)
    monkeypatch.setattr("pipeline.refresh.unchanged.code_digest", lambda: "other code")
    assert nothing_new(club.inbox, club.store) is None


def test_hidden_files_and_those_that_computers_leave_change_nothing(club: Nights):
    for name in (".DS_Store", ".unsorted/a.fit", "ari/.hidden", "bo/Thumbs.db"):
        club.put(name, b"whatever")
    assert nothing_new(club.inbox, club.store) is not None


def test_old_states_go_as_they_do_after_a_refresh(club: Nights):
    keep = Settings().keep_generations
    for number in range(keep):
        club.put("settings.toml", f'pages = "none"\nseed = {number + 2}\n')
        replace(club, outputs=False).refresh()
    left = club.store / "generations" / "000099"
    left.mkdir()  # of a process that was killed
    assert nothing_new(club.inbox, club.store) is not None
    assert not left.exists()


@pytest.fixture
def untouched_club(club: Nights) -> Nights:
    """Whose state is younger than everything in the inbox."""
    club.put("settings.toml", 'pages = "none"\nseed = 2\n')
    replace(club, outputs=False).refresh()
    return club


def told(club: Nights, *words: str) -> tuple[int, str, str]:
    words = ("refresh", "--inbox", str(club.inbox), "--store", str(club.store), "--jobs", "1", *words)
    done = CliRunner().invoke(main, words)
    return done.exit_code, done.stdout, done.stderr


@pytest.mark.parametrize("words", [[], ["--quiet"], ["--json"], ["--strict"]])
def test_the_command_says_the_same_either_way(untouched_club: Nights, words: list[str]):
    club = untouched_club
    quick = told(club, *words)
    os.utime(club.inbox)  # younger than the state: the refresh itself looks
    assert told(club, *words) == quick
    assert "nobody" in quick[1], "the notices are told, too"


@pytest.mark.slow
def test_no_library_is_loaded_to_see_that_nothing_is_new(untouched_club: Nights):
    words = ["refresh", "--inbox", str(untouched_club.inbox), "--store", str(untouched_club.store), "--json"]
    program = f"""
        import sys
        from pipeline.__main__ import main
        main({words!r}, standalone_mode=False)
        heavy = {{"polars", "numpy", "scipy", "duckdb", "pyarrow", "pydantic", "rich", "jinja2", "prefect", "dask"}}
        assert not heavy & sys.modules.keys(), heavy & sys.modules.keys()
    """
    done = subprocess.run(
        [sys.executable, "-c", "\n".join(line.strip() for line in program.splitlines())],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["is_new"] is False
