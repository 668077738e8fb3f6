"""Whose a loose file is: by a list, by a pattern of its name, or by the device that wrote it.

A rule names an athlete for a file or says why it cannot. The first rule of several that names one decides.
"""

from __future__ import annotations

import csv
import io
import re
import secrets
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import PurePosixPath

from pipeline.core.errors import UsageError
from pipeline.formats.serial_number import device_digests
from pipeline.inbox.athlete_ids import Known, folded, is_athlete_id
from pipeline.inbox.list_files import MOST_NAMED, shown
from pipeline.inbox.loose_files import LooseFile

ATHLETE = "{athlete_id}"


class Unclaimed(Enum):
    """Why a file is nobody's; the value completes "for ... files"."""

    NOT_LISTED = "the list has no line"
    LISTED_FOR_SEVERAL = "the list has a name that several files share"
    NO_MATCH = "the name does not fit the pattern"
    NO_DEVICE = "the file names no device"
    UNKNOWN_DEVICE = "the device is in no athlete's folder yet (first sort one file of each athlete by a list)"
    SHARED_DEVICE = "the device is in the folders of several athletes"
    UNREADABLE = "the file cannot be read"


# --- By a list -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ListRule:
    """The lines of a list with columns `file` and `athlete_id`.

    Attributes:
        lines: `file` to athlete; a path, or a name alone where no other file has it.
        n_of_name: how many of the files to be sorted have a name.
    """

    lines: Mapping[str, str]
    n_of_name: Mapping[str, int]

    def athlete_of(self, file: LooseFile) -> str | Unclaimed:
        """The athlete whom the list names for a file."""
        path, name = folded(file.path), folded(file.name)
        if path in self.lines:
            return self.lines[path]
        if name not in self.lines:
            return Unclaimed.NOT_LISTED
        return self.lines[name] if self.n_of_name[name] == 1 else Unclaimed.LISTED_FOR_SEVERAL

    def unmatched(self, files: Iterable[LooseFile]) -> list[str]:
        """What the list names and is not there."""
        there = {folded(name) for file in files for name in (file.path, file.name)}
        return [name for name in self.lines if name not in there]


def list_rule(name: str, text: str, files: Sequence[LooseFile], known: Known) -> ListRule:
    """Read a list.

    Args:
        name: of the list, for messages.
        text: with commas, semicolons or tabs between cells; lines without an athlete are passed by.

    Raises:
        UsageError: a column is missing, a file is there for two athletes, or an athlete's id is no name of a folder.
    """
    lines: dict[str, tuple[str, int]] = {}
    for number, path, athlete_id in _lines(name, text):
        if not path or not athlete_id:
            continue
        if not is_athlete_id(athlete_id):
            raise UsageError(
                f"{name}, line {number}: athlete_id is '{shown(athlete_id)}'; expected a name that a folder can have."
            )
        spelled, key = known.spelled(athlete_id), folded(path.replace("\\", "/"))
        if key in lines and lines[key][0] != spelled:
            raise UsageError(
                f"{name}, line {number}: '{shown(path)}' is given to {spelled}, but in line {lines[key][1]} to "
                f"{lines[key][0]}. Keep one of the two."
            )
        lines.setdefault(key, (spelled, number))
    n_of_name: dict[str, int] = defaultdict(int)
    for file in files:
        n_of_name[folded(file.name)] += 1
    return ListRule({path: athlete for path, (athlete, _) in lines.items()}, n_of_name)


def _lines(name: str, text: str) -> Iterator[tuple[int, str, str]]:
    """The number of each line of a list, with what its columns `file` and `athlete_id` hold."""
    separator = max(",;\t", key=text.partition("\n")[0].count)
    rows = csv.DictReader(io.StringIO(text, newline=""), delimiter=separator)
    try:
        columns = [column.strip() for column in rows.fieldnames or ()]
        rows.fieldnames = columns
        if not {"file", "athlete_id"} <= set(columns):
            found = ", ".join(map(shown, columns[:MOST_NAMED])) or "none"
            raise UsageError(f"{name}, line 1: found the columns {found}; expected at least file and athlete_id.")
        for row in rows:
            path, athlete_id = ((row.get(column) or "").strip() for column in ("file", "athlete_id"))
            yield rows.line_num, path, athlete_id
    except csv.Error as error:
        raise UsageError(f"{name}, line {rows.line_num + 1}: not comma-separated values: {error}.") from error


# --- By a pattern ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PatternRule:
    """A pattern such as `{athlete_id}_{date}.fit`; with a `/` in it, of the path, else of the name.

    Attributes:
        patterns: tried in order: with the athletes that are known, longest first, then with any.
    """

    patterns: Sequence[re.Pattern[str]]
    of_path: bool
    known: Known

    def athlete_of(self, file: LooseFile) -> str | Unclaimed:
        """The athlete whom the name of a file names."""
        text = unicodedata.normalize("NFC", file.path if self.of_path else file.name)
        for pattern in self.patterns:
            match = pattern.fullmatch(text)
            if match is not None and is_athlete_id(match["athlete_id"]):
                return self.known.spelled(match["athlete_id"])
        return Unclaimed.NO_MATCH


def pattern_rule(pattern: str, known: Known) -> PatternRule:
    """Read a pattern.

    `{athlete_id}` stands for the athlete, any other word in braces and `*` for any text inside one name.

    Raises:
        UsageError: `{athlete_id}` is not in it once, or a brace is left open.
    """
    if pattern.count(ATHLETE) != 1:
        raise UsageError(
            f"--by {pattern} is no file, and as a pattern it must hold {ATHLETE} once, such as "
            f"'{ATHLETE}_{{date}}'; {{date}} stands for any text. The other ways: a list.csv, or the word device."
        )
    pieces = re.split(r"(\{\w+\}|\*)", unicodedata.normalize("NFC", pattern))
    if any(sign in piece for piece in pieces if not re.fullmatch(r"\{\w+\}", piece) for sign in "{}"):
        raise UsageError(f"--by {pattern}: a brace is not closed, or holds more than one word.")
    names = sorted(known.athletes, key=lambda name: (-len(name), name))
    alternatives = ["|".join(re.escape(unicodedata.normalize("NFC", name)) for name in names)] if names else []

    def compiled(athlete: str) -> re.Pattern[str]:
        parts = (
            f"(?P<athlete_id>{athlete})" if piece == ATHLETE
            else "[^/]*?" if piece == "*" or piece.startswith("{")
            else re.escape(piece)
            for piece in pieces
        )  # fmt: skip
        return re.compile("".join(parts), re.IGNORECASE)

    return PatternRule([compiled(athlete) for athlete in (*alternatives, "[^/]+?")], "/" in pattern, known)


def of_every_kind(pattern: str) -> str | None:
    """A pattern without its ending, so that it takes files of every kind; None where it has none."""
    stem = re.sub(r"(\.\w+)+$", "", pattern)
    if stem == pattern or not stem.endswith(("}", "*")):
        return None
    return f"{stem}.*" if stem.endswith(ATHLETE) else stem


# --- By the device ---------------------------------------------------------------------------------------------------


class DeviceRule:
    """Devices that wrote the files which are in athletes' folders already.

    Serial numbers are compared as digests under a key that is drawn here and ends with this object.
    """

    def __init__(self) -> None:
        self._key = secrets.token_bytes(32)
        self._athletes: dict[bytes, set[str]] = defaultdict(set)

    def learn(self, name: str, content: bytes, athlete_id: str) -> None:
        """Note the device of a file of an athlete."""
        for digest in device_digests(PurePosixPath(name).name, content, key=self._key):
            self._athletes[digest].add(athlete_id)

    def athlete_of(self, name: str, content: bytes) -> str | Unclaimed:
        """The athlete whose device wrote a file."""
        digests = device_digests(PurePosixPath(name).name, content, key=self._key)
        if not digests:
            return Unclaimed.NO_DEVICE
        athletes = set().union(*(self._athletes.get(digest, set()) for digest in digests))
        if not athletes or not all(digest in self._athletes for digest in digests):
            return Unclaimed.UNKNOWN_DEVICE
        return athletes.pop() if len(athletes) == 1 else Unclaimed.SHARED_DEVICE
