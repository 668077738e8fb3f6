"""What people write is read whole up to a size, and no longer than a moment: larger or more involved, it is refused."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from pipeline.core.errors import Refused, UsageError
from pipeline.core.settings import read_settings
from pipeline.core.toml import parsed
from pipeline.core.written import is_own, read_text, read_written
from pipeline.formats.column_mapping import read_mapping
from pipeline.inbox.corrections import read_corrections
from pipeline.inbox.inbox import read_inbox
from pipeline.inbox.lists import LISTS
from pipeline.study.study_reader import read_study
from tests.fuzz.harness import watchdog
from tests.support.fit_runs import fit_run

Make = Callable[[Mapping[str, bytes | str]], Path]

INVOLVED = {
    "a name of 100,000 parts": ".".join(["a"] * 100_000) + " = 1",
    "a name of 400,000 parts and no value": ".".join(["a"] * 400_000),
    "a name of many parts after a text with an escaped mark": 'a = """\\""" """\n'
    + "a." * 100_000
    + 'a = 1\nb = """x"""',
    "the same after a text that ends with a mark": 'a = {b = """c"""", ' + "a." * 100_000 + 'd = "e"}',
    "a text of escaped marks without an end": "a = " + '\\"' * 400_000,
    "a heading of 100,000 parts": "[" + ".".join(["a"] * 100_000) + "]",
    "900 brackets": "a = " + "[" * 900 + "]" * 900,
    "250 brackets, which can be read": "pages = " + "[" * 250 + "]" * 250,
    "900 braces": "a = " + "{a = " * 900 + "1" + "}" * 900,
    "a number of 100,000 digits": "a = " + "9" * 100_000,
    "one in another base, of which no text can be made": "time_zone = 0x" + "f" * 10_000,
    "a number that is no float": '[metrics.a_g]\ncolumn = "a"\nunit = "g"\nsmallest_change_pct = 1' + "0" * 400,
    "names of many parts over a megabyte": "\n".join(".".join(["a"] * 60) + f".b{n} = 1" for n in range(7000)),
}


@pytest.mark.parametrize("text", INVOLVED.values(), ids=INVOLVED)
def test_toml_beyond_what_anybody_writes_is_refused_within_seconds_wherever_it_is_read(text: str):
    with watchdog(30):
        with pytest.raises(UsageError):
            read_settings(text)
        with pytest.raises(Refused):
            read_mapping(text, "a.csv")
        with pytest.raises(UsageError):
            read_study(text, name="study.toml")
        assert all(entry.fault for entry in read_corrections(text, "corrections.toml"))


def test_dots_and_brackets_in_texts_and_comments_do_not_count():
    dots, brackets = "." * 100, "[" * 100
    text = f'a = "{dots}{brackets}" # {dots}{brackets}\n' + f"b = '''\n{brackets}\n'''"
    assert parsed(text) == {"a": dots + brackets, "b": f"{brackets}\n"}


def test_numbers_with_decimals_may_stand_on_one_line():
    values = [number + 0.5 for number in range(100)]
    assert parsed(f"a = {values}") == {"a": values}


def test_a_megabyte_of_corrections_is_read_within_seconds_and_faults_name_their_lines():
    with watchdog(30):
        entries = read_corrections("\n" * 900_000 + "[[correction]]\nx = = 1\n" * 4000, "corrections.toml")
    assert len(entries) == 4000
    assert "at line 900002, column 5" in str(entries[0].fault)


def test_a_file_is_read_up_to_a_size_and_not_beyond(tmp_path: Path):
    file = tmp_path / "settings.toml"
    file.write_bytes(b"#" * 1000)
    assert len(read_text(file, 1000)) == 1000
    with pytest.raises(UsageError, match=r"settings\.toml has more than 999 bytes\. Keep what belongs into it\."):
        read_written(file, 999)


@pytest.mark.parametrize("name", ["settings.toml", *LISTS])
def test_a_list_or_setting_of_gigabytes_is_refused_without_being_read(tiny_inbox: Make, name: str):
    inbox = tiny_inbox({"ari/a.fit": fit_run()})
    with (inbox / name).open("wb") as stream:
        stream.truncate(20_000_000_000)  # without a block on the disk
    with watchdog(10), pytest.raises(UsageError, match=rf"{name} has more than [\d,]+ bytes"):
        read_inbox(inbox)


def test_a_columns_file_and_corrections_of_gigabytes_cost_only_what_they_are_for(tiny_inbox: Make):
    inbox = tiny_inbox({"ari/a.csv": "", "bo/a.fit": fit_run()})
    for name in ("ari/columns.toml", "ari/corrections.toml"):
        with (inbox / name).open("wb") as stream:
            stream.truncate(20_000_000_000)
    with watchdog(10):
        found = read_inbox(inbox)
        found.lists_digest()
        with pytest.raises(Refused, match=r"columns\.toml has more than 1,000,000 bytes"):
            found.mapping_for(next(iter(found.files)))
    assert [notice for notice in found.notices if "corrections.toml has more than 1,000,000 bytes" in notice]


@pytest.mark.parametrize("name", ["settings.toml", "columns.toml", "corrections.toml", *LISTS])
def test_what_is_a_link_out_of_the_inbox_is_not_followed_and_named(tmp_path: Path, tiny_inbox: Make, name: str):
    inbox = tiny_inbox({"ari/a.fit": fit_run()})
    (tmp_path / "secret").write_text("what others must not see")
    (inbox / name).symlink_to(tmp_path / "secret")
    found = read_inbox(inbox)
    assert not is_own(inbox, name)
    assert found.notices == (
        f"'{name}' is a link out of the inbox, to a folder or to nothing, so it is skipped. Copy what it leads to.",
    )


def test_a_link_inside_the_inbox_is_followed(tiny_inbox: Make):
    inbox = tiny_inbox({"ari/a.fit": fit_run(), "lists/roster.csv": "athlete_id,mass_kg\nari,60\n"})
    (inbox / "roster.csv").symlink_to("lists/roster.csv")
    assert read_inbox(inbox).athletes["mass_kg"].to_list() == [60.0]


@pytest.fixture
def compared(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What was compared with what is known, as it is."""
    words = list[str]()

    def note(word: str, *_: object, **_options: object) -> list[str]:
        words.append(word)
        return []

    monkeypatch.setattr(difflib, "get_close_matches", note)
    return words


def test_three_thousand_unknown_names_are_counted_and_twenty_of_them_looked_into(tiny_inbox: Make, compared: list[str]):
    folders = {f"athlete-{n:04}/a.fit": b"" for n in range(3000)}
    names = "\n".join(f"runner-{n:04}" for n in range(3000))
    inbox = tiny_inbox({**folders, "roster.csv": f"athlete_id\n{names}\n"})
    notices = read_inbox(inbox).notices
    assert len(compared) == 20
    assert len(notices) == 21
    assert notices[-1] == "roster.csv: 2,980 more athletes have no folder in the inbox."


def test_of_a_list_of_a_hundred_thousand_columns_twenty_are_looked_into(tiny_inbox: Make, compared: list[str]):
    header = ",".join(f"column_{n}" for n in range(100_000))
    inbox = tiny_inbox({"ari/a.fit": b"", "roster.csv": f"athlete_id,{header}\nari\n"})
    found = read_inbox(inbox)
    assert compared == [f"column_{n}" for n in range(20)]
    assert found.athletes["athlete_id"].to_list() == ["ari"]
    assert found.notices[-1].endswith(", 99980 more.") or found.notices[-1].endswith(", 99,980 more.")


@pytest.mark.parametrize("number", ["1e300", "inf", "99999999999999999999", "-1e300"])
def test_a_number_beyond_any_clock_is_no_setting(number: str):
    with pytest.raises(UsageError, match="max_file_s is"):
        read_settings(f"max_file_s = {number}")
