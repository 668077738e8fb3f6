"""The systemd units of the schedule, filled in as their comments say, judged by systemd itself."""

from __future__ import annotations

import os
import shlex
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from pipeline.core.resources import shipped
from pipeline.nightly.plan import next_night, time_of
from pipeline.store.generations import current
from tests.support.fit_runs import fit_run

NAMES = ("splitdrift-nightly.service", "splitdrift-nightly-once.service", "splitdrift-nightly.timer")
PLACES = {
    "<user>": "root", "<environment>": "/opt/env", "<inbox>": "/srv/inbox", "<store>": "/srv/store",
    "<HH:MM>": "04:00", "<Area/City>": "Europe/Berlin",
}  # fmt: skip

needs_systemd = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="needs systemd-analyze (Debian's package systemd)"
)


def filled(name: str, **differing: str) -> str:
    text = shipped(f"flows/{name}").read_text(encoding="utf-8")
    text = "".join(line for line in text.splitlines(keepends=True) if not line.startswith("#"))
    for place, value in (PLACES | differing).items():
        text = text.replace(place, value)
    assert "<" not in text
    return text


def setting(name: str, key: str, **differing: str) -> list[str]:
    lines = filled(name, **differing).splitlines()
    return [line.partition("=")[2] for line in lines if line.startswith(f"{key}=")]


def analyze(*words: str | Path) -> str:
    done = subprocess.run(
        ["systemd-analyze", *map(str, words)], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


@needs_systemd
def test_systemd_finds_no_fault_in_the_units(tmp_path: Path):
    program = tmp_path / "bin" / "splitdrift"
    program.parent.mkdir()
    program.symlink_to(sys.executable)
    for name in NAMES:
        (tmp_path / name).write_text(filled(name, **{"<environment>": str(tmp_path)}), encoding="utf-8")
    found = analyze("verify", "--man=no", "--recursive-errors=no", *(tmp_path / name for name in NAMES))
    assert not [line for line in found.splitlines() if str(tmp_path) in line]


@needs_systemd
@pytest.mark.parametrize("name", NAMES[:2])
def test_a_service_may_do_little_besides_its_work(tmp_path: Path, name: str):
    """Exposure in tenths, as systemd 252 counts it: 87 with access to all of the system, 18 as it is."""
    (tmp_path / name).write_text(filled(name, **{"<user>": "runner"}), encoding="utf-8")
    analyze("security", "--offline=true", "--threshold=25", "--no-pager", tmp_path / name)


@needs_systemd
@pytest.mark.parametrize(
    ("at", "after", "is_left_out"),
    [("04:00", "2026-03-28", False), ("04:00", "2026-10-24", False), ("02:30", "2026-10-24", False),
     ("02:30", "2026-03-28", True)],
)  # fmt: skip
def test_the_timer_is_due_when_the_schedule_is_except_at_a_time_that_the_clocks_leave_out(
    at: str, after: str, is_left_out: bool
):
    base = datetime.fromisoformat(f"{after}T12:00:00+00:00")
    (calendar,) = (line.replace("04:00", at) for line in setting("splitdrift-nightly.timer", "OnCalendar"))
    told = analyze("calendar", f"--base-time={base:%Y-%m-%d %H:%M:%S} UTC", calendar)
    due = next_night(time_of(at), base.astimezone(ZoneInfo("Europe/Berlin")))
    assert (f"{due.astimezone(UTC):%Y-%m-%d %H:%M:%S}" not in told) == is_left_out, told


@pytest.fixture
def unit(tmp_path: Path) -> Callable[[str], subprocess.Popen[str]]:
    """Starts the command of a service over an inbox with a run, in the environment of its unit."""
    (tmp_path / "inbox" / "ari").mkdir(parents=True)
    (tmp_path / "inbox" / "ari" / "a.fit").write_bytes(fit_run(km=1))
    (tmp_path / "bin").mkdir()
    (tmp_path / "bin" / "splitdrift").symlink_to(Path(sys.executable).with_name("splitdrift"))

    def started(name: str) -> subprocess.Popen[str]:
        places = {"<environment>": f"{tmp_path}", "<inbox>": f"{tmp_path}/inbox", "<store>": f"{tmp_path}/store"}
        (command,) = setting(name, "ExecStart", **places)
        environment = {key: value for key, value in os.environ.items() if not key.startswith(("PREFECT", "SPLITDRIFT"))}
        return subprocess.Popen(
            shlex.split(command), cwd="/", env=environment | {"PYTHONUNBUFFERED": "1"},
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip

    return started


@pytest.mark.slow
def test_the_service_of_the_timer_refreshes_the_store_once(
    unit: Callable[[str], subprocess.Popen[str]], tmp_path: Path
):
    with unit("splitdrift-nightly-once.service") as process:
        told, _ = process.communicate(timeout=120)
    assert process.returncode == 0, told
    (page,) = (tmp_path / "store" / "nights").iterdir()
    assert page.read_text(encoding="utf-8") in told
    assert current(tmp_path / "store") is not None


@pytest.mark.slow
def test_the_service_of_the_schedule_waits_for_its_night_and_ends_when_it_is_stopped(
    unit: Callable[[str], subprocess.Popen[str]], tmp_path: Path
):
    with unit("splitdrift-nightly.service") as process:
        assert process.stdout is not None
        told = process.stdout.readline()
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=60) == 0
    nights = f"{tmp_path}/store/nights"
    assert told == f"A refresh every day at 04:00, time zone Europe/Berlin. Pages: {nights}. Ctrl-C ends it.\n"


@pytest.mark.parametrize("name", NAMES[:2])
def test_the_command_of_a_service_holds_no_secret(name: str):
    (command,) = setting(name, "ExecStart")
    assert "--webhook" not in command
    assert setting(name, "EnvironmentFile") == ["-/etc/splitdrift.env"]


def test_the_service_is_started_again_after_a_failure_but_not_after_wrong_use():
    assert setting("splitdrift-nightly.service", "Restart") == ["on-failure"]
    assert setting("splitdrift-nightly.service", "RestartPreventExitStatus") == ["2"]
