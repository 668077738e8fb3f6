"""What the club's stages made of athletes is taken over where it would come out the same, and only there."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline import Stage
from pipeline.core.errors import Damaged
from pipeline.stages.summaries import athlete_drift
from pipeline.store.generations import published
from tests.support.nights import Nights, drifting_run

ATHLETES = ("ari", "bo", "cy")


@pytest.fixture
def club(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Nights:
    """Three athletes with four runs each, refreshed; one on the ninth day leaves what all have in common as it is."""
    monkeypatch.setattr("pipeline.stages.responses.FEWEST_ATHLETES", 2)
    monkeypatch.setattr("pipeline.refresh.settled.FEWEST_RUNS", 2)
    club = Nights(tmp_path, outputs=False)
    for place, name in enumerate(ATHLETES):
        for day in range(4):
            club.put(f"{name}/{day}.fit", drifting_run(1 + day, seed=10 * place + day))
    club.put("cy/copy.fit", drifting_run(1, seed=20)[:-600])  # another recording of a run
    club.put("astray.csv", "no,recording\n1,2\n")
    club.put("sessions.csv", "athlete_id,started_at_utc,kind\nbo,2026-03-15T09:00:00Z,race\n")
    club.put("complaints.csv", "athlete_id,from_date,site\nbo,2026-03-16,left knee\n")
    strikes = ("bo,2026-03-15,1,left,heel", "visitor,2026-03-15,1,left,forefoot")
    club.put("strikes.csv", "\n".join(["athlete_id,date,distance_km,foot,strike", *strikes, ""]))
    club.refresh()
    return club


@pytest.fixture
def computed(club: Nights, monkeypatch: pytest.MonkeyPatch) -> dict[str, set[str]]:  # noqa: ARG001 -- after its refresh
    """Of whose rows each function of the club is called from now on, by its first table with athletes."""
    athletes: dict[str, set[str]] = {}
    call = Stage.call

    def noted(stage: Stage, name: str, *inputs: pl.DataFrame, **more: object) -> object:
        own = (rows["athlete_id"] for rows in inputs[:2] if isinstance(rows, pl.DataFrame) and "athlete_id" in rows)
        athletes.setdefault(name, set()).update(next(own, pl.Series([], dtype=pl.String)).drop_nulls())
        return call(stage, name, *inputs, **more)

    monkeypatch.setattr(Stage, "call", noted)
    return athletes


#: What they make of an athlete rests on nobody else; one rests on what all have in common; others on what it concludes.
ALONE, WITH_ALL = ("runs", "season_trend", "contrasts", "before_after", "season_slope"), "athlete_drift"
ON_CONCLUSIONS = ("usual_course", "usual", "run_against_usual")


def test_after_a_new_run_the_tables_of_others_are_taken_over(club: Nights, computed: dict[str, set[str]]):
    club.put("ari/9.fit", drifting_run(9, seed=99))
    club.refresh()
    assert {name: computed[name] for name in ALONE} == {name: {"ari"} for name in ALONE}
    assert computed[WITH_ALL] == {*ATHLETES}
    assert [computed[name] for name in ON_CONCLUSIONS] == [{"ari"}] * len(ON_CONCLUSIONS)
    club.assert_as_if_done_anew()


def test_what_rests_on_conclusions_is_made_again_of_those_about_whom_they_change(
    club: Nights, computed: dict[str, set[str]], monkeypatch: pytest.MonkeyPatch
):
    def with_other_findings(*args: Any, **more: Any) -> pl.DataFrame:
        found = athlete_drift(*args, **more)
        return found.with_columns(finding=pl.when(athlete_id="bo").then(pl.lit("rises")).otherwise("finding"))

    monkeypatch.setattr("pipeline.stages.summaries.athlete_drift", with_other_findings)
    club.put("ari/9.fit", drifting_run(9, seed=99))
    club.refresh()
    assert [computed[name] for name in ON_CONCLUSIONS] == [{"ari", "bo"}] * len(ON_CONCLUSIONS)
    club.assert_as_if_done_anew()


def test_what_any_run_may_move_is_given_to_none_whose_tables_are_taken_over(
    club: Nights, monkeypatch: pytest.MonkeyPatch
):
    given: dict[str, set[str]] = {}
    call = Stage.call

    def noted(stage: Stage, name: str, *inputs: pl.DataFrame, **more: object) -> object:
        given[name] = {column for rows in inputs if isinstance(rows, pl.DataFrame) for column in rows.columns}
        return call(stage, name, *inputs, **more)

    monkeypatch.setattr(Stage, "call", noted)
    club.put("complaints.csv", "athlete_id,from_date,site\nbo,2026-03-17,left knee\n")  # all is made again
    club.refresh()
    assert [name for name in ON_CONCLUSIONS if given[name] & {"q_value", "repeatability"}] == []
    assert "onset_km" in given["usual_course"]


def test_the_splits_of_others_are_the_same_files(club: Nights):
    def splits() -> dict[str, int]:
        tables = published(club.store) / "tables"
        return {
            file.relative_to(tables).as_posix(): file.stat().st_ino
            for file in tables.glob("*splits/athlete_id=*/**/*.parquet")
        }

    before = splits()
    club.put("ari/9.fit", drifting_run(9, seed=99))
    club.refresh()
    assert {name.split("/")[1] for name, _ in before.items() ^ splits().items()} == {"athlete_id=ari"}


@pytest.mark.parametrize(
    ("came", "change", "recomputed"),
    [
        ("ari/9.fit", lambda club: (club.inbox / "ari" / "9.fit").unlink(), {"ari"}),
        ("dee/9.fit", lambda club: (club.inbox / "dee" / "9.fit").unlink(), set()),
        (None, lambda club: (club.inbox / "cy" / "copy.fit").rename(club.inbox / "ari" / "copy.fit"), {"ari", "cy"}),
        (None, lambda club: club.put("astray.csv", "still,no recording\n"), set()),
        (None, lambda club: (club.inbox / "astray.csv").unlink(), set()),
    ],
    ids=["a run goes", "an athlete goes", "a recording moves", "nobody's file is another", "nobody's file goes"],
)
def test_whatever_changes_about_files_the_tables_are_those_of_a_refresh_of_everything(
    club: Nights,
    computed: dict[str, set[str]],
    came: str | None,
    change: Callable[[Nights], object],
    recomputed: set[str],
):
    if came is not None:
        club.put(came, drifting_run(9, seed=99))
        club.refresh()
        computed.clear()
    change(club)
    club.refresh()
    assert {name: computed[name] for name in ALONE} == dict.fromkeys(ALONE, recomputed)
    club.assert_as_if_done_anew()


def test_with_other_lists_all_is_made_again(club: Nights, computed: dict[str, set[str]]):
    club.put("ari/9.fit", drifting_run(9, seed=99))
    club.put("sessions.csv", "athlete_id,started_at_utc,kind\nbo,2026-03-16T09:00:00Z,race\n")
    club.refresh()
    assert computed["runs"] == {*ATHLETES}
    club.assert_as_if_done_anew()


def test_where_the_drift_of_others_moves_what_rests_on_it_is_made_again(club: Nights, computed: dict[str, set[str]]):
    club.put("cy/new.fit", drifting_run(0, seed=99))
    assert club.refresh().analysed == [*ATHLETES], "the club's responses were to move"
    assert computed["season_trend"] == {*ATHLETES}
    club.assert_as_if_done_anew()


def test_damage_of_what_is_taken_over_is_named_and_mended(club: Nights):
    file = published(club.store) / "tables" / "season_trend" / "season_trend.parquet"
    about, content = file.stat(), file.read_bytes()
    file.write_bytes(content[:99] + bytes([content[99] ^ 1]) + content[100:])
    os.utime(file, ns=(about.st_atime_ns, about.st_mtime_ns))
    club.put("ari/9.fit", drifting_run(9, seed=99))
    with pytest.raises(Damaged, match=r"tables/season_trend/season_trend.parquet"):
        club.refresh()
    club.refresh(repairs=True)
    club.assert_as_if_done_anew()
