"""Stage `recording`: an inbox file → the sessions in it, each accepted or turned away with a reason.

Bytes in. Out: one row of the table `recordings` for every session of every file in it, and the recording itself where
it is a run. Here it is decided which reader a file gets and whether what it read is a run at all; how good the run is,
later stages say.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import chain, count
from pathlib import PurePosixPath

import polars as pl

from pipeline.errors import Refused
from pipeline.formats import RUNNING, Recording, csv, fit, gpx, tcx
from pipeline.formats.archive import Member, unpack
from pipeline.formats.column_mapping import ColumnMapping

READERS = ("fit", "csv", "tcx", "gpx")

#: What a run needs at the very least: two instants, and something that says how far apart they are.
_DISTANCE_SOURCES = (("distance_m",), ("speed_m_s",), ("latitude_deg", "longitude_deg"))

#: What makes one recording of a run more worth than another of the same run, in words for the ledger.
WORTH = {
    "cadence_spm": "cadence",
    "contact_time_ms": "contact time",
    "vertical_oscillation_mm": "vertical oscillation",
    "heart_rate_bpm": "heart rate",
    "altitude_m": "altitude",
}


@dataclass(frozen=True, kw_only=True)
class Session:
    """A session of a file, and what became of it.

    Attributes:
        name: of the file; a member of an archive follows after '!'.
        place: of the session inside the file, 1 the first.
        sha256: digest of the file's (or the member's) bytes.
        format: the reader's name; None if none was chosen.
        status: of `pipeline.tables.STATUSES`.
        reason: why.
        fix: what the owner can do; None where nothing needs doing.
        recording: the run, where it is one.
        n_samples: rows with a time.
    """

    name: str
    place: int
    sha256: str
    format: str | None
    status: str
    reason: str
    fix: str | None = None
    recording: Recording | None = None
    n_samples: int = 0

    def refused(self, refusal: Refused) -> Session:
        """The same session, turned away."""
        return replace(self, status="rejected", reason=refusal.reason, fix=refusal.fix or None, recording=None)


def recording(
    name: str,
    content: bytes,
    *,
    mapping: ColumnMapping | None,
    sensor_preference: Sequence[str],
    described_fields: Mapping[str, str],
    max_unpacked_bytes: int,
    max_members: int,
) -> list[Session]:
    """Read every session of an inbox file.

    Args:
        name: of the file, as the ledger should show it.
        content: its bytes.
        mapping: what `columns.toml` beside it says, for CSV.
        sensor_preference: which sensor wins where a FIT file holds a quantity twice.
        described_fields: names of self-described FIT fields → readings.
        max_unpacked_bytes: limit for archives [bytes].
        max_members: limit for archives.

    Returns:
        At least one session; never raises for what a file may hold.
    """
    own_name = PurePosixPath(name).name
    try:
        members = unpack(own_name, content, max_unpacked_bytes=max_unpacked_bytes, max_members=max_members)
    except Refused as refusal:
        return [_turned_away(name, content, None, refusal)]
    if len(members) == 1 and not own_name.lower().endswith(".zip"):
        return _read(name, members[0], mapping, sensor_preference, described_fields)
    sessions: list[Session] = []
    names: list[str] = []
    for member in members:
        names.append(_distinct(f"{name}!{member.name}", names))
        sessions += _read(names[-1], member, mapping, sensor_preference, described_fields)
    return sessions


def _distinct(name: str, others: Sequence[str]) -> str:
    """The name, numbered where an archive holds several files of it (`a.fit` and `a.fit.gz` are one name here)."""
    numbered = chain([name], (f"{name} ({number})" for number in count(2)))
    return next(one for one in numbered if one not in others)


def _read(
    name: str,
    member: Member,
    mapping: ColumnMapping | None,
    sensor_preference: Sequence[str],
    described_fields: Mapping[str, str],
) -> list[Session]:
    ending = PurePosixPath(member.name).suffix.lower()
    reader = ending[1:] if ending[1:] in READERS else None
    try:
        if reader == "fit":
            found = fit.decode(member.content, sensor_preference=sensor_preference, described_fields=described_fields)
        elif reader == "csv":
            found = csv.decode(member.content, mapping)
        elif reader == "tcx":
            found = tcx.decode(member.content)
        elif reader == "gpx":
            found = gpx.decode(member.content)
        else:
            raise Refused(
                f"splitdrift does not read files of the kind '{ending or 'without ending'}'.",
                f"Recordings end in {', '.join('.' + one for one in READERS)}, also packed as .gz or .zip.",
            )
    except Refused as refusal:
        return [_turned_away(name, member.content, reader, refusal)]
    digest = hashlib.sha256(member.content).hexdigest()
    return [_judged(name, place, digest, one) for place, one in enumerate(found, start=1)]


def _turned_away(name: str, content: bytes, reader: str | None, refusal: Refused) -> Session:
    digest = hashlib.sha256(content).hexdigest()
    return Session(name=name, place=1, sha256=digest, format=reader, status="rejected", reason="").refused(refusal)


def _judged(name: str, place: int, digest: str, found: Recording) -> Session:
    readings = found.readings
    session = Session(
        name=name,
        place=place,
        sha256=digest,
        format=found.format,
        status="accepted",
        reason="",
        recording=found,
        n_samples=readings["time_s"].count(),
    )
    if found.sport not in (None, RUNNING):
        return replace(
            session,
            status="not_running",
            reason=f"The sport of the session is '{found.sport}', not running.",
            recording=None,
        )
    if session.n_samples < 2:
        return session.refused(
            Refused(
                f"The session holds {session.n_samples} measurement(s) over time; a run needs many.",
                "Export the whole activity again.",
            )
        )
    if not any(all(readings[one].count() >= 2 for one in source) for source in _DISTANCE_SOURCES):
        return session.refused(
            Refused(
                "The session holds no distance, no speed and no positions, so there are no kilometres to compare.",
                "Record with a sensor for distance, or add a column of distance.",
            )
        )
    measured = [word for column, word in WORTH.items() if (readings[column].fill_null(0) != 0).any()]
    reason = f"A run with {', '.join(measured)}." if measured else "A run with distance and time only."
    if found.unused:
        reason += f" Columns not used: {_few(found.unused)}."
    if found.sport is None:
        reason += " The file does not name the sport; taken as running."
    if found.damage is not None:
        return replace(session, status="salvaged", reason=f"Damaged: {found.damage}. {reason}")
    return replace(session, reason=reason)


def _few(names: Sequence[str], most: int = 8) -> str:
    """Names in a row; of many the first ones and how many more."""
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")


#: Recordings are of the same run if they share at least this much of the shorter one; less is a clock set wrong, or a
#: device handed on. Common practice, no source.
SAME_RUN_SHARE = 0.5


def _overlap_enough(first: datetime, last: datetime, start: datetime, end: datetime) -> bool:
    shared = min(last, end) - max(first, start)
    return shared > timedelta(0) and shared >= SAME_RUN_SHARE * min(last - first, end - start)


def without_duplicates(runs: pl.DataFrame) -> pl.DataFrame:
    """Find the recordings of one athlete that are of the same run: those that overlap in time by half or more.

    The one that measured most is kept: most quantities, then undamaged, then most samples.

    Args:
        runs: columns `run_id`, `started_at_utc`, `ended_at_utc`, `n_quantities`, `is_damaged`, `n_samples`, `path`,
            `session`; of one athlete.

    Returns:
        `path`, `session` and `duplicate_of` (the run that was kept) of each recording that was not.
    """
    best_first = runs.sort(
        pl.col("n_quantities"), pl.col("is_damaged"), pl.col("n_samples"), pl.col("path"), pl.col("session"),
        descending=[True, False, True, False, False],
    )  # fmt: skip
    kept: list[tuple[datetime, datetime, str]] = []
    duplicates: list[tuple[str, int, str]] = []
    for row in best_first.iter_rows(named=True):
        start, end = row["started_at_utc"], row["ended_at_utc"]
        same = next((run_id for first, last, run_id in kept if _overlap_enough(first, last, start, end)), None)
        if same is None:
            kept.append((start, end, row["run_id"]))
        else:
            duplicates.append((row["path"], row["session"], same))
    schema = {"path": pl.String, "session": pl.Int64, "duplicate_of": pl.String}
    return pl.DataFrame(duplicates, schema=schema, orient="row")
