"""Stage `recording`: an inbox file → the sessions in it, each accepted or rejected with a reason.

Bytes in. Out: one row of the table `recordings` for every session of every file in it, and the recording itself where
it is a run. The ending of a file decides which reader it gets. Whether a session is a run at all is decided here; the
quality of its readings is judged by later stages.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import chain, count
from pathlib import PurePosixPath

import numpy as np
import polars as pl

from pipeline.core.arrays import Array
from pipeline.core.errors import Refused
from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.core.reasons import Because, Reason, because, cut, words
from pipeline.formats import RUNNING, ReadOptions, Recording
from pipeline.formats.archive import unpack
from pipeline.formats.column_mapping import ColumnMapping
from pipeline.formats.readers import READERS, known_endings
from pipeline.formats.sports import OTHERS as OTHER_SPORTS
from pipeline.stages.corrections import NOTHING, Correction, Outcome, corrected, distance_m, left_out_unread, start_s
from pipeline.stages.samples import LONGEST_RUN_S

#: What a run needs at the very least: two instants, and something that says how far apart they are.
_DISTANCE_SOURCES = (("distance_m",), ("speed_m_s",), ("latitude_deg", "longitude_deg"))

#: Times of a clock that can be right [s since 1970]. A FIT time below 0x10000000 counts from when the device was
#: switched on (FIT profile, type `date_time`), which would be 1998, and no watch recorded runs before. Far on, from
#: 2080, it is set wrong: common practice, no source.
CLOCK_S = (631_065_600 + 0x10000000, 3_471_292_800)

_SPREADSHEETS = (".xlsx", ".xlsm", ".xls", ".ods", ".numbers")

#: Names out of files are cut to this length: a file may hold one of a hundred megabytes.
MOST_NAME_CHARACTERS = 80
#: So many columns that are not used are named.
MOST_HEADERS_NAMED = 8


@dataclass(frozen=True, kw_only=True)
class Session:
    """A session of a file, and what became of it.

    Attributes:
        file: path of the file in the inbox.
        member: of an archive: path inside it; None for a file that holds one recording file only.
        place: of the session inside the file, 1 the first.
        sha256: digest of the file's (or the member's) bytes.
        format: ending of the chosen reader; None if none was chosen.
        status: of `pipeline.tables.STATUSES`.
        reasons: why, and what the owner can do.
        recording: the run, where it is one.
        n_samples: rows with a time.
        sport: as recorded, or as corrected; None where the file does not say.
        started_s: time of the first reading [s since 1970]; None without a clock.
        ended_s: time of the last one.
        distance_m: as recorded; None where nothing tells it.
        outcome: what became of the corrections that name it.
        lacks_distance: why it is no run unless another recording of the run has its distance.
        is_passing: whether the cause of a rejection may have passed by the next refresh.
    """

    file: str
    member: str | None = None
    place: int = 1
    sha256: str = ""
    format: str | None = None
    status: str = "rejected"
    reasons: tuple[Because, ...] = ()
    recording: Recording | None = None
    n_samples: int = 0
    sport: str | None = None
    started_s: float | None = None
    ended_s: float | None = None
    distance_m: float | None = None
    outcome: Outcome = NOTHING
    lacks_distance: Refused | None = None
    is_passing: bool = False

    @property
    def path(self) -> str:
        """How tables and messages name the file: a member of an archive follows after '!'."""
        return self.file if self.member is None else f"{self.file}!{self.member}"

    @property
    def reason(self) -> str:
        """Why, in English."""
        return words(self.reasons)[0]

    @property
    def fix(self) -> str | None:
        """What the owner can do, in English; None where nothing needs doing."""
        return words(self.reasons)[1] or None

    def rejected(self, refusal: Refused, *, is_passing: bool = False) -> Session:
        """The same session, rejected."""
        reasons = refusal.reasons if refusal.fix else (*refusal.reasons, because(Reason.ELSE_EXPORT))
        return replace(self, status="rejected", reasons=reasons, recording=None, is_passing=is_passing)


def rejected_file(file: str, content: bytes, refusal: Refused, *, is_passing: bool = False) -> Session:
    """The one session of a file of which nothing was read."""
    unread = Session(file=file, sha256=hashlib.sha256(content).hexdigest())
    return unread.rejected(refusal, is_passing=is_passing)


def recording(
    file: str,
    content: bytes,
    *,
    mapping: ColumnMapping | None,
    sensor_preference: Sequence[str],
    described_fields: Mapping[str, str],
    max_unpacked_bytes: int,
    max_members: int,
    sha256: str | None = None,
    athlete_id: str | None = None,
    corrections: Sequence[Correction] = (),
    registry: Registry = BUILT_IN,
) -> list[Session]:
    """Read every session of an inbox file.

    Args:
        file: its path in the inbox.
        content: its bytes.
        sha256: their digest, where it is known.
        athlete_id: whose it is, for corrections that name an athlete.
        corrections: in the order in which they are applied.
        registry: the quantities in force.

    Returns:
        At least one session; never raises for what a file may hold.
    """
    options = ReadOptions(
        mapping=mapping,
        sensor_preference=sensor_preference,
        described_fields=described_fields,
        own={metric.source_column.casefold(): metric.column for metric in registry.own},
    )
    own_name = PurePosixPath(file).name
    suffix = PurePosixPath(own_name).suffix.lower()
    if suffix in _SPREADSHEETS:  # by its bytes an .xlsx is an archive, each file of which would be rejected
        return [rejected_file(file, content, Refused(Reason.SPREADSHEET, ending=suffix))]
    try:
        members = unpack(own_name, content, max_unpacked_bytes=max_unpacked_bytes, max_members=max_members)
    except Refused as refusal:
        return [rejected_file(file, content, refusal)]
    if len(members) == 1 and not own_name.lower().endswith(".zip"):
        unread = Session(file=file, sha256=sha256 or "" if members[0].content is content else "")
        return _read(unread, members[0].name, members[0].content, options, (athlete_id, corrections, registry))
    sessions: list[Session] = []
    names: set[str] = set()
    for member in members:
        name = _distinct(member.name, names)
        names.add(name)
        unread = Session(file=file, member=name)
        sessions += _read(unread, member.name, member.content, options, (athlete_id, corrections, registry))
    return sessions


def _distinct(name: str, taken: Set[str]) -> str:
    """The name, numbered where an archive holds several files of it (`a.fit` and `a.fit.gz` are one name here)."""
    numbered = chain([name], (f"{name} ({number})" for number in count(2)))
    return next(candidate for candidate in numbered if candidate not in taken)


def _read(
    unread: Session,
    name: str,
    content: bytes,
    options: ReadOptions,
    known_about_it: tuple[str | None, Sequence[Correction], Registry],
) -> list[Session]:
    athlete_id, corrections, registry = known_about_it
    entries = [entry for entry in corrections if entry.concerns(unread.file, unread.path, athlete_id)]
    suffix = PurePosixPath(name).suffix.lower()
    ending = suffix[1:] if suffix[1:] in READERS else None
    session = replace(unread, sha256=unread.sha256 or hashlib.sha256(content).hexdigest(), format=ending)
    if (outcome := left_out_unread(entries)) is not None:
        return [_left_out(session, outcome)]
    zone = next((entry.time_zone for entry in reversed(entries) if entry.time_zone is not None), None)
    is_zone_read = ending in _LOCAL_TIMES and zone is not None
    if is_zone_read:
        options = replace(options, mapping=replace(options.mapping or ColumnMapping(), time_zone=zone))
    try:
        if suffix in _SPREADSHEETS:
            raise Refused(Reason.SPREADSHEET, ending=suffix)
        if ending is None:
            raise Refused(Reason.UNKNOWN_ENDING, ending=suffix, endings=known_endings())
        recordings = READERS[ending](content, options)
    except Refused as refusal:
        return [session.rejected(refusal)]
    sessions = []
    for place, one in enumerate(recordings, start=1):
        device = cut(one.device or "", MOST_NAME_CHARACTERS) or None
        shown = one if one.device == device else replace(one, device=device)
        right, outcome = corrected(shown, entries, is_zone_read=is_zone_read) if entries else (shown, NOTHING)
        own = replace(session, place=place, outcome=outcome)
        right = _with_own(right, registry)
        sessions.append(_judged(own, right, registry) if outcome.leave_out is None else _left_out(own, outcome))
    return sessions


#: Endings of files whose times may carry no zone, which their reader is then told.
_LOCAL_TIMES = ("csv",)


def _with_own(recording: Recording, registry: Registry) -> Recording:
    """With a column for every metric of one's own, so that every later stage meets the same frame."""
    absent = [metric.column for metric in registry.own if metric.column not in recording.readings.columns]
    if not absent:
        return recording
    nothing = (pl.lit(None, dtype=pl.Float64).alias(column) for column in absent)
    return replace(recording, readings=recording.readings.with_columns(nothing))


def _left_out(session: Session, outcome: Outcome) -> Session:
    said = because(Reason.LEFT_OUT, said=cut(outcome.leave_out or "", MOST_NAME_CHARACTERS))
    return replace(session, status="left_out", reasons=(said,), outcome=outcome)


def form(registry: Registry) -> tuple[str, ...]:
    """What a recording without distance may still give to another one of the same run."""
    return (*_FORM, *(metric.column for metric in registry.own))


_FORM = ("cadence_spm", "contact_time_ms", "vertical_oscillation_mm", "contact_balance_pct")


def _extent(session: Session, content: Recording) -> Session:
    """The session with its sport, time and distance."""
    started_s, recorded_m = start_s(content), distance_m(content)
    time_s = content.readings["time_s"].to_numpy()
    near = time_s[np.abs(time_s - started_s) <= LONGEST_RUN_S] if np.isfinite(started_s) else time_s[:0]
    has_clock = content.has_clock and len(near) > 0 and CLOCK_S[0] <= started_s < CLOCK_S[1]
    return replace(
        session,
        sport=None if content.sport is None else cut(content.sport, MOST_NAME_CHARACTERS),
        started_s=started_s if has_clock else None,
        ended_s=float(near.max()) if has_clock else None,
        distance_m=recorded_m if np.isfinite(recorded_m) else None,
    )


def _judged(unjudged: Session, content: Recording, registry: Registry) -> Session:
    readings = content.readings
    session = replace(unjudged, status="accepted", recording=content, n_samples=readings["time_s"].count())
    session = _extent(session, content)
    if content.sport not in (None, RUNNING):
        reasons = [because(Reason.OTHER_SPORT, sport=session.sport)]
        # A ride is never taken for a run; a word that is none of the known sports may be one.
        reasons += [] if content.sport in OTHER_SPORTS else [because(Reason.AS_RUN)]
        return replace(session, status="not_running", reasons=tuple(reasons), recording=None)
    if session.n_samples < 2:
        return session.rejected(Refused(Reason.FEW_MEASUREMENTS, n=session.n_samples))
    has_distance = any(all(readings[column].count() >= 2 for column in source) for source in _DISTANCE_SOURCES)
    if not has_distance:
        said = content.without_distance or Refused(Reason.NO_DISTANCE)
        if not any(readings[column].count() for column in form(registry)):
            return session.rejected(said)
        session = replace(session, lacks_distance=said)
    if content.has_clock and not _is_clock_set(readings["time_s"].to_numpy()):
        return session.rejected(_clock_not_set(start_s(content)))
    measured = [
        word
        for column, word in registry.worth.items()
        if readings[column].count() and (readings[column].max() != 0 or readings[column].min() != 0)
    ]
    reasons = [because(Reason.RUN, quantities=measured)]
    if content.unused:
        headers = [cut(header, MOST_NAME_CHARACTERS) for header in content.unused[:MOST_HEADERS_NAMED]]
        reasons.append(because(Reason.UNUSED_COLUMNS, headers=headers, n_more=len(content.unused) - len(headers)))
    if content.sport is None:
        reasons.append(because(Reason.SPORT_UNTOLD))
    if session.outcome.changes:
        reasons.append(because(Reason.CORRECTED, changes=session.outcome.changes))
    reasons += content.remarks
    if content.damage is not None:
        damage = because(Reason.DAMAGED, damage=content.damage)
        return replace(session, status="salvaged", reasons=(damage, *reasons))
    return replace(session, reasons=tuple(reasons))


def _is_clock_set(time_s: Array) -> bool:
    """Whether the median is a time that can be right: a few odd times are excluded by the next stage."""
    known_s = time_s[~np.isnan(time_s)]
    can_be_right = (known_s >= CLOCK_S[0]) & (known_s < CLOCK_S[1])
    return len(known_s) > 0 and (bool(can_be_right.all()) or CLOCK_S[0] <= float(np.median(known_s)) < CLOCK_S[1])


def _clock_not_set(started_s: float) -> Refused:
    """What to say of times that cannot be right; such a clock may stand anywhere."""
    try:
        started = f"{datetime.fromtimestamp(started_s, UTC):%Y-%m-%dT%H:%M:%SZ}"
    except (ValueError, OverflowError, OSError):
        started = ""
    return Refused(Reason.CLOCK_NOT_SET, started=started)
