"""A file that hangs its reader, crashes it or eats memory costs itself only."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import polars as pl
import pytest
from conftest import fit_run

from pipeline.inbox import read_inbox
from pipeline.line import Line, Shard
from pipeline.shard import lost
from pipeline.store import read_table

Make = Callable[[Mapping[str, bytes | str]], Path]

#: The command with a reader that does something bad to a file of its name.
_COMMAND = """
import os, signal, sys, time
import pipeline.shard

read_well = pipeline.shard.recording

def recording(name, content, **more):
    if name.endswith("hangs.fit"):
        time.sleep(600)
    if name.endswith("crashes.fit"):
        os.kill(os.getpid(), signal.SIGSEGV)
    if name.endswith("eats.fit"):
        bytearray(3_000_000_000)
    return read_well(name, content, **more)

pipeline.shard.recording = recording

if __name__ == "__main__":
    from pipeline.__main__ import main
    main()
"""


@pytest.mark.slow
def test_files_that_hang_crash_or_eat_memory_are_listed_and_the_others_are_read(tiny_inbox: Make, tmp_path: Path):
    (tmp_path / "command.py").write_text(_COMMAND)
    good = {f"ari/{day:02}.fit": fit_run(f"2026-03-{day:02}T09:00:00", km=1) for day in range(1, 10)}
    bad = {f"ari/{name}.fit": fit_run(f"2026-04-{day:02}T09:00:00", km=1) for day, name in
           enumerate(("hangs", "crashes", "eats"), start=1)}  # fmt: skip
    inbox = tiny_inbox(good | bad | {"bo/a.fit": fit_run(km=1), "settings.toml": "max_file_s = 4\n"})
    words = ["refresh", "--inbox", str(inbox), "--store", str(tmp_path / "store"), "--jobs", "2"]
    told = subprocess.run(
        [sys.executable, str(tmp_path / "command.py"), *words], capture_output=True, text=True, check=False, timeout=120
    )
    assert told.returncode == 0, told.stderr
    ledger = read_table(tmp_path / "store", "recordings")
    assert set(ledger.filter(pl.col("status") == "accepted")["path"]) == {*good, "bo/a.fit"}
    reasons = {
        row["path"]: row["reason"] for row in ledger.filter(pl.col("status") == "rejected").iter_rows(named=True)
    }
    assert set(reasons) == set(bad)
    assert reasons["ari/hangs.fit"] == "The file could not be read: it took longer than 4 s."
    assert "signal SIGSEGV" in reasons["ari/crashes.fit"]
    assert "it needed more than 2000 MB of memory" in reasons["ari/eats.fit"]
    assert "hangs.fit" in (tmp_path / "store" / "rejected" / "rejected.csv").read_text()


@pytest.mark.parametrize(
    ("why", "is_tried_again"),
    [
        ("it took longer than 60 s", True),
        ("reading it ended its process (signal SIGKILL), perhaps because it needed more than 9 MB of memory", True),
        ("reading it ended its process (signal SIGSEGV)", False),
        ("it needed more than 2000 MB of memory", False),
    ],
)
def test_a_file_is_tried_again_where_the_machine_may_have_been_at_fault(why: str, is_tried_again: bool, tmp_path: Path):
    (tmp_path / "ari").mkdir()
    (tmp_path / "ari" / "a.fit").write_bytes(b"")
    inbox = read_inbox(tmp_path)
    told = lost(Line(inbox, None), Shard("ari", inbox.files), why)
    assert told.passing == (("ari/a.fit",) if is_tried_again else ())
    assert told.recordings["status"].to_list() == ["rejected"]
