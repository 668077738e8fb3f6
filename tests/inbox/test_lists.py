"""Lists as people write them: any separator, encoding, decimal sign and date; what cannot be used is named, the rest
is."""

from __future__ import annotations

import io
import math
from datetime import UTC, date, datetime
from pathlib import Path

import openpyxl
import polars as pl
import pytest

from pipeline.core.errors import UsageError
from pipeline.inbox.inbox import read_inbox
from pipeline.inbox.lists import CHOICES, LISTS, MOST_PAIRS, Lists, read_lists
from pipeline.tables import TABLES, publishable

ROSTER = "athlete_id,display_name,mass_kg\nåsa,Åsa Ek,62.5\nbo,Bo,70\n"
ROWS = [("åsa", "Åsa Ek", 62.5), ("bo", "Bo", 70.0)]
NOT_USED = " The line is not used."


def lists(folder: Path, **files: str | bytes) -> Lists:
    for stem, content in files.items():
        file = folder / f"{stem}.csv"
        file.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_lists(folder)


@pytest.mark.parametrize(
    "content",
    [
        ROSTER.encode(),
        ROSTER.encode("utf-8-sig"),
        ROSTER.encode("utf-16"),
        ROSTER.encode("utf-16-le"),
        ROSTER.encode("cp1252"),
        ROSTER.replace(",", ";").replace("62.5", "62,5").encode(),
        ROSTER.replace(",", "\t").encode(),
        ROSTER.replace("62.5", '"62,5"').encode(),
        ("sep=;\n" + ROSTER.replace(",", ";")).encode(),
        ROSTER.replace("\n", "\r\n").encode(),
        ROSTER.replace("\n", ",,,\n").encode(),
        ROSTER.replace("athlete_id,display_name,mass_kg", ' Athlete ID ,"Display Name", MASS_KG ').encode(),
        ROSTER.replace(",", " , ").encode(),
    ],
    ids=[
        "utf-8", "with mark", "utf-16", "utf-16 without mark", "windows", "semicolons and decimal commas", "tabs",
        "quoted decimal comma", "separator named", "windows lines", "empty cells at the end",
        "headers in other letters", "blanks",
    ],
)  # fmt: skip
def test_a_roster_is_the_same_in_any_dialect(tmp_path: Path, content: bytes):
    found = lists(tmp_path, roster=content)
    assert found.rows["roster.csv"].select("athlete_id", "display_name", "mass_kg").rows() == ROWS
    assert found.notices == ()


def workbook(rows: list[list[object]]) -> bytes:
    book, buffer = openpyxl.Workbook(), io.BytesIO()
    for row in rows:
        book.active.append(row)
    book.save(buffer)
    return buffer.getvalue()


def test_a_list_may_be_a_workbook_with_real_dates_and_numbers(tmp_path: Path):
    (tmp_path / "roster.xlsx").write_bytes(workbook([["athlete_id", "display_name", "mass_kg"], *map(list, ROWS)]))
    (tmp_path / "events.xlsx").write_bytes(
        workbook(
            [["athlete_id", "date", "kind", "note"], ["bo", date(2026, 3, 14), "Shoe", 7], [], ["bo", None, "drill"]]
        )
    )
    (tmp_path / "sessions.xlsx").write_bytes(
        workbook([["athlete_id", "started_at_utc", "kind"], ["bo", datetime(2026, 3, 14, 9, 30), "race"]])
    )
    found = read_lists(tmp_path)
    assert found.rows["roster.csv"].select("athlete_id", "display_name", "mass_kg").rows() == ROWS
    assert found.rows["events.csv"].select("athlete_id", "date", "kind", "note", "line").rows() == [
        ("bo", "2026-03-14", "shoe", "7", 2)
    ]
    assert found.rows["sessions.csv"]["started_at_utc"].to_list() == [datetime(2026, 3, 14, 9, 30, tzinfo=UTC)]
    assert [notice.partition(" (")[0].partition(":")[0] for notice in found.notices] == [
        "sessions.xlsx, line 2",
        "events.xlsx, line 4",
    ]


def test_of_a_list_and_its_workbook_the_list_is_used_and_both_are_named(tmp_path: Path):
    (tmp_path / "roster.xlsx").write_bytes(workbook([["athlete_id"], ["cy"]]))
    found = lists(tmp_path, roster=ROSTER)
    assert found.rows["roster.csv"]["athlete_id"].to_list() == ["åsa", "bo"]
    assert found.notices == ("roster.csv is used, and roster.xlsx is not. Delete one of the two.",)


def test_notices_name_the_workbook_that_a_list_is(tmp_path: Path):
    (tmp_path / "ari").mkdir()
    (tmp_path / "ari" / "a.fit").write_bytes(b"")
    (tmp_path / "roster.xlsx").write_bytes(workbook([["athlete_id"], ["Ari"], ["cyd"]]))
    (tmp_path / "sessions.xlsx").write_bytes(workbook([["file", "kind"], ["ari/b.fit", "race"]]))
    assert read_inbox(tmp_path).notices == (
        "sessions.xlsx, line 2: there is no file 'ari/b.fit' in the inbox.",
        "roster.xlsx: 'Ari' is taken as the athlete of the folder 'ari'.",
        "roster.xlsx: there is no folder of an athlete 'cyd' in the inbox.",
    )


def test_a_roster_without_its_column_stops_nothing(tmp_path: Path):
    (tmp_path / "ari").mkdir()
    (tmp_path / "ari" / "a.fit").write_bytes(b"")
    (tmp_path / "roster.csv").write_text("athlete,mass_kg\nari,60\n", encoding="utf-8")
    inbox = read_inbox(tmp_path)
    assert inbox.athletes.is_empty()
    assert inbox.notices == (
        "roster.csv, line 1: the column 'athlete_id' is missing, so no line of it is used. The columns are athlete, "
        "mass_kg. If 'athlete' is it, rename it to athlete_id.",
    )


def test_a_damaged_workbook_stops_the_command_by_name(tmp_path: Path):
    (tmp_path / "roster.xlsx").write_bytes(b"PK\x03\x04 no workbook")
    with pytest.raises(UsageError, match=r"roster\.xlsx is no workbook that can be read\. Save it again, or as CSV\."):
        read_lists(tmp_path)


def test_a_workbook_of_a_list_is_no_recording(tmp_path: Path):
    (tmp_path / "ari").mkdir()
    (tmp_path / "ari" / "a.fit").write_bytes(b"")
    (tmp_path / "roster.xlsx").write_bytes(workbook([["athlete_id"], ["ari"]]))
    assert [file.path for file in read_inbox(tmp_path).files] == ["ari/a.fit"]


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("roster", "athlete_id,mass_kg\nari,{}\n"),
        ("roster", "athlete_id\n{}\n"),
        ("roster", "athlete_id,{}\nari,\n"),
        ("sessions", "file\n{}\n"),
        ("sessions", "file,{0},{0}\n,,\n"),
        ("events", "athlete_id,date,kind\nari,2026-03-14,{}\n"),
    ],
)
def test_what_a_list_holds_is_shown_short(tmp_path: Path, name: str, text: str):
    (tmp_path / "ari").mkdir()
    (tmp_path / "ari" / "a.fit").write_bytes(b"")
    (tmp_path / f"{name}.csv").write_text(text.format("x" * 100_000), encoding="utf-8")
    notices = read_inbox(tmp_path).notices
    assert "xxx" in " ".join(notices)
    assert all(len(notice) < 300 for notice in notices)


# --- Dates and times -------------------------------------------------------------------------------------------------


def events(folder: Path, *dates: str) -> Lists:
    return lists(folder, events="athlete_id;date;kind\n" + "".join(f"bo;{day};drill\n" for day in dates))


@pytest.mark.parametrize(
    ("dates", "read"),
    [
        (["2026-03-14", "2026/03/04"], ["2026-03-14", "2026-03-04"]),
        (["14.03.2026", "4.3.2026"], ["2026-03-14", "2026-03-04"]),
        (["03/14/2026", "3/4/2026"], ["2026-03-14", "2026-03-04"]),
        (["14-3-2026 00:00:00"], ["2026-03-14"]),
        (["2026年3月14日"], ["2026-03-14"]),
    ],
)
def test_dates_are_read_where_they_decide_their_order(tmp_path: Path, dates: list[str], read: list[str]):
    found = events(tmp_path, *dates)
    assert (found.rows["events.csv"]["date"].to_list(), found.notices) == (read, ())


@pytest.mark.parametrize("day", ["0026-03-14", "1899-12-31", "2101-01-01", "9999-12-31"])
def test_a_date_in_no_athletes_life_costs_its_line(tmp_path: Path, day: str):
    found = events(tmp_path, day, "1900-01-01", "2100-12-31")
    assert found.rows["events.csv"]["date"].to_list() == ["1900-01-01", "2100-12-31"]
    assert found.notices == (
        f"events.csv, line 2: date is '{day}'; expected a date such as 2026-03-14 (or date_order in columns.toml)."
        + NOT_USED,
    )


def test_a_date_that_two_orders_fit_is_asked_for_and_the_answer_is_in_columns_toml(tmp_path: Path):
    found = events(tmp_path, "03.04.2026")
    assert found.rows["events.csv"].is_empty()
    assert found.notices == (
        "events.csv, line 2: date is '03.04.2026'; expected a date such as 2026-03-14 (or "
        "date_order in columns.toml)." + NOT_USED,
    )
    (tmp_path / "columns.toml").write_text('date_order = "day-month-year"\n', encoding="utf-8")
    assert read_lists(tmp_path).rows["events.csv"]["date"].to_list() == ["2026-04-03"]


def test_a_start_without_zone_is_taken_as_utc_and_that_is_said(tmp_path: Path):
    text = "started_at_utc,athlete_id\n2026-03-14 09:30,bo\n2026-03-15T09:30:00Z,bo\n2026-03-16 09:30:00,bo\n"
    found = lists(tmp_path, sessions=text)
    assert [f"{at:%d %H:%M}" for at in found.rows["sessions.csv"]["started_at_utc"]] == [
        "14 09:30", "15 09:30", "16 09:30",
    ]  # fmt: skip
    [notice] = found.notices
    assert notice.startswith("sessions.csv, line 2 and 1 more: started_at_utc has no zone and is taken as UTC.")
    (tmp_path / "columns.toml").write_text('[files."sessions.csv"]\ntime_zone = "Europe/Lisbon"\n', encoding="utf-8")
    found = read_lists(tmp_path)
    assert found.notices == ()
    assert found.rows["sessions.csv"]["started_at_utc"][0] == datetime(2026, 3, 14, 9, 30, tzinfo=UTC)  # winter time


def test_local_starts_of_other_countries_are_read_in_the_zone_of_columns_toml(tmp_path: Path):
    (tmp_path / "columns.toml").write_text('time_zone = "Europe/Berlin"\n', encoding="utf-8")
    found = lists(
        tmp_path, sessions="started_at_utc;athlete_id\n14.07.2026 09:30;bo\n25.10.2026 02:30;bo\n01.07.2026 8:00;bo\n"
    )
    assert [f"{at:%Y-%m-%dT%H:%M}" for at in found.rows["sessions.csv"]["started_at_utc"]] == [
        "2026-07-14T07:30",
        "2026-10-25T00:30",  # of the hour that the end of summer time repeats, the first
        "2026-07-01T06:00",
    ]


# --- Lines with a fault ----------------------------------------------------------------------------------------------


def test_a_line_with_a_fault_is_not_used_and_the_others_are(tmp_path: Path):
    found = lists(tmp_path, roster="athlete_id,height_m\nari,180\nbo,1.8\ncy,tall\n")
    assert found.rows["roster.csv"].select("athlete_id", "height_m").rows() == [("bo", 1.8)]
    assert found.notices == (
        "roster.csv, line 2: height_m is '180'; expected a number between 0.9 and 2.4." + NOT_USED,
        "roster.csv, line 4: height_m is 'tall'; expected a number between 0.9 and 2.4." + NOT_USED,
    )


def test_a_line_is_not_blamed_for_repeating_one_that_is_not_used(tmp_path: Path):
    found = lists(tmp_path, roster="athlete_id,height_m\nari,180\nari,1.8\nari,1.9\n")
    assert found.rows["roster.csv"].select("athlete_id", "height_m").rows() == [("ari", 1.8)]
    assert found.notices[1] == "roster.csv, line 4: athlete_id is 'ari'; expected each athlete once." + NOT_USED


def test_of_many_lines_with_the_same_fault_the_first_five_are_named(tmp_path: Path):
    found = lists(tmp_path, sessions="file,kind\n" + "".join(f"{n}.fit,jog\n" for n in range(8)))
    assert len(found.notices) == 6
    assert found.notices[-1] == "sessions.csv: 3 more lines are not used because of their kind."


def test_words_may_be_in_any_letters(tmp_path: Path):
    found = lists(tmp_path, sessions="file,kind,surface\na.fit,Race,TRAIL\n")
    assert found.rows["sessions.csv"].select("kind", "surface").rows() == [("race", "trail")]


def test_columns_that_are_not_known_are_named_and_change_nothing(tmp_path: Path):
    found = lists(tmp_path, roster="athlete_id,club,hight_m\nbo,Harbour,1.8\n")
    assert found.rows["roster.csv"]["athlete_id"].to_list() == ["bo"]
    assert found.notices == ("roster.csv: columns that are not used: 'club', 'hight_m' (did you mean height_m?).",)


@pytest.mark.parametrize("kind", CHOICES["events.csv"]["kind"])
def test_an_event_has_an_athlete_a_date_and_one_of_four_kinds(tmp_path: Path, kind: str):
    found = lists(tmp_path, events=f"athlete_id,date,kind,note\nbo,2026-03-14,{kind},new\nbo,2026-03-15,rest,\n")
    assert publishable("events", found.rows["events.csv"], subject="the club").rows() == [
        ("bo", "2026-03-14", 2, kind, "new")
    ]
    assert found.notices == (
        "events.csv, line 3: kind is 'rest'; expected shoe or drill or break or other." + NOT_USED,
    )


@pytest.mark.parametrize("name", ["roster", "shoes", "sessions", "events"])
def test_a_list_is_a_table_of_its_name_with_all_its_columns(tmp_path: Path, name: str):
    rows = read_lists(tmp_path).rows[f"{name}.csv"]
    assert set(LISTS[f"{name}.csv"]) <= set(TABLES[name].columns())
    assert publishable(name, rows, subject="the club").is_empty()


def test_shoes_have_numbers_in_their_units(tmp_path: Path):
    found = lists(tmp_path, shoes="shoe_id;heel_toe_drop_mm;mass_g\nlantern;8,5;240\nkeel;eight;240\n")
    assert found.rows["shoes.csv"].select("shoe_id", "heel_toe_drop_mm", "mass_g").rows() == [("lantern", 8.5, 240.0)]
    assert found.rows["shoes.csv"].schema["mass_g"] == pl.Float64


def test_strikes_are_of_a_million_runners_at_most_on_all_lines_together(tmp_path: Path):
    rows = [("a", "nan"), ("b", 10**9), ("c", 999_999), ("d", 2), ("e", 1)]
    text = "".join(f"{group},2026-03-14,3,rearfoot,{n}\n" for group, n in rows)
    found = lists(tmp_path, strikes=f"athlete_id,date,distance_km,strike,n_runners\n{text}")
    assert found.rows["strikes.csv"].select("athlete_id", "n_runners").rows() == [("c", 999_999)]
    assert found.notices[2] == (
        "strikes.csv, line 5: n_runners is '2'; expected at most 1,000,000 runners on all lines together." + NOT_USED
    )


def test_of_a_runner_at_thousands_of_distances_only_so_many_are_compared_as_can_be(tmp_path: Path):
    # Each two distances are compared: of 700 that is a quarter of a million.
    rows = "".join(f"a,2026-03-14,{metre / 1000},rearfoot\n" for metre in range(2000))
    found = lists(tmp_path, strikes=f"athlete_id,date,distance_km,strike\n{rows}b,2026-03-14,1,rearfoot\n")
    used = found.rows["strikes.csv"]
    assert MOST_PAIRS - 1000 < math.comb(used.height, 2) <= MOST_PAIRS
    assert "pairs of distances at which runners were seen, on all lines together" in found.notices[0]


def test_both_feet_and_other_days_and_runners_are_no_pairs(tmp_path: Path):
    rows = "".join(
        f"{name},2026-03-{day:02},1,{foot},rearfoot\n"
        for name in ("a", "b") for day in range(1, 29) for foot in ("left", "right")
    )  # fmt: skip
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("pipeline.inbox.lists.MOST_PAIRS", 0)
        found = lists(tmp_path, strikes=f"athlete_id,date,distance_km,foot,strike\n{rows}")
    assert found.rows["strikes.csv"].height == 2 * 28 * 2
