"""The systemd units of the schedule, filled in as their comments say, judged by systemd itself."""

from __future__ import annotations

import shlex
import shutil
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner

from pipeline.__main__ import main
from pipeline.core.resources import shipped
from pipeline.nightly.plan import next_night, time_of

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


def setting(name: str, key: str) -> list[str]:
    return [line.partition("=")[2] for line in filled(name).splitlines() if line.startswith(f"{key}=")]


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


@pytest.mark.parametrize("name", NAMES[:2])
def test_the_command_of_a_service_is_one_that_splitdrift_takes_and_holds_no_secret(name: str):
    (command,) = setting(name, "ExecStart")
    _, *words = shlex.split(command)
    assert "--webhook" not in words
    assert setting(name, "EnvironmentFile") == ["-/etc/splitdrift.env"]
    result = CliRunner().invoke(main, [*words, "--notify", "'"])
    assert result.exit_code == 2
    assert "--notify" in result.output, "every other option was accepted"


def test_the_service_is_started_again_after_a_failure_but_not_after_wrong_use():
    assert setting("splitdrift-nightly.service", "Restart") == ["on-failure"]
    assert setting("splitdrift-nightly.service", "RestartPreventExitStatus") == ["2"]
