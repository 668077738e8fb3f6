"""What is done with every mutated file, and what counts as a finding: anything that is raised here."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

import numpy as np
import polars as pl

from pipeline.core.errors import Refused, UsageError
from pipeline.core.settings import read_settings, settings_text
from pipeline.formats import GRAINS, READINGS
from pipeline.formats.column_mapping import read_mapping
from pipeline.inbox.corrections import read_corrections
from pipeline.inbox.inbox import utc
from pipeline.stages.recording import Session, recording
from pipeline.stages.samples import samples
from pipeline.study.study_reader import read_study
from pipeline.tables import publishable, require_free_columns

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
