"""What is done with every mutated file, and what counts as a finding: anything that is raised here."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import fields
from pathlib import Path
from unittest.mock import patch

import numpy as np
import polars as pl

from data.generator.fit_writer import crc16
from pipeline import STAGES
from pipeline.core.errors import Refused, UsageError
from pipeline.core.reasons import MOST_CHARACTERS
from pipeline.core.settings import read_settings, settings_text
from pipeline.formats import GRAINS, READINGS
from pipeline.formats.column_mapping import ColumnMapping, read_mapping
from pipeline.formats.fit_messages import Messages, read_messages
from pipeline.formats.fit_records import checksum
from pipeline.formats.proposal import propose
from pipeline.formats.serial_number import device_digests
from pipeline.inbox.athlete_ids import Known
from pipeline.inbox.claims import list_rule, pattern_rule
from pipeline.inbox.corrections import read_corrections
from pipeline.inbox.inbox import read_inbox, utc
from pipeline.inbox.list_files import workbook_name
from pipeline.inbox.lists import LISTS
from pipeline.stages.recording import Session, recording
from pipeline.stages.samples import samples
from pipeline.study.study_reader import read_study
from pipeline.tables import empty, publishable, require_free_columns

#: What `STATUSES` of the ledger a single file can come to.
FATES = ("accepted", "salvaged", "not_running", "rejected")
#: Small, so that a fuzzer that finds a bomb learns that it is refused and not how long it takes.
MAX_UNPACKED_BYTES, MAX_MEMBERS = 4_000_000, 50


class TookTooLong(BaseException):
    """No `Exception`, so that nothing on the way takes it for a fault of the file."""


#: How much longer a file may take than it may compute: the machine has other work to do, too.
WAITS = 20


@contextmanager
def watchdog(seconds: float) -> Iterator[None]:
    """Ends what hangs, and fails what computes longer than a file may cost."""

    def bark(*_: object) -> None:
        raise TookTooLong(f"took longer than {seconds} s")

    before = [(one, signal.signal(one, bark)) for one in (signal.SIGPROF, signal.SIGALRM)]
    signal.setitimer(signal.ITIMER_PROF, seconds)
    signal.setitimer(signal.ITIMER_REAL, WAITS * seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)
        for one, handler in before:
            signal.signal(one, handler)


def look_into_written(content: bytes) -> None:
    """Take a text in TOML for each of the files that people write; settings that are taken can be written and read."""
    text = content.decode("utf-8", "replace")
    readers: tuple[Callable[[], object], ...] = (
        lambda: read_mapping(text, "run.csv", ("tibial_peak_g",)),
        lambda: read_corrections(text, "corrections.toml"),
        lambda: read_study(text, name="study.toml"),
    )
    for read in readers:
        with suppress(UsageError, Refused):
            read()
    with suppress(UsageError):
        settings = read_settings(text)
        assert read_settings(settings_text(settings)) == settings
        require_free_columns(settings.registry)


#: Functions of stages that need nothing but lists, and what comes of these.
OF_LISTS = [
    (stage, function)
    for stage in STAGES
    for function in stage.functions
    if function.name in ("complaints", "lists", "landings", "strike_counts", "strike_shift")
]


def look_into_lists(content: bytes, folder: Path) -> None:
    """Take a text, or a workbook, for each of the lists that people write.

    Args:
        folder: in which an inbox is made of it.
    """
    (folder / "ari").mkdir(exist_ok=True)
    (folder / "ari" / "a.fit").touch()
    is_workbook = content.startswith(b"PK")
    for name in LISTS:
        (folder / workbook_name(name)).unlink(missing_ok=True)
        (folder / name).unlink(missing_ok=True)
        if not is_workbook:
            (folder / name).write_bytes(content)
        elif name in ("sessions.csv", "events.csv"):  # a workbook takes long to be opened
            (folder / workbook_name(name)).write_bytes(content)
    with suppress(UsageError):
        inbox = read_inbox(folder)
        assert all(len(notice) <= MOST_CHARACTERS for notice in inbox.notices)
        inbox.lists_digest()
        tables = {**inbox.lists, "runs": empty("runs"), "splits": empty("splits")}
        for stage, function in OF_LISTS:
            first = function.reads[0]
            told = {first: stage.made_by(function.told, tables[first])} if function.told is not None else {}
            made = stage.tables_by(function, tables | told, settings=inbox.settings)
            tables |= {name: publishable(name, rows, subject="a mutated list") for name, rows in made.items()}
    known, text = Known(frozenset({"ari", "Åsa"})), content.decode("utf-8", "replace")
    with suppress(UsageError):
        list_rule("list.csv", text, (), known)
    with suppress(UsageError):
        pattern_rule(text, known)


def look_into_columns(content: bytes) -> None:
    """Propose a `columns.toml` for a CSV file, which can be read as it is proposed."""
    with suppress(Refused):
        proposal = propose(content, ColumnMapping(), "run.csv")
        read_mapping(proposal.toml, "run.csv")


def compare_ways_to_read(link: bytes) -> None:
    """Read a FIT file in place and by the decoders alone, which must give the same; checksums by two ways, too."""
    if len(link) < 12 or link[0] < 12:
        return  # what is cut out of a chained file has a header
    assert checksum(link) == crc16(link)
    in_place = ("few_messages", "sound_records")
    with patch.multiple("pipeline.formats.fit_messages", **dict.fromkeys(in_place, lambda _: None)):
        expected = _read(link)
    if expected is None or expected.damage is not None:
        return  # in place, a fault in a field that is not read is not seen
    found = _read(link)
    assert found is not None
    for one in fields(Messages):
        values, others = getattr(found, one.name), getattr(expected, one.name)
        if one.name in ("records", "sessions", "events", "laps"):
            # In place only what is used is read; a column without a value is as good as none.
            for name in values:
                n_rows = len(values[name])
                np.testing.assert_array_equal(values[name], others.get(name, np.full(n_rows, np.nan)), err_msg=name)
        elif one.name in ("described", "packed"):
            assert list(values) == list(others), one.name
        else:
            assert values == others, one.name


def _read(link: bytes) -> Messages | None:
    try:
        return read_messages(link)
    except Refused:
        return None


def look_into(name: str, content: bytes) -> list[Session]:
    """Take a file through the stages `recording` and `samples`, as a refresh would, and hold them to their promises."""
    sessions = recording(
        name,
        content,
        mapping=None,
        sensor_preference=("self-described", "native"),
        described_fields={},
        max_unpacked_bytes=MAX_UNPACKED_BYTES,
        max_members=MAX_MEMBERS,
    )
    device_digests(name, content, key=bytes(32))
    assert sessions
    assert len({(one.path, one.place) for one in sessions}) == len(sessions)
    for one in sessions:
        _hold_to_its_promises(one)
    return sessions


def _hold_to_its_promises(session: Session) -> None:
    assert session.status in FATES
    assert session.reason.endswith(".")
    assert all(letter.isprintable() or letter.isspace() for letter in session.reason + (session.fix or ""))
    assert (session.recording is not None) == (session.status in ("accepted", "salvaged"))
    if session.status == "rejected":
        assert session.fix
    found = session.recording
    if found is None:
        return
    assert found.readings.schema == dict.fromkeys(READINGS, pl.Float64())
    assert found.grain in GRAINS
    assert not any(found.readings[column].is_nan().any() for column in READINGS)
    assert all(np.isfinite(pause).all() and pause[0] <= pause[1] for pause in found.pauses)
    run = samples(found, gap_s=10, slope_window_m=100, slope_window_rough_m=400, rough_altitude_m=0.6).named("r")
    if run.samples.is_empty() or run.samples["distance_m"].max() == 0:
        return  # a refresh turns it away here
    publishable("samples", run.samples, subject="a mutated file")
    publishable("exclusions", run.exclusions, subject="a mutated file")
    if found.has_clock:
        utc(run.started_s + (run.samples["elapsed_s"].max() or 0.0))
