"""A file that hangs its reader, crashes it or eats memory costs itself only."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.context import RunContext, Shard
from pipeline.refresh.shard import lost
from pipeline.workers.pool import Loss, LostReason
from tests.support.bad_files import BadFiles


@pytest.mark.slow
def test_files_that_hang_crash_or_eat_memory_are_listed_and_the_others_are_read(tmp_path: Path):
    files = BadFiles(tmp_path)
    words = ["refresh", "--inbox", str(files.inbox), "--store", str(tmp_path / "store"), "--jobs", "2"]
    told = subprocess.run(
        [sys.executable, "-m", "pipeline", *words],
        env=os.environ | files.environment, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert told.returncode == 0, told.stderr
    files.assert_cost_themselves_only(tmp_path / "store")


@pytest.mark.parametrize(
    ("reason", "is_tried_again"),
    [
        (LostReason.TOOK_TOO_LONG, False),
        (LostReason.RAISED, False),
        (LostReason.KILLED, True),
        (LostReason.CLUSTER_WORKERS_LOST, True),
        (LostReason.DIED, False),
        (LostReason.OUT_OF_MEMORY, False),
    ],
)
def test_a_file_is_tried_again_where_the_machine_may_have_been_at_fault(
    reason: LostReason, is_tried_again: bool, tmp_path: Path
):
    (tmp_path / "ari").mkdir()
    (tmp_path / "ari" / "a.fit").write_bytes(b"")
    inbox = read_inbox(tmp_path)
    told = lost(RunContext(inbox), Shard("ari", inbox.files), Loss(reason, "whatever the words"))
    assert told.passing == (("ari/a.fit",) if is_tried_again else ())
    assert told.recordings["status"].to_list() == ["rejected"]
