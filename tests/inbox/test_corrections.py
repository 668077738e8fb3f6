"""Reading corrections.toml: a fault costs its entry."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from pipeline.inbox.corrections import KEYS, read_corrections
from pipeline.inbox.inbox import read_inbox
from pipeline.stages.corrections import GUARDS, Correction


def read(text: str) -> list[Correction]:
    return read_corrections(text, "ari/corrections.toml")


def test_every_key_is_read():
    text = """
    # The watch of last spring.
    [[correction]]
    file = "spring/*.gpx"
    athlete_id = "ari"
    from_date = 2026-03-01
    to_date = "2026-03-31"
    device = "blue pod"
    only_if_sport = "Other"
    only_if_cadence_below = 100
    sport = "Running"
    leave_out = "strap was lost"
    cadence_factor = 2
    distance_factor = 1.05
    clock_shift_h = -1
    tags = { weather = "heat", team = "north" }

    [[correction]]
    time_zone = "Europe/Lisbon"
    """
    first, second = read(text)
    assert first == Correction(
        source="ari/corrections.toml",
        file="spring/*.gpx",
        athlete_id="ari",
        from_date=date(2026, 3, 1),
        to_date=date(2026, 3, 31),
        device="blue pod",
        only_if_sport="other",
        guards=(("only_if_cadence_below", 100.0),),
        sport="running",
        leave_out="strap was lost",
        cadence_factor=2.0,
        distance_factor=1.05,
        clock_shift_s=-3600.0,
        tags=(("team", "north"), ("weather", "heat")),
    )
    assert (first.entry, first.line, second.entry, second.line) == (1, 3, 2, 18)
    assert second.time_zone == "Europe/Lisbon"


@pytest.mark.parametrize("guard", GUARDS)
def test_every_guard_is_a_key(guard: str):
    assert guard in KEYS
    assert read(f'[[correction]]\nsport = "running"\n{guard} = 1.5\n')[0].guards == ((guard, 1.5),)


@pytest.mark.parametrize(
    ("lines", "fault"),
    [
        ("cadence_facto = 2", "cadence_facto is no key of a correction. Did you mean cadence_factor"),
        ("cadence_factor = 20", "cadence_factor is 20, expected a number between 0.1 and 10."),
        ('cadence_factor = "2"', "cadence_factor is '2', expected a number."),
        ("cadence_factor = true", "cadence_factor is True, expected a number."),
        ("distance_factor = nan", "distance_factor is nan, expected a number."),
        ("sport = 1", "sport is 1, expected a word in quotation marks."),
        ('file = "a.fit"', "The entry changes nothing. Add one of sport, leave_out"),
        ('sport = "running"\nfrom_date = "14.3.2026"', "from_date is '14.3.2026', expected a day such as 2026-03-14."),
        ('sport = "running"\nfrom_date = 2026-03-02\nto_date = 2026-03-01', "to_date 2026-03-01 is before from_date"),
        ("clock_shift_s = 1\nclock_shift_h = 1", "clock_shift_s and clock_shift_h are both given. Keep one of them."),
        ('time_zone = "Europe/Lissabon"', 'time_zone is "Europe/Lissabon", expected a zone such as "Europe/Lisbon"'),
        ('time_zone = "UTC"\ndevice = "pod"', "time_zone is given together with device, which is not known before"),
        ("tags = {}", "tags is {}, expected names and words."),
        ('tags = { Team = "north" }', 'tags has the name "Team", expected a word of small letters'),
        (
            'tags = { surface = "moss" }',
            'tags has the name "surface", expected a word of small letters that is none of',
        ),
        ('tags = { team = "a;b" }', "tags gives team 'a;b', expected a word in quotation marks, without ; and =."),
        ('sport = "running', "It cannot be read: "),
    ],
)
def test_a_fault_names_what_was_found_and_expected_and_costs_its_entry_only(lines: str, fault: str):
    good = '[[correction]]\nsport = "running"\n'
    before, faulty, after = read(f"{good}[[correction]]\n{lines}\n{good}")
    assert faulty.fault is not None
    assert faulty.fault.startswith(fault)
    assert (before.fault, after.fault, faulty.line) == (None, None, 3)


def test_an_error_of_notation_names_its_line_in_the_file():
    _, faulty = read('[[correction]]\nsport = "running"\n\n[[correction]]\nsport == 1\n')
    assert "at line 5" in str(faulty.fault)


@pytest.mark.parametrize("text", ['sport = "running"\n', '[correction]\nsport = "running"\n'])
def test_lines_without_their_heading_are_a_fault(text: str):
    (faulty,) = read(text)
    assert "expected [[correction]]" in str(faulty.fault)


def test_an_empty_file_and_one_of_comments_hold_no_entry():
    assert (read(""), read("# nothing yet\n\n")) == ([], [])


def test_a_fault_is_a_notice_and_stops_nothing(tmp_path: Path):
    (tmp_path / "ari").mkdir()
    (tmp_path / "ari" / "a.fit").write_bytes(b"")
    (tmp_path / "ari" / "corrections.toml").write_text('[[correction]]\nspor = "running"\n')
    (tmp_path / "corrections.toml").write_bytes(b"\xff\xfe\xfa")
    inbox = read_inbox(tmp_path)
    assert inbox.notices == (
        "corrections.toml, line 1: correction 1 is not used. corrections.toml is not a text in UTF-8: "
        "invalid start byte. Save it again as UTF-8.",
        "ari/corrections.toml, line 1: correction 1 is not used. spor is no key of a correction. Did you mean sport?",
    )
    assert [file.path for file in inbox.files] == ["ari/a.fit"]
    assert inbox.corrections_for(*inbox.files) == ()


def test_entries_of_the_inbox_come_before_those_of_the_athlete(tmp_path: Path):
    (tmp_path / "ari").mkdir()
    (tmp_path / "ari" / "a.fit").write_bytes(b"")
    for name, sport in (("ari/corrections.toml", "running"), ("corrections.toml", "walking")):
        (tmp_path / name).write_text(f'[[correction]]\nsport = "{sport}"\n')
    inbox = read_inbox(tmp_path)
    assert [entry.sport for entry in inbox.corrections_for(*inbox.files)] == ["walking", "running"]
