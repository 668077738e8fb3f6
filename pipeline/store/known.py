"""What a refresh knows from the one before, so that it recomputes only what changed.

Every file of the inbox has a key: the digest of its content and of everything else that its rows depend on, including
the code. A file whose key is unchanged is not read again. The keys are kept next to the tables, as are the unrounded
results of the steps of each athlete, so the tables of the club are identical to those of a full rebuild.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date
from functools import lru_cache
from itertools import chain
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import ATHLETE, tables_of
from pipeline.core.code import code_digest
from pipeline.core.errors import Damaged, NothingDone, SplitdriftError
from pipeline.core.places import is_remote, make_folder, whole_name, write_frame
from pipeline.core.settings import ANALYSIS, KEEPING, READING
from pipeline.core.written import beginning
from pipeline.inbox.inbox import Inbox, InboxFile, listed_file
from pipeline.store.contents import CONTENTS, WHOLE, contents_of, digests, read_checked, version_of
from pipeline.store.history import MOST_NAMES
from pipeline.store.layout import is_of, partition, read_file
from pipeline.store.sections import Section
from pipeline.tables import TABLES

#: What files gave, with the columns that bring each into one order; `runs` are the rows of `Measured.runs`.
_OF_FILES: Mapping[str, tuple[str, ...]] = {
    "recordings": ("path", "session"),
    "runs": ("athlete_id", "run_id"),
    "exclusions": ("run_id", "quantity", "reason"),
    "quality": ("run_id", "quantity"),
}

_FOLDER, _KEYS, _FILES, _CLUB = "known", "keys.json", "files", "club.parquet"
_FILES_COLUMNS = {"path": pl.String, "athlete_id": pl.String, "key": pl.String}


@dataclass(frozen=True)
class ClubKeys:
    """What decides, besides the files, whether anything has to be done.

    Attributes:
        analysis: digest of the settings of the analysis.
        club: digest of the lists, of all settings and of the store's path.
    """

    analysis: str
    club: str


@dataclass(frozen=True)
class Known:
    """What the last refresh left; empty where there was none.

    Attributes:
        rows: where the rows of `kept_parts` are; None where there was no refresh, or one by other code, whose rows may
            have other columns.
        n_sections: into how many sections of the club its files are divided.
        until: the day before which the runs that the club's responses are drawn from began; None for all runs.
        lost: athletes whose files have to be read again.
    """

    folder: Path | None
    keys: ClubKeys
    rows: KeptRows | None
    n_sections: int = 1
    until: date | None = None
    lost: frozenset[str] = frozenset()

    @property
    def sections(self) -> list[Section]:
        """Those that its files are divided into."""
        return [Section(number, self.n_sections) for number in range(self.n_sections)]

    @property
    def club(self) -> pl.DataFrame | None:
        """What the club's responses have in common; None where all is recomputed."""
        return None if self.rows is None else read_file(self.rows.state, f"{_FOLDER}/{_CLUB}")

    def files(self, section: Section) -> pl.DataFrame:
        """`path`, `athlete_id` and `key` of the files of a section; without a key, the next refresh reads one again."""
        if self.folder is None:
            return pl.DataFrame(schema=_FILES_COLUMNS)
        overlapping = section.overlapping(self.n_sections)
        files = pl.concat(read_file(self.folder, f"{_FOLDER}/{own.file(_FILES)}") for own in overlapping)
        if self.n_sections != section.of:
            held = {name for name in files["athlete_id"].unique() if section.holds(name)}
            files = files.filter(pl.Series([name in held for name in files["athlete_id"]], dtype=pl.Boolean))
        is_to_read = pl.col("athlete_id").is_in(list(self.lost)) | pl.lit(self.rows is None)
        return files.with_columns(key=pl.when(is_to_read.fill_null(value=False)).then(None).otherwise("key"))

    def athletes(self, section: Section) -> frozenset[str]:
        """The athletes of a section who had runs."""
        if self.rows is None:
            return frozenset()
        names = self.rows.of("runs", section, ["athlete_id"])["athlete_id"].unique()
        return frozenset(name for name in names if section.holds(name))


@dataclass(frozen=True)
class KeptRows:
    """The rows of `kept_parts` in a state, also in the one being built, section by section.

    Attributes:
        n_sections: into how many sections of the club they are divided.
    """

    state: Path
    n_sections: int

    def of(self, name: str, section: Section, columns: Sequence[str] | None = None) -> pl.DataFrame:
        """The rows in the sections that may hold those of a section, and nothing else where it is one of them.

        Args:
            columns: which ones; None for all.
        """
        overlapping = section.overlapping(self.n_sections)
        return pl.concat(read_file(self.state, f"{_FOLDER}/{own.file(name)}", columns) for own in overlapping)

    def of_athletes(
        self, name: str, section: Section, athletes: Collection[str | None], *, others: bool = False
    ) -> pl.DataFrame:
        """The rows of some athletes in the sections that may hold those of a section; or of all others there."""
        overlapping = section.overlapping(self.n_sections)
        rows = pl.concat(self._read(name, own) for own in overlapping)
        chosen = ~is_of(athletes) if others else is_of(athletes)
        if "athlete_id" in rows.columns:
            return rows.filter(chosen)
        runs = pl.concat(self._read("runs", own) for own in overlapping)
        return rows.join(runs.filter(chosen), on="run_id", how="semi")

    def content(self, name: str, section: Section) -> bytes:
        """The file with the rows of one of these sections: the same rows give the same bytes."""
        return (self.state / _FOLDER / section.file(name)).read_bytes()

    def has(self, section: Section) -> bool:
        """Whether the rows of a section are written."""
        return (self.state / _FOLDER / section.file("runs")).exists()

    def athletes(self, section: Section) -> set[str | None]:
        """Whose rows are in the sections that may hold those of a section."""
        of_files = (self._read("recordings", own)["athlete_id"] for own in section.overlapping(self.n_sections))
        return {athlete_id for names in of_files for athlete_id in names.unique()}

    def _read(self, name: str, section: Section) -> pl.DataFrame:
        file = f"{_FOLDER}/{section.file(name)}"
        return _read_once(self.state, file, version_of(self.state / file))


@lru_cache(maxsize=8)
def _read_once(state: Path, file: str, _version: tuple[int, int] | None) -> pl.DataFrame:
    """The rows of a file, once for all athletes that a worker is given one after the other."""
    return read_file(state, file)


def of_files() -> tuple[str, ...]:
    """The names of what is kept of files."""
    return tuple(_OF_FILES)


def kept_parts() -> dict[str, tuple[str, ...]]:
    """What is kept of files, and of athletes by the stages of that level, with the columns of its order."""
    return {**_OF_FILES, **{table: _order(TABLES[table].primary_key()) for table in tables_of(ATHLETE)}}


def _order(key: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(("athlete_id", *(("metric",) if "metric" in key else ()), *key)))


def read_known(generation: Path | None) -> Known:
    """Read what a generation left for the next refresh; empty where there is none."""
    nothing = Known(None, ClubKeys("", ""), None)
    if generation is None or not (generation / _FOLDER / _KEYS).is_file():
        return nothing
    try:
        about = json.loads(read_checked(generation, f"{_FOLDER}/{_KEYS}"))
        # An older version did not note what its state holds: nothing of it is built on.
        is_of_this_code = about["code"] == code_digest() and contents_of(generation) is not None
        rows = KeptRows(generation, about["n_sections"]) if is_of_this_code else None
        keys = ClubKeys(about["analysis"], about["club"]) if is_of_this_code else ClubKeys("", "")
        # Older versions had all files in one.
        n_sections = 1 if (generation / _FOLDER / Section().file(_FILES)).is_file() else about["n_sections"]
        until = date.fromisoformat(about["until"]) if rows is not None and about["until"] else None
        known = Known(generation, keys, rows, n_sections, until)
        if not is_of_this_code:
            for one in known.sections:
                known.files(one)
    except (ValueError, KeyError, TypeError, FileNotFoundError, Damaged):
        if contents_of(generation) is not None:
            raise
        return nothing  # of an older version, and damaged
    return known


def known_without(generation: Path, damaged: Collection[str]) -> Known:
    """What a generation left, without what rests on damaged files.

    The files of an athlete whose samples or splits are damaged, or the list of these, are to be read again; if what was
    noted for the next refresh is damaged, all are.
    """
    is_of_rows = any(name.startswith(f"{_FOLDER}/") and name.endswith(".parquet") for name in damaged)
    if is_of_rows or not {WHOLE, CONTENTS, f"{_FOLDER}/{_KEYS}"}.isdisjoint(damaged):
        return read_known(None)
    known, contents = read_known(generation), contents_of(generation)
    folders = {folder for name in damaged for folder in name.split("/")}
    athletes = chain.from_iterable(known.athletes(one) for one in known.sections)
    own = {name: partition("splits", name) for name in athletes}
    lists = {name: contents.list_of(folder.as_posix()) for name, folder in own.items() if contents is not None}
    lost = (name for name, folder in own.items() if folder.name in folders or lists.get(name) in damaged)
    return replace(known, lost=frozenset(lost))


def inbox_of(generation: Path) -> str | None:
    """The inbox that a generation was made from; None where that is not known."""
    try:
        return str(json.loads(read_checked(generation, f"{_FOLDER}/{_KEYS}"))["inbox"])
    except (SplitdriftError, OSError, ValueError, KeyError, TypeError):
        return None


def write_known(
    built: Path, keys: ClubKeys, inbox: Path, n_sections: int, *, until: date | None, club: pl.DataFrame
) -> None:
    """Write what the next refresh needs besides the rows of `kept_parts` and of the files.

    Args:
        built: folder of the state being built.
        n_sections: into how many sections of the club the rows are divided.
        until: the day before which the runs that the club's responses are drawn from began; None for all runs.
        club: what the club's responses have in common.
    """
    write_frame(built / _FOLDER / _CLUB, club)
    about = {"code": code_digest(), "analysis": keys.analysis, "club": keys.club, "inbox": whole_name(inbox)}
    (built / _FOLDER / _KEYS).write_text(
        json.dumps({**about, "n_sections": n_sections, "until": until and until.isoformat()}), encoding="utf-8"
    )


def write_files(built: Path, section: Section, files: pl.DataFrame) -> None:
    """Write `path`, `athlete_id` and `key` of the files of a section."""
    make_folder(built / _FOLDER)
    write_frame(built / _FOLDER / section.file(_FILES), files.select(*_FILES_COLUMNS).sort("path"))


def write_part(built: Path, name: str, section: Section, rows: pl.DataFrame) -> None:
    """Write the rows of a section of the club, in any order, of one of `kept_parts`."""
    make_folder(built / _FOLDER)
    write_frame(built / _FOLDER / section.file(name), rows.sort(kept_parts()[name]))


# --- Keys ------------------------------------------------------------------------------------------------------------


def with_digests(folder: Path, files: Sequence[InboxFile]) -> list[InboxFile]:
    """Files of an inbox with the digests of their contents; None for one that cannot be read.

    An object store has a tag per object that changes with its content, so nothing has to be fetched.
    """
    if is_remote(folder):
        return list(files)

    found = digests(folder, (file.path for file in files))
    return [replace(file, sha256=found[file.path] or None) for file in files]


def keys_of(inbox: Inbox, files: Sequence[InboxFile]) -> dict[str, str]:
    """The keys of files of an inbox that have their digests, by path."""
    common = _digest([code_digest(), inbox.settings.digest(READING)])
    names, folders = {file.path for file in files}, {file.path.partition("/")[0] for file in files}
    in_folder = pl.col("file").str.split("/").list.first().is_in(pl.Series(sorted(folders), dtype=pl.String).implode())
    of_files = inbox.sessions.drop_nulls("file").filter(in_folder | pl.col("file").str.contains("!", literal=True))
    listed: dict[str, list[str]] = {}
    for path, started in of_files.select("file", "started_at_utc").iter_rows():
        listed.setdefault(listed_file(path, names), []).append(f"{path} {started}")
    roster = {row["athlete_id"]: repr(row) for row in _bodies(inbox.athletes).iter_rows(named=True)}
    described: dict[Path | None, str] = {None: ""}
    keys: dict[str, str] = {}
    for file in files:
        columns, owner = inbox.columns_file_for(file), file.athlete_id or ""
        if columns not in described:
            described[columns] = hashlib.sha256(beginning(columns)).hexdigest() if columns else ""
        depends_on = [
            common, file.path, owner, file.sha256 or file.tag or "", described[columns], roster.get(owner, ""),
            *listed.get(file.path, []), *(repr(entry) for entry in inbox.corrections_for(file)),
        ]  # fmt: skip
        keys[file.path] = _digest(depends_on)
    return keys


def club_keys(inbox: Inbox, store: Path) -> ClubKeys:
    """What decides besides the files, for an inbox and a store."""
    settings = inbox.settings
    club = _digest([code_digest(), settings.digest(KEEPING), whole_name(store), inbox.lists_digest()])
    return ClubKeys(_digest([code_digest(), settings.digest(ANALYSIS)]), club)


def _bodies(athletes: pl.DataFrame) -> pl.DataFrame:
    """The columns of the roster that the splits depend on."""
    return athletes.select("athlete_id", "mass_kg", "height_m", "leg_length_m")


def _digest(words: Iterable[str]) -> str:
    return hashlib.sha256("\0".join(words).encode()).hexdigest()


# --- What is to be done ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Changes:
    """How the files of a section of the club differ from what is known.

    Attributes:
        files: those of the inbox, with their digests, in order.
        keys: of each of them by its path.
        new: paths of files that were not there.
        changed: paths of files whose key is another.
        gone: paths of files that are no longer there.
        touched: whose files those are.
        to_read: the files to be read: those above that are there, and of the athletes touched those of runs with
            several recordings, any of which may be gone.
        stays: paths of the other files of the athletes touched, which were read before.
    """

    files: Sequence[InboxFile]
    keys: Mapping[str, str]
    new: tuple[str, ...]
    changed: tuple[str, ...]
    gone: tuple[str, ...]
    touched: frozenset[str | None]
    to_read: tuple[InboxFile, ...]
    stays: Mapping[str | None, Sequence[str]]


@dataclass(frozen=True)
class ChangeSummary:
    """How the files of an inbox differ from what is known: counts, and of names the first.

    Attributes:
        athletes: names of those touched.
    """

    n_new: int = 0
    n_changed: int = 0
    n_gone: int = 0
    n_touched: int = 0
    n_to_read: int = 0
    new: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()
    athletes: tuple[str, ...] = ()

    @classmethod
    def of(cls, found: Changes) -> ChangeSummary:
        """What was found in a section."""
        athletes = sorted(name for name in found.touched if name is not None)
        return cls(
            len(found.new),
            len(found.changed),
            len(found.gone),
            len(found.touched),
            len(found.to_read),
            *(tuple(names[:MOST_NAMES]) for names in (found.new, found.changed, found.gone, athletes)),
        )

    def __add__(self, other: ChangeSummary) -> ChangeSummary:
        """What was found in both."""
        both = ((getattr(self, field.name), getattr(other, field.name)) for field in fields(self))
        values: Any = [
            a + b if isinstance(a, int) else tuple(sorted(a + b, key=_by_folder)[:MOST_NAMES]) for a, b in both
        ]
        return ChangeSummary(*values)


def _by_folder(path: str) -> list[str]:
    return path.split("/")


def changes(inbox: Inbox, files: Sequence[InboxFile], known: Known, section: Section) -> Changes:
    """Compare the files of a section of an inbox with what is known of it.

    Raises:
        NothingDone: a folder with known files cannot be read.
    """
    files = with_digests(inbox.folder, files)
    keys = keys_of(inbox, files)
    before = {
        path: (key, athlete_id) for path, athlete_id, key in known.files(section).select(*_FILES_COLUMNS).iter_rows()
    }
    new = tuple(path for path in keys if path not in before)
    changed = tuple(path for path, key in keys.items() if path in before and key != before[path][0])
    gone = tuple(path for path in before if path not in keys)
    _require_open(inbox, gone)
    athletes = {file.path: file.athlete_id for file in files}
    touched = frozenset(
        [*(athletes[path] for path in (*new, *changed)), *(before[path][1] for path in (*changed, *gone))]
    )
    to_reread = {*new, *changed, *_duplicates(known, section)}
    to_read = tuple(file for file in files if file.athlete_id in touched and file.path in to_reread)
    stays = defaultdict[str | None, list[str]](list)
    if known.rows is not None:
        read = {file.path for file in to_read}
        for path, (_, athlete_id) in before.items():
            if athlete_id in touched and path in keys and path not in read:
                stays[athlete_id].append(path)
    return Changes(files, keys, new, changed, gone, touched, to_read, dict(stays))


def _require_open(inbox: Inbox, gone: Iterable[str]) -> None:
    """Files in a folder without read permission are not gone."""
    for folder in inbox.closed:
        unseen = sum(path.startswith(f"{folder}/") for path in gone)
        if unseen:
            raise NothingDone(
                f"The folder '{folder}' of the inbox cannot be read, and the store knows {unseen} files of it. "
                "Give this user the permission to read it; or, if its files are to go, move it away."
            )


def _duplicates(known: Known, section: Section) -> set[str]:
    """Files of runs with several recordings: what they are duplicates of may be gone, or what was joined to them."""
    if known.rows is None:
        return set()
    recordings = known.rows.of("recordings", section, ("file", "run_id", "status"))
    duplicates = recordings.filter(pl.col("status") == "duplicate")
    return set(recordings.join(duplicates, on="run_id", how="semi")["file"]) | set(duplicates["file"])
