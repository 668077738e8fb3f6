"""By what names athletes are shown, and since when findings are what they are."""

from __future__ import annotations

import re
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from threading import Barrier
from typing import Any
from urllib.parse import unquote

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.core.settings import Settings
from pipeline.pages.club_rows import (
    ClubRows,
    Pages,
    club_rows,
    has_names,
    pages_of,
    run_name,
    write_names,
)
from pipeline.store import layout
from pipeline.store.generations import current
from pipeline.store.layout import partition
from tests.support.demo_store import Refreshed
from tests.support.rows_in_memory import RowsInMemory, run

NAMES, CODES, NONE = Settings(), Settings(pages="codes"), Settings(pages="none")
PEOPLE = ["ari", "bea", "çelik d'or", "x#1 50%"]


def state(folder: Path, *, names: dict[str, str] | None = None, notes: dict[str, str] | None = None) -> Path:
    (folder / "known").mkdir(parents=True)
    rows = pl.DataFrame(
        {
            "athlete_id": PEOPLE,
            "display_name": [(names or {}).get(one) for one in PEOPLE],
            "note": [(notes or {}).get(one) for one in PEOPLE],
        },
        schema=dict.fromkeys(("athlete_id", "display_name", "note"), pl.String),
    )
    write_names(folder, rows)
    return folder


def codes(built: Path, before: Path | None, settings: Settings = CODES) -> list[str]:
    pages = pages_of(built, before, settings)
    assert pages is not None
    return [club_rows(pages).shown(one) for one in PEOPLE]


# --- Names -----------------------------------------------------------------------------------------------------------


def test_athletes_are_shown_by_the_roster_and_by_their_id_where_it_has_no_name(tmp_path: Path):
    club = ClubRows(state(tmp_path / "1", names={"ari": "Ari Ä."}), is_coded=False)
    assert [club.shown(one) for one in ("ari", "bea")] == ["Ari Ä.", "bea"]


def test_a_page_lies_in_the_folder_of_the_id_whatever_signs_it_has(tmp_path: Path):
    club = ClubRows(state(tmp_path / "1"), is_coded=False)
    for one in PEOPLE:
        address = club.address(one)
        assert unquote(address) == f"athletes/{one}/index.html"
        assert re.fullmatch(r"[\w./%~-]+", address, re.ASCII)


def test_athletes_are_put_in_order_as_they_are_shown(tmp_path: Path):
    club = ClubRows(state(tmp_path / "1", names={"ari": "zoe", "bea": "Anna"}), is_coded=False)
    assert sorted(("ari", "bea"), key=club.sort_key) == ["bea", "ari"]


def test_a_run_is_named_by_its_start():
    assert run_name("ari-20260314T090000Z", "ari") == "20260314T090000Z"
    assert run_name("ari-ari-20260314T090000Z-2", "ari-ari") == "20260314T090000Z-2"


# --- Codes -----------------------------------------------------------------------------------------------------------


def test_a_code_tells_nothing_and_is_a_name_of_a_folder(tmp_path: Path):
    found = codes(state(tmp_path / "1"), None)
    assert len(set(found)) == len(PEOPLE)
    assert all(re.fullmatch(r"runner-[a-z2-7]{8}", one) for one in found)


def test_codes_stay_while_the_store_lives(tmp_path: Path):
    first = codes(state(tmp_path / "1"), None)
    assert codes(state(tmp_path / "2"), tmp_path / "1") == first
    assert codes(tmp_path / "2", tmp_path / "1") == first


@pytest.mark.parametrize("between", [NAMES, NONE], ids=["names", "none"])
def test_codes_stay_also_where_a_state_between_had_none(tmp_path: Path, between: Settings):
    first = codes(state(tmp_path / "1"), None)
    pages_of(state(tmp_path / "2"), tmp_path / "1", between)
    assert codes(state(tmp_path / "3"), tmp_path / "2") == first


def test_codes_of_two_stores_differ(tmp_path: Path):
    assert not set(codes(state(tmp_path / "1"), None)) & set(codes(state(tmp_path / "2"), None))


def test_no_key_is_made_where_nobody_asks_for_codes(tmp_path: Path):
    pages_of(state(tmp_path / "1"), None, NAMES)
    pages_of(tmp_path / "1", None, NONE)
    assert not (tmp_path / "1" / "known" / "page_key").exists()


def test_the_order_of_codes_is_not_the_order_of_the_ids(demo: Refreshed, tmp_path: Path):
    # Ten athletes: by chance one key in 3.6 million would do so.
    (tmp_path / "known").mkdir()
    pages_of(tmp_path, None, CODES)
    club = ClubRows(tmp_path, is_coded=True)
    athletes = sorted(demo.table("runs")["athlete_id"].unique())
    ordered = sorted(athletes, key=club.sort_key)
    assert ordered != athletes
    assert [club.shown(one) for one in ordered] == sorted(club.shown(one) for one in athletes)


def test_no_pages_are_wanted_where_the_settings_say_none(tmp_path: Path):
    assert pages_of(state(tmp_path / "1"), None, NONE) is None


def test_a_shoe_is_a_code_where_athletes_are_codes(demo: Refreshed):
    built = current(demo.store)
    assert built is not None
    by_name, by_code = (ClubRows(built, is_coded=coded) for coded in (False, True))
    by_code.__dict__["_key"] = b"a key of this test"
    own = sorted(set(demo.table("runs")["shoe_id"].drop_nulls()))
    codes_of = {str(by_code.shoe(shoe)) for shoe in own}
    assert [by_name.shoe(shoe) for shoe in own] == [shoe.capitalize() for shoe in own]
    assert len(codes_of) == len(own) > 2
    assert all(re.fullmatch(r"shoe-[a-z2-7]{5}", one) for one in codes_of)
    assert by_name.shoe(None) is by_code.shoe(None) is None


# --- Rows ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("table", ["runs", "splits", "run_drift", "athlete_drift", "recordings"])
def test_own_rows_are_those_of_the_athlete(demo: Refreshed, table: str):
    built = current(demo.store)
    assert built is not None
    club = ClubRows(built, is_coded=False)
    whole = club.table(table)
    assert_frame_equal(club.own(table, "brine"), whole.filter(pl.col("athlete_id") == "brine"))
    assert club.own(table, "nobody").is_empty()
    assert club.own(table, "nobody").columns == whole.columns


def test_a_table_without_athletes_is_told_by_the_runs(demo: Refreshed):
    built = current(demo.store)
    assert built is not None
    club = ClubRows(built, is_coded=False)
    own = club.own("exclusions", "brine")
    assert set(own["run_id"]) <= set(club.own("runs", "brine")["run_id"])
    assert sum(club.own("exclusions", one).height for one in club.athletes) == club.table("exclusions").height > 0


def test_rows_are_read_once_a_state_also_where_a_folder_has_the_name_of_one_before(tmp_path: Path):
    built = state(tmp_path / "1")
    first, second = Pages(built, None, NAMES, "one"), Pages(built, None, NAMES, "two")
    assert club_rows(first) is club_rows(first)
    assert club_rows(first) is not club_rows(second)
    assert not club_rows(first).is_coded
    assert club_rows(replace(first, settings=CODES)).is_coded


# --- What the pages need ---------------------------------------------------------------------------------------------


def test_a_state_of_an_older_version_has_no_names(tmp_path: Path):
    built = state(tmp_path / "1")
    assert has_names(built)
    (built / "known" / "names.json").unlink()
    assert not has_names(built)


@pytest.mark.parametrize(
    ("of", "named", "coded"),
    [
        (lambda club: club.session_note(3), "felt heavy", None),
        (lambda club: club.session_note(4), None, None),
        (lambda club: club.squad("ari"), "harbour", None),
        (lambda club: club.shoe("alder"), "alder", "shoe-"),
        (lambda club: club.drop_mm("fern"), 6.0, 6.0),
    ],
)
def test_what_the_lists_say_is_shown_with_names_and_not_with_codes(of: Any, named: Any, coded: Any):
    lists = {
        "sessions": [{"line": 3, "note": "felt heavy"}, {"line": 4, "note": None}],
        "roster": [{"athlete_id": "ari", "squad": "harbour"}],
        "shoes": [{"shoe_id": "fern", "name": "Fern", "heel_toe_drop_mm": 6.0}],
    }
    assert of(RowsInMemory(**lists)) == named
    found = of(RowsInMemory(is_coded=True, **lists))
    assert str(found).startswith(coded) if isinstance(coded, str) else found == coded


def test_neighbours_are_those_of_the_names_shown():
    club = RowsInMemory(runs=[run("ari"), run("bea"), run("cyd")])
    club.__dict__["_names"] = {"ari": "Zoe", "bea": "Ada"}
    # Ada, cyd, Zoe.
    assert [club.neighbours(one) for one in ("bea", "cyd", "ari")] == [(None, "cyd"), ("bea", "ari"), ("cyd", None)]


def test_a_note_is_shown_with_names_and_never_with_codes(tmp_path: Path):
    built = state(tmp_path / "1", notes={"ari": "comes back from a break"})
    assert ClubRows(built, is_coded=False).note("ari") == "comes back from a break"
    assert ClubRows(built, is_coded=False).note("bea") is None
    assert ClubRows(built, is_coded=True).note("ari") is None
    (built / "known" / "notes.json").unlink()  # as an older version left it
    assert ClubRows(built, is_coded=False).note("ari") is None


def test_a_state_without_a_table_of_quality_is_known_as_one(demo: Refreshed, tmp_path: Path):
    built = current(demo.store)
    assert built is not None
    assert ClubRows(built, is_coded=False).has_quality
    assert not ClubRows(tmp_path, is_coded=False).has_quality


def test_a_digest_of_rows_is_theirs_and_that_of_what_is_asked_of_them():
    def without_day(rows: pl.DataFrame) -> pl.DataFrame:
        return rows.drop("started_at_utc")

    first, later, other = (
        RowsInMemory(runs=rows)
        for rows in ([run("ari", 1), run("bo", 1)], [run("ari", 2) | {"run_id": "ari-1"}], [run("ari", 1)])
    )
    assert first.digest("runs", "ari") == other.digest("runs", "ari") != later.digest("runs", "ari")
    assert first.digest("runs", "ari", without_day) == later.digest("runs", "ari", without_day)
    assert first.digest("runs", "ari") != first.digest("runs", "bo")
    assert first.digest("runs", "nobody") == ""


def test_months_of_splits_in_an_object_store_are_read_at_the_same_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    contents = [b"of March", b"of April"]
    for month, content in zip(("2026-03", "2026-04"), contents, strict=True):
        folder = tmp_path / partition("splits", "ari", month)
        folder.mkdir(parents=True)
        (folder / "splits.parquet").write_bytes(content)
    both, read_bytes = Barrier(2, timeout=10), Path.read_bytes

    def read_with_the_other(file: Path) -> bytes:
        if file.suffix == ".parquet":
            both.wait()
        return read_bytes(file)

    monkeypatch.setattr(layout, "is_remote", lambda _: True)
    monkeypatch.setattr(Path, "read_bytes", read_with_the_other)
    assert ClubRows(tmp_path, is_coded=False).digest("splits", "ari") == sha256(b"".join(contents)).hexdigest()
