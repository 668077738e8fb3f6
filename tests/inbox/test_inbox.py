"""The inbox: which files it holds and whose, the lists beside them, and the nearest columns.toml."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline.core.errors import NothingDone, Refused, UsageError
from pipeline.inbox.inbox import InboxFile, read_inbox, started_at, utc
from pipeline.tables import publishable

Make = Callable[[Mapping[str, bytes | str]], Path]


def fault(make: Make, name: str, text: str | bytes, **others: str) -> str:
    """The message for an inbox whose list `name` holds `text`: that of the command, or of the first line with a
    fault."""
    folder = make({"ari/a.fit": b"", name: text, **{f"{stem}.csv": content for stem, content in others.items()}})
    try:
        notices = read_inbox(folder).notices
    except UsageError as error:
        return str(error)
    return next(notice for notice in notices if notice.startswith(name)).removesuffix(" The line is not used.")


# --- Files -----------------------------------------------------------------------------------------------------------


def test_files_come_in_order_of_path_with_the_athlete_whose_folder_they_lie_in(tiny_inbox: Make):
    folder = tiny_inbox({"bo/2026/b.fit": b"", "bo/a.csv": b"", "ari/c.fit.gz": b"", "loose.fit": b""})
    assert tuple(read_inbox(folder).files) == (
        InboxFile("ari/c.fit.gz", "ari"),
        InboxFile("bo/2026/b.fit", "bo"),
        InboxFile("bo/a.csv", "bo"),
        InboxFile("loose.fit", None),
    )


def test_lists_settings_columns_and_hidden_files_are_no_recordings(tiny_inbox: Make):
    folder = tiny_inbox(
        {
            "ari/a.fit": b"",
            "ari/.a.fit.swp": b"",
            ".trash/b.fit": b"",
            "ari/columns.toml": "",
            "columns.toml": "",
            "settings.toml": "",
            "roster.csv": "athlete_id\nari\n",
            "sessions.csv": "file\nari/a.fit\n",
            "shoes.csv": "shoe_id\nlantern\n",
            "strikes.csv": "athlete_id,date,distance_km,strike\nari,2026-03-14,5,heel\n",
            "complaints.csv": "athlete_id,from_date\nari,2026-03-14\n",
        }
    )
    assert [file.path for file in read_inbox(folder).files] == ["ari/a.fit"]


def test_a_recording_may_have_the_name_of_a_list_inside_an_athletes_folder(tiny_inbox: Make):
    assert [one.path for one in read_inbox(tiny_inbox({"ari/sessions.csv": b""})).files] == ["ari/sessions.csv"]


def test_links_that_lead_out_of_the_inbox_are_passed_over_others_followed(tiny_inbox: Make, tmp_path: Path):
    folder = tiny_inbox({"ari/a.fit": b""})
    (tmp_path / "secret.fit").write_bytes(b"")
    (folder / "ari" / "out.fit").symlink_to(tmp_path / "secret.fit")
    (folder / "ari" / "nowhere.fit").symlink_to(tmp_path / "absent.fit")
    (folder / "ari" / "within.fit").symlink_to(folder / "ari" / "a.fit")
    (folder / "bo").symlink_to(tmp_path)
    found = read_inbox(folder)
    assert [file.path for file in found.files] == ["ari/a.fit", "ari/within.fit"]
    passed_over = " is a link out of the inbox, to a folder or to nothing, so it is skipped. Copy what it leads to."
    assert list(found.notices) == [f"'{name}'{passed_over}" for name in ("ari/nowhere.fit", "ari/out.fit", "bo")]


def test_an_inbox_that_is_itself_a_link_is_read(tiny_inbox: Make, tmp_path: Path):
    tiny_inbox({"ari/a.fit": b""})
    (tmp_path / "link").symlink_to(tmp_path / "inbox")
    assert [file.path for file in read_inbox(tmp_path / "link").files] == ["ari/a.fit"]


def test_a_name_that_is_no_utf8_is_shown_with_its_odd_bytes(tiny_inbox: Make):
    folder = tiny_inbox({"ari/a.fit": b""})
    with open(os.fsencode(folder / "ari") + b"/\xe9t\xe9.fit", "wb"):
        pass
    assert [file.path for file in read_inbox(folder).files] == ["ari/a.fit", "ari/\\xe9t\\xe9.fit"]


def test_an_inbox_without_recordings_says_where_they_belong(tiny_inbox: Make):
    folder = tiny_inbox({"roster.csv": "athlete_id\nari\n"})
    with pytest.raises(NothingDone, match=r"inbox holds no recordings\. Put each athlete's files into a folder"):
        read_inbox(folder)


def test_an_absent_inbox_is_wrong_use(tmp_path: Path):
    with pytest.raises(UsageError, match=r"There is no folder .*absent\. --inbox takes the folder"):
        read_inbox(tmp_path / "absent")


# --- Lists -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "text", "message"),
    [
        (
            "sessions.csv",
            "file,kind\nari/a.fit,race\nari/b.fit,jog\n",
            "sessions.csv, line 3: kind is 'jog'; expected race or training or test.",
        ),
        (
            "sessions.csv",
            "file,surface\nari/a.fit,ice\n",
            "sessions.csv, line 2: surface is 'ice'; expected road or track or trail or sand or grass or treadmill.",
        ),
        (
            "sessions.csv",
            "athlete_id,started_at_utc\nari,yesterday\n",
            "sessions.csv, line 2: started_at_utc is 'yesterday'; expected 2026-03-14T09:30:00Z.",
        ),
        (
            "sessions.csv",
            "file,athlete_id,kind\nari/a.fit,ari,race\n,ari,race\n",
            "sessions.csv, line 3: file is empty; expected a file, or started_at_utc with athlete_id.",
        ),
        (
            "roster.csv",
            "athlete_id,display_name\nari,Ari\nari,Ari again\n",
            "roster.csv, line 3: athlete_id is 'ari'; expected each athlete once.",
        ),
        (
            "roster.csv",
            "athlete_id,display_name\n,Ari\n",
            "roster.csv, line 2: athlete_id is empty; expected the name of the athlete's folder.",
        ),
        (
            "roster.csv",
            "athlete_id,height_m\nari,180\n",
            "roster.csv, line 2: height_m is '180'; expected a number between 0.9 and 2.4.",
        ),
        (
            "roster.csv",
            "athlete_id,mass_kg\nari,NaN\n",
            "roster.csv, line 2: mass_kg is 'NaN'; expected a number between 20 and 200.",
        ),
        (
            "roster.csv",
            "athlete_id,leg_length_m\nari,long\n",
            "roster.csv, line 2: leg_length_m is 'long'; expected a number between 0.4 and 1.4.",
        ),
        (
            "roster.csv",
            "athlete_id,weight\nari,70\n",
            "roster.csv: columns that are not used: 'weight'.",
        ),
        (
            "roster.csv",
            "display_name\nAri\n",
            "roster.csv, line 1: the column 'athlete_id' is missing, so no line of it is used. The columns are "
            "display_name.",
        ),
        ("roster.csv", "", "roster.csv, line 1: the column 'athlete_id' is missing, so no line of it is used."),
        (
            "roster.csv",
            "Athlete;Squad\nari;A\n",
            "roster.csv, line 1: the column 'athlete_id' is missing, so no line of it is used. The columns are "
            "Athlete, Squad. If 'Athlete' is it, rename it to athlete_id.",
        ),
        (
            "roster.csv",
            "athlete_id,Name\nari,Ari\n",
            "roster.csv: columns that are not used: 'Name' (did you mean display_name?).",
        ),
        (
            "roster.csv",
            "athlete_id,note,note\n",
            "roster.csv, line 1: the column 'note' is there twice; the first is used.",
        ),
        (
            "roster.csv",
            "athlete_id,note\nari,tall, and quick\n",
            "roster.csv, line 2: 3 cells; expected 2. A text that holds the separator needs quotation marks.",
        ),
        (
            "roster.csv",
            'athlete_id,note\nari,"tall\n',
            "roster.csv, line 2: not comma-separated values: unexpected end of data.",
        ),
        (
            "settings.toml",
            b"# \xe9\n",
            "settings.toml is not a text in UTF-8: invalid continuation byte. Save it again as UTF-8.",
        ),
    ],
)
def test_a_fault_names_file_line_what_was_found_and_what_is_expected(
    tiny_inbox: Make, name: str, text: str | bytes, message: str
):
    assert fault(tiny_inbox, name, text) == message


def test_a_shoe_must_be_listed_where_shoes_are_listed(tiny_inbox: Make):
    message = fault(tiny_inbox, "sessions.csv", "file,shoe_id\na.fit,lanter\n", shoes="shoe_id,name\nlantern,Lantern\n")
    assert message == "sessions.csv, line 2: shoe_id is 'lanter'; expected a shoe listed in shoes.csv."


def test_without_a_list_of_shoes_any_shoe_will_do(tiny_inbox: Make):
    inbox = read_inbox(tiny_inbox({"ari/a.fit": b"", "sessions.csv": "file,shoe_id\nari/a.fit,lantern\n"}))
    assert inbox.sessions["shoe_id"].to_list() == ["lantern"]


def test_the_line_named_is_that_of_the_file_whatever_stands_above_it(tiny_inbox: Make):
    text = 'file,note,kind\n\nari/a.fit,"first\nsecond",race\n\nari/b.fit,,jog\n'
    assert fault(tiny_inbox, "sessions.csv", text).startswith("sessions.csv, line 6: kind is 'jog'")


def test_cells_are_trimmed_blank_lines_skipped_and_absent_columns_null(tiny_inbox: Make):
    text = "\ufefffile , kind\r\n ari/a.fit , race \r\n\r\nari/b.fit,\r\nari/c.fit\r\n,,\r\n"
    inbox = read_inbox(tiny_inbox({"ari/a.fit": b"", "sessions.csv": text.replace(",,", ",")}))
    assert inbox.sessions.select("file", "kind", "surface", "line").rows() == [
        ("ari/a.fit", "race", None, 2),
        ("ari/b.fit", None, None, 4),
        ("ari/c.fit", None, None, 5),
    ]


@pytest.mark.parametrize(("height", "is_sound"), [("0.9", True), ("2.4", True), ("0.89", False), ("2.41", False)])
def test_heights_are_accepted_up_to_their_limits(tiny_inbox: Make, height: str, is_sound: bool):
    folder = tiny_inbox({"ari/a.fit": b"", "roster.csv": f"athlete_id,height_m\nari,{height}\n"})
    if is_sound:
        assert read_inbox(folder).athletes["height_m"].to_list() == [float(height)]
    else:
        inbox = read_inbox(folder)
        assert inbox.athletes.is_empty()
        assert inbox.notices[0].startswith(f"roster.csv, line 2: height_m is '{height}'")


def test_starts_in_another_zone_become_utc(tiny_inbox: Make):
    text = "file,started_at_utc\nari/a.fit,2026-03-14T11:30:00+02:00\n"
    inbox = read_inbox(tiny_inbox({"ari/a.fit": b"", "sessions.csv": text}))
    assert started_at(inbox.sessions, "ari/a.fit") == datetime(2026, 3, 14, 9, 30, tzinfo=UTC)
    assert started_at(inbox.sessions, "ari/b.fit") is None


def test_without_lists_an_inbox_has_empty_ones(tiny_inbox: Make):
    inbox = read_inbox(tiny_inbox({"ari/a.fit": b""}))
    assert (inbox.sessions.height, inbox.athletes.height) == (0, 0)
    assert inbox.sessions.schema["started_at_utc"] == inbox.sessions["started_at_utc"].dtype


# --- columns.toml ----------------------------------------------------------------------------------------------------


def test_the_nearest_columns_toml_counts_alone(tiny_inbox: Make):
    folder = tiny_inbox(
        {
            "columns.toml": '[columns]\nFar = "cadence_spm"\n',
            "ari/columns.toml": '[columns]\nNear = "cadence_spm"\n',
            "ari/2026/a.csv": b"",
            "bo/b.csv": b"",
        }
    )
    mappings = {file.path: read_inbox(folder).mapping_for(file) for file in read_inbox(folder).files}
    assert {path: dict(mapping.columns) for path, mapping in mappings.items() if mapping} == {
        "ari/2026/a.csv": {"Near": "cadence_spm"},
        "bo/b.csv": {"Far": "cadence_spm"},
    }


def test_every_columns_toml_is_found_with_the_files_and_none_is_asked_for_later(tiny_inbox: Make):
    folder = tiny_inbox(dict.fromkeys(["ari/a.csv", "ari/x/columns.toml", "columns.toml", "bo/.x/columns.toml"], b""))
    inbox = read_inbox(folder)
    assert (inbox.described, [file.path for file in inbox.files]) == (
        ("ari/x/columns.toml", "columns.toml"),
        ["ari/a.csv"],
    )
    shutil.rmtree(folder)
    assert inbox.columns_file_for(*inbox.files) == folder / "columns.toml"


def test_a_columns_toml_that_is_a_link_out_of_the_inbox_is_passed_over_and_named(tiny_inbox: Make, tmp_path: Path):
    (tmp_path / "outside.toml").write_text('[columns]\nOutside = "cadence_spm"\n')
    folder = tiny_inbox({"ari/a.csv": b""})
    (folder / "ari" / "columns.toml").symlink_to(tmp_path / "outside.toml")
    inbox = read_inbox(folder)
    assert inbox.mapping_for(*inbox.files) is None
    assert "'ari/columns.toml' is a link out of the inbox" in inbox.notices[0]


def test_a_columns_toml_in_a_folder_whose_name_is_no_utf_8_changes_nothing(tiny_inbox: Make):
    folder = tiny_inbox({"ari/a.csv": b""})
    strange = os.fsencode(folder) + b"/caf\xe9"
    os.mkdir(strange)
    Path(os.fsdecode(strange), "columns.toml").write_text("")
    inbox = read_inbox(folder)
    assert (inbox.described, [file.path for file in inbox.files]) == ((), ["ari/a.csv"])


def test_columns_toml_above_the_inbox_does_not_count(tiny_inbox: Make, tmp_path: Path):
    (tmp_path / "columns.toml").write_text('[columns]\nOutside = "cadence_spm"\n')
    inbox = read_inbox(tiny_inbox({"ari/a.csv": b""}))
    assert inbox.mapping_for(*inbox.files) is None


def test_columns_toml_in_another_encoding_is_refused_by_name(tiny_inbox: Make):
    inbox = read_inbox(tiny_inbox({"ari/a.csv": b"", "ari/columns.toml": b"# \xe9\n"}))
    with pytest.raises(Refused, match=r"columns.toml is not a text in UTF-8: .*\. Save it again as UTF-8\."):
        inbox.mapping_for(*inbox.files)


@pytest.mark.parametrize("seconds", [1e12, -1e12, 1e300])
def test_a_time_outside_any_calendar_is_refused(seconds: float):
    with pytest.raises(Refused, match="The recording's time is not a valid date"):
        utc(seconds)


# --- Complaints ------------------------------------------------------------------------------------------------------


def complained(make: Make, *lines: str) -> str:
    return fault(make, "complaints.csv", "\n".join(["athlete_id,from_date,to_date,site,note", *lines]) + "\n")


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (",2026-03-14,,,", "athlete_id is empty; expected the name of the athlete's folder."),
        (
            "ari,,,,",
            "from_date is empty; expected a date such as 2026-03-14 (or date_order in columns.toml).",
        ),
        (
            "ari,4.3.2026,,,",
            "from_date is '4.3.2026'; expected a date such as 2026-03-14 (or date_order in columns.toml).",
        ),
        (
            "ari,2026-02-30,,,",
            "from_date is '2026-02-30'; expected a date such as 2026-03-14 (or date_order in columns.toml).",
        ),
        (
            "ari,2026-03-14,soon,,",
            "to_date is 'soon'; expected a date such as 2026-03-14 (or date_order in columns.toml).",
        ),
        ("ari,2026-03-14,2026-03-13,,", "to_date is '2026-03-13'; expected a date not before from_date."),
    ],
)
def test_a_fault_in_a_complaint_names_line_and_column(tiny_inbox: Make, line: str, said: str):
    assert complained(tiny_inbox, "ari,2026-03-14,2026-03-14,,one day", line) == f"complaints.csv, line 3: {said}"


def test_complaints_are_read_as_they_were_written(tiny_inbox: Make):
    text = 'athlete_id,from_date,to_date,site,note\nbo,2026-05-10,,"knee, right",=1+1\n\nari,2026-03-03,2026-03-05,,\n'
    complaints = read_inbox(tiny_inbox({"ari/a.fit": b"", "complaints.csv": text})).complaints
    published = publishable("complaints", complaints, subject="the club")
    assert published.rows() == [
        ("ari", "2026-03-03", 4, "2026-03-05", None, None),
        ("bo", "2026-05-10", 2, None, "knee, right", "=1+1"),
    ]


def test_two_complaints_may_begin_on_the_same_day(tiny_inbox: Make):
    text = "athlete_id,from_date,site\nari,2026-03-14,left calf\nari,2026-03-14,left calf\n"
    complaints = read_inbox(tiny_inbox({"ari/a.fit": b"", "complaints.csv": text})).complaints
    assert publishable("complaints", complaints, subject="the club").height == 2


def test_a_line_of_sessions_whose_file_is_not_there_is_told_by_its_number(tmp_path: Path):
    (tmp_path / "ari").mkdir()
    (tmp_path / "ari" / "run.fit").write_bytes(b"x")
    (tmp_path / "sessions.csv").write_text("file,surface\nari/run.fit,road\nari/rum.fit,trail\n", encoding="utf-8")
    assert read_inbox(tmp_path).notices == ("sessions.csv, line 3: there is no file 'ari/rum.fit' in the inbox.",)


def test_an_athlete_of_a_list_without_a_folder_is_told_with_the_nearest_name(tmp_path: Path):
    (tmp_path / "brine").mkdir()
    (tmp_path / "brine" / "run.fit").write_bytes(b"x")
    (tmp_path / "roster.csv").write_text("athlete_id,mass_kg\nbrinne,60\nzed,70\n", encoding="utf-8")
    assert read_inbox(tmp_path).notices == (
        "roster.csv: there is no folder of an athlete 'brinne' in the inbox. Did you mean 'brine'?",
        "roster.csv: there is no folder of an athlete 'zed' in the inbox.",
    )


@pytest.mark.parametrize("written", ["03.04.2026 09:30", "03/04/2026 09:30", "2026-03-14"])
def test_a_start_whose_day_or_time_is_open_is_not_used_and_never_guessed(tmp_path: Path, written: str):
    (tmp_path / "ari").mkdir()
    (tmp_path / "ari" / "run.fit").write_bytes(b"x")
    (tmp_path / "sessions.csv").write_text(f"started_at_utc,athlete_id\n{written},ari\n", encoding="utf-8")
    inbox = read_inbox(tmp_path)
    assert inbox.sessions.is_empty()
    assert inbox.notices[0] == (
        f"sessions.csv, line 2: started_at_utc is '{written}'; expected 2026-03-14T09:30:00Z. The line is not used."
    )


# --- Files in the inbox itself ---------------------------------------------------------------------------------------


def test_sessions_csv_names_the_athlete_of_a_file_in_the_inbox_itself(tiny_inbox: Make):
    listed = "file,athlete_id\nx.fit,ari\ny.fit,../up\nz.fit,\nbo/b.fit,ari\n"
    folder = tiny_inbox({"x.fit": b"", "y.fit": b"", "z.fit": b"", "bo/b.fit": b"", "sessions.csv": listed})
    assert [(file.path, file.athlete_id) for file in read_inbox(folder).files] == [
        ("bo/b.fit", "bo"), ("x.fit", "ari"), ("y.fit", None), ("z.fit", None),
    ]  # fmt: skip


def test_a_line_of_sessions_csv_follows_its_file_into_the_athletes_folder(tiny_inbox: Make):
    listed = "file,athlete_id\nx.fit,ari\nruns.zip!a.fit,ari\nari/y.fit,ari\ngone.fit,ari\n"
    folder = tiny_inbox({"ari/x.fit": b"", "ari/y.fit": b"", "ari/runs.zip": b"", "sessions.csv": listed})
    assert read_inbox(folder).sessions["file"].to_list() == ["ari/x.fit", "ari/runs.zip!a.fit", "ari/y.fit", "gone.fit"]


def test_what_computers_leave_is_no_recording(tiny_inbox: Make):
    folder = tiny_inbox({"ari/a.fit": b"", "ari/Thumbs.db": b"", "desktop.ini": b"", "ari/__MACOSX/a.fit": b""})
    assert [file.path for file in read_inbox(folder).files] == ["ari/a.fit"]
