"""Damage of a store: no refresh builds on it, every reader names it, and a repair leaves what was there before it."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline import read_store
from pipeline.__main__ import main
from pipeline.commands.as_json import documents
from pipeline.core.errors import Damaged, NothingDone
from pipeline.inbox.inbox import Inbox, read_inbox
from pipeline.refresh.damage import COMPARED, OUTPUTS, check_share, check_store, resting_on
from pipeline.refresh.refresh import refresh
from pipeline.store.contents import CONTENTS, WHOLE
from pipeline.store.generations import generations, published
from pipeline.store.history import catch_up, history_of_states, read_history, return_to
from tests.support.nights import Nights, drifting_run, files_of, rows_of

depth = pytest.mark.depth


@pytest.fixture(scope="module")
def refreshed_club(tmp_path_factory: pytest.TempPathFactory) -> Nights:
    """Two athletes with two runs each, shown by codes; refreshed, and once more with a third run of the first."""
    nights = Nights(tmp_path_factory.mktemp("damage") / "club")
    nights.put("settings.toml", 'pages = "codes"\n')
    for place, name in enumerate(("ari", "bo")):
        for day in range(2):
            nights.put(f"{name}/{day}.fit", drifting_run(day, seed=10 * place + day, km=4))
    nights.refresh()
    nights.put("ari/2.fit", drifting_run(2, seed=3, km=4))
    nights.refresh()
    return nights.remember()


@pytest.fixture
def club(refreshed_club: Nights) -> Nights:
    """That club, to be harmed. Its states share no file any more."""
    return refreshed_club.restored()


def flip(path: Path, _other: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)


def rot(path: Path, _other: Path) -> None:
    """What a disk loses leaves length and time as they were."""
    before = path.stat()
    flip(path, path)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def truncate(path: Path, _other: Path) -> None:
    path.write_bytes(path.read_bytes()[:-3])


def blank(path: Path, _other: Path) -> None:
    path.write_bytes(bytes(path.stat().st_size))


def delete(path: Path, _other: Path) -> None:
    path.unlink()


def swap(path: Path, other: Path) -> None:
    spare = path.with_name("spare")
    path.rename(spare)
    other.rename(path)
    spare.rename(other)


HARMS: dict[str, Callable[[Path, Path], None]] = {
    "flip": flip, "truncate": truncate, "blank": blank, "delete": delete, "swap": swap,
}  # fmt: skip


def names_in(state: Path) -> list[str]:
    return sorted(path.relative_to(state).as_posix() for path in state.rglob("*") if path.is_file())


def other_than(state: Path, name: str, names: list[str]) -> str:
    """The next file with another content, of the same kind where there is one, to be swapped with."""
    content, kind = (state / name).read_bytes(), Path(name).suffix
    after = names[names.index(name) + 1 :] + names
    others = [one for one in after if one not in (WHOLE, CONTENTS) and (state / one).read_bytes() != content]
    return next((one for one in others if Path(one).suffix == kind), others[0])


@contextmanager
def harmed(state: Path, name: str, harm: str) -> Iterator[None]:
    """A state with a damaged file, which is whole again in the end."""
    names = names_in(state)
    both = [name, other_than(state, name, names)] if harm == "swap" else [name, name]
    before = {one: ((state / one).read_bytes(), (state / one).stat()) for one in both}
    HARMS[harm](state / both[0], state / both[1])
    try:
        yield
    finally:
        for one, (content, about) in before.items():
            (state / one).write_bytes(content)
            os.utime(state / one, ns=(about.st_atime_ns, about.st_mtime_ns))


def is_output(name: str) -> bool:
    return name.partition("/")[0] in OUTPUTS


#: One file of each kind, and every harm.
SAMPLED = (
    ("tables/samples/athlete_id=bo/month=2026-03/*.parquet", "flip"),
    ("tables/samples/athlete_id=ari/month=2026-03/*.parquet", "delete"),
    ("tables/splits/athlete_id=bo/month=2026-03/splits.parquet", "swap"),
    ("tables/splits/athlete_id=bo/month=2026-03/splits.parquet", "delete"),
    ("tables/lap_splits/athlete_id=ari/month=2026-03/lap_splits.parquet", "truncate"),
    ("tables/athlete_drift/athlete_drift.parquet", "blank"),
    ("known/run_drift.parquet", "swap"),
    ("known/keys.json", "blank"),
    ("refresh.json", "truncate"),
    (CONTENTS, "flip"),
    (WHOLE, "delete"),
)


def stopped(nights: Nights, inbox: Inbox | None = None) -> Damaged | None:
    try:
        refresh(inbox or read_inbox(nights.inbox), nights.store, jobs=1)
    except Damaged as damage:
        return damage
    return None


def assert_nothing_is_built_on(club: Nights, cases: list[tuple[str, str]]) -> None:
    """With nothing new and with a new file, a refresh names the file and its repair, and publishes nothing."""
    state = published(club.store)
    for is_new in (False, True):
        if is_new:
            club.put("ari/3.fit", drifting_run(3, seed=4, km=4))
        inbox = read_inbox(club.inbox)
        for name, harm in cases:
            with harmed(state, name, harm):
                damage = stopped(club, inbox)
                assert damage is not None, f"{harm} {name}: was built on"
                assert name in damage.faults, f"{harm} {name}: named was {damage}"
                assert "verify --store" in str(damage)
                assert club.store.joinpath("current").resolve() == state
    assert stopped(club) is None


def test_no_refresh_builds_on_a_damaged_file(club: Nights):
    state = published(club.store)
    assert_nothing_is_built_on(
        club, [(next(state.glob(name)).relative_to(state).as_posix(), harm) for name, harm in SAMPLED]
    )


@depth
@pytest.mark.parametrize("harm", HARMS)
def test_no_refresh_builds_on_any_file_damaged_in_any_way(club: Nights, harm: str):
    names = [name for name in names_in(published(club.store)) if not is_output(name)]
    assert_nothing_is_built_on(club, [(name, harm) for name in names])


@pytest.mark.parametrize(
    "harm", ["truncate", *(pytest.param(harm, marks=depth) for harm in HARMS if harm != "truncate")]
)
def test_outputs_that_were_changed_are_made_again_even_with_nothing_new(club: Nights, harm: str):
    before, state = files_of(club.store), published(club.store)
    names = [name for name in names_in(state) if is_output(name)]
    pairs = list(zip(names[::2], names[1::2], strict=False))
    for one, other in pairs:
        HARMS[harm](state / one, state / other)
        if harm != "swap":
            HARMS[harm](state / other, state / one)
    assert stopped(club) is None
    assert read_history(club.store)[-1]["repaired"] == sorted(name for pair in pairs for name in pair)
    assert check_store(club.store).faults == {}
    assert files_of(club.store) == before


@pytest.mark.parametrize(
    "name",
    ["tables/samples/athlete_id=ari/**/*.parquet", "tables/splits/athlete_id=bo/**/*.parquet",
     "tables/lap_splits/athlete_id=bo/**/*.parquet", "known/pacing.parquet"],
)  # fmt: skip
def test_what_the_disk_lost_of_what_is_read_stops_a_refresh(club: Nights, name: str):
    state = published(club.store)
    file = next(state.glob(name))
    rot(file, file)
    club.put("ari/3.fit", drifting_run(3, seed=4, km=4))
    damage = stopped(club)
    assert damage is not None
    assert list(damage.faults) == [file.relative_to(state).as_posix()]
    assert generations(club.store)[-1] == published(club.store) == state


NOVEMBER_29 = date(2026, 11, 29)
EVERY_DAY = [NOVEMBER_29 + timedelta(days) for days in range(60)]


def nights_that_find(club: Nights, file: Path, nights: Sequence[date]) -> list[date]:
    found = {}
    for night in nights:
        try:
            check_share(club.store, night)
        except Damaged as damage:
            found[night] = [Path(name).name for name in damage.faults]
    assert all(names == [file.name] for names in found.values())
    return list(found)


@pytest.mark.parametrize(
    ("nights", "within"),
    [
        pytest.param(EVERY_DAY[:8], 7, id="every night"),
        pytest.param([night for night in EVERY_DAY[:16] if night.weekday()], 7, id="a machine that sleeps on Mondays"),
        pytest.param(EVERY_DAY[::7], 2, id="one night a week"),
        pytest.param(EVERY_DAY[:5] + EVERY_DAY[40:42], 6, id="after a month without"),
    ],
)
def test_what_the_disk_lost_of_what_is_not_read_is_found_within_a_week_and_told_every_night_from_then_on(
    club: Nights, nights: list[date], within: int
):
    for file in sorted((published(club.store) / "tables" / "samples").rglob("*.parquet")):
        rot(file, file)
        found = nights_that_find(club, file, nights)
        assert len(found) > len(nights) - within
        assert found == nights[-len(found) :]
        rot(file, file)  # which turns the same bit back
        (club.store / COMPARED).unlink()


@pytest.mark.parametrize("content", ["", "[]", '{"0": 1}', '{"a": "2026-11-29"}', "\xff"])
def test_where_it_is_not_known_what_was_compared_nothing_was(club: Nights, content: str):
    (club.store / COMPARED).write_text(content, encoding="latin-1")
    for night in EVERY_DAY[:7]:
        check_share(club.store, night)
    assert len(json.loads((club.store / COMPARED).read_text())) == 7


# --- Repair ----------------------------------------------------------------------------------------------------------


def repaired(club: Nights) -> list[str]:
    """Repair; returns which files of the inbox were read again."""
    refresh(read_inbox(club.inbox), club.store, jobs=1, repairs=True)
    return list(read_history(club.store)[-1]["changed"])


BO_AGAIN, ALL_NEW = ["bo/0.fit", "bo/1.fit"], list[str]()
REPAIRS = [
    ("tables/splits/athlete_id=bo/month=2026-03/splits.parquet", "swap", None),
    ("tables/lap_splits/athlete_id=bo/month=2026-03/lap_splits.parquet", "delete", BO_AGAIN),
    ("tables/lap_splits/athlete_id=bo/month=2026-03/lap_splits.parquet", "rot", BO_AGAIN),
    ("tables/run_drift/run_drift.parquet", "blank", []),
    ("known/run_drift.parquet", "flip", ALL_NEW),
    ("known/page_key", "flip", []),
    (WHOLE, "truncate", ALL_NEW),
]


@pytest.mark.parametrize(("name", "harm", "read_again"), REPAIRS)
def test_a_repair_leaves_every_file_as_it_was_and_reads_no_more_than_it_has_to(
    club: Nights, name: str, harm: str, read_again: list[str] | None
):
    before, rows = files_of(club.store), rows_of(club.store)
    state = published(club.store)
    (HARMS | {"rot": rot})[harm](state / name, state / other_than(state, name, names_in(state)))
    read = repaired(club)
    assert read_again in (None, read)
    assert check_store(club.store).faults == {}
    assert files_of(club.store) == before
    assert rows_of(club.store) == rows
    assert stopped(club) is None


def test_a_damaged_file_that_older_states_share_is_replaced_in_all_of_them_and_never_written_into(tmp_path: Path):
    club = Nights(tmp_path / "club")  # not copied: its states share what has not changed
    club.put("settings.toml", 'pages = "none"\n')
    for name in ("ari", "bo"):
        club.put(f"{name}/0.fit", drifting_run(0, seed=len(name), km=4))
    club.refresh()
    club.put("ari/1.fit", drifting_run(1, km=4))
    club.refresh()
    first, second = generations(club.store)
    name = "tables/splits/athlete_id=bo/month=2026-03/splits.parquet"
    assert (first / name).samefile(second / name)
    flip(second / name, second)
    damaged = (second / name).read_bytes()
    with (second / name).open("rb") as reader:
        assert check_store(club.store).shared_with == ("000001",)
        with pytest.raises(NothingDone, match=r"000001 is not returned to: The file .*splits\.parquet has another"):
            return_to(club.store, "000001")
        assert repaired(club) == ["bo/0.fit"]
        assert reader.read() == damaged, "whoever has it open sees no other file under his hands"
    assert (first / name).read_bytes() == (published(club.store) / name).read_bytes() != damaged
    assert return_to(club.store, "000001")
    assert check_store(club.store).faults == {}


def test_a_store_of_a_version_that_noted_nothing_is_brought_forward_by_recomputing_everything(club: Nights):
    before = files_of(club.store)
    state = published(club.store)
    (state / CONTENTS).unlink()
    (state / WHOLE).write_bytes(b"")
    with pytest.raises(NothingDone, match=r"schema 0.*refresh` recomputes everything"):
        check_store(club.store)
    assert club.refresh().read == ["ari/0.fit", "ari/1.fit", "ari/2.fit", "bo/0.fit", "bo/1.fit"]
    assert check_store(club.store).faults == {}
    assert files_of(club.store) == before


# --- What it says ----------------------------------------------------------------------------------------------------

RESTS = {
    "tables/splits/athlete_id=bo/month=2026-03/splits.parquet": ("athlete_drift", "runs", "season_trend", "pages"),
    "tables/season_trend/season_trend.parquet": ("splitdrift.duckdb", "pages", "tables of the next refresh"),
    "tables/athlete_drift/athlete_drift.parquet": ("splitdrift.duckdb", "pages", "tables of the next refresh"),
    "known/pacing.parquet": ("what the next refresh builds on", "pacing"),
    CONTENTS: ("everything",),
}


@pytest.mark.parametrize("name", RESTS)
def test_what_rests_on_a_file_is_told(name: str):
    assert [words for words in RESTS[name] if words not in resting_on(name)] == []
    assert "recordings" not in resting_on("tables/season_trend/season_trend.parquet")
    assert "next refresh" not in resting_on("tables/strike_counts/strike_counts.parquet")
    assert resting_on("pages/index.html") == ""


def run(*words: str | Path) -> tuple[int, str]:
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.output


@pytest.mark.usefixtures("no_workers")
def test_verify_names_what_is_damaged_repairs_it_and_says_so(club: Nights):
    code, said = run("verify", "--store", club.store)
    assert (code, said.splitlines()[1].endswith("files are as they were written.")) == (0, True), said
    name = "tables/splits/athlete_id=bo/month=2026-03/splits.parquet"
    rot(published(club.store) / name, club.store)
    code, said = run("verify", "--store", club.store)
    assert (code, f"  {name} has another content than it was written with; on it rests responses" in said) == (1, True)
    code, said = run("verify", "--store", club.store, "--repair", "--jobs", "1", "--json")
    document = json.loads(said)
    assert list(document) == list(documents()["verify"])
    assert (code, document["damaged"], document["repaired"], document["schema"]) == (0, [], [name], 1)


def test_an_inbox_without_a_repair_is_wrong_use(club: Nights):
    code, said = run("verify", "--store", club.store, "--inbox", club.inbox)
    assert code == 2
    assert "--inbox goes with --repair" in said


@pytest.mark.usefixtures("no_workers")
def test_a_repair_without_the_name_of_the_inbox_asks_for_it(club: Nights):
    for state in generations(club.store):
        (state / "known" / "keys.json").unlink()
    assert run("verify", "--store", club.store, "--repair")[0] == 2
    code, said = run("verify", "--store", club.store, "--repair", "--inbox", club.inbox, "--jobs", "1")
    assert code == 0, said


READERS = {
    "show": ("show", "splits"),
    "show --where": ("show", "splits", "--where", "km > 1"),
    "pages": ("pages", "--jobs", "1"),
    "calibrate": ("calibrate", "--draws", "1", "--jobs", "1"),
    "study": ("study", Path(__file__).parents[2] / "data/studies/demo/contact-time-marathon.toml", "--out", "out"),
}


@pytest.mark.parametrize("reader", READERS)
def test_every_reader_names_the_damaged_file_and_its_repair(
    demo_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reader: str
):
    monkeypatch.chdir(tmp_path)
    store = tmp_path / "store"
    shutil.copytree(demo_store, store, symlinks=True, copy_function=os.link)
    table = "pacing" if reader == "calibrate" else "splits"  # which only the database is made of
    file = sorted((published(store) / "tables" / table).rglob("*.parquet"))[0]
    content = file.read_bytes()
    file.unlink()  # linked to the demo's own
    file.write_bytes(content[: len(content) // 2])
    code, said = run(*READERS[reader], "--store", store)
    assert (code, f"{table}.parquet has another content" in said) == (1, True), said
    assert f"`splitdrift verify --store {store} --repair`" in said


def test_a_notebook_is_told_too(club: Nights):
    flip(next((published(club.store) / "tables" / "samples" / "athlete_id=bo").rglob("*.parquet")), club.store)
    flip(published(club.store) / "splitdrift.duckdb", club.store)
    store = read_store(club.store)
    with pytest.raises(Damaged, match=r"samples/athlete_id=bo/.* has another content"):
        list(map(store.samples_of, store.table("runs")["run_id"]))
    with pytest.raises(Damaged, match=r"splitdrift\.duckdb has another content"):
        store.sql("SELECT 1")


def test_a_state_without_a_readable_record_is_still_in_the_history(club: Nights):
    record = published(club.store) / "refresh.json"
    record.write_text(json.dumps(json.loads(record.read_text()) | {"seconds": 123456}))
    (club.store / "history.jsonl").unlink()
    catch_up(club.store)
    states = history_of_states(club.store)
    assert [state["generation"] for state in states] == ["000001", "000002"]
    assert 123456 not in [state.get("seconds") for state in states]
