"""A file that hangs its reader, crashes it or eats memory costs itself only."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline.__main__ import main
from pipeline.core.reasons import Reason, because, fields_of
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.context import RunContext, Shard
from pipeline.refresh.shard import lost
from pipeline.store.layout import read_table
from pipeline.workers.pool import Loss
from tests.support.bad_files import BadFiles
from tests.support.fit_runs import fit_run


def refreshed(inbox: Path, store: Path, *, jobs: int) -> None:
    """Refresh by the command, whose workers read the files."""
    words = ["refresh", "--inbox", str(inbox), "--store", str(store), "--jobs", str(jobs)]
    told = CliRunner().invoke(main, words, catch_exceptions=False)
    assert told.exit_code == 0, told.stderr


@pytest.mark.slow
def test_files_that_hang_crash_or_eat_memory_are_listed_and_the_others_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    files = BadFiles(tmp_path)
    monkeypatch.setenv("PYTHONPATH", files.environment["PYTHONPATH"])
    refreshed(files.inbox, tmp_path / "store", jobs=2)
    files.assert_cost_themselves_only(tmp_path / "store")


@pytest.mark.parametrize(
    ("kind", "is_tried_again"),
    [
        (Reason.TOOK_TOO_LONG, False),
        (Reason.RAISED, False),
        (Reason.KILLED, True),
        (Reason.CLUSTER_LOST, True),
        (Reason.DIED, False),
        (Reason.OUT_OF_MEMORY, False),
        (Reason.BUDGET_SPENT, True),
    ],
)
def test_a_file_is_tried_again_where_the_machine_may_have_been_at_fault(
    kind: Reason, is_tried_again: bool, tmp_path: Path
):
    (tmp_path / "ari").mkdir()
    (tmp_path / "ari" / "a.fit").write_bytes(b"")
    inbox = read_inbox(tmp_path)
    fields = dict.fromkeys(fields_of(kind), 1)
    told = lost(RunContext(inbox), Shard("ari", inbox.files), Loss(because(kind, **fields)))
    assert told.passing == (("ari/a.fit",) if is_tried_again else ())
    assert told.recordings["status"].to_list() == ["rejected"]


#: Python loads this as it starts: files of this name are noted where they are read, and hang.
_HANGS = """
import os, pathlib, time

read_well = pathlib.Path.read_bytes

def read_bytes(path):
    if path.name == "hangs.fit":
        with open(os.environ["HUNG"], "a") as noted:
            noted.write(path.parent.name)
        time.sleep(600)
    return read_well(path)

pathlib.Path.read_bytes = read_bytes
"""


class HostileFolder:
    """An athlete with files that hang before a sound one, in an inbox with somebody else's."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder, self.hung, self.store = folder, folder / "hung", folder / "store"
        (folder / "sitecustomize.py").write_text(_HANGS)
        monkeypatch.setenv("PYTHONPATH", str(folder), prepend=os.pathsep)
        monkeypatch.setenv("HUNG", str(self.hung))
        for name, day in {"ari/1/hangs.fit": 1, "ari/2/hangs.fit": 2, "ari/sound.fit": 3, "bo/a.fit": 4}.items():
            (folder / "inbox" / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / "inbox" / name).write_bytes(fit_run(f"2026-03-{day:02}T09:00:00", km=1))

    def refresh(self, *, max_athlete_s: float) -> dict[str, str]:
        """What became of each file by another refresh; of those that were rejected, why."""
        (self.folder / "inbox" / "settings.toml").write_text(
            f'pages = "none"\nmax_file_s = 2\nmax_athlete_s = {max_athlete_s}\n'
        )
        self.hung.unlink(missing_ok=True)
        refreshed(self.folder / "inbox", self.store, jobs=1)
        ledger = read_table(self.store, "recordings").select("path", "status", "reason")
        return {path: reason if status == "rejected" else status for path, status, reason in ledger.iter_rows()}

    @property
    def files_that_hung(self) -> set[str]:
        return set(self.hung.read_text()) if self.hung.exists() else set()


TOOK_TOO_LONG = "The file could not be read: it took longer than 2 s."
WAITS = "The file waits: reading other files of its athlete has taken 3 s (max_athlete_s)."


@pytest.mark.slow
@pytest.mark.usefixtures("no_outputs")
def test_an_athlete_whose_time_is_spent_is_gone_on_with_night_after_night_and_what_hung_is_remembered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    inbox = HostileFolder(tmp_path, monkeypatch)
    accepted = {"bo/a.fit": "accepted"}
    first = {"ari/1/hangs.fit": TOOK_TOO_LONG, "ari/2/hangs.fit": WAITS, "ari/sound.fit": WAITS}
    assert inbox.refresh(max_athlete_s=3) == first | accepted
    assert inbox.files_that_hung == {"1"}
    of_first_night = tmp_path / "store of the first night"
    shutil.copytree(inbox.store, of_first_night, symlinks=True)
    assert inbox.refresh(max_athlete_s=3) == first | {"ari/2/hangs.fit": TOOK_TOO_LONG} | accepted
    assert inbox.files_that_hung == {"2"}
    read = {"ari/1/hangs.fit": TOOK_TOO_LONG, "ari/2/hangs.fit": TOOK_TOO_LONG, "ari/sound.fit": "accepted"} | accepted
    for _ in range(2):
        assert inbox.refresh(max_athlete_s=3) == read
        assert inbox.files_that_hung == set()
    shutil.rmtree(inbox.store)
    of_first_night.rename(inbox.store)
    assert inbox.refresh(max_athlete_s=60) == read, "the setting is raised"
    assert inbox.files_that_hung == {"2"}
