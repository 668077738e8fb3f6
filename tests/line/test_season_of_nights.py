"""Many refreshes of an inbox that people live with end in the state of one refresh of what is there at the end."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from random import Random

import pytest

from pipeline.core.errors import Damaged, NothingDone
from pipeline.inbox.inbox import read_inbox
from pipeline.nightly.nightly import Night, Outcome
from pipeline.refresh.context import BuildContext
from pipeline.refresh.damage import NIGHTS_OF_A_ROUND, check_store
from pipeline.refresh.refresh import refresh
from pipeline.store.generations import published
from pipeline.store.history import made_a_state, read_history
from tests.support.nights import (
    CLOCKLESS,
    Killed,
    Nights,
    Schedule,
    Sizes,
    assert_same_state,
    drifting_run,
    leave_hollow,
)

pytestmark = pytest.mark.slow
depth = pytest.mark.depth

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
        self.sensor = 0
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
        day, seed, km = self.draw.randrange(120), self.draw.randrange(10**6), self.draw.choice([3, 6, 6])
        replaced = {"contact_time_ms": 240.0 + 5 * self.sensor} if self.sensor else {}
        return drifting_run(day, seed=seed, km=km, serial_number=1000 + self.sensor, **replaced)

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


def beginning(tmp_path: Path, seed: int, *, pages: str = "none", outputs: bool = True) -> Life:
    """Every athlete with three runs."""
    life = Life(Nights(tmp_path, outputs=outputs), seed, pages=pages)
    for place, name in enumerate(ATHLETES):
        for day in range(3):
            life.club.put(f"{name}/{day}.fit", drifting_run(day, seed=10 * place + day))
    return life


# --- Any sequence of changes -----------------------------------------------------------------------------------------


@depth
@pytest.mark.parametrize("seed", range(2))
def test_after_any_changes_the_state_is_to_the_byte_that_of_one_refresh_of_the_last_inbox(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int
):
    life = beginning(tmp_path, seed, pages="names")
    monkeypatch.setattr(BuildContext, "outputs", [])  # but pages: the rest is made of a state's tables every time
    for night in range(10):
        for _ in range(life.draw.choice([0, 1, 1, 2, 3])):
            life.happens(life.draw.choice(life.changes))
        life.club.refresh()
        if night % 5 == 4:
            try:
                life.club.assert_as_if_done_anew()
            except BaseException as differs:
                differs.add_note(f"seed {seed}, night {night}, after {life.done}")
                raise


@pytest.mark.parametrize(("seed", "at_once"), [(0, 4), pytest.param(1, 2, marks=depth)])
def test_in_whatever_order_files_arrive_the_state_is_the_same(tmp_path: Path, seed: int, at_once: int):
    life = beginning(tmp_path / "all", 0, outputs=False)
    for _ in range(4):
        life.duplicate()
    life.listed()
    life.club.refresh()
    arriving, names = Nights(tmp_path / "one-by-one", outputs=False), [*life.files(), "sessions.csv"]
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


# --- A year of nights ------------------------------------------------------------------------------------------------

#: Where a refresh may die, and what the storage says then.
STEPS = (
    "pipeline.refresh.shard.write_table", "pipeline.refresh.athlete.write_table", "pipeline.refresh.club.write_table",
    "pipeline.refresh.club.write_database", "pipeline.refresh.club.write_exports",
    "pipeline.refresh.club.write_rejected",
    "pipeline.refresh.refresh.write_known", "pipeline.refresh.refresh.write_record",
    "pipeline.refresh.by_section.link_files",
    "pipeline.store.generations.point_to",
)  # fmt: skip
#: Lines of a terminal that need no turning of pages.
SCREEN = 40


class Year:
    """Nights with what goes wrong in them; each way says how the night has to end."""

    def __init__(self, life: Life, begins: datetime, monkeypatch: pytest.MonkeyPatch) -> None:
        self.life, self.club, self.monkeypatch = life, life.club, monkeypatch
        self.schedule = Schedule(life.club, begins)
        self.n_records, self.n_killed = 0, 0

    def night(self) -> Night:
        """A night that is over, whose page and place in the history are as they should be."""
        night = self.schedule.night()
        self.n_records += 1
        record, n_lines = read_history(self.club.store)[-1], len(night.page.text.splitlines())
        assert n_lines <= (SCREEN if record.get("nothing_new") else 3 * SCREEN), night.page.text
        assert (night.outcome is Outcome.FAILED) == ("failed" in record), night.page.title
        return night

    def goes_well(self) -> None:
        night = self.night()
        assert night.outcome is Outcome.DONE, night.page.text
        assert set(self.schedule.done.ledger["path"]) >= set(self.life.files()), night.page.text

    def a_step_fails(self, error: BaseException, steps: Sequence[str], *, until: str) -> Night:
        """A night in which a step of the refresh fails, until it is tried again or all night."""
        self.life.happens(self.life.add)
        before = published(self.club.store)
        with self.monkeypatch.context() as patched:
            fail_with(patched, error, self.life.draw.choice(steps))
            if until == "tried again":
                patched.setattr(self.schedule, "_wait", lambda _: patched.undo())
            night = self.night()
        assert until == "tried again" or published(self.club.store) == before
        return night

    def fails_once(self) -> None:
        night = self.a_step_fails(OSError(errno.EIO, os.strerror(errno.EIO)), STEPS, until="tried again")
        assert night.outcome is Outcome.DONE, night.page.text

    def disk_is_full(self) -> None:
        error = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        night = self.a_step_fails(error, ALWAYS, until="the morning")
        assert night.outcome is Outcome.FAILED
        assert "No space left on device" in read_history(self.club.store)[-1]["failed"]
        assert night.page.title.endswith(": failed")

    def is_killed(self) -> None:
        """What a killed refresh leaves stays: the next state half built."""
        self.life.happens(self.life.add)
        with self.monkeypatch.context() as patched:
            patched.setattr("pipeline.store.generations.remove_tree", lambda _: None)
            fail_with(patched, Killed(), self.life.draw.choice(ALWAYS))
            with pytest.raises(Killed):
                self.schedule.night()
        self.n_killed += 1
        states = [path.name for path in published(self.club.store).parent.iterdir()]
        assert max(states) > published(self.club.store).name, "the ruin"

    def a_file_decays(self) -> None:
        """A disk loses a bit of what no refresh reads again: found within a week, repaired by `verify --repair`."""
        state = published(self.club.store)
        file = self.life.draw.choice(sorted(state.glob("tables/samples/**/*.parquet")))
        about, content = file.stat(), bytearray(file.read_bytes())
        content[len(content) // 2] ^= 1
        file.write_bytes(content)
        os.utime(file, ns=(about.st_atime_ns, about.st_mtime_ns))
        for _ in range(NIGHTS_OF_A_ROUND):
            if (night := self.night()).outcome is Outcome.DAMAGED:
                break
        assert isinstance(night.error, Damaged)
        assert [*night.error.faults] == [file.relative_to(state).as_posix()]
        refresh(read_inbox(self.club.inbox), self.club.store, jobs=1, repairs=True)
        self.n_records += 1
        assert not check_store(self.club.store).faults

    def is_upgraded(self) -> None:
        """Other code: everything is computed again."""
        code = f"code of night {len(self.schedule.began_at)}"
        for module in ("pipeline.store.known", "pipeline.pages.draw"):
            self.monkeypatch.setattr(f"{module}.code_digest", lambda: code)
        self.goes_well()
        assert self.schedule.done.read == sorted(file.path for file in read_inbox(self.club.inbox).files)

    def an_athlete_leaves(self) -> None:
        name = self.life.draw.choice(sorted({file.partition("/")[0] for file in self.life.files()}))
        shutil.rmtree(self.club.inbox / name)
        self.life.happens(self.life.add)
        self.goes_well()
        left = {file.partition("/")[0] for file in self.life.files()}
        state = published(self.club.store)
        assert {path.name for path in state.glob("tables/samples/*")} <= {f"athlete_id={one}" for one in left}

    def a_sensor_is_replaced(self) -> None:
        self.life.sensor += 1
        self.life.happens(self.life.add)
        self.goes_well()

    def much_is_edited(self) -> None:
        for what in (self.life.edit, self.life.listed, self.life.roster, self.life.other_lists):
            self.life.happens(what)
        self.goes_well()

    @property
    def mishaps(self) -> dict[int, Callable[[], None]]:
        """By the night of a round."""
        return {
            1: self.disk_is_full, 2: self.is_killed, 3: self.a_sensor_is_replaced, 4: self.is_upgraded,
            5: self.an_athlete_leaves, 6: self.much_is_edited, 7: self.a_file_decays,
            **dict.fromkeys((20, 31, 42, 53, 64), self.fails_once),
            **dict.fromkeys((25, 45), self.disk_is_full), **dict.fromkeys((35, 55), self.is_killed),
        }  # fmt: skip


#: Steps that every refresh with a new file comes to.
ALWAYS = tuple(step for step in STEPS if not step.endswith("link_files"))
#: After so many nights the same mishaps come again; beyond the last of them nights are quieter.
ROUND, EVENTFUL = 292, 73


def fail_with(patched: pytest.MonkeyPatch, error: BaseException, step: str) -> None:
    def fails(*_: object, **__: object) -> None:
        raise error

    patched.setattr(step, fails)


@pytest.mark.parametrize(
    ("begins", "n_nights"),
    [("2026-03-27", 8), pytest.param("2026-01-01", 365, marks=depth)],
)
def test_nights_with_their_mishaps_end_as_one_refresh_of_everything(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, begins: str, n_nights: int
):
    life = beginning(tmp_path, 90)
    year = Year(life, datetime.fromisoformat(begins), monkeypatch)
    began_at, sizes = year.schedule.began_at, year.schedule.sizes
    with monkeypatch.context() as patched:  # what is made of a state's tables every time, the last night has to compare
        leave_hollow(patched)
        while len(began_at) < n_nights:
            number = len(began_at)
            luck = life.draw.random() * (1 if number % ROUND < EVENTFUL else 4)
            if mishap := year.mishaps.get(number % ROUND):
                mishap()
                continue
            if luck < 0.2:
                life.happens(life.add)
            elif luck < 0.3:
                life.happens(life.draw.choice([life.arrives_broken, life.is_mended, life.goes_away, life.comes_back]))
            elif luck < 0.4:
                life.happens(life.draw.choice(life.changes))
            year.goes_well()
    for what in (life.is_mended, life.comes_back, life.add):
        life.happens(what)
    year.goes_well()
    club = life.club
    club.assert_as_if_done_anew()

    first, last = began_at[0].date(), began_at[-1].date()
    assert [at.date() for at in began_at] == [first + timedelta(n) for n in range((last - first).days + 1)]
    assert {f"{at:%H:%M}" for at in began_at if (at.month, at.day) != (3, 29)} == {"02:30"}
    assert [f"{at:%H:%M%z}" for at in began_at if (at.month, at.day) == (3, 29)] == ["03:30+0200"]

    records = read_history(club.store)
    assert len(records) == year.n_records
    assert len(list((club.store / "nights").iterdir())) == len(began_at) - year.n_killed
    told = [one["generation"] for one in records if made_a_state(one)]
    assert told == sorted(set(told)), "every refresh is told once"
    assert_grows_with_what_comes_in(sizes, keep=read_inbox(club.inbox).settings.keep_generations)


def assert_grows_with_what_comes_in(sizes: Sequence[Sizes], *, keep: int) -> None:
    """Nothing gathers in the store: a state takes so much per run, history and pages so much per night."""
    for size in sizes:
        assert size.n_states <= keep, "older states than the kept ones, or ruins, are left"
        of_outputs = 10_500_000 if size is sizes[-1] else 0
        assert size.valid <= 1_500_000 + of_outputs + 100_000 * size.n_runs, size
    half, end = sizes[len(sizes) // 2 - 1], sizes[-1]
    assert end.history <= 2.5 * half.history
    assert end.pages <= 2.5 * half.pages
