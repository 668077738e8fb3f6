"""What a refresh knows from the one before, so that it recomputes only what changed.

Every file of the inbox has a key: the digest of its content and of everything else that its rows depend on, including
the code. A file whose key is unchanged is not read again. The keys are kept next to the tables, as are the unrounded
results of the steps of each athlete, so the tables of the club are identical to those of a full rebuild.
"""

from __future__ import annotations

import hashlib
import json
import platform
from collections.abc import Collection, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from importlib.metadata import version
from pathlib import Path

import polars as pl

from pipeline import ATHLETE, tables_of
from pipeline.core.errors import Damaged, NothingDone, SplitdriftError
from pipeline.core.places import is_remote, make_folder, whole_name, write_frame
from pipeline.core.resources import shipped
from pipeline.core.settings import ANALYSIS, KEEPING, READING
from pipeline.core.written import beginning
from pipeline.inbox.inbox import Inbox, InboxFile, listed_file
from pipeline.store.contents import CONTENTS, WHOLE, contents_of, read_checked, version_of
from pipeline.store.layout import partition, read_file
from pipeline.store.sections import Section
from pipeline.tables import TABLES

#: What files gave, with the columns that bring each into one order; `runs` are the rows of `Measured.runs`.
_OF_FILES: Mapping[str, tuple[str, ...]] = {
    "recordings": ("path", "session"),
    "runs": ("athlete_id", "run_id"),
    "exclusions": ("run_id", "quantity", "reason"),
    "quality": ("run_id", "quantity"),
}

_FOLDER, _KEYS, _FILES = "known", "keys.json", "files.parquet"
#: Libraries whose version may change a last digit.
_LIBRARIES = ("polars", "duckdb", "pyarrow", "numpy", "scipy", "fitfast", "fitdecode")


@dataclass(frozen=True)
class Keys:
    """What decides whether anything has to be done.

    Attributes:
        files: of each file by its path; None for one that the next refresh has to read again.
        analysis: digest of the settings of the analysis.
        club: digest of the lists, of all settings and of the store's path.
    """

    files: Mapping[str, str | None]
    analysis: str
    club: str


@dataclass(frozen=True)
class Known:
    """What the last refresh left; empty where there was none.

    Attributes:
        rows: where the rows of `kept_parts` are; None where there was no refresh, or one by other code, whose rows may
            have other columns.
    """

    folder: Path | None
    keys: Keys
    athletes: Mapping[str, str | None]
    rows: KeptRows | None


@dataclass(frozen=True)
class KeptRows:
    """The rows of `kept_parts` in a state, also in the one being built, section by section.

    Attributes:
        n_sections: into how many sections of the club they are divided.
    """

    state: Path
    n_sections: int

    def all_of(self, name: str, columns: Sequence[str] | None = None) -> pl.DataFrame:
        """Some columns of the rows of the whole club, or all."""
        files = (Section(number, self.n_sections).file(name) for number in range(self.n_sections))
        return pl.concat(read_file(self.state, f"{_FOLDER}/{file}", columns) for file in files)

    def of(self, name: str, section: Section) -> pl.DataFrame:
        """The rows of one of the sections that it is divided into."""
        return read_file(self.state, f"{_FOLDER}/{section.file(name)}")

    def of_athletes(
        self, name: str, section: Section, athletes: Collection[str | None], *, others: bool = False
    ) -> pl.DataFrame:
        """The rows of some athletes in the sections that may hold those of a section; or of all others there."""
        overlapping = section.overlapping(self.n_sections)
        rows = pl.concat(self._read(name, own) for own in overlapping)
        is_of = pl.col("athlete_id").is_in(pl.Series(list(athletes), dtype=pl.String).implode(), nulls_equal=True)
        chosen = ~is_of if others else is_of
        if "athlete_id" in rows.columns:
            return rows.filter(chosen)
        runs = pl.concat(self._read("runs", own) for own in overlapping)
        return rows.join(runs.filter(chosen), on="run_id", how="semi")

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
    nothing = Known(None, Keys({}, "", ""), {}, None)
    if generation is None or not (generation / _FOLDER / _KEYS).is_file():
        return nothing
    try:
        files = read_file(generation, f"{_FOLDER}/{_FILES}")
        about = json.loads(read_checked(generation, f"{_FOLDER}/{_KEYS}"))
        # An older version did not note what its state holds: nothing of it is built on.
        is_of_this_code = about["code"] == code_digest() and contents_of(generation) is not None
        rows = KeptRows(generation, about["n_sections"]) if is_of_this_code else None
    except (ValueError, KeyError, TypeError, FileNotFoundError, Damaged):
        if contents_of(generation) is not None:
            raise
        return nothing  # of an older version, and damaged
    keys = {path: key if is_of_this_code else None for path, key in files.select("path", "key").iter_rows()}
    of_all = (about["analysis"], about["club"]) if is_of_this_code else ("", "")
    return Known(generation, Keys(keys, *of_all), dict(files.select("path", "athlete_id").iter_rows()), rows)


def known_without(generation: Path, damaged: Collection[str]) -> Known:
    """What a generation left, without what rests on damaged files.

    The files of an athlete whose samples or splits are damaged are to be read again; if what was noted for the next
    refresh is damaged, all are.
    """
    is_of_rows = any(name.startswith(f"{_FOLDER}/") and name.endswith(".parquet") for name in damaged)
    if is_of_rows or not {WHOLE, CONTENTS, f"{_FOLDER}/{_KEYS}"}.isdisjoint(damaged):
        return read_known(None)
    known = read_known(generation)
    folders = {folder for name in damaged for folder in name.split("/")}
    lost = {name for name in known.athletes.values() if name is not None and partition("splits", name).name in folders}
    keys = {path: None if known.athletes[path] in lost else key for path, key in known.keys.files.items()}
    return replace(known, keys=replace(known.keys, files=keys))


def inbox_of(generation: Path) -> str | None:
    """The inbox that a generation was made from; None where that is not known."""
    try:
        return str(json.loads(read_checked(generation, f"{_FOLDER}/{_KEYS}"))["inbox"])
    except (SplitdriftError, OSError, ValueError, KeyError, TypeError):
        return None


def write_known(built: Path, keys: Keys, inbox: Inbox, n_sections: int) -> None:
    """Write what the next refresh needs besides the rows of `kept_parts`.

    Args:
        built: folder of the state being built.
        inbox: which assigns each file to an athlete.
        n_sections: into how many sections of the club the rows are divided.
    """
    folder = built / _FOLDER
    make_folder(folder)
    rows = [(file.path, file.athlete_id, keys.files[file.path]) for file in inbox.files]
    columns = {"path": pl.String, "athlete_id": pl.String, "key": pl.String}
    write_frame(folder / _FILES, pl.DataFrame(rows, schema=columns, orient="row").sort("path"))
    about = {"code": code_digest(), "analysis": keys.analysis, "club": keys.club, "inbox": whole_name(inbox.folder)}
    (folder / _KEYS).write_text(json.dumps({**about, "n_sections": n_sections}), encoding="utf-8")


def write_part(built: Path, name: str, section: Section, rows: pl.DataFrame) -> None:
    """Write the rows of a section of the club, in any order, of one of `kept_parts`."""
    make_folder(built / _FOLDER)
    write_frame(built / _FOLDER / section.file(name), rows.sort(kept_parts()[name]))


# --- Keys ------------------------------------------------------------------------------------------------------------


def with_digests(inbox: Inbox) -> Inbox:
    """The inbox with the digest of every file's content; None for one that cannot be read.

    An object store has a tag per object that changes with its content, so nothing has to be fetched.
    """
    if is_remote(inbox.folder):
        return inbox

    def digest(file: InboxFile) -> InboxFile:
        try:
            with (inbox.folder / file.path).open("rb") as stream:
                return replace(file, sha256=hashlib.file_digest(stream, "sha256").hexdigest())
        except OSError:
            return file

    with ThreadPoolExecutor() as threads:
        return replace(inbox, files=tuple(threads.map(digest, inbox.files)))


def keys_of(inbox: Inbox, store: Path) -> Keys:
    """The keys of an inbox whose files have their digests."""
    settings = inbox.settings
    common = _digest([code_digest(), settings.digest(READING)])
    listed: dict[str, list[str]] = {}
    names = {file.path for file in inbox.files}
    for path, started in inbox.sessions.drop_nulls("file").select("file", "started_at_utc").iter_rows():
        listed.setdefault(listed_file(path, names), []).append(f"{path} {started}")
    roster = {row["athlete_id"]: repr(row) for row in _bodies(inbox.athletes).iter_rows(named=True)}
    described: dict[Path | None, str] = {None: ""}
    files: dict[str, str | None] = {}
    for file in inbox.files:
        columns, owner = inbox.columns_file_for(file), file.athlete_id or ""
        if columns not in described:
            described[columns] = hashlib.sha256(beginning(columns)).hexdigest() if columns else ""
        depends_on = [
            common, file.path, owner, file.sha256 or file.tag or "", described[columns], roster.get(owner, ""),
            *listed.get(file.path, []), *(repr(entry) for entry in inbox.corrections_for(file)),
        ]  # fmt: skip
        files[file.path] = _digest(depends_on)
    lists = inbox.lists_digest()
    club = _digest([code_digest(), settings.digest(KEEPING), whole_name(store), lists])
    return Keys(files, _digest([code_digest(), settings.digest(ANALYSIS)]), club)


def _bodies(athletes: pl.DataFrame) -> pl.DataFrame:
    """The columns of the roster that the splits depend on."""
    return athletes.select("athlete_id", "mass_kg", "height_m", "leg_length_m")


def _digest(words: Iterable[str]) -> str:
    return hashlib.sha256("\0".join(words).encode()).hexdigest()


@cache
def code_digest() -> str:
    """Digest of the code that makes the tables, and of the versions of its libraries."""
    package = Path(__file__).parents[1]
    digest = hashlib.sha256()
    for file in sorted([*package.rglob("*.py"), *shipped("sql").glob("*.sql")]):
        digest.update(file.name.encode() + file.read_bytes())
    versions = [platform.python_version(), *(f"{name} {version(name)}" for name in _LIBRARIES)]
    digest.update("\0".join(versions).encode())
    return digest.hexdigest()


# --- What is to be done ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Changes:
    """How an inbox differs from what is known.

    Attributes:
        known: from the refresh before.
        new: paths of files that were not there.
        changed: paths of files whose key is another.
        gone: paths of files that are no longer there.
        to_read: the files to be read: those above that are there, and of the athletes touched those of runs with
            several recordings, any of which may be gone.
    """

    inbox: Inbox
    keys: Keys
    known: Known
    new: tuple[str, ...]
    changed: tuple[str, ...]
    gone: tuple[str, ...]
    touched: frozenset[str | None]
    to_read: tuple[InboxFile, ...]

    @property
    def is_nothing(self) -> bool:
        """Whether a refresh would give what is there already."""
        before, now = self.known.keys, self.keys
        has_state = self.known.folder is not None
        return has_state and not self.touched and now.analysis == before.analysis and now.club == before.club


def changes(inbox: Inbox, store: Path, known: Known) -> Changes:
    """Compare an inbox, of whose files the content is read, with what is known of it in a store.

    Raises:
        NothingDone: a folder with known files cannot be read.
    """
    inbox = with_digests(inbox)
    keys = keys_of(inbox, store)
    before = known.keys.files
    new = tuple(path for path in keys.files if path not in before)
    changed = tuple(path for path, key in keys.files.items() if path in before and key != before[path])
    gone = tuple(path for path in before if path not in keys.files)
    _require_open(inbox, gone)
    athletes = {file.path: file.athlete_id for file in inbox.files}
    touched = frozenset(
        [*(athletes[path] for path in (*new, *changed)), *(known.athletes[path] for path in (*changed, *gone))]
    )
    to_reread = {*new, *changed, *_duplicates(known)}
    to_read = tuple(file for file in inbox.files if file.athlete_id in touched and file.path in to_reread)
    return Changes(inbox, keys, known, new, changed, gone, touched, to_read)


def _require_open(inbox: Inbox, gone: Iterable[str]) -> None:
    """Files in a folder without read permission are not gone."""
    for folder in inbox.closed:
        unseen = sum(path.startswith(f"{folder}/") for path in gone)
        if unseen:
            raise NothingDone(
                f"The folder '{folder}' of the inbox cannot be read, and the store knows {unseen} files of it. "
                "Give this user the permission to read it; or, if its files are to go, move it away."
            )


def _duplicates(known: Known) -> set[str]:
    """Files of runs with several recordings: what they are duplicates of may be gone, or what was joined to them."""
    if known.rows is None:
        return set()
    recordings = known.rows.all_of("recordings", ("file", "run_id", "status"))
    duplicates = recordings.filter(pl.col("status") == "duplicate")
    return set(recordings.join(duplicates, on="run_id", how="semi")["file"]) | set(duplicates["file"])
