"""What is said after reading: corrections that changed nothing, rows of sessions.csv without a run."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.notices import notices_of
from pipeline.refresh.refresh import check
from tests.support.fit_runs import fit_run

Make = Callable[[Mapping[str, bytes | str]], Path]


def said(inbox_folder: Path) -> list[str]:
    inbox = read_inbox(inbox_folder)
    return notices_of(inbox, check(inbox, jobs=1))


def test_a_correction_that_matches_nothing_or_is_held_back_everywhere_is_named(tiny_inbox: Make):
    toml = """[[correction]]
file = "ari/b.fit"
sport = "running"
[[correction]]
cadence_factor = 2
only_if_cadence_below = 100
[[correction]]
sport = "running"
"""
    assert said(tiny_inbox({"ari/a.fit": fit_run(), "corrections.toml": toml})) == [
        "corrections.toml, line 1: correction 1 (sport running) matches no recording. Check its file, athlete_id, "
        "dates and device, or take it out.",
        "corrections.toml, line 4: correction 2 (cadence × 2) names 1 recording and was held back from all: its guard "
        "was not met, or what it changes was not recorded.",
    ]


@pytest.mark.parametrize(
    ("written", "hint"),
    [
        ("2026-03-14T09:20:00Z", ""),
        (
            "2026-03-14T10:01:00Z",
            " It is 1 hour earlier: write local times with their offset, such as 2026-03-14T09:30:00+01:00.",
        ),
    ],
)
def test_a_start_without_a_run_is_said_with_the_nearest_one(tiny_inbox: Make, written: str, hint: str):
    sessions = f"started_at_utc,athlete_id,surface\n{written},ari,trail\n"
    assert said(tiny_inbox({"ari/a.fit": fit_run(), "sessions.csv": sessions})) == [
        f"sessions.csv, line 2: no run of ari began within 5 minutes of {written}. "
        f"Did you mean 2026-03-14T09:00:00Z?{hint}"
    ]


def test_two_rows_for_a_run_are_said_and_the_later_one_is_used(tiny_inbox: Make):
    sessions = "started_at_utc,athlete_id,surface\n2026-03-14T09:00:00Z,ari,road\n2026-03-14T09:01:00Z,ari,trail\n"
    assert said(tiny_inbox({"ari/a.fit": fit_run(), "sessions.csv": sessions})) == [
        "sessions.csv, lines 2 and 3 describe the same run; line 3 is used. Take one of them out."
    ]


@pytest.mark.parametrize(("surface", "n_said"), [("road", 0), ("trail", 1)])
def test_two_rows_of_a_run_and_its_copy_are_said_only_where_they_differ(tiny_inbox: Make, surface: str, n_said: int):
    sessions = f"file,surface,note\nari/a.fit,road,\nari/b.fit,{surface},\n"
    assert len(said(tiny_inbox({"ari/a.fit": fit_run(), "ari/b.fit": fit_run(), "sessions.csv": sessions}))) == n_said


@pytest.mark.parametrize(
    ("names", "duplicates"),
    [
        (["short"], "'ari/short.fit', which counts as a duplicate"),
        (["short", "short-copy"], "'ari/short-copy.fit' and 1 more, which count as duplicates"),
    ],
)
def test_a_correction_that_reached_only_duplicates_is_named_with_the_recording_that_is_kept(
    tiny_inbox: Make, names: list[str], duplicates: str
):
    toml = '[[correction]]\nfile = "ari/short*.fit"\ndistance_factor = 1.05\n'
    files = {
        "ari/whole.fit": fit_run(km=3),
        "corrections.toml": toml,
        **{f"ari/{name}.fit": fit_run() for name in names},
    }
    assert said(tiny_inbox(files)) == [
        "corrections.toml, line 1: correction 1 (distance × 1.05) changes no run: it was applied to "
        f"{duplicates}. For the run that is kept, name 'ari/whole.fit'."
    ]
