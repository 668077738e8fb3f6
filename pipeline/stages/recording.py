"""Stage `recording`: an inbox file → the sessions in it, each accepted or rejected with a reason.

Bytes in. Out: one row of the table `recordings` for every session of every file in it, and the recording itself where
it is a run. The ending of a file decides which reader it gets. Whether a session is a run at all is decided here; the
quality of its readings is judged by later stages.
"""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace
from itertools import chain, count
from pathlib import PurePosixPath

import numpy as np

from pipeline.core.errors import Refused
from pipeline.core.metrics import METRICS
from pipeline.formats import RUNNING, ReadOptions, Recording
from pipeline.formats.archive import unpack
from pipeline.formats.column_mapping import ColumnMapping
from pipeline.formats.readers import READERS, known_endings
from pipeline.formats.sports import OTHERS as OTHER_SPORTS

#: What a run needs at the very least: two instants, and something that says how far apart they are.
_DISTANCE_SOURCES = (("distance_m",), ("speed_m_s",), ("latitude_deg", "longitude_deg"))

#: Times of a clock that can be right [s since 1970]. A FIT time below 0x10000000 counts from when the device was
#: switched on (FIT profile, type `date_time`), which would be 1998, and no watch recorded runs before. Far on, from
#: 2080, it is set wrong: common practice, no source.
CLOCK_S = (631_065_600 + 0x10000000, 3_471_292_800)

#: What makes a run of a session whose file names another sport.
AS_RUN = 'Write sport = "running" for the file in corrections.toml'

_SPREADSHEETS = (".xlsx", ".xlsm", ".xls", ".ods", ".numbers")

#: Texts out of files are cut to this length: a file may hold a name of a hundred megabytes.
MOST_NAME_CHARACTERS, MOST_REASON_CHARACTERS = 80, 4000

#: The quantities that decide which of two recordings of one run is kept, in words for the ledger.
WORTH = {metric.column: metric.label for metric in METRICS if metric.is_reading} | {"altitude_m": "altitude"}


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
        fix: what the owner can do; None where nothing needs doing.
        recording: the run, where it is one.
        n_samples: rows with a time.
        is_passing: whether the cause of a rejection may have passed by the next refresh.
    """

    file: str
    member: str | None = None
    place: int = 1
    sha256: str = ""
    format: str | None = None
    status: str = "rejected"
    reason: str = ""
    fix: str | None = None
    recording: Recording | None = None
    n_samples: int = 0
    is_passing: bool = False

    @property
    def path(self) -> str:
        """How tables and messages name the file: a member of an archive follows after '!'."""
        return self.file if self.member is None else f"{self.file}!{self.member}"

    def rejected(self, refusal: Refused, *, is_passing: bool = False) -> Session:
        """The same session, rejected."""
        return replace(
            self,
            status="rejected",
            reason=_shown(refusal.reason, MOST_REASON_CHARACTERS),
            fix=_shown(
                refusal.fix or "Export the activity again, or take the file out of the inbox.", MOST_REASON_CHARACTERS
            ),
            recording=None,
            is_passing=is_passing,
        )


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
) -> list[Session]:
    """Read every session of an inbox file.

    Returns:
        At least one session; never raises for what a file may hold.
    """
    options = ReadOptions(mapping=mapping, sensor_preference=sensor_preference, described_fields=described_fields)
    own_name = PurePosixPath(file).name
    suffix = PurePosixPath(own_name).suffix.lower()
    if suffix in _SPREADSHEETS:  # by its bytes an .xlsx is an archive, each file of which would be rejected
        return [rejected_file(file, content, _spreadsheet(suffix))]
    try:
        members = unpack(own_name, content, max_unpacked_bytes=max_unpacked_bytes, max_members=max_members)
    except Refused as refusal:
        return [rejected_file(file, content, refusal)]
    if len(members) == 1 and not own_name.lower().endswith(".zip"):
        return _read(Session(file=file), members[0].name, members[0].content, options)
    sessions: list[Session] = []
    names: set[str] = set()
    for member in members:
        name = _distinct(member.name, names)
        names.add(name)
        sessions += _read(Session(file=file, member=name), member.name, member.content, options)
    return sessions


def _spreadsheet(suffix: str) -> Refused:
    return Refused(
        f"A recording is not read from a spreadsheet ({suffix}).", "Save the sheet as CSV and put that in its place."
    )


def _distinct(name: str, taken: Set[str]) -> str:
    """The name, numbered where an archive holds several files of it (`a.fit` and `a.fit.gz` are one name here)."""
    numbered = chain([name], (f"{name} ({number})" for number in count(2)))
    return next(candidate for candidate in numbered if candidate not in taken)


def _read(unread: Session, name: str, content: bytes, options: ReadOptions) -> list[Session]:
    suffix = PurePosixPath(name).suffix.lower()
    ending = suffix[1:] if suffix[1:] in READERS else None
    session = replace(unread, sha256=hashlib.sha256(content).hexdigest(), format=ending)
    try:
        if suffix in _SPREADSHEETS:
            raise _spreadsheet(suffix)
        if ending is None:
            raise Refused(
                f"splitdrift does not read files of the kind '{suffix or 'without ending'}'.",
                f"Recordings end in {known_endings()}, also packed as .gz or .zip.",
            )
        recordings = READERS[ending](content, options)
    except Refused as refusal:
        return [session.rejected(refusal)]
    return [_judged(replace(session, place=place), recording) for place, recording in enumerate(recordings, start=1)]


def _judged(unjudged: Session, content: Recording) -> Session:
    readings = content.readings
    if content.device is not None:
        content = replace(content, device=_shown(content.device, MOST_NAME_CHARACTERS) or None)
    session = replace(unjudged, status="accepted", recording=content, n_samples=readings["time_s"].count())
    if content.sport not in (None, RUNNING):
        return replace(
            session,
            status="not_running",
            reason=f"The sport of the session is '{_shown(content.sport or '', MOST_NAME_CHARACTERS)}', not running.",
            # A ride is never taken for a run; a word that is none of the known sports may be one.
            fix=None if content.sport in OTHER_SPORTS else f"{AS_RUN} if it was a run.",
            recording=None,
        )
    if session.n_samples < 2:
        return session.rejected(
            Refused(
                f"The session holds {session.n_samples} measurement(s) over time; a run needs many.",
                "Export the whole activity again.",
            )
        )
    if not any(all(readings[column].count() >= 2 for column in source) for source in _DISTANCE_SOURCES):
        return session.rejected(
            Refused(
                "The session holds no distance, no speed and no positions, so there are no kilometres to compare.",
                "Record with a sensor for distance, or add a column of distance.",
            )
        )
    # The median, since a few odd times are excluded by the next stage.
    if content.has_clock and not CLOCK_S[0] <= float(np.median(readings["time_s"].drop_nulls())) < CLOCK_S[1]:
        return session.rejected(
            Refused(
                "The times of the session cannot be right: the clock of the device was not set.",
                "Set it, and correct the times of this recording before you export it again.",
            )
        )
    measured = [word for column, word in WORTH.items() if np.any(np.nan_to_num(readings[column].to_numpy()))]
    reason = f"A run with {', '.join(measured)}." if measured else "A run with distance and time only."
    if content.unused:
        reason += f" Columns not used: {_few(content.unused)}."
    if content.sport is None:
        reason += " The file does not name the sport; taken as running."
    reason = " ".join([reason, *content.remarks])
    if content.damage is not None:
        return replace(session, status="salvaged", reason=f"Damaged: {content.damage}. {reason}")
    return replace(session, reason=reason)


def _shown(text: str, most: int) -> str:
    """A text out of a file as a terminal and a sheet may show it: not too long, without control characters."""
    cut = text if len(text) <= most else text[: most - 1] + "…"
    return "".join(
        letter if letter.isprintable() or unicodedata.category(letter) == "Zs" else "\N{REPLACEMENT CHARACTER}"
        for letter in cut
    )


def _few(names: Sequence[str], most: int = 8) -> str:
    """The names in one text; of many the first ones and how many more."""
    more = len(names) - most
    return ", ".join(_shown(name, MOST_NAME_CHARACTERS) for name in names[:most]) + (
        f" and {more} more" if more > 0 else ""
    )
