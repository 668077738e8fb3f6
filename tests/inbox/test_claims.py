"""Whose a loose file is: lists, patterns and devices, and why some files are nobody's."""

from __future__ import annotations

import pytest

from pipeline.core.errors import UsageError
from pipeline.inbox.athlete_ids import Known, is_athlete_id
from pipeline.inbox.claims import DeviceRule, Unclaimed, list_rule, pattern_rule
from pipeline.inbox.loose_files import LooseFile
from tests.support.nights import drifting_run

NOBODY = Known(frozenset())


def files(*paths: str) -> list[LooseFile]:
    return [LooseFile(path, 1) for path in paths]


def by_list(text: str, *paths: str, known: Known = NOBODY) -> list[str | Unclaimed]:
    loose = files(*paths)
    rule = list_rule("list.csv", text, loose, known)
    return [rule.athlete_of(file) for file in loose]


# --- Lists -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_a_list_names_files_by_path_or_by_name(separator: str):
    text = "note,file,athlete_id\n,spring/a.fit,ari\n,b.fit,bel\n".replace(",", separator)
    assert by_list(text, "spring/a.fit", "summer/b.fit", "c.fit") == ["ari", "bel", Unclaimed.NOT_LISTED]


def test_a_name_that_several_files_share_is_nobodys_unless_the_path_is_listed():
    text = "file,athlete_id\na.fit,ari\nsummer/a.fit,bel\n"
    assert by_list(text, "spring/a.fit", "summer/a.fit") == [Unclaimed.LISTED_FOR_SEVERAL, "bel"]


def test_case_accents_and_backslashes_of_a_list_do_not_matter():
    text = "file,athlete_id\nSPRING\\A.FIT,A\u030asa\n"
    assert by_list(text, "spring/a.fit", known=Known(frozenset({"åsa"}))) == ["åsa"]


def test_lines_without_an_athlete_are_passed_by():
    assert by_list("file,athlete_id\na.fit,\n", "a.fit") == [Unclaimed.NOT_LISTED]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("name,athlete_id\n", "list.csv, line 1: found the columns name, athlete_id; expected at least file"),
        ("", "list.csv, line 1: found the columns none"),
        ("file,athlete_id\na.fit,ari\na.fit,bel\n", "list.csv, line 3: 'a.fit' is given to bel, but in line 2 to ari"),
        ("file,athlete_id\na.fit,../up\n", "list.csv, line 2: athlete_id is '../up'"),
        (f"file,{'a' * 200_000}\n", "list.csv, line 1: not comma-separated values: field larger"),
        (f"file,athlete_id\n\na.fit,{'a' * 200_000}\n", "list.csv, line 3: not comma-separated values: field larger"),
    ],
)
def test_a_fault_in_a_list_is_named_with_its_line(text: str, message: str):
    with pytest.raises(UsageError, match=message.replace("(", r"\(")):
        by_list(text, "a.fit")


@pytest.mark.parametrize("name", ["", " ari", ".ari", "a/b", "a\\b", "a\nb", "x" * 201, "roster.csv", "a:b"])
def test_some_names_cannot_be_folders_of_athletes(name: str):
    assert not is_athlete_id(name)
    assert is_athlete_id("Åsa Ek-2 (junior)")


# --- Patterns --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pattern", "path", "athlete"),
    [
        ("{athlete_id}_{date}.fit", "any/ari_2026-03-14.fit", "ari"),
        ("{athlete_id}_{date}.fit", "ari_2026.FIT", "ari"),
        ("{date}-{athlete_id}.*", "2026-ari.fit.gz", "ari"),
        ("{athlete_id}/*", "ari/a.fit", "ari"),
        ("club/{athlete_id}/*/*", "club/ari/2026/a.fit", "ari"),
        ("{athlete_id}_{date}.fit", "bel_b_2026.fit", "bel_b"),
        ("{athlete_id}.fit", "ARI.fit", "ari"),
        ("{athlete_id}_{date}.fit", "ari.fit", Unclaimed.NO_MATCH),
        ("{athlete_id}/*", "a.fit", Unclaimed.NO_MATCH),
        ("{athlete_id}_*", "_a.fit", Unclaimed.NO_MATCH),
    ],
)
def test_a_pattern_takes_the_athlete_out_of_name_or_path(pattern: str, path: str, athlete: str | Unclaimed):
    known = Known(frozenset({"ari", "bel", "bel_b"}))
    assert pattern_rule(pattern, known).athlete_of(LooseFile(path, 1)) == athlete


@pytest.mark.parametrize(
    "pattern", ["nowhere.csv", "{date}.fit", "{athlete_id}_{athlete_id}.fit", "{athlete_id}_{.fit"]
)
def test_a_pattern_without_its_athlete_or_with_an_open_brace_is_wrong_use(pattern: str):
    with pytest.raises(UsageError, match="--by"):
        pattern_rule(pattern, NOBODY)


# --- Devices ---------------------------------------------------------------------------------------------------------


def test_a_device_belongs_to_whom_it_wrote_files_for_and_a_shared_one_to_nobody():
    rule = DeviceRule()
    rule.learn("a.fit", drifting_run(0, serial_number=1), "ari")
    for athlete_id in ("bel", "cai"):
        rule.learn("a.fit", drifting_run(0, serial_number=2), athlete_id)
    runs = {number: drifting_run(5, serial_number=number) for number in (1, 2, 3, None)}
    assert {number: rule.athlete_of("new.fit", content) for number, content in runs.items()} == {
        1: "ari",
        2: Unclaimed.SHARED_DEVICE,
        3: Unclaimed.UNKNOWN_DEVICE,
        None: Unclaimed.NO_DEVICE,
    }
    assert "4711" not in repr(vars(rule))
