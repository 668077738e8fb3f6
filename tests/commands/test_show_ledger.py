"""The ledger in the terminal: what is new and what needs attention first, and never more than a screen or two."""

from __future__ import annotations

import polars as pl
from rich.console import Console, RenderableType

from pipeline.commands.show_ledger import MOST_ALIKE, MOST_LISTED, came_in, ledger_summary, runs_at_last

SCHEMA = {
    "path": pl.String, "session": pl.Int64, "file": pl.String, "sha256": pl.String, "status": pl.String,
    "reason": pl.String, "fix": pl.String,
}  # fmt: skip


def ledger(*rows: tuple[str, int, str] | tuple[str, int, str, str]) -> pl.DataFrame:
    """Rows of path, session and status; each with a reason of its own, or the one that is given."""
    given = [
        (
            path,
            session,
            path.partition("!")[0],
            f"digest of {path}",
            status,
            *(reason or [f"Because {path}."]),
            "Mend it.",
        )
        for path, session, status, *reason in rows
    ]
    return pl.DataFrame(given, schema=SCHEMA, orient="row")


def printed(what: RenderableType) -> str:
    console = Console(width=160)
    with console.capture() as captured:
        console.print(what)
    return captured.get()


def listed(rows: pl.DataFrame, *, everything: bool = False) -> list[list[str]]:
    lines = printed(ledger_summary(rows, rows, everything=everything)).splitlines()
    return [[cell.strip() for cell in line.strip("│").split("│")] for line in lines if line.startswith("│")]


def test_files_are_counted_by_what_became_of_them():
    rows = ledger(("a", 1, "accepted"), ("b", 1, "accepted"), ("c", 1, "not_running"))
    assert printed(ledger_summary(rows, rows)).splitlines()[0] == "3 files: 2 accepted, 1 not running."


def test_equal_counts_have_a_fixed_order():
    rows = ledger(("a", 1, "rejected"), ("b", 1, "accepted"), ("c", 1, "duplicate"))
    first_lines = {printed(ledger_summary(rows, rows.clear())).splitlines()[0] for _ in range(20)}
    assert first_lines == {"3 files: 1 accepted, 1 duplicate, 1 rejected."}


def test_sessions_and_members_of_one_file_count_as_one_file():
    rows = ledger(
        ("a.fit", 1, "not_running"), ("a.fit", 2, "accepted"), ("b.zip!x", 1, "accepted"), ("b.zip!y", 1, "accepted")
    )
    assert printed(ledger_summary(rows, rows.clear())) == "2 files, 4 sessions in them: 3 accepted, 1 not running.\n"


def test_what_a_person_can_mend_comes_first_with_reason_and_fix():
    rows = ledger(("a.fit", 1, "accepted"), ("b.fit", 1, "not_running"), ("c.fit", 2, "rejected"))
    assert listed(rows) == [
        ["c.fit (session 2)", "rejected", "Because c.fit. Mend it."],
        ["b.fit", "not running", "Because b.fit. Mend it."],
        ["a.fit", "accepted", "Because a.fit. Mend it."],
    ]


def test_files_of_which_the_same_is_to_be_said_share_a_row():
    few = [(f"a{n}", 1, "not_running", "Cycling.") for n in range(MOST_ALIKE)]
    many = [(f"b{n}", 1, "not_running", "Swimming.") for n in range(MOST_ALIKE + 1)]
    assert [row[0] for row in listed(ledger(*few, *many))] == ["a0", "a1", "a2", "b0 and 3 more"]
    assert len(listed(ledger(*few, *many), everything=True)) == 2 * MOST_ALIKE + 1


def test_a_long_list_ends_and_says_how_many_follow():
    rows = ledger(
        *((f"{n:03}", 1, "rejected") for n in range(200)), *((f"x{n}", 1, "accepted", "A run.") for n in range(9))
    )
    text = printed(ledger_summary(rows, rows))
    assert len(listed(rows)) == MOST_LISTED
    assert text.splitlines()[-1] == f"and {209 - MOST_LISTED} more; -v lists every file."
    assert len(listed(rows, everything=True)) == 209


def test_new_is_what_was_not_there_or_of_which_another_thing_became():
    before = ledger(("a", 1, "accepted"), ("b", 1, "rejected"), ("gone", 1, "accepted"))
    after = ledger(("a", 1, "accepted"), ("b", 1, "accepted"), ("c", 1, "accepted"))
    assert came_in(after, before)["path"].to_list() == ["b", "c"]
    assert came_in(after, before.clear()).equals(after)
    without_fix = after.with_columns(fix=pl.lit(None, dtype=pl.String))
    assert came_in(without_fix, without_fix).is_empty()


def test_a_file_is_a_run_at_last_if_it_was_rejected_and_held_no_run():
    before = ledger(("a", 1, "rejected"), ("b", 1, "accepted"), ("b", 2, "rejected"), ("c", 1, "rejected"))
    after = ledger(("a", 1, "salvaged"), ("b", 1, "accepted"), ("b", 2, "rejected"), ("c", 1, "duplicate"))
    assert [runs_at_last(after, before), runs_at_last(before, before), runs_at_last(after, before.clear())] == [1, 0, 0]
