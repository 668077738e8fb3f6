"""Why a file or a session was refused, as data: kinds, and what their sentences name.

The sentences are in `texts/<code>.toml`: by kind the `reason`, for a person who has never seen the format, and the
`fix`, what that person can do about it. In braces they name fields, of which there are

    {n:,}                   a number, by a format of Python, with the signs of the language
    {names: or }            a list, joined by what follows the colon, else by commas
    {kind!t}                a word, or a list of words, in the language of the text where `term` there has it
    {near:?Is it *?|No.}    where the field is empty, zero or a list of nothing, what follows the bar, if anything does;
                            else what stands before it, with the field in place of `*`

A field may be a reason itself, whose sentence it then stands for.
"""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Iterable, Mapping
from enum import StrEnum, auto
from functools import cache
from pathlib import Path
from string import Formatter
from typing import Any

from pipeline.core.catalogue import catalogue, form_of

_TEXTS = Path(__file__).with_name("texts")
#: Texts are cut to this length: a file may hold a name of a hundred megabytes.
MOST_CHARACTERS = 4000


class Reason(StrEnum):
    """The kinds."""

    # The inbox and the refresh.
    NO_ATHLETE = auto()
    LONG_FOLDER_NAME = auto()
    BEING_WRITTEN = auto()
    CANNOT_BE_OPENED = auto()
    INTERNAL_ERROR = auto()
    WAITS = auto()
    LOST = auto()
    LOST_FOR_NOW = auto()
    NO_START = auto()
    NO_DISTANCE_COVERED = auto()
    NO_DATE = auto()
    TOOK_TOO_LONG = auto()
    OUT_OF_MEMORY = auto()
    KILLED = auto()
    DIED = auto()
    MEMORY_OVER_LIMIT = auto()
    MEMORY_OVER_ALL = auto()
    BUDGET_SPENT = auto()
    RAISED = auto()
    CLUSTER_LOST = auto()
    # Sessions.
    SPREADSHEET = auto()
    UNKNOWN_ENDING = auto()
    FEW_MEASUREMENTS = auto()
    NO_DISTANCE = auto()
    CLOCK_NOT_SET = auto()
    ELSE_EXPORT = auto()
    # What else is said of sessions.
    RUN = auto()
    UNUSED_COLUMNS = auto()
    SPORT_UNTOLD = auto()
    CORRECTED = auto()
    CORRECTED_BY = auto()
    CORRECTED_BY_LEAVING_OUT = auto()
    CORRECTED_SPORT = auto()
    CORRECTED_CADENCE = auto()
    CORRECTED_DISTANCE = auto()
    CORRECTED_BELT = auto()
    CORRECTED_CLOCK = auto()
    CORRECTED_ZONE = auto()
    CORRECTED_TAGS = auto()
    DAMAGED = auto()
    LEFT_OUT = auto()
    OTHER_SPORT = auto()
    AS_RUN = auto()
    DUPLICATE = auto()
    CLOCK_ALIGNED = auto()
    CLOCK_AS_IT_IS = auto()
    HOURS_APART = auto()
    ONE_OF = auto()
    CADENCE_OF_STRIDES = auto()
    TOTAL_LEFT_OUT = auto()
    ONE_FOOT = auto()
    DISTANCE_OF_STEPS = auto()
    STEPS_WITHOUT_LENGTH = auto()
    STEPS_WITHOUT_TIMES = auto()
    CLOCK_STEPPED_BACK = auto()
    CLOCK_IN_LONGEST_GAP = auto()
    CLOCK_UNDECIDED = auto()
    CLOCK_NOT_SET_BACK = auto()
    # Archives.
    NAMED_ARCHIVE = auto()
    ARCHIVE_IN_ARCHIVE = auto()
    MANY_MEMBERS = auto()
    ARCHIVE_METHOD = auto()
    DAMAGED_ZIP = auto()
    DAMAGED_GZIP = auto()
    LEADS_OUT = auto()
    ENCRYPTED = auto()
    EMPTY_ARCHIVE = auto()
    LARGE_ARCHIVE = auto()
    MANY_SESSIONS = auto()
    # FIT.
    EMPTY = auto()
    NO_FIT = auto()
    OTHER_FIT = auto()
    FIT_WITHOUT_MEASUREMENTS = auto()
    FIT_DAMAGED = auto()
    FIT_CUT = auto()
    FIT_NO_SENSE = auto()
    FIT_NO_SENSE_FROM = auto()
    FIT_CHECKSUM = auto()
    FIT_MANY_MESSAGES = auto()
    PART_LOST = auto()
    # XML.
    DOCUMENT_TYPE = auto()
    MANY_ELEMENTS = auto()
    XML_BREAKS_OFF = auto()
    XML_ENCODING = auto()
    POINTS_BEFORE = auto()
    NO_ACTIVITY = auto()
    PLANNED_ROUTE = auto()
    NO_TRACK = auto()
    # CSV: the table.
    OTHER_ENCODING = auto()
    NO_UTF16 = auto()
    QUOTATION_MARKS = auto()
    LONG_HEADER = auto()
    MANY_COLUMNS = auto()
    FEW_ROWS = auto()
    LONG_ROW = auto()
    LONG_ROW_OF_COMMAS = auto()
    FEW_TIMES = auto()
    # CSV: what its columns hold.
    SAME_NAME = auto()
    NO_UNIT = auto()
    WRITE_UNIT = auto()
    UNIT_LINES = auto()
    UNIT_LINE = auto()
    ZONE_OF_UNIT = auto()
    TWO_SIGNS = auto()
    UNCLEAR_COMMA = auto()
    DAYS_WITHOUT_ZONE = auto()
    DAY_OR_MONTH = auto()
    NO_ZONE = auto()
    NO_ZONE_EITHER = auto()
    UNREADABLE_COLUMN = auto()
    NO_TIME = auto()
    NO_COLUMN_OF_DISTANCE = auto()
    ABSENT_HEADER = auto()
    NO_START_EITHER = auto()
    NO_START_IF_ELAPSED = auto()
    UNKNOWN_COLUMNS = auto()
    UNKNOWN_COLUMN = auto()
    COLUMNS_COMMAND = auto()
    # CSV: what a row is, and where recordings begin.
    NO_CADENCE_OF_STEPS = auto()
    NO_KILOMETRES = auto()
    NO_LENGTH_OF_LAPS = auto()
    NO_TIME_OF_LAPS = auto()
    UNCOUNTED_KILOMETRES = auto()
    NO_DURATION_OF_ROW = auto()
    NO_LENGTH_OF_ROW = auto()
    SEVERAL_WITHOUT_START = auto()
    NAME_CHANGES = auto()
    COUNT_STARTS_OVER = auto()
    UNCLEAR_RECORDINGS = auto()
    UNNAMED_RECORDING = auto()
    LAPS_OR_RECORDINGS = auto()
    # columns.toml.
    COLUMNS_FILE_UNREADABLE = auto()
    NO_HEADING = auto()
    NO_COLUMN_NAME = auto()
    OPTION_AS_COLUMN = auto()
    UNKNOWN_NAME = auto()
    UNKNOWN_OPTION = auto()
    SKIP_LINES = auto()
    OPTION_VALUE = auto()
    UNKNOWN_ZONE = auto()
    UNUSABLE_FILE = auto()
    # corrections.toml.
    ENTRY_UNREADABLE = auto()
    NO_ENTRY = auto()
    UNKNOWN_KEY = auto()
    TWO_SHIFTS = auto()
    CHANGES_NOTHING = auto()
    DATES_EXCHANGED = auto()
    ZONE_BY_CONTENT = auto()
    UNKNOWN_ZONE_OF_ENTRY = auto()
    NO_WORD = auto()
    LONG_WORD = auto()
    NO_NUMBER = auto()
    NUMBER_BEYOND = auto()
    NO_DAY = auto()
    NO_TAGS = auto()
    TAG_NAME = auto()
    TAG_WORD = auto()


#: A reason with its fields, as JSON has it: `kind`, and the fields by name.
Because = Mapping[str, Any]


def because(kind: Reason, **fields: Any) -> Because:
    """A reason.

    Args:
        kind: what it says.
        fields: what its sentences name: texts, numbers, other reasons, and lists of these.

    Raises:
        TypeError: its sentences name other fields.
    """
    if fields.keys() != fields_of(kind):
        raise TypeError(f"{kind} takes {sorted(fields_of(kind))}, not {sorted(fields)}")
    held = {name: value[:MOST_CHARACTERS] if isinstance(value, str) else value for name, value in fields.items()}
    return {"kind": kind.value, **held}


@cache
def fields_of(kind: Reason, code: str = "en") -> frozenset[str]:
    """The fields that the sentences of a kind name."""
    texts = [text for key, text in catalogue(_TEXTS, code).items() if key.startswith(f"{kind}.")]
    named = {name for text in texts for _, name, _, _ in Formatter().parse(text) if name is not None}
    return frozenset(named | ({"n"} if f"{kind}.reason.one" in catalogue(_TEXTS, code) else set()))


def as_json(reasons: Iterable[Because]) -> str:
    """Reasons as tables hold them."""
    return json.dumps(list(reasons))


def words(reasons: str | Iterable[Because], code: str = "en") -> tuple[str, str]:
    """Reasons, or their JSON, in words: what was found, and what to do about it; a fix that several have is said once.

    Args:
        code: of the language.
    """
    filled = _Filled(catalogue(_TEXTS, code))
    told = json.loads(reasons) if isinstance(reasons, str) else list(reasons)
    found = [filled.sentence(one, "reason") for one in told]
    fixes = dict.fromkeys(filled.sentence(one, "fix") for one in told)
    reason, fix = (cut(" ".join(filter(None, sentences)), MOST_CHARACTERS) for sentences in (found, fixes))
    return reason, fix


def cut(text: str, most: int) -> str:
    """A text out of a file as a terminal and a sheet may show it: not too long, without control characters."""
    short = text if len(text) <= most else text[: most - 1] + "…"
    return "".join(
        letter if letter.isprintable() or unicodedata.category(letter) == "Zs" else "\N{REPLACEMENT CHARACTER}"
        for letter in short
    )


class _Filled(Formatter):
    """Fills in fields as the module says."""

    def __init__(self, texts: Mapping[str, str]) -> None:
        self._texts = texts
        self._signs = str.maketrans({",": texts["number.thousands"], ".": texts["number.decimal"]})

    def sentence(self, because: Because, part: str) -> str:
        """What a reason says; empty where its kind has no such sentence."""
        text = self._texts.get(form_of(self._texts, f"{because['kind']}.{part}", because), "")
        return self.vformat(text, (), because)

    def convert_field(self, value: Any, conversion: Any) -> Any:
        """A word of `term`, or several."""
        if conversion != "t":
            return super().convert_field(value, conversion)
        if isinstance(value, str):
            return self._texts.get(f"term.{value}", value)
        return [self.convert_field(one, conversion) for one in value]

    def format_field(self, value: Any, format_spec: str) -> str:
        """A field in the text."""
        how, has_clause, clause = format_spec.partition("?")
        if has_clause:
            if_there, _, if_not = clause.partition("|")
            return if_there.replace("*", self.format_field(value, how)) if value else if_not
        if isinstance(value, Mapping):
            return self.sentence(value, "reason")
        if isinstance(value, list | tuple):
            return (how or ", ").join(self.format_field(one, "") for one in value)
        text = str(format(value, how))
        return text if isinstance(value, str) else text.translate(self._signs)
