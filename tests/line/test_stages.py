"""The registry of stages drives the refresh: what is added to it is computed, kept and published."""

from __future__ import annotations

from dataclasses import fields
from itertools import chain
from pathlib import Path

import pytest

import pipeline
from pipeline import ATHLETE, CLUB, FILE, STAGES, Function, Stage, parts_by_athlete, stages_of
from pipeline.core.settings import ANALYSIS, READING, Settings
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import check, refresh
from pipeline.store.layout import read_table
from pipeline.tables import TABLES
from tests.support.added_stages import add_stages, assert_ran_in_order, note_calls
from tests.support.nights import drifting_run


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    for athlete_id, n_runs in (("ari", 3), ("bo", 1)):
        for day in range(n_runs):
            file = tmp_path / "inbox" / athlete_id / f"{day}.fit"
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_bytes(drifting_run(day, seed=day + 10 * n_runs))
    return tmp_path / "inbox"


@pytest.mark.usefixtures("no_outputs")
def test_the_stages_run_in_the_order_of_the_registry(inbox: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    calls = note_calls(monkeypatch)
    refresh(read_inbox(inbox), tmp_path / "store", jobs=1)
    assert_ran_in_order(calls)


def test_check_runs_the_stages_of_files_and_no_other(inbox: Path, monkeypatch: pytest.MonkeyPatch):
    calls = note_calls(monkeypatch)
    check(read_inbox(inbox), jobs=1)
    assert list(dict.fromkeys(stage for stage, _ in calls)) == [stage.name for stage in stages_of(FILE)]


@pytest.mark.usefixtures("no_outputs")
def test_an_added_stage_of_athletes_and_one_of_the_club_are_in_the_store(
    inbox: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    add_stages(monkeypatch)
    refresh(read_inbox(inbox), tmp_path / "store", jobs=1)
    evenness = read_table(tmp_path / "store", "evenness")
    assert evenness["athlete_id"].to_list() == ["ari", "bo"]
    assert (evenness["speed_range_m_s"] > 0).all()
    assert read_table(tmp_path / "store", "steadiest")["n_athletes"].to_list() == [2]
    # Of an athlete whose files did not change, its rows are kept.
    (inbox / "bo" / "1.fit").write_bytes(drifting_run(9, seed=99))
    calls = note_calls(monkeypatch)
    refresh(read_inbox(inbox), tmp_path / "store", jobs=1)
    assert calls.count(("evenness", "evenness")) == 1
    after = read_table(tmp_path / "store", "evenness")
    assert after.row(0) == evenness.row(0)
    assert after.row(1) != evenness.row(1)


def test_what_stages_of_files_and_athletes_take_of_the_settings_decides_whether_they_are_recomputed():
    step = {one.name: one.metadata["of"] for one in fields(Settings)}
    for level, steps in ((FILE, {READING}), (ATHLETE, {READING, ANALYSIS})):
        for stage in stages_of(level):
            for function in stage.functions:
                assert {step[name] for name in function.settings if name in step} <= steps, function.name


@pytest.mark.parametrize("stage", STAGES, ids=lambda stage: stage.name)
def test_what_a_stage_reads_is_made_before_it(stage: object):
    given = {"an inbox file", "a recording", "roster.csv", "sessions.csv", "strikes.csv", "complaints.csv", "runs"}
    given |= {"shoes.csv", "events.csv", "corrections.toml", "laps of a recording"}
    before = {table for one in STAGES[: STAGES.index(stage)] for table in one.writes}  # type: ignore[arg-type]
    for function in stage.functions:  # type: ignore[attr-defined]
        assert set(function.reads) <= given | before
        assert set(function.writes) <= set(TABLES)
        before |= set(function.writes)


def test_the_parts_by_athlete_hold_each_function_once_in_order_and_need_nothing_of_each_other():
    functions = [one for stage in stages_of(CLUB) for one in stage.functions if one.by_athlete]
    parts = [[function for _, function in part] for part in parts_by_athlete()]
    assert len(parts) > 1
    assert sorted(chain.from_iterable(parts), key=functions.index) == functions
    for part in parts:
        assert part == sorted(part, key=functions.index)
        made = {table for function in part for table in function.writes}
        for other in chain.from_iterable(one for one in parts if one is not part):
            assert made.isdisjoint([*other.reads, *other.writes])


def test_functions_are_of_one_part_also_where_a_later_one_brings_them_together(monkeypatch: pytest.MonkeyPatch):
    apart = [Function(name, ("runs",), (name,), by_athlete=True) for name in ("first", "second", "third")]
    both = Function("both", ("third", "first"), ("both",), by_athlete=True)
    monkeypatch.setattr(pipeline, "STAGES", (Stage("added", CLUB, (*apart, both)),))
    parts = [[function.name for _, function in part] for part in parts_by_athlete()]
    assert parts == [["first", "third", "both"], ["second"]]


def test_levels_are_in_order():
    levels = [stage.level for stage in STAGES if stage.level in (FILE, ATHLETE, CLUB)]
    assert levels == sorted(levels, key=[FILE, ATHLETE, CLUB].index)
