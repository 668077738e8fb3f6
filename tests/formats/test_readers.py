"""The registry of formats: one entry is enough for a format to be read, named in messages and accepted by tables."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import polars as pl
import pytest

from pipeline import tables
from pipeline.core.errors import BrokenPromise
from pipeline.formats import ReadOptions, Recording, readings_frame
from pipeline.formats.readers import READERS
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import refresh
from pipeline.stages.recording import Session, recording
from pipeline.store.layout import read_table
from pipeline.tables import publishable
from pipeline.workers.pool import here

Make = Callable[[Mapping[str, bytes | str]], Path]


def paces(content: bytes, options: ReadOptions) -> list[Recording]:
    """A format of the test: the number of seconds per 10 m, the same all along for 5 km."""
    assert options.sensor_preference
    n_rows = 501
    readings = {
        "time_s": pl.Series(range(n_rows), dtype=pl.Float64) * float(content) + 1.7e9,
        "distance_m": pl.Series(range(n_rows), dtype=pl.Float64) * 10,
    }
    return [Recording(readings=readings_frame(readings), sport="running")]


def sessions_of(name: str) -> list[Session]:
    return recording(
        name, b"3", mapping=None, sensor_preference=("native", "self-described"), described_fields={},
        max_unpacked_bytes=9, max_members=1,
    )  # fmt: skip


@pytest.fixture
def _with_paces(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setitem(READERS, "pace", paces)
    yield
    tables._rules.cache_clear()  # it has seen the entry


@pytest.mark.usefixtures("_with_paces")
def test_a_format_of_the_registry_is_read_and_named():
    (session,) = sessions_of("ari/a.PACE")
    assert (session.format, session.status, session.n_samples) == ("pace", "accepted", 501)
    (session,) = sessions_of("ari/a.txt")
    assert session.status == "rejected"
    assert ".pace" in (session.fix or "")


@pytest.mark.usefixtures("_with_paces")
def test_a_format_of_the_registry_goes_through_a_whole_refresh(tiny_inbox: Make, tmp_path: Path):
    inbox = read_inbox(tiny_inbox({"ari/a.pace": b"3", "ari/b.pace": b"3.5"}))
    refresh(inbox, tmp_path / "store", mapper=here)
    ledger = read_table(tmp_path / "store", "recordings").sort("path")
    assert ledger.select("path", "format", "status").rows() == [
        ("ari/a.pace", "pace", "accepted"),
        ("ari/b.pace", "pace", "duplicate"),
    ]
    assert read_table(tmp_path / "store", "runs")["distance_km"].to_list() == [5.0]


def test_a_format_outside_the_registry_is_accepted_by_no_table():
    row = {"path": "a.pace", "session": 1, "file": "a.pace", "sha256": "0", "format": "pace", "status": "rejected"}
    rows = pl.DataFrame([row | {"reason": "It is odd.", "n_samples": 0}])
    with pytest.raises(BrokenPromise):
        publishable("recordings", rows, subject="test")
