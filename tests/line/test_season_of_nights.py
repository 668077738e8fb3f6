"""Many refreshes of an inbox that people live with end in the state of one refresh of what is there at the end."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from random import Random

import polars as pl
import pytest

from pipeline.core.errors import NothingDone
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import refresh
from pipeline.store.generations import published
from pipeline.store.history import read_history
from tests.support.nights import CLOCKLESS, Nights, assert_same_state, drifting_run

pytestmark = pytest.mark.slow
depth, long = pytest.mark.depth, pytest.mark.long

ATHLETES = ("ari", "bo", "cy")


@pytest.fixture(autouse=True)
def a_club_of_two_tells_how_it_responds(monkeypatch: pytest.MonkeyPatch):
    """So that athletes rest on each other in a small club too."""
    monkeypatch.setattr("pipeline.stages.responses.FEWEST_ATHLETES", 2)


class Life:
    """What people do to an inbox, drawn."""

    def __init__(self, club: Nights, seed: int, *, pages: str) -> None:
        self.club, self.draw, self.n_runs, self.pages = club, Random(seed), 0, f'pages = "{pages}"\n'
        self.club.put("settings.toml", self.pages)
        self.done: list[str] = []
        self.broken: dict[str, bytes] = {}
        self.away: dict[str, bytes] = {}

    # --- Recordings ---

    def files(self) -> list[str]:
        """Recordings of athletes, in order, by their paths in the inbox."""
        return sorted(
            path.relative_to(self.club.inbox).as_posix()
            for path in self.club.inbox.glob("*/*")
            if path.suffix in (".fit", ".csv")
        )

    def some_file(self) -> str:
        return self.draw.choice(self.files())

    def new_name(self) -> str:
        self.n_runs += 1
        return f"{self.draw.choice(ATHLETES)}/{self.draw.randrange(100):02}-{self.n_runs}.fit"

    def new_run(self) -> bytes:
        return drifting_run(self.draw.randrange(120), seed=self.draw.randrange(10**6), km=self.draw.choice([3, 6, 6]))

    def add(self) -> None:
        self.club.put(self.new_name(), self.new_run())

    def delete(self) -> None:
        if len(self.files()) > 4:
            (self.club.inbox / self.some_file()).unlink()

    def edit(self) -> None:
        self.club.put(self.some_file(), self.new_run())

    def move(self) -> None:
        (self.club.inbox / self.some_file()).rename(self.club.inbox / self.named_like_another())

    def named_like_another(self) -> str:
        name = self.new_name()
        (self.club.inbox / name).parent.mkdir(exist_ok=True)
        return name

    def duplicate(self) -> None:
        """A copy, perhaps cut short, perhaps of the same start with more or fewer readings."""
        content = (self.club.inbox / self.some_file()).read_bytes()
        more = {"heart_rate_bpm": 150.0} if self.draw.random() < 0.5 else {}
        day, seed = self.draw.randrange(5), self.draw.randrange(3)
        self.club.put(
            self.new_name(),
            self.draw.choice([content, content[: len(content) * 2 // 3], drifting_run(day, seed=seed, **more)]),
        )

    # --- Beside them ---

    def listed(self) -> None:
        day = self.draw.randrange(10, 20)
        kind, surface = self.draw.choice(["race", "test", ""]), self.draw.choice(["road", "track", ""])
        self.club.put("ari/watch.csv", CLOCKLESS)
        lines = f"file,started_at_utc,kind,surface\nari/watch.csv,2026-02-{day}T09:00:00Z,{kind},{surface}\n"
        self.club.put("sessions.csv", lines)

    def roster(self) -> None:
        lines = [f"{name},{self.draw.choice([60, 61])},1.7,0.9\n" for name in ATHLETES if self.draw.random() < 0.7]
        self.club.put("roster.csv", "athlete_id,mass_kg,height_m,leg_length_m\n" + "".join(lines))

    def other_lists(self) -> None:
        day = self.draw.randrange(10, 20)
        self.club.put("complaints.csv", f"athlete_id,from_date,site\nari,2026-03-{day},left knee\n")
        self.club.put("strikes.csv", f"athlete_id,date,distance_km,foot,strike\nbo,2026-03-{day},1,left,heel\n")

    def columns(self) -> None:
        name = self.draw.choice(["ari", "none", "."])
        file = self.club.inbox / name / "columns.toml"
        if file.is_file():
            file.unlink()
        else:
            self.club.put(f"{name}/columns.toml", '[columns]\n"cadence_spm" = "cadence_strides_min"\n')

    def settings(self) -> None:
        lines = ["split_length_m = 500", "warm_up_m = 2000", "smallest_change_pct = {cadence_spm = 9}", "seed = 2", ""]
        self.club.put("settings.toml", self.pages + self.draw.choice(lines))

    # --- What goes wrong ---

    def arrives_broken(self) -> None:
        name, content = self.new_name(), self.new_run()
        self.broken[name] = content
        self.club.put(name, self.draw.choice([b"", b"broken", content[: len(content) // 2]]))

    def is_mended(self) -> None:
        for name, content in self.broken.items():
            self.club.put(name, content)
        self.broken = {}

    def goes_away(self) -> None:
        name = self.some_file()
        if len(self.files()) > 4:
            self.away[name] = (self.club.inbox / name).read_bytes()
            (self.club.inbox / name).unlink()

    def comes_back(self) -> None:
        for name, content in self.away.items():
            self.club.put(name, content)
        self.away = {}

    def happens(self, what: Callable[[], None]) -> None:
        self.done.append(what.__name__)
        what()

    @property
    def changes(self) -> list[Callable[[], None]]:
        return [
            self.add, self.add, self.delete, self.edit, self.move, self.duplicate, self.duplicate, self.listed,
            self.roster, self.other_lists, self.columns, self.settings,
        ]  # fmt: skip


def beginning(tmp_path: Path, seed: int, *, pages: str = "none") -> Life:
    """Every athlete with three runs."""
    life = Life(Nights(tmp_path), seed, pages=pages)
    for place, name in enumerate(ATHLETES):
        for day in range(3):
            life.club.put(f"{name}/{day}.fit", drifting_run(day, seed=10 * place + day))
    return life


# --- Any sequence of changes -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("seed", "n_nights"), [(0, 6), *(pytest.param(seed, 10, marks=long) for seed in range(4))])
def test_after_any_changes_the_state_is_to_the_byte_that_of_one_refresh_of_the_last_inbox(
    tmp_path: Path, seed: int, n_nights: int
):
    life = beginning(tmp_path, seed, pages="names")
    for night in range(n_nights):
        for _ in range(life.draw.choice([0, 1, 1, 2, 3])):
            life.happens(life.draw.choice(life.changes))
        life.club.refresh()
        if night % 3 == 2 or night == n_nights - 1:
            try:
                life.club.assert_as_if_done_anew()
            except BaseException as differs:
                differs.add_note(f"seed {seed}, night {night}, after {life.done}")
                raise


@pytest.mark.parametrize(("seed", "at_once"), [(0, 4), pytest.param(1, 2, marks=depth)])
def test_in_whatever_order_files_arrive_the_state_is_the_same(tmp_path: Path, seed: int, at_once: int):
    life = beginning(tmp_path / "all", 0)
    for _ in range(4):
        life.duplicate()
    life.listed()
    refresh(read_inbox(life.club.inbox), life.club.store, jobs=1)
    arriving, names = Nights(tmp_path / "one-by-one"), [*life.files(), "sessions.csv"]
    arriving.put("settings.toml", life.pages)
    Random(seed).shuffle(names)
    for start in range(0, len(names), at_once):
        for name in names[start : start + at_once]:
            arriving.put(name, (life.club.inbox / name).read_bytes())
        try:
            arriving.refresh()
        except NothingDone:
            assert not arriving.store.joinpath("current").exists(), "only before the first run"
    assert_same_state(arriving.store, life.club.store)


# --- Many nights ---------------------------------------------------------------------------------------------------

#: Where a refresh may die, and what the storage says then.
STEPS = (
    "pipeline.refresh.shard.write_table", "pipeline.refresh.athlete.write_table", "pipeline.refresh.club.write_table",
    "pipeline.refresh.club.write_database", "pipeline.refresh.club.write_exports",
    "pipeline.refresh.club.write_rejected",
    "pipeline.refresh.refresh.write_known", "pipeline.refresh.refresh.write_record",
    "pipeline.refresh.refresh.link_tree",
    "pipeline.store.generations.point_to",
)  # fmt: skip


def dies_at(club: Nights, step: str, monkeypatch: pytest.MonkeyPatch) -> bool:
    """A refresh whose storage fails at a step; whether it came to that."""

    def fails(*_: object, **__: object) -> None:
        raise OSError(5, "Input/output error")

    before = published(club.store)
    with monkeypatch.context() as patched:
        patched.setattr(step, fails)
        try:
            club.refresh()
        except OSError as error:
            assert error.strerror == "Input/output error"  # noqa: PT017 -- it may also come through unharmed
            assert published(club.store) == before
            return True
    return False


def leave_a_ruin(club: Nights) -> None:
    """What a killed refresh leaves: the next state half built, a beginning of a link."""
    newest = published(club.store)
    ruin = newest.parent / f"{int(newest.name) + 1:06}"
    if not ruin.exists():
        shutil.copytree(newest / "tables", ruin / "tables")
    (club.store / ".current").unlink(missing_ok=True)
    (club.store / ".current").symlink_to(f"generations/{ruin.name}")


@pytest.mark.parametrize(("n_nights", "seed", "fewest"), [(6, 1, (1, 2)), pytest.param(90, 90, (5, 8), marks=long)])
def test_nights_with_their_mishaps_end_as_one_refresh_of_everything(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, n_nights: int, seed: int, fewest: tuple[int, int]
):
    life, (fewest_died, fewest_kinds) = beginning(tmp_path, seed), fewest
    club = life.club
    club.refresh()
    n_died = 0
    for night in range(n_nights):
        luck = life.draw.random()
        if luck < 0.35:
            life.happens(life.add)
        elif luck < 0.6:
            life.happens(life.draw.choice([life.arrives_broken, life.is_mended, life.goes_away, life.comes_back]))
        elif luck < 0.75:
            life.happens(life.draw.choice(life.changes))
        if night % 7 == 3:
            n_died += dies_at(club, life.draw.choice(STEPS), monkeypatch)
        if night % 11 == 5:
            leave_a_ruin(club)
        done = club.refresh()
        assert set(done.ledger["path"]) >= set(life.files()), f"night {night}, after {life.done[-3:]}"
    assert n_died >= fewest_died, "mishaps were meant to happen"
    life.is_mended()
    life.comes_back()
    club.refresh()
    club.assert_as_if_done_anew()
    told = [one["generation"] for one in read_history(club.store) if not one.get("nothing_new")]
    assert told == sorted(told)
    assert len(told) == len(set(told)), "every refresh is told once"
    assert pl.Series(life.done).n_unique() >= fewest_kinds, "many things happened"
