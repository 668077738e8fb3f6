"""The inbox: which files it holds, whose they are, and its lists.

The lists (`roster.csv`, `sessions.csv` and so on) are read by `lists`; a fault in a line of one costs that line.
"""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Collection, Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path, PurePosixPath

import polars as pl

from pipeline.core.errors import NothingDone, Refused, UsageError
from pipeline.core.places import beneath, is_remote, versions_below
from pipeline.core.reasons import Reason
from pipeline.core.settings import SETTINGS_FILE, Settings, read_settings
from pipeline.core.spooled import Spooled
from pipeline.core.system_files import is_left_by_system
from pipeline.core.written import beginning, is_own, read_text
from pipeline.formats.column_mapping import ColumnMapping, read_mapping
from pipeline.inbox.as_found import digest_of_others
from pipeline.inbox.athlete_ids import is_athlete_id
from pipeline.inbox.corrections import CORRECTIONS_FILE, faulty, read_corrections
from pipeline.inbox.list_files import MOST_NAMED, first_of, shown, workbook_name
from pipeline.inbox.lists import LISTS, read_lists
from pipeline.inbox.names import alike, as_folders
from pipeline.stages.corrections import Correction
from pipeline.stages.corrections import listed as listed_corrections
from pipeline.tables import require_free_columns

COLUMNS_FILE = "columns.toml"
#: Lists and settings in the inbox itself.
_WRITTEN = frozenset({*LISTS, *map(workbook_name, LISTS), SETTINGS_FILE})


@dataclass(frozen=True, slots=True)
class InboxFile:
    """A file of the inbox.

    Attributes:
        path: in the inbox.
        athlete_id: None for one outside every athlete's folder.
        sha256: of its content when the refresh began; None where it was not read or cannot be read.
        tag: the tag by which an object store identifies its content instead.
    """

    path: str
    athlete_id: str | None
    sha256: str | None = None
    tag: str | None = None


class InboxFiles(Collection[InboxFile]):
    """Files of an inbox in order of path, of which no more than some are held."""

    def __init__(self, rows: Spooled[tuple[str, str | None]], owners: Mapping[str, str]) -> None:
        """Take the paths and tags of files.

        Args:
            owners: of files in the inbox itself, by path.
        """
        self._rows, self._owners = rows, owners

    def __len__(self) -> int:
        """How many there are."""
        return len(self._rows)

    def __iter__(self) -> Iterator[InboxFile]:
        """Make one after the other."""
        for path, tag in self._rows.of():
            folder, is_within, _ = path.partition("/")
            yield InboxFile(path, folder if is_within else self._owners.get(path), tag=tag)

    def __contains__(self, file: object) -> bool:
        """Whether one of them is this."""
        return any(one == file for one in self)


@dataclass(frozen=True)
class Inbox:
    """What was found in an inbox.

    Attributes:
        files: everything that may be a recording, in order of path; lists and settings are not among them.
        sessions: rows of `sessions.csv`, with all its columns; `started_at_utc` as a time.
        athletes: `athlete_id`, `display_name`, `mass_kg`, `height_m`, `leg_length_m` of the roster.
        strikes: rows of `strikes.csv`, one per foot.
        described: every `columns.toml`, as paths in the inbox; also one that applies to no file.
        corrections: entries of every `corrections.toml`, those of outer folders first, also faulty ones.
        notices: warnings that stop nothing, a sentence each.
        closed: folders that cannot be read, as paths in the inbox.
        shoes: rows of `shoes.csv`.
        events: rows of `events.csv`.
        others_sha256: see `digest_of_others`.
        sessions_file: what the list of sessions is called, for messages.
    """

    folder: Path
    files: Collection[InboxFile]
    settings: Settings
    sessions: pl.DataFrame
    athletes: pl.DataFrame
    strikes: pl.DataFrame
    complaints: pl.DataFrame
    described: tuple[str, ...] = ()
    notices: tuple[str, ...] = ()
    closed: tuple[str, ...] = ()
    corrections: tuple[Correction, ...] = ()
    shoes: pl.DataFrame = field(kw_only=True)
    events: pl.DataFrame = field(kw_only=True)
    others_sha256: str = field(kw_only=True, default="")
    sessions_file: str = field(kw_only=True, default="sessions.csv")

    def mapping_for(self, file: InboxFile) -> ColumnMapping | None:
        """What `columns.toml` says of a CSV file: the nearest one in its folder or above, inside the inbox.

        Raises:
            Refused: that file has a fault.
        """
        described = self.columns_file_for(file)
        if described is None:
            return None
        return read_mapping(read_text(described), Path(file.path).name, tuple(self.settings.metrics))

    def columns_file_for(self, file: InboxFile) -> Path | None:
        """The `columns.toml` that applies to a file."""
        for folder in PurePosixPath(file.path).parents:
            if (path := (folder / COLUMNS_FILE).as_posix()) in self.described:
                return self.folder / path
        return None

    def corrections_for(self, file: InboxFile) -> tuple[Correction, ...]:
        """The entries of `corrections.toml` that may concern a file, in the order in which they are applied."""
        return tuple(
            entry for entry in self.corrections if entry.fault is None and entry.may_concern(file.path, file.athlete_id)
        )

    @property
    def lists(self) -> dict[str, pl.DataFrame]:
        """The lists that stages read, by the names of their files."""
        return {
            "roster.csv": self.athletes,
            "sessions.csv": self.sessions,
            "strikes.csv": self.strikes,
            "complaints.csv": self.complaints,
            "corrections.toml": listed_corrections(self.corrections),
            "shoes.csv": self.shoes,
            "events.csv": self.events,
        }

    def lists_digest(self) -> str:
        """SHA-256 of the lists, the corrections, and every `columns.toml`, also of those that apply to no file."""
        digest = hashlib.sha256()
        for path in self.described:
            digest.update(beginning(self.folder / path))
        for rows in self.lists.values():
            digest.update(rows.write_csv().encode())
        return digest.hexdigest()


def read_inbox(folder: Path) -> Inbox:
    """Look through an inbox and read its lists and settings; recordings are not opened.

    Raises:
        UsageError: the folder does not exist, or a list or the settings have a fault.
        NothingDone: it holds no file that could be a recording.
    """
    if not folder.is_dir():
        raise UsageError(f"There is no folder {folder}. --inbox takes the folder that holds one folder per athlete.")
    closed: list[Path] = []
    links = [] if is_remote(folder) else [name for name in sorted(_WRITTEN) if _leads_out(folder / name)]
    beside: dict[str, list[str]] = {COLUMNS_FILE: [], CORRECTIONS_FILE: []}

    def recordings() -> Iterator[InboxFile]:
        for file in _files(folder, closed, links):
            name = file.path.rpartition("/")[2]
            if name in beside:
                beside[name].append(file.path)
            else:
                yield file

    rows = Spooled((0, (file.path, file.tag)) for file in recordings())
    described, correcting = (tuple(sorted(beside[name])) for name in (COLUMNS_FILE, CORRECTIONS_FILE))
    others_sha256 = digest_of_others(folder, is_recording=_is_recording)  # before what they say is read
    settings = read_settings(read_text(folder / SETTINGS_FILE)) if is_own(folder, SETTINGS_FILE) else Settings()
    require_free_columns(settings.registry)
    closed_names = tuple(_in_utf8(path.relative_to(folder).as_posix()) for path in closed)
    read = read_lists(folder)
    if not rows and read.rows["strikes.csv"].is_empty():
        raise NothingDone(
            f"The inbox {folder} holds no recordings. Put each athlete's files into a folder named for the athlete, "
            "such as inbox/ari/2026-03-14.fit. (Without any, strikes.csv is enough for the tables of landings.)"
        )
    named = _may_be_named(read.rows["sessions.csv"])
    there = {path for path, _ in rows.of() if path in named}
    listed = _with_paths(read.rows["sessions.csv"], there)
    files = InboxFiles(rows, _owners(listed))
    folders = {file.athlete_id for file in files if file.athlete_id is not None}
    lists, misspelt = as_folders({**read.rows, "sessions.csv": listed}, folders, read.names)
    corrections, of_corrections = _corrections(folder, correcting, folders)
    listed = lists["sessions.csv"]
    return Inbox(
        folder,
        files,
        settings,
        listed,
        lists["roster.csv"],
        lists["strikes.csv"],
        lists["complaints.csv"],
        described,
        (
            *map(_CLOSED.format, closed_names),
            *map(_LINK.format, links),
            *read.notices,
            *alike(folders),
            *first_of(
                list(_unmatched(listed, there, read.names["sessions.csv"])),
                MOST_NAMED,
                f"{read.names['sessions.csv']}: {{}} more files are not in the inbox.",
            ),
            *misspelt,
            *of_corrections,
        ),
        closed_names,
        corrections,
        shoes=lists["shoes.csv"],
        events=lists["events.csv"],
        others_sha256=others_sha256,
        sessions_file=read.names["sessions.csv"],
    )


def _may_be_named(listed: pl.DataFrame) -> set[str]:
    """The paths that lines of sessions.csv may stand for, see `_with_paths` and `listed_file`."""
    rows = listed.drop_nulls("file").select("file", "athlete_id").iter_rows()
    names = chain.from_iterable((path, f"{athlete_id}/{path}") for path, athlete_id in rows)
    return {"!".join(parts[:n]) for parts in (name.split("!") for name in names) for n in range(1, len(parts) + 1)}


def _with_paths(listed: pl.DataFrame, there: Container[str]) -> pl.DataFrame:
    """Lines of sessions.csv whose file was sorted into its athlete's folder since, with the path that it has now."""
    paths = [
        f"{athlete_id}/{path}"
        if path is not None and athlete_id is not None and listed_file(path, there) not in there
        and listed_file(f"{athlete_id}/{path}", there) in there
        else path
        for path, athlete_id in listed.select("file", "athlete_id").iter_rows()
    ]  # fmt: skip
    return listed.with_columns(file=pl.Series(paths, dtype=pl.String))


def _owners(listed: pl.DataFrame) -> dict[str, str]:
    """The athletes whom sessions.csv names for files in the inbox itself."""
    rows = listed.drop_nulls(["file", "athlete_id"]).select("file", "athlete_id").iter_rows()
    return {path: athlete_id for path, athlete_id in rows if "/" not in path and is_athlete_id(athlete_id)}


_CLOSED = "The folder '{}' cannot be read, so nothing in it is used. Check its permissions."
_LINK = "'{}' is a link out of the inbox, to a folder or to nothing, so it is skipped. Copy what it leads to."


def _corrections(
    folder: Path, paths: Iterable[str], folders: Collection[str]
) -> tuple[tuple[Correction, ...], list[str]]:
    """The entries of every `corrections.toml`, those of outer folders first, with their athletes as folders are named;
    and notices.
    """
    entries: list[Correction] = []
    misspelt: list[str] = []
    for path in sorted(paths, key=lambda path: (path.count("/"), path)):
        try:
            own = read_corrections(read_text(folder / path), path)
        except UsageError as error:
            own = [faulty(path, str(error))]
        except OSError as error:
            own = [faulty(path, f"It cannot be opened: {error.strerror}. Check its permissions.")]
        names = pl.DataFrame({"athlete_id": [entry.athlete_id for entry in own]}, schema={"athlete_id": pl.String})
        named, notices = as_folders({path: names}, folders)
        entries += map(_of_athlete, own, named[path]["athlete_id"])
        misspelt += notices
    return tuple(entries), [
        *first_of(list(_faults(entries)), MOST_NAMED, "{} more corrections are not used."),
        *misspelt,
    ]


def _of_athlete(entry: Correction, athlete_id: str | None) -> Correction:
    return replace(entry, athlete_id=athlete_id)


def _faults(corrections: Iterable[Correction]) -> Iterator[str]:
    for entry in corrections:
        if entry.fault is not None:
            yield f"{entry.source}, line {entry.line}: correction {entry.entry} is not used. {entry.fault}"


def _unmatched(listed: pl.DataFrame, there: Container[str], name: str) -> Iterator[str]:
    """Lines of sessions.csv whose file is not there: a typing error would leave a run without its surface."""
    for line, path in listed.drop_nulls("file").select("line", "file").iter_rows():
        if listed_file(path, there) not in there:
            yield f"{name}, line {line}: there is no file '{shown(path)}' in the inbox."


def listed_file(path: str, files: Container[str]) -> str:
    """The inbox file that sessions.csv names: a member of an archive follows after '!', which names may hold too."""
    parts = path.split("!")
    return next((name for n in range(len(parts), 0, -1) if (name := "!".join(parts[:n])) in files), path)


def _files(folder: Path, closed: list[Path], links: list[str]) -> Iterator[InboxFile]:
    """Files in order of path; hidden ones, lists, settings and links that lead outside are skipped.

    Every `columns.toml` and `corrections.toml` is among them: looking for one per recording would cost an object store
    a request each.
    """
    if is_remote(folder):
        for name, tag in versions_below(folder):
            parts = name.split("/")
            if not _is_no_recording(parts):
                yield InboxFile(name, parts[0] if len(parts) > 1 else None, tag=tag)
        return
    root = folder.resolve()
    for path in chain.from_iterable(_below(entry, closed) for entry in sorted(_entries(folder, closed))):
        relative = path.relative_to(folder)
        if _is_no_recording(relative.parts):
            continue
        path_shown = _in_utf8(relative.as_posix())
        if relative.name in (COLUMNS_FILE, CORRECTIONS_FILE) and path_shown != relative.as_posix():
            continue  # nothing next to it can be opened either
        if not _is_file_within(path, root):
            if os.path.islink(path):  # Path.is_symlink raises for a path longer than the system can hold
                links.append(path_shown)
            continue
        yield InboxFile(path_shown, path_shown.partition("/")[0] if len(relative.parts) > 1 else None)


def _entries(folder: Path, closed: list[Path]) -> list[Path]:
    """What lies in a folder itself."""
    try:
        return list(folder.iterdir())
    except PermissionError:
        closed.append(folder)
    except FileNotFoundError:  # gone by now
        pass
    return []


def _below(entry: Path, closed: list[Path]) -> Iterator[Path]:
    """A file; or what a folder holds, in order."""
    yield entry
    if entry.is_dir() and not entry.is_symlink() and not entry.name.startswith("."):
        yield from sorted(beneath(entry, closed))


def _is_file_within(path: Path, root: Path) -> bool:
    """Whether a path leads to a file inside the inbox; one too long for the system cannot be opened."""
    try:
        # Folders that are links are not entered.
        return path.is_file() and (not path.is_symlink() or path.resolve().is_relative_to(root))
    except OSError as error:
        if error.errno != errno.ENAMETOOLONG:
            raise
        return False


def _leads_out(path: Path) -> bool:
    return path.is_symlink() and not is_own(path.parent, path.name)


def _is_recording(path: str) -> bool:
    """Whether a path that is neither hidden nor left by a system is none of a list or settings."""
    return path not in _WRITTEN and path.rpartition("/")[2] not in (COLUMNS_FILE, CORRECTIONS_FILE)


def _is_no_recording(parts: Sequence[str]) -> bool:
    """Whether a path is hidden, a list, settings, or what a computer left there by itself."""
    return (
        (len(parts) == 1 and parts[0] in _WRITTEN)
        or is_left_by_system(parts)
        or any(part.startswith(".") for part in parts)
    )


def _in_utf8(name: str) -> str:
    """A file's name as tables can hold it; bytes that are not UTF-8 are escaped, and such a file cannot be opened."""
    return os.fsencode(name).decode("utf-8", "backslashreplace")


def started_at(sessions: pl.DataFrame, path: str) -> datetime | None:
    """Start that `sessions.csv` gives for a file, for recordings without a clock of their own."""
    listed = sessions.filter(pl.col("file") == path)["started_at_utc"].drop_nulls()
    return listed[0] if len(listed) else None


def utc(seconds: float) -> datetime:
    """Seconds since 1970 as a time in UTC.

    Raises:
        Refused: no date of a calendar.
    """
    try:
        return datetime.fromtimestamp(seconds, tz=UTC)
    except (ValueError, OverflowError, OSError) as error:
        raise Refused(Reason.NO_DATE) from error
