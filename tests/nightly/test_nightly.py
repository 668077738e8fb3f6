"""A night, end to end: refreshed, tried again, skipped, its page, the delivery of that; and its schedule."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any
from urllib.error import HTTPError
from urllib.request import Request, urlopen
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from click.testing import CliRunner, Result

from pipeline.__main__ import main
from pipeline.core.errors import BrokenPromise, Held, UsageError
from pipeline.core.resources import shipped
from pipeline.inbox.inbox import Inbox, read_inbox
from pipeline.nightly.nightly import Outcome, Plan, cron_of, look_ahead, machine_zone, one_night, zone_of
from pipeline.refresh.refresh import refresh
from pipeline.store.generations import current, generations
from pipeline.store.history import history_of_states, read_history
from pipeline.store.lock import locked
from tests.support.fit_runs import fit_run

Make = Callable[[Mapping[str, bytes | str]], Path]
ROOT = Path(__file__).parents[2]
BERLIN = ZoneInfo("Europe/Berlin")


@pytest.fixture(autouse=True)
def no_prefect_api(monkeypatch: pytest.MonkeyPatch) -> None:
    """The commands run in this process even where the machine has a Prefect API configured."""
    monkeypatch.delenv("PREFECT_API_URL", raising=False)
    monkeypatch.delenv("SPLITDRIFT_WEBHOOK", raising=False)
    monkeypatch.delenv("SPLITDRIFT_NOTIFY", raising=False)


@pytest.fixture
def inbox(tiny_inbox: Make) -> Path:
    return tiny_inbox({"ari/a.fit": fit_run(km=1), "ari/b.fit": b"broken"})


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


def failing(*errors: Exception) -> Callable[[Inbox, Path], pl.DataFrame]:
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
    assert "ari/b.fit: The file has the name of a FIT file but does not begin like one." in page
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


def test_pages_hold_no_reading_and_no_position(inbox: Path, store: Path):
    once(inbox, store)
    text = "".join(pages(store))
    assert not {"52.5", "13.4", "latitude", "bpm", "240"} & set(text.replace(",", " ").split())


def test_the_page_is_delivered_to_a_command_and_to_the_web(inbox: Path, store: Path, tmp_path: Path, hook: Hook):
    code = "import sys, pathlib; pathlib.Path(sys.argv[1]).write_text(sys.argv[2] + chr(10) + sys.stdin.read())"
    (tmp_path / "save.py").write_text(code)
    command = f"{sys.executable} {tmp_path}/save.py {tmp_path}/handed.txt"
    result = once(inbox, store, "--notify", command, "--webhook", f"{hook.url}/x")
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


def test_the_web_address_may_come_from_the_environment(
    inbox: Path, store: Path, hook: Hook, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv("SPLITDRIFT_WEBHOOK", f"{hook.url}/secret")
    assert once(inbox, store).exit_code == 0
    assert len(hook.bodies) == 1


def test_a_failed_delivery_is_reported_and_does_not_fail_the_night(inbox: Path, store: Path, hook: Hook):
    hook.answer = 500
    result = once(inbox, store, "--notify", "no-such-command", "--webhook", f"{hook.url}/key=secret")
    assert result.exit_code == 0
    assert result.stderr.splitlines() == [
        "splitdrift: The command no-such-command could not be started: No such file or directory.",
        "splitdrift: The web server 127.0.0.1 answered 500.",
    ]
    (page,) = pages(store)
    assert "## Not delivered\n\n- The command no-such-command" in page
    assert "secret" not in page + result.output


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
    (inbox / "roster.csv").write_text("mass_kg\n60\n")
    night = one_night(Plan(inbox, store, BERLIN), failing(), sleep=clock.sleep, now=clock.now)
    assert (night.outcome, clock.slept) == (Outcome.FAILED, [])
    assert "roster.csv, line 1: the column 'athlete\\_id' is missing" in pages(store)[0]


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
    assert page.splitlines()[0].endswith(": the store is damaged, 1 file came in, no finding changed")
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
def test_a_night_that_was_killed_is_made_up_for_by_the_next(store: Path):
    words = ["nightly", "--inbox", str(shipped("data/club")), "--store", str(store), "--once", "--jobs", "1"]
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


@pytest.mark.parametrize(
    ("at", "cron"), [("03:00", "0 3 * * *"), ("00:00", "0 0 * * *"), ("23:59", "59 23 * * *"), ("19:05", "5 19 * * *")]
)
def test_a_time_of_day_becomes_a_cron_line(at: str, cron: str):
    assert cron_of(at) == cron


@pytest.mark.parametrize("at", ["3:00", "24:00", "12:60", "03:00:00", "3am", "", "٠٣:00", "03:00\n"])
def test_a_malformed_time_of_day_is_wrong_use(at: str):
    with pytest.raises(UsageError, match=r"is not a time of day; write it as HH:MM from 00:00 to 23:59, such as 03:00"):
        cron_of(at)


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
        (["--at", "03:00", "--webhook", "ftp://x"], "--webhook takes an address that begins with https://"),
        (["--at", "03:00", "--notify", "'"], '--notify "\'" is not a command'),
        (["--once", "--retries", "-1"], "Invalid value for '--retries'"),
    ],
)
def test_wrong_options_are_rejected_at_once(inbox: Path, store: Path, words: list[str], message: str):
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


@pytest.mark.filterwarnings("default")  # Prefect's own dependencies warn of things to come
def test_the_schedule_has_the_given_time_and_zone():
    from flows.nightly import every_day  # noqa: PLC0415 - Prefect takes seconds, and reads the environment

    schedule = every_day(cron_of("02:30"), "Europe/Berlin")
    assert (schedule.cron, schedule.timezone) == ("30 2 * * *", "Europe/Berlin")


@pytest.mark.filterwarnings("default")
def test_it_follows_the_wall_clock_when_the_clocks_change_as_the_help_says():
    from prefect.server.schemas.schedules import CronSchedule  # noqa: PLC0415

    schedule = CronSchedule(cron="30 2 * * *", timezone="Europe/Berlin")

    def three_nights(start: datetime) -> list[str]:
        dates = asyncio.run(schedule.get_dates(3, start=start))
        return [f"{date.astimezone(BERLIN):%m-%d %H:%M%z}" for date in dates]

    assert three_nights(datetime(2026, 3, 28, tzinfo=UTC)) == [
        "03-28 02:30+0100",
        "03-29 03:30+0200",
        "03-30 02:30+0200",
    ]
    assert three_nights(datetime(2026, 10, 24, tzinfo=UTC)) == [
        "10-24 02:30+0200",
        "10-25 02:30+0200",
        "10-26 02:30+0100",
    ]
    help_text = " ".join(run("nightly", "--help").output.split())
    assert "On the day on which the clocks leave it out it is an hour later" in help_text
    assert "on the day on which it comes twice, the first counts" in help_text


def test_the_deployment_names_the_flow_and_cancels_a_night_that_would_wait():
    text = shipped("flows/prefect.yaml").read_text(encoding="utf-8")
    for line in ("entrypoint: flows.nightly.nightly", "timezone: Europe/Berlin", "collision_strategy: CANCEL_NEW"):
        assert line in text


def hostile_folder(folder: Path) -> Path:
    """A working directory with modules of known names, which leave a file behind when they are executed."""
    for name in ("flows", "pipeline", "prefect", "uvicorn", "multiprocessing"):
        (folder / name).mkdir(parents=True)
        (folder / name / "__init__.py").write_text(f"open({str(folder / 'executed')!r}, 'w').close(); raise SystemExit")
    return folder


def test_the_server_is_started_without_the_working_directory_on_its_path(tmp_path: Path):
    from flows.own_server import server_command  # noqa: PLC0415

    interpreter = server_command(1)[: server_command(1).index("-m")]
    words = [*interpreter, "-c", "import flows, pipeline, prefect, uvicorn, multiprocessing"]
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONSAFEPATH"}
    subprocess.run(words, cwd=hostile_folder(tmp_path / "cwd"), check=True, env=environment | {"PYTHONPATH": str(ROOT)})
    assert not (tmp_path / "cwd" / "executed").exists()


SERVE = """
import sys
if __name__ == "__main__":
    from flows.own_server import server
    with server() as address:
        open(sys.argv[3], "w").write(address)
        from prefect.schedules import Interval
        from flows.nightly import serve
        serve({"inbox": sys.argv[1], "store": sys.argv[2], "time_zone": "UTC", "jobs": 1}, Interval(int(sys.argv[4])))
"""


def start_serving(
    inbox: Path, store: Path, folder: Path, *, every_s: int, cwd: Path, **more: str
) -> subprocess.Popen[bytes]:
    """A process that serves the schedule; the address of its server is in `address.txt` of the folder."""
    script = folder / "serve.py"
    script.write_text(SERVE)
    words = [sys.executable, str(script), str(inbox), str(store), str(folder / "address.txt"), str(every_s)]
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONSAFEPATH"}
    environment |= {"PYTHONPATH": str(ROOT), "TMPDIR": str(folder), **more}
    return subprocess.Popen(words, env=environment, cwd=cwd, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def ask(url: str, body: Mapping[str, object]) -> Any:
    """The answer of a Prefect API; the error's text where it refuses."""
    request = Request(url, json.dumps(body).encode(), {"Content-Type": "application/json"})
    try:
        with urlopen(request, timeout=60) as answer:
            return json.load(answer)
    except HTTPError as error:
        return error.read().decode()


@pytest.mark.slow
def test_a_run_with_parameters_of_somebody_else_executes_only_what_the_serving_process_was_given(
    inbox: Path, store: Path, tmp_path: Path
):
    def command(name: str) -> str:
        return f'{sys.executable} -c "{SAVE}" {tmp_path}/{name}'

    cwd = hostile_folder(tmp_path / "cwd")
    process = start_serving(inbox, store, tmp_path, every_s=86_400, cwd=cwd, SPLITDRIFT_NOTIFY=command("own"))
    try:
        wait_until(lambda: (tmp_path / "address.txt").is_file() and (tmp_path / "address.txt").read_text(), seconds=180)
        api = (tmp_path / "address.txt").read_text()
        deployments: list[dict[str, Any]] = []
        wait_until(lambda: deployments.extend(ask(f"{api}/deployments/filter", {})) or deployments, seconds=60)
        runs = f"{api}/deployments/{deployments[0]['id']}/create_flow_run"
        parameters = deployments[0]["parameters"]
        foreign = [
            {"parameters": parameters | {"notify": command("foreign")}},
            {"parameters": parameters | {"hand_to": command("foreign")}},
            {"job_variables": {"env": {"SPLITDRIFT_NOTIFY": command("foreign")}}},
        ]
        answers = [ask(runs, {"state": {"type": "SCHEDULED"}, **body}) for body in foreign]
        accepted = [answer["id"] for answer in answers if not isinstance(answer, str)]
        wait_until(lambda: all(has_ended(f"{api}/flow_runs/{run}") for run in accepted), seconds=180)
        ask(runs, {"state": {"type": "SCHEDULED"}})
        wait_until((tmp_path / "own").exists, seconds=120)
    finally:
        process.terminate()
        process.wait(60)
    assert not (tmp_path / "foreign").exists()
    assert not (cwd / "executed").exists()


def has_ended(url: str) -> bool:
    with urlopen(url, timeout=60) as answer:
        return json.load(answer)["state_type"] in {"COMPLETED", "FAILED", "CRASHED", "CANCELLED"}


@pytest.mark.slow
@pytest.mark.long
def test_the_served_schedule_survives_its_own_sudden_end(inbox: Path, store: Path, tmp_path: Path):
    def start() -> subprocess.Popen[bytes]:
        return start_serving(inbox, store, tmp_path, every_s=15, cwd=tmp_path)

    def nights() -> int:
        return len(pages(store)) if (store / "nights").is_dir() else 0

    first = start()
    try:
        wait_until(lambda: nights() >= 1, seconds=180)
    finally:
        first.kill()
        first.wait()
    port = int((tmp_path / "address.txt").read_text().rpartition(":")[2].removesuffix("/api"))
    wait_until(lambda: not listens(port), seconds=40)  # its server ends with it
    before = nights()
    (inbox / "bo").mkdir()
    (inbox / "bo" / "a.fit").write_bytes(fit_run(km=1))
    second = start()
    try:
        wait_until(lambda: any("1 file came in" in page for page in pages(store)[before:]), seconds=180)
    finally:
        second.terminate()
        assert second.wait(60) is not None
    assert [record["new"] for record in read_history(store) if record.get("new")] == [
        ["ari/a.fit", "ari/b.fit"],
        ["bo/a.fit"],
    ]


def listens(port: int) -> bool:
    import socket  # noqa: PLC0415

    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


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
