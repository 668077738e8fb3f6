"""A night, end to end: refreshed, tried again, skipped, its page, the delivery of that; and its schedule."""

from __future__ import annotations

import inspect
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, nullcontext, suppress
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from click.testing import CliRunner, Result

from pipeline.__main__ import main
from pipeline.core.errors import BrokenPromise, Held, UsageError
from pipeline.core.resources import shipped
from pipeline.inbox.inbox import Inbox, read_inbox
from pipeline.nightly.nightly import Outcome, look_ahead, one_night
from pipeline.nightly.plan import Plan, machine_zone, next_night, time_of, zone_of
from pipeline.refresh.refresh import refresh
from pipeline.store.generations import current, generations
from pipeline.store.history import history_of_states, read_history
from pipeline.store.lock import locked
from pipeline.workers.pool import here
from tests.support.fit_runs import fit_run
from tests.support.worker_deeds import PanicException

Make = Callable[[Mapping[str, bytes | str]], Path]
ROOT = Path(__file__).parents[2]
BERLIN = ZoneInfo("Europe/Berlin")


@pytest.fixture(autouse=True)
def no_prefect_api(monkeypatch: pytest.MonkeyPatch) -> None:
    """The commands run in this process even where the machine has a Prefect API configured."""
    monkeypatch.delenv("PREFECT_API_URL", raising=False)
    monkeypatch.delenv("SPLITDRIFT_WEBHOOK", raising=False)
    monkeypatch.delenv("SPLITDRIFT_NOTIFY", raising=False)


@pytest.fixture(autouse=True)
def in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nights that begin in this process are refreshed in it: workers take a second to start."""
    monkeypatch.setattr("pipeline.commands.nightly.started_workers", lambda *_, **__: nullcontext(here))


@pytest.fixture
def inbox(tiny_inbox: Make, no_outputs: None) -> Path:  # noqa: ARG001
    return tiny_inbox({"ari/a.fit": fit_run(km=1), "ari/b.fit": b"broken", "settings.toml": 'pages = "none"\n'})


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "store"


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def once(inbox: Path, store: Path, *more: str | Path) -> Result:
    return run("nightly", "--inbox", inbox, "--store", store, "--once", "--time-zone", "UTC", "--jobs", "1", *more)


def pages(store: Path) -> list[str]:
    """The pages of a store, in the order in which their nights began to write them."""
    files = sorted((store / "nights").iterdir(), key=lambda path: (path.stem.count("-"), path.stem))
    return [path.read_text(encoding="utf-8") for path in files]


class Clock:
    """A clock that only sleep moves."""

    def __init__(self) -> None:
        self.at = datetime(2026, 11, 25, 23, 55, tzinfo=UTC)
        self.slept: list[float] = []

    def now(self) -> datetime:
        return self.at

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.at += timedelta(seconds=seconds)


def failing(*errors: BaseException) -> Callable[[Inbox, Path], pl.DataFrame]:
    """A refresh that fails with one error after the other, and then does what it should."""
    waiting = list(errors)

    def attempt(contents: Inbox, into: Path) -> pl.DataFrame:
        if waiting:
            raise waiting.pop(0)
        return refresh(contents, into, jobs=1)

    return attempt


# --- One night -------------------------------------------------------------------------------------------------------


def test_a_night_refreshes_the_store_and_writes_its_page_there(inbox: Path, store: Path):
    result = once(inbox, store)
    assert result.exit_code == 0, result.output
    (page,) = pages(store)
    today = f"{datetime.now(UTC):%Y-%m-%d}"
    assert page.startswith(f"# Night of {today}: 2 files came in, 1 rejected, no finding changed")
    assert "`ari/b.fit`: The file has the name of a FIT file but does not begin like one." in page
    assert page in result.output
    assert f"This page: {store}/nights/{today}.md" in result.output
    assert current(store) is not None
    assert (store / "nights").stat().st_mode & 0o077 == 0
    assert not [path for path in (store / "nights").iterdir() if path.suffix != ".md"]


def test_a_second_night_of_the_day_has_a_page_of_its_own(inbox: Path, store: Path):
    for _ in range(3):
        once(inbox, store)
    today = f"{datetime.now(UTC):%Y-%m-%d}"
    names = sorted(path.name for path in (store / "nights").iterdir())
    assert names == [f"{today}-2.md", f"{today}-3.md", f"{today}.md"]
    assert ["nothing new" in page.splitlines()[0] for page in pages(store)] == [False, True, True]


def test_a_night_of_another_inbox_says_so_first_and_of_a_guard_once(inbox: Path, store: Path, tmp_path: Path):
    (inbox / "corrections.toml").write_text("[[correction]]\ncadence_factor = 2\nonly_if_cadence_below = 100\n")
    once(inbox, store)
    other = tmp_path / "other"
    (other / "bo").mkdir(parents=True)
    (other / "bo" / "a.fit").write_bytes(fit_run(km=1))
    (other / "corrections.toml").write_bytes((inbox / "corrections.toml").read_bytes())
    once(other, store)
    once(other, store)
    first, second, third = pages(store)
    assert "held back from all" in first
    assert "## To look at\n\n- The store held another inbox, " in second
    assert f"`splitdrift history --store {store} --return-to 000001`" in second
    assert "held back from all" not in second + third
    assert "another inbox" not in third


def test_pages_hold_no_reading_and_no_position(inbox: Path, store: Path):
    once(inbox, store)
    text = "".join(pages(store))
    assert not {"52.5", "13.4", "latitude", "bpm", "240"} & set(text.replace(",", " ").split())


def test_the_page_is_delivered_to_a_command_and_to_the_web(
    inbox: Path, store: Path, tmp_path: Path, hook: Hook, monkeypatch: pytest.MonkeyPatch
):
    code = "import sys, pathlib; pathlib.Path(sys.argv[1]).write_text(sys.argv[2] + chr(10) + sys.stdin.read())"
    (tmp_path / "save.py").write_text(code)
    command = f"{sys.executable} {tmp_path}/save.py {tmp_path}/handed.txt"
    monkeypatch.setenv("SPLITDRIFT_WEBHOOK", f"{hook.url}/x")
    result = once(inbox, store, "--notify", command)
    assert (result.exit_code, result.stderr) == (0, "")
    (page,) = pages(store)
    place, _, text = (tmp_path / "handed.txt").read_text(encoding="utf-8").partition("\n")
    assert Path(place).read_text(encoding="utf-8") == text == page
    assert [json.loads(body) for body in hook.bodies] == [
        {"title": page.partition("\n")[0].removeprefix("# "), "text": page}
    ]


SAVE = "import pathlib, sys; pathlib.Path(sys.argv[1]).write_text(sys.argv[2])"


def test_the_former_name_of_notify_works_and_is_not_in_the_help(inbox: Path, store: Path, tmp_path: Path):
    result = once(inbox, store, "--hand-to", f'{sys.executable} -c "{SAVE}" {tmp_path}/path.txt')
    assert (result.exit_code, result.stderr) == (0, "")
    assert Path((tmp_path / "path.txt").read_text()).is_file()
    help_text = run("nightly", "--help").output
    assert "--notify COMMAND" in help_text
    assert "--hand-to" not in help_text


def test_the_command_may_come_from_the_environment(
    inbox: Path, store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv("SPLITDRIFT_NOTIFY", f'{sys.executable} -c "{SAVE}" {tmp_path}/path.txt')
    assert once(inbox, store).exit_code == 0
    assert (tmp_path / "path.txt").is_file()


def test_a_failed_delivery_does_not_fail_the_night_and_is_in_the_exit_code_and_on_the_next_page(
    inbox: Path, store: Path, hook: Hook, monkeypatch: pytest.MonkeyPatch
):
    hook.answer = 500
    monkeypatch.setenv("SPLITDRIFT_WEBHOOK", f"{hook.url}/key=secret")
    result = once(inbox, store, "--notify", "no-such-command")
    assert result.exit_code == 4
    assert result.stderr.splitlines() == [
        "splitdrift: The command no-such-command could not be started: No such file or directory.",
        "splitdrift: The web server 127.0.0.1 answered 500.",
    ]
    (page,) = pages(store)
    assert "## Not delivered\n\n- The command no-such-command" in page
    assert "secret" not in page + result.output
    monkeypatch.delenv("SPLITDRIFT_WEBHOOK")
    assert [once(inbox, store).exit_code for _ in range(2)] == [0, 0]
    _, second, third = pages(store)
    assert ".md, was not delivered everywhere; its end says why." in second
    assert "delivered" not in third


def test_a_malformed_web_address_is_refused_before_the_night(inbox: Path, store: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("SPLITDRIFT_WEBHOOK", "ftp://host/key=secret")
    result = once(inbox, store)
    assert result.exit_code == 2
    assert "SPLITDRIFT_WEBHOOK takes an address that begins with https://" in result.stderr
    assert "secret" not in result.output
    assert not store.exists()


def test_a_night_is_skipped_while_another_process_changes_the_store(inbox: Path, store: Path):
    once(inbox, store)
    with locked(store):
        result = once(inbox, store)
    assert result.exit_code == 0
    page = pages(store)[1]
    assert page.partition("\n")[0].endswith(": left out")
    assert f"is being changed by process {os.getpid()} on" in page
    assert "--wait" not in page
    assert len(read_history(store)) == 1


def test_it_is_skipped_without_another_try_if_the_refresh_finds_the_lock_taken(inbox: Path, store: Path):
    clock = Clock()
    night = one_night(Plan(inbox, store, BERLIN), failing(Held("held")), sleep=clock.sleep, now=clock.now)
    assert (night.outcome, clock.slept) == (Outcome.SKIPPED, [])


# --- Failures --------------------------------------------------------------------------------------------------------


def test_a_failed_night_is_tried_again_after_ten_minutes_and_its_page_says_so(inbox: Path, store: Path):
    refresh_of(inbox, store)
    clock, seen = Clock(), []

    def sleep(seconds: float) -> None:
        seen.extend(pages(store))
        clock.sleep(seconds)

    attempt = failing(OSError(28, "No space left on device"), BrokenPromise("a rule"))
    night = one_night(Plan(inbox, store, BERLIN), attempt, sleep=sleep, now=clock.now)
    assert (night.outcome, clock.slept) == (Outcome.DONE, [600.0, 600.0])
    assert "It is tried again at 01:05." in seen[0]
    assert "It is tried again at 01:15." in seen[1]
    assert seen[1].startswith("# Night of 2026-11-26: failed so far")
    (page,) = pages(store)
    room = "No space left on device. Make room on that disk; nothing is lost."
    assert f"2 tries failed:\n\n- 00:55: {room}\n- 01:05: a rule\n" in page


def refresh_of(inbox: Path, store: Path) -> None:
    failing()(read_inbox(inbox), store)


def test_after_the_last_try_it_has_failed_and_the_store_is_as_it_was(inbox: Path, store: Path, tmp_path: Path):
    refresh_of(inbox, store)
    before = current(store)
    clock, handed = Clock(), tmp_path / "handed.txt"
    (tmp_path / "save.py").write_text(
        f"import sys, pathlib; pathlib.Path({str(handed)!r}).write_text(sys.stdin.read())"
    )
    plan = Plan(inbox, store, BERLIN, retries=1, retry_after_s=60, notify=f"{sys.executable} {tmp_path}/save.py")
    night = one_night(plan, failing(*[ValueError("latitude 52.5")] * 2), sleep=clock.sleep, now=clock.now)
    assert (night.outcome, clock.slept) == (Outcome.FAILED, [60.0])
    assert isinstance(night.error, ValueError)
    assert night.sentence == "Night of 2026-11-26: failed. an internal error (ValueError)."
    assert current(store) == before
    assert history_of_states(store)[-1] == {
        "began_at_utc": "2026-11-25T23:55:00+00:00", "seconds": read_history(store)[-1]["seconds"],
        "generation": "000001", "failed": "an internal error (ValueError)", "is_valid": True, "is_kept": True,
    }  # fmt: skip
    assert "failed: an internal error (ValueError)" in run("history", "--store", store).output
    assert handed.read_text() == pages(store)[0]
    assert "52.5" not in handed.read_text()


class CancelledFromOutside(BaseException):
    """As Prefect ends a run that somebody cancels."""


def test_a_panic_of_a_library_fails_a_night_and_what_ends_the_process_ends_it(inbox: Path, store: Path):
    plan = Plan(inbox, store, BERLIN, retries=0)
    night = one_night(plan, failing(PanicException("no such digit")))
    assert (night.outcome, night.sentence[-43:]) == (Outcome.FAILED, "failed. an internal error (PanicException).")
    with pytest.raises(CancelledFromOutside):
        one_night(plan, failing(CancelledFromOutside()))


def test_an_inbox_that_is_not_there_is_tried_again(inbox: Path, store: Path):
    refresh_of(inbox, store)
    away, clock = inbox.with_name("away"), Clock()
    inbox.rename(away)

    def sleep(seconds: float) -> None:
        clock.sleep(seconds)
        away.rename(inbox)

    night = one_night(Plan(inbox, store, BERLIN), failing(), sleep=sleep, now=clock.now)
    assert (night.outcome, clock.slept) == (Outcome.DONE, [600.0])
    (page,) = pages(store)
    assert "- 00:55: The inbox " in page
    assert " is not there. Is its disk or share missing?\n" in page


def test_wrong_use_is_not_tried_again(inbox: Path, store: Path):
    clock = Clock()
    refresh_of(inbox, store)
    (inbox / "settings.toml").write_text('min_runs = "three"\n')
    night = one_night(Plan(inbox, store, BERLIN), failing(), sleep=clock.sleep, now=clock.now)
    assert (night.outcome, clock.slept) == (Outcome.FAILED, [])
    assert "'three'" in pages(store)[0]
    assert "It is not tried again tonight." in pages(store)[0]


def test_a_night_that_finds_a_damaged_file_names_it_and_its_repair_and_still_brings_in_what_is_new(
    inbox: Path, store: Path, monkeypatch: pytest.MonkeyPatch
):
    once(inbox, store)
    (file,) = (store / "current" / "tables" / "samples").rglob("*.parquet")
    about, content = file.stat(), bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1  # as a disk loses it: with the same length and time
    file.write_bytes(content)
    os.utime(file, ns=(about.st_atime_ns, about.st_mtime_ns))
    monkeypatch.setattr("pipeline.refresh.damage.NIGHTS_OF_A_ROUND", 1)
    (inbox / "bo").mkdir()
    (inbox / "bo" / "a.fit").write_bytes(fit_run(km=1))
    result = once(inbox, store)
    assert result.exit_code == 1
    said = f"{file.name} has another content than it was written with. `splitdrift verify --store {store} --repair`"
    assert said in result.stderr
    page = pages(store)[-1]
    assert ": the store is damaged, 1 file came in, no finding changed" in page.splitlines()[0]
    assert "## Damaged" in page
    assert "Athletes concerned: bo." in page


def test_a_night_that_fails_before_there_is_a_store_makes_none_and_is_delivered(tmp_path: Path, hook: Hook):
    (tmp_path / "inbox").mkdir()
    plan = Plan(tmp_path / "inbox", tmp_path / "store", BERLIN, retries=0, webhook=hook.url)
    night = one_night(plan, failing())
    assert (night.outcome, night.path) == (Outcome.FAILED, None)
    assert not (tmp_path / "store").exists()
    assert "holds no recordings" in json.loads(hook.bodies[0])["text"]


def test_exit_codes_of_a_failed_night_are_those_of_a_refresh(tmp_path: Path, store: Path):
    (tmp_path / "empty").mkdir()
    result = once(tmp_path / "empty", store, "--retries", "0")
    assert result.exit_code == 1
    assert "splitdrift: The inbox " in result.stderr
    assert once(tmp_path / "absent", store).exit_code == 2


@pytest.mark.slow
def test_a_night_that_was_killed_is_made_up_for_by_the_next(small_club: Path, store: Path):
    words = ["nightly", "--inbox", str(small_club), "--store", str(store), "--once", "--jobs", "1"]
    process = subprocess.Popen(
        [sys.executable, "-m", "pipeline", *words], cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    wait_until(lambda: any(store.glob("generations/*/tables/samples/*")), seconds=60)
    process.send_signal(signal.SIGKILL)
    process.wait()
    assert (current(store), generations(store)) == (None, [])
    result = run(*words)
    assert result.exit_code == 0
    assert [folder.name for folder in generations(store)] == ["000002"]  # past what the killed one left
    assert len(pages(store)) == 1


# --- Times and wrong use ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("at", ["3:00", "24:00", "12:60", "03:00:00", "3am", "", "٠٣:00", "03:00\n"])
def test_a_malformed_time_of_day_is_wrong_use(at: str):
    with pytest.raises(UsageError, match=r"is not a time of day; write it as HH:MM from 00:00 to 23:59, such as 03:00"):
        time_of(at)


def test_a_time_zone_is_found_by_its_name_and_another_near_it_is_offered():
    assert zone_of("Europe/Berlin") == BERLIN
    with pytest.raises(UsageError, match=r"no time zone 'Europe/Berln'\. Did you mean Europe/Berlin\?"):
        zone_of("Europe/Berln")
    with pytest.raises(UsageError, match=r"no time zone '\.\./x'\. It takes a name such as Europe/Berlin or UTC"):
        zone_of("../x")


def test_the_time_zone_of_the_machine_has_a_name(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("TZ", ":Asia/Tokyo")
    assert machine_zone() == "Asia/Tokyo"
    monkeypatch.setenv("TZ", "CET-1CEST")  # no name, so the machine's own
    assert machine_zone() == zone_of(None).key


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ([], "Give either --at HH:MM, to serve the schedule, or --once"),
        (["--at", "03:00", "--once"], "Give either --at HH:MM, to serve the schedule, or --once"),
        (["--at", "3"], "--at '3' is not a time of day"),
        (["--at", "03:00", "--time-zone", "Mars"], "There is no time zone 'Mars'"),
        (["--once", "--webhook", "https://x"], "--webhook shows the address to every user of this machine."),
        (["--at", "03:00", "--notify", "'"], '--notify "\'" is not a command'),
        (["--once", "--notify", "'"], '--notify "\'" is not a command'),
        (["--once", "--retries", "-1"], "Invalid value for '--retries'"),
    ],
)
def test_wrong_options_are_rejected_at_once(
    inbox: Path, store: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], message: str
):
    monkeypatch.setattr("pipeline.commands.nightly._wait_until", lambda _: pytest.fail("it waits for the night"))
    result = run("nightly", "--inbox", inbox, "--store", store, *words)
    assert result.exit_code == 2
    assert message in result.stderr
    assert not store.exists()


def test_before_it_serves_it_checks_that_a_night_can_run(inbox: Path, store: Path, tmp_path: Path):
    with pytest.raises(UsageError, match="There is no folder"):
        look_ahead(Plan(tmp_path / "absent", store, BERLIN))
    with pytest.raises(UsageError, match="is inside the inbox"):
        look_ahead(Plan(inbox, inbox / "store", BERLIN))
    (tmp_path / "empty").mkdir()
    look_ahead(Plan(tmp_path / "empty", store, BERLIN))
    assert not store.exists()
    look_ahead(Plan(inbox, store, BERLIN))
    assert store.is_dir()


# --- The schedule ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("after", "nights"),
    [
        ("2026-03-27T12:00", ["03-28 02:30+0100", "03-29 03:30+0200", "03-30 02:30+0200"]),
        ("2026-10-23T12:00", ["10-24 02:30+0200", "10-25 02:30+0200", "10-26 02:30+0100"]),
        ("2026-12-31T02:29", ["12-31 02:30+0100", "01-01 02:30+0100", "01-02 02:30+0100"]),
        ("2026-12-31T02:30", ["01-01 02:30+0100", "01-02 02:30+0100", "01-03 02:30+0100"]),
    ],
)
def test_nights_follow_the_wall_clock_when_the_clocks_change_as_the_help_says(after: str, nights: list[str]):
    due, shown = datetime.fromisoformat(after).replace(tzinfo=BERLIN), []
    for _ in nights:
        due = next_night(time_of("02:30"), due.astimezone(BERLIN))
        shown.append(f"{due.astimezone(BERLIN):%m-%d %H:%M%z}")
    assert shown == nights
    help_text = " ".join(run("nightly", "--help").output.split())
    assert "On the day on which the clocks leave it out it is an hour later" in help_text
    assert "on the day on which it comes twice, the first counts" in help_text


def test_the_deployment_names_the_flow_and_cancels_a_night_that_would_wait():
    text = shipped("flows/prefect.yaml").read_text(encoding="utf-8")
    for line in ("entrypoint: flows.nightly.nightly", "timezone: Europe/Berlin", "collision_strategy: CANCEL_NEW"):
        assert line in text


@pytest.mark.filterwarnings("default")  # Prefect's own dependencies warn of things to come
def test_what_a_run_of_somebody_else_can_set_is_executed_nowhere():
    from flows.nightly import nightly  # noqa: PLC0415 - Prefect takes seconds, and reads the environment

    set_by_others = set(inspect.signature(nightly.fn).parameters)
    assert set_by_others == {"inbox", "store", "time_zone", "retries", "retry_after_min", "jobs"}


def hostile_folder(folder: Path) -> Path:
    """A working directory with modules of known names, which leave a file behind when they are executed."""
    for name in ("flows", "pipeline", "prefect", "uvicorn", "multiprocessing"):
        (folder / name).mkdir(parents=True)
        (folder / name / "__init__.py").write_text(f"open({str(folder / 'executed')!r}, 'w').close(); raise SystemExit")
    return folder


def test_what_a_flow_starts_takes_no_module_from_the_working_directory(tmp_path: Path):
    cwd = hostile_folder(tmp_path / "cwd")
    child = "import uvicorn, flows, pipeline"
    program = f"import subprocess, sys, flows; subprocess.run([sys.executable, '-c', {child!r}], check=True)"
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONSAFEPATH"}
    words = [sys.executable, "-P", "-c", program]
    subprocess.run(words, env=environment | {"PYTHONPATH": str(ROOT)}, cwd=cwd, check=True)
    assert not (cwd / "executed").exists()


#: The command as it is, with a night that is due every few seconds.
SERVE = """
import sys
from datetime import UTC, datetime, timedelta
from pipeline.__main__ import main
from pipeline.commands import nightly
nightly.next_night = lambda _at, after: after.astimezone(UTC) + timedelta(seconds=1)
main(["nightly", "--at", "03:00", "--time-zone", "UTC", "--jobs", "1", *sys.argv[1:]])
"""


@contextmanager
def serving(inbox: Path, store: Path, *more: str, cwd: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A process that serves the schedule, in a session of its own."""
    (cwd.parent / "serve.py").write_text(SERVE)
    words = [sys.executable, cwd.parent / "serve.py", "--inbox", inbox, "--store", store, *more]
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONSAFEPATH"}
    environment |= {"PYTHONPATH": str(ROOT), "SPLITDRIFT_WEBHOOK": "http://127.0.0.1:9/key=secret"}
    process = subprocess.Popen(
        words, env=environment, cwd=cwd, start_new_session=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def of_session(session: int) -> dict[int, str]:
    """The processes of a session that have not ended, with their command lines."""
    words = ["ps", "-ww", "-s", f"{session}", "-o", "pid=,stat=,args="]  # whole lines, however long
    told = subprocess.run(words, capture_output=True, text=True, check=False)
    rows = [line.split(maxsplit=2) for line in told.stdout.splitlines()]
    return {int(pid): args for pid, state, args in rows if not state.startswith("Z")}


def listening(processes: Iterable[int]) -> set[str]:
    """Sockets of processes that wait for someone to connect."""
    waiting = {
        fields[9]
        for table in ("tcp", "tcp6")
        for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]
        if (fields := line.split())[3] == "0A"  # LISTEN, in proc(5)
    }
    held: set[str] = set()
    for process in processes:
        for link in Path(f"/proc/{process}/fd").glob("*"):
            with suppress(OSError):  # closed meanwhile
                held.add(os.readlink(link).removeprefix("socket:[").removesuffix("]"))
    return held & waiting


@pytest.mark.slow
def test_the_served_schedule_opens_no_door_and_leaves_nothing_behind_when_it_is_killed(
    inbox: Path, store: Path, tmp_path: Path
):
    cwd, seen = hostile_folder(tmp_path / "cwd"), tmp_path / "seen"
    waits = "import os, pathlib, sys, time; pathlib.Path(sys.argv[1]).write_text(repr(os.environ)); time.sleep(30)"
    with serving(inbox, store, "--notify", f'{sys.executable} -c "{waits}" {seen}', cwd=cwd) as process:
        wait_until(seen.exists, seconds=60)
        during = of_session(process.pid)
        doors = listening(during)
        process.kill()
        process.wait()
        wait_until(lambda: not of_session(process.pid), seconds=10)  # not when the command has ended
    assert doors == set()
    assert len(during) > 1  # the night is a process of its own
    assert not [line for line in (*during.values(), seen.read_text()) if "secret" in line]
    assert not (cwd / "executed").exists()
    assert current(store) is not None


@pytest.mark.slow
def test_a_night_whose_process_is_ended_from_outside_has_a_page_and_stands_in_the_history(
    inbox: Path, store: Path, tmp_path: Path
):
    refresh_of(inbox, store)
    mark = str(tmp_path / "killed once")
    kills = f"import os; os.path.exists({mark!r}) or os.kill(os.getppid(), 9); open({mark!r}, 'w')"
    with serving(inbox, store, "--notify", f'{sys.executable} -c "{kills}"', cwd=hostile_folder(tmp_path / "cwd")):
        wait_until(lambda: any("failed" in record for record in read_history(store)), seconds=60)
        wait_until(lambda: any(": failed\n" in page for page in pages(store)), seconds=20)
    (record, *_) = (record for record in read_history(store) if "failed" in record)
    assert record["failed"].startswith("It ended its process (signal SIGKILL)")


def wait_until(is_so: Callable[[], object], *, seconds: float) -> None:
    until = time.monotonic() + seconds
    while not is_so():
        assert time.monotonic() < until, "not in time"
        time.sleep(0.1)


class Hook:
    """A web server of this machine that notes what it is sent."""

    def __init__(self, url: str) -> None:
        self.url, self.answer, self.bodies = url, 200, list[bytes]()


@pytest.fixture
def hook() -> Iterator[Hook]:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            state.bodies.append(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(state.answer)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Handler) as server:
        state = Hook(f"http://127.0.0.1:{server.server_port}")
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield state
        server.shutdown()
        thread.join()
