"""Files that hang, crash or eat up whoever reads them, among good ones; for every way to run a refresh."""

from __future__ import annotations

import os
from pathlib import Path

import polars as pl

from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import refresh
from pipeline.store.generations import published
from pipeline.store.layout import read_table
from tests.support.fit_runs import fit_run

#: Python loads this as it starts: every process does something bad when it reads a file of these names.
_BAD_READER = """
import os, pathlib, signal, time

read_well = pathlib.Path.read_bytes

def read_bytes(path):
    if path.name == "hangs.fit":
        time.sleep(600)
    if path.name == "crashes.fit":
        os.kill(os.getpid(), signal.SIGSEGV)
    if path.name == "eats.fit":
        bytearray(3_000_000_000)
    if path.name == "00-kills-parent.fit":
        os.kill(os.getppid(), signal.SIGKILL)
        time.sleep(600)
    return read_well(path)

pathlib.Path.read_bytes = read_bytes
"""

BAD = ("ari/hangs.fit", "ari/crashes.fit", "ari/eats.fit")
GOOD = {f"ari/{day:02}.fit": f"2026-03-{day:02}T09:00:00" for day in range(1, 4)} | {"bo/a.fit": "2026-03-14T09:00:00"}
SETTINGS = 'max_file_s = 6\npages = "none"\n'


class BadFiles:
    """An inbox with good files and bad ones, the environment that makes them so, and what is to come of both."""

    def __init__(self, folder: Path, *more: str) -> None:
        self._folder, self.bad = folder, {*BAD, *more}
        (folder / "sitecustomize.py").write_text(_BAD_READER)
        self.environment = {"PYTHONPATH": os.pathsep.join([str(folder), os.environ.get("PYTHONPATH", "")])}
        self.inbox, self._good_inbox = folder / "inbox", folder / "good"
        bad = {name: f"2026-04-{day:02}T09:00:00" for day, name in enumerate(sorted(self.bad), start=1)}
        for inbox, files in ((self.inbox, GOOD | bad), (self._good_inbox, GOOD)):
            for name, started_at in files.items():
                (inbox / name).parent.mkdir(parents=True, exist_ok=True)
                (inbox / name).write_bytes(fit_run(started_at, km=1))
            (inbox / "settings.toml").write_text(SETTINGS)

    def assert_cost_themselves_only(self, store: Path) -> dict[str, str]:
        """Every bad file is turned away, and nothing else is as if it were not there; returns the reasons by file."""
        ledger = read_table(store, "recordings")
        assert set(ledger.filter(pl.col("status") == "accepted")["path"]) == set(GOOD)
        turned_away = ledger.filter(pl.col("status") == "rejected")
        reasons = dict(turned_away.select("path", "reason").iter_rows())
        assert set(reasons) == self.bad
        assert reasons["ari/hangs.fit"] == "The file could not be read: it took longer than 6 s."
        assert "signal SIGSEGV" in reasons["ari/crashes.fit"]
        assert "it needed more than 2000 MB of memory" in reasons["ari/eats.fit"]
        assert turned_away["fix"].str.contains("next refresh|has changed").all()
        assert "hangs.fit" in (store / "rejected" / "rejected.csv").read_text()
        refresh(read_inbox(self._good_inbox), self._folder / "good-store", jobs=1)
        tables, expected = _tables(store), _tables(self._folder / "good-store")
        assert len(expected) > len(GOOD)
        assert [name for name in sorted({*tables, *expected}) if tables.get(name) != expected.get(name)] == []
        return reasons


def _tables(store: Path) -> dict[str, bytes]:
    """Every file of the tables but the ledger, which names the bad files.

    Files of one athlete are as they lie there. Those of the club also hold a digest of all files, the bad ones too, so
    of them it is the rows.
    """
    folder, contents = published(store) / "tables", {}
    for path in folder.rglob("*.parquet"):
        name = path.relative_to(folder)
        if name.parts[0] in ("samples", "splits"):
            contents[name.as_posix()] = path.read_bytes()
        elif name.parts[0] != "recordings":
            contents[name.as_posix()] = pl.read_parquet(path).write_ipc(None).getvalue()
    return contents
