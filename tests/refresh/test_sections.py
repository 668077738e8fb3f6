"""A club in sections: the tables of each state are those of one section, whatever becomes of their number."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from datetime import date
from itertools import chain
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest
from click.testing import CliRunner
from openpyxl import load_workbook

from pipeline.__main__ import main
from pipeline.core.errors import Damaged, Fault
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh import club as steps_of_club
from pipeline.refresh.context import AthleteTask, BuildContext, Shard
from pipeline.refresh.damage import check_share, check_store
from pipeline.refresh.refresh import bring_up_to_date
from pipeline.refresh.steps import executor_over
from pipeline.store import layout, sections
from pipeline.store.bundles import Bundle
from pipeline.store.contents import contents_of, is_note
from pipeline.store.exports import EXPORTED, csv_text
from pipeline.store.generations import published
from pipeline.store.layout import read_table
from pipeline.store.parquet import read_provenance
from pipeline.store.sections import Section
from pipeline.tables import PARTITIONED, TABLES
from pipeline.workers.pool import here
from tests.support.nights import Nights, drifting_run, files_of, nothing


def run(day: int, *, seed: int = 1) -> bytes:
    """Without contact time, so that there are few metrics to estimate."""
    return drifting_run(day, seed=seed, contact_time_ms=np.nan)


CORRECTIONS = """
[[correction]]
to_date = 2026-03-14
tags = { weather = "heat" }

[[correction]]
athlete_id = "bo"
cadence_factor = 2
only_if_cadence_below = 100
"""
#: The mean of these angles, added in another order, rounds to another hundredth of a degree. The guest has no runs.
STRIKES = "athlete_id,date,distance_km,strike,angle_deg\n" + "".join(
    f"{name},2026-03-14,{km},{strike},{angle}\n"
    for name, angle in (("ari", 10.9), ("bo", 10.1), ("cai", 13.7), ("eli", 16.2), ("guest", ""))
    for km, strike in ((3, "rearfoot"), (5, "midfoot" if name in ("bo", "eli", "guest") else "rearfoot"))
)


@pytest.fixture
def club(tmp_path: Path) -> Nights:
    """Five athletes with two runs, one of which has two recordings, and a file that belongs to nobody; corrections
    that concern one of them or several; and landings, of guests too.
    """
    nights = Nights(tmp_path / "club")
    nights.put("settings.toml", 'pages = "none"\n')
    nights.put("corrections.toml", CORRECTIONS)
    nights.put("strikes.csv", STRIKES)
    for place, name in enumerate(("ari", "bo", "cai", "dee", "eli")):
        for number in range(2):
            nights.put(f"{name}/{number}.fit", run(number, seed=10 * place + number))
    nights.put("ari/twin.fit", run(0, seed=50))
    nights.put("loose.fit", run(9))
    return nights


@pytest.fixture
def tables_of_club(club: Nights) -> Nights:
    """The same, whose outputs are not written: they are made of the tables, whoever made these."""
    return replace(club, outputs=False)


def assert_tables_of_one_section(nights: Nights, monkeypatch: pytest.MonkeyPatch) -> None:
    """Compare every table with that of one refresh of the present inbox, in which all athletes are one section."""
    with monkeypatch.context() as patched:
        patched.setattr(sections, "MOST_ATHLETES", 1024)
        patched.setattr(steps_of_club, "ATHLETES_AT_ONCE", 1024)
        nights.n_fresh += 1
        whole = nights.root / f"whole-{nights.n_fresh}"
        replace(nights, outputs=False).refresh(whole)
    for table in TABLES.keys() - {"samples", "calibration"}:
        assert read_table(nights.store, table).equals(read_table(whole, table)), table


def assert_outputs_of_one_section(nights: Nights) -> None:
    """The rows of all CSV files of a table are those of the table, and the database answers as with tables."""
    exports, valid = nights.store / "exports", published(nights.store)
    for table in EXPORTED:
        files = [file for file in exports.glob("*.csv") if file.stem.partition("-")[0] == table]
        lines = sorted(chain.from_iterable(file.read_text().splitlines()[1:] for file in files))
        assert lines == sorted(csv_text(read_table(nights.store, table)).splitlines()[1:]), table
    told = pl.read_csv(nights.store / "rejected" / "rejected.csv")
    assert told.select("path", "status").rows() == [("ari/twin.fit", "duplicate"), ("loose.fit", "rejected")]
    with duckdb.connect(str(valid / "splitdrift.duckdb"), read_only=True) as connection:
        found = connection.sql("SELECT run_id, distance_km, device FROM runs ORDER BY run_id").pl()
        n_kilometres = connection.execute("SELECT COUNT(*) FROM run_splits").fetchone()
    assert found.height > 0
    assert found.equals(read_table(nights.store, "runs").select("run_id", "distance_km", "device"))
    assert n_kilometres == (read_table(nights.store, "splits").height,)
    with closing(load_workbook(exports / "splitdrift.xlsx", read_only=True)) as workbook:
        rows = list(workbook["runs"].values)
    assert [row[0] for row in rows[2:]] == read_table(nights.store, "runs")["run_id"].to_list()


def in_sections(nights: Nights) -> int:
    return len(list((published(nights.store) / "known").glob("runs*.parquet")))


def test_a_club_in_sections_has_the_tables_of_one(club: Nights, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(sections, "MOST_ATHLETES", 1)
    club.refresh()
    assert in_sections(club) == 8
    checked, state = check_store(club.store), published(club.store)
    n_files = sum(path.is_file() and not is_note(path.relative_to(state).as_posix()) for path in state.rglob("*"))
    assert (checked.faults, checked.n_files) == ({}, n_files)
    assert_tables_of_one_section(club, monkeypatch)
    assert_outputs_of_one_section(club)


def test_the_club_as_a_whole_is_finished_of_what_its_sections_told(
    tables_of_club: Nights, monkeypatch: pytest.MonkeyPatch
):
    finish = steps_of_club.finish_club

    def without_their_tables(context: BuildContext, sections: Sequence[Section]) -> None:
        assert len(sections) == 8
        with monkeypatch.context() as patched:
            patched.setattr(steps_of_club, "read_file", nothing)
            patched.setattr(steps_of_club, "read_rows", nothing)
            finish(context, sections)

    monkeypatch.setattr(sections, "MOST_ATHLETES", 1)
    with monkeypatch.context() as patched:
        patched.setattr(steps_of_club, "finish_club", without_their_tables)
        tables_of_club.refresh()
    assert read_table(tables_of_club.store, "corrections").select("n_applied", "n_duplicates").rows() == [
        (5, 1),
        (0, 0),
    ]
    assert read_table(tables_of_club.store, "strike_shift")["n_pairs"].to_list() == [5, 5]
    assert_tables_of_one_section(tables_of_club, monkeypatch)


@pytest.mark.parametrize("most", [1, 1024])
def test_tables_of_the_whole_club_are_made_from_the_recordings_of_each_section(
    tables_of_club: Nights, monkeypatch: pytest.MonkeyPatch, most: int
):
    def made_from(table: str) -> list[str]:
        files = sorted((published(club.store) / "tables" / table).iterdir())
        return [pl.read_parquet_metadata(file)["splitdrift.inputs_sha256"] for file in files]

    monkeypatch.setattr(sections, "MOST_ATHLETES", most)
    club, found = tables_of_club, set[str]()
    for name in ("ari", "bo", "eli"):
        club.put(f"{name}/odd.fit", b"odd")
        club.refresh()
        of_sections = made_from("runs")
        assert len(of_sections) == in_sections(club)
        of_club = of_sections[0] if most > 1 else hashlib.sha256("".join(of_sections).encode()).hexdigest()
        for table in ("roster", "corrections", "strike_shift"):
            assert made_from(table) == [of_club]
        assert read_provenance(published(club.store)).inputs_sha256 == of_club
        found.add(of_club)
    assert len(found) == 3


@pytest.mark.usefixtures("no_workers", "no_outputs")
def test_a_refresh_says_the_same_of_a_club_in_sections_and_reads_only_its_ledger_as_a_whole(
    tables_of_club: Nights, monkeypatch: pytest.MonkeyPatch
):
    def noted(folder: Path, names: Sequence[str], columns: Sequence[str] | None = None) -> pl.DataFrame:
        of_several.update(Path(name).parts[1] for name in names if name.startswith("tables/"))
        return read_files(folder, names, columns)

    read_files, said = layout.read_files, list[str]()
    monkeypatch.setattr(layout, "read_files", noted)
    for most in (1024, 1):
        of_several = set[str]()
        monkeypatch.setattr(sections, "MOST_ATHLETES", most)
        store = tables_of_club.root / f"store-{most}"
        done = CliRunner().invoke(main, ["refresh", "--inbox", str(tables_of_club.inbox), "--store", str(store)])
        assert done.exit_code == 0, done.output
        said.append(done.output.replace(str(store), "STORE"))
    assert of_several - set(PARTITIONED) == {"recordings"}
    assert said[0] == said[1]
    assert "12 files: 10 accepted" in said[0]
    assert "correction 2 (cadence × 2) names 2 recordings and was held back" in said[0]


def test_what_changes_in_one_section_leaves_the_others_as_they_are(club: Nights, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(sections, "MOST_ATHLETES", 2)
    monkeypatch.setattr(steps_of_club, "ATHLETES_AT_ONCE", 1)
    club.refresh()
    club.put("bo/2.fit", run(2, seed=77))
    (club.inbox / "cai" / "1.fit").unlink()
    done = club.refresh()
    assert (done.read, done.responded) == (["bo/2.fit"], ["bo", "cai"])
    assert_tables_of_one_section(club, monkeypatch)
    club.assert_as_if_done_anew()


@pytest.mark.parametrize(
    ("before", "now"), [pytest.param(*of, marks=pytest.mark.depth) for of in ((1024, 1), (1, 1024), (2, 1))]
)
def test_what_came_of_a_refresh_is_the_same_however_the_club_is_divided(
    tables_of_club: Nights, before: int, now: int, monkeypatch: pytest.MonkeyPatch
):
    club, records = tables_of_club, list[list[dict[str, Any]]]()
    for module in ("context", "outcome"):
        monkeypatch.setattr(f"pipeline.refresh.{module}.MOST_NAMES", 2)
    come_in = {"ari/odd.fit": b"odd", "bo/odd.fit": b"odd", "eli/odd.fit": b"odd", "cai/2.fit": run(2, seed=77)}
    for store, mosts in ((club.store, (before, now)), (club.root / "whole", (1024, 1024))):
        records.append([])
        for most, files in zip(mosts, ({}, come_in), strict=True):
            monkeypatch.setattr(sections, "MOST_ATHLETES", most)
            for name in come_in:
                (club.inbox / name).unlink(missing_ok=True)
            for name, content in files.items():
                club.put(name, content)
            club.refresh(store)
            record = json.loads((published(store) / "refresh.json").read_text(encoding="utf-8"))
            records[-1].append({key: value for key, value in record.items() if key not in _OF_THE_TIME})
    divided, (first, second) = records
    assert divided == [first, second]
    assert {row["athlete_id"] for row in first["findings"]} == {"ari", "bo", "cai", "dee", "eli"}
    assert (second["n_refused"], [row["path"] for row in second["refused"]]) == (3, ["ari/odd.fit", "bo/odd.fit"])
    assert second["statuses"] == {"accepted": 11, "duplicate": 1, "rejected": 4}
    assert {row["athlete_id"] for row in second["findings"]} == {"cai"}


#: What a record says of when and where it was made.
_OF_THE_TIME = ("generation", "began_at_utc", "seconds")


def test_a_section_may_be_taken_through_its_steps_again_after_its_worker_died(
    tables_of_club: Nights, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(sections, "MOST_ATHLETES", 2)
    club = tables_of_club
    club.refresh()
    club.put("bo/2.fit", run(2, seed=77))

    def twice(function: Any, shared: Any, items: Iterable[Any]) -> Iterator[Any]:
        for item in items:
            function(here, shared, item)
            yield function(here, shared, item)

    executor = replace(executor_over(here), delegate=twice, write_outputs=nothing)
    bring_up_to_date(read_inbox(club.inbox), club.store, executor)
    assert in_sections(club) == 4
    club.assert_as_if_done_anew()


def test_what_a_planner_gave_out_before_it_died_may_come_to_its_end_later(tables_of_club: Nights):
    club, usual, given = tables_of_club, executor_over(here), list[Shard]()

    def measure(context: BuildContext, shards: Sequence[Shard]) -> Iterator[Bundle]:
        given.extend(shards)
        return usual.measure(context, shards)

    def respond(context: BuildContext, tasks: Sequence[AthleteTask], until: date | None) -> Iterator[Bundle]:
        assert len(list(usual.measure(context, given))) == len(given) > 0
        yield from usual.respond(context, tasks, until)

    executor = replace(usual, measure=measure, respond=respond, write_outputs=nothing)
    bring_up_to_date(read_inbox(club.inbox), club.store, executor)
    club.assert_as_if_done_anew()


@pytest.mark.parametrize(
    ("before", "now"), [(1024, 1), *(pytest.param(*of, marks=pytest.mark.depth) for of in ((1, 1024), (3, 1)))]
)
def test_sections_divide_and_unite_as_a_club_grows_and_shrinks(
    tables_of_club: Nights, monkeypatch: pytest.MonkeyPatch, before: int, now: int
):
    club = tables_of_club
    monkeypatch.setattr(sections, "MOST_ATHLETES", before)
    club.refresh()
    monkeypatch.setattr(sections, "MOST_ATHLETES", now)
    club.put("dee/2.fit", run(2, seed=88))
    assert club.refresh().responded == ["dee"]
    if in_sections(club) > 1:
        assert_tables_of_one_section(club, monkeypatch)
    club.assert_as_if_done_anew()


DAMAGE: dict[str, Callable[[Path, Path], object]] = {
    "gone": lambda path, _: path.unlink(),
    "cut": lambda path, _: path.write_bytes(path.read_bytes()[:-9]),
    "of another": lambda path, other: shutil.copyfile(other, path),
}


@pytest.mark.parametrize(
    "how", ["gone", *(pytest.param(how, marks=pytest.mark.depth) for how in ("cut", "of another"))]
)
def test_a_damaged_list_of_files_stops_a_refresh_and_is_made_again_with_the_files_in_it(
    club: Nights, monkeypatch: pytest.MonkeyPatch, how: str
):
    monkeypatch.setattr(sections, "MOST_ATHLETES", 2)
    club.put("settings.toml", 'pages = "names"\n')
    club.refresh()
    before, state = files_of(club.store), published(club.store)
    contents = contents_of(state)
    assert contents is not None
    of, other = (contents.list_of(f"pages/athletes/{name}") for name in ("bo", "dee"))
    DAMAGE[how](state / of, state / other)
    splits = contents.below("tables/splits/athlete_id=dee")[0]
    for name in ("pages/athletes/bo/index.html", splits):
        (state / name).write_bytes((state / name).read_bytes() + b"damaged, too")
    found = {of: Fault.MISSING if how == "gone" else Fault.CONTENT, splits: Fault.LENGTH}
    assert check_store(club.store).faults == found
    for stopped in (club.refresh, lambda: check_share(club.store, date(2026, 12, 1))):
        with pytest.raises(Damaged) as error:
            stopped()
        assert error.value.faults.items() <= found.items()
        assert of in error.value.faults
    assert club.refresh(repairs=True).read == ["bo/0.fit", "bo/1.fit", "dee/0.fit", "dee/1.fit"]
    assert check_store(club.store).faults == {}
    assert files_of(club.store) == before
