"""Why a file or a session was refused, as data: kinds, and what their sentences name.

The sentences are in `texts/<code>.toml`: by kind the `reason`, for a person who has never seen the format, and the
`fix`, what that person can do about it. In braces they name fields, of which there are

    {n:,}                   a number, by a format of Python, with the signs of the language
    {names: or }            a list, joined by what follows the colon, else by commas
    {sport!t}               a word, or a list of words, in the language of the text where `term` there has it
    {near:?Is it *?|No.}    where the field is empty, zero or a list of nothing, what follows the bar, if anything does;
                            else what stands before it, with the field in place of `*`

A field may be a reason itself, whose sentence it then stands for.
"""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Iterable, Mapping
from enum import StrEnum
from functools import cache
from pathlib import Path
from string import Formatter
from typing import Any

from pipeline.core.catalogue import catalogue, form_of

_TEXTS = Path(__file__).with_name("texts")
#: Texts are cut to this length: a file may hold a name of a hundred megabytes.
MOST_CHARACTERS = 4000


#: The kinds.
Reason = StrEnum(
    "Reason",
    # The inbox and the refresh.
    "NO_ATHLETE LONG_FOLDER_NAME BEING_WRITTEN CANNOT_BE_OPENED INTERNAL_ERROR WAITS LOST LOST_FOR_NOW NO_START "
    "NO_DISTANCE_COVERED NO_DATE TOOK_TOO_LONG OUT_OF_MEMORY KILLED DIED MEMORY_OVER_LIMIT MEMORY_OVER_ALL "
    "BUDGET_SPENT RAISED CLUSTER_LOST "
    # Sessions.
    "SPREADSHEET UNKNOWN_ENDING FEW_MEASUREMENTS NO_DISTANCE CLOCK_NOT_SET ELSE_EXPORT "
    # What else is said of sessions.
    "RUN UNUSED_COLUMNS SPORT_UNTOLD CORRECTED CORRECTED_BY CORRECTED_BY_LEAVING_OUT CORRECTED_SPORT "
    "CORRECTED_CADENCE CORRECTED_DISTANCE CORRECTED_BELT CORRECTED_CLOCK CORRECTED_ZONE CORRECTED_TAGS DAMAGED "
    "LEFT_OUT OTHER_SPORT AS_RUN DUPLICATE CLOCK_ALIGNED CLOCK_AS_IT_IS HOURS_APART ONE_OF CADENCE_OF_STRIDES "
    "TOTAL_LEFT_OUT ONE_FOOT DISTANCE_OF_STEPS STEPS_WITHOUT_LENGTH STEPS_WITHOUT_TIMES CLOCK_STEPPED_BACK "
    "CLOCK_IN_LONGEST_GAP CLOCK_UNDECIDED CLOCK_NOT_SET_BACK "
    # Archives.
    "NAMED_ARCHIVE ARCHIVE_IN_ARCHIVE MANY_MEMBERS ARCHIVE_METHOD DAMAGED_ZIP DAMAGED_GZIP LEADS_OUT ENCRYPTED "
    "EMPTY_ARCHIVE LARGE_ARCHIVE MANY_SESSIONS "
    # FIT.
    "EMPTY NO_FIT OTHER_FIT FIT_WITHOUT_MEASUREMENTS FIT_DAMAGED FIT_CUT FIT_NO_SENSE FIT_NO_SENSE_FROM FIT_CHECKSUM "
    "FIT_MANY_MESSAGES PART_LOST "
    # XML.
    "DOCUMENT_TYPE MANY_ELEMENTS XML_BREAKS_OFF XML_ENCODING POINTS_BEFORE NO_ACTIVITY PLANNED_ROUTE NO_TRACK "
    # CSV: the table.
    "OTHER_ENCODING NO_UTF16 QUOTATION_MARKS LONG_HEADER MANY_COLUMNS FEW_ROWS LONG_ROW LONG_ROW_OF_COMMAS FEW_TIMES "
    # CSV: what its columns hold.
    "SAME_NAME NO_UNIT WRITE_UNIT UNIT_LINES UNIT_LINE ZONE_OF_UNIT TWO_SIGNS UNCLEAR_COMMA DAYS_WITHOUT_ZONE "
    "DAY_OR_MONTH NO_ZONE NO_ZONE_EITHER UNREADABLE_COLUMN NO_TIME NO_COLUMN_OF_DISTANCE ABSENT_HEADER "
    "NO_START_EITHER NO_START_IF_ELAPSED UNKNOWN_COLUMNS UNKNOWN_COLUMN COLUMNS_COMMAND "
    # CSV: what a row is, and where recordings begin.
    "NO_CADENCE_OF_STEPS NO_KILOMETRES NO_LENGTH_OF_LAPS NO_TIME_OF_LAPS UNCOUNTED_KILOMETRES NO_DURATION_OF_ROW "
    "NO_LENGTH_OF_ROW SEVERAL_WITHOUT_START NAME_CHANGES COUNT_STARTS_OVER UNCLEAR_RECORDINGS UNNAMED_RECORDING "
    "LAPS_OR_RECORDINGS "
    # columns.toml.
    "COLUMNS_FILE_UNREADABLE NO_HEADING NO_COLUMN_NAME OPTION_AS_COLUMN UNKNOWN_NAME UNKNOWN_OPTION SKIP_LINES "
    "OPTION_VALUE UNKNOWN_ZONE LARGE_WRITTEN_FILE NO_UTF8 "
    # corrections.toml.
    "ENTRY_UNREADABLE NO_ENTRY UNKNOWN_KEY TWO_SHIFTS CHANGES_NOTHING DATES_EXCHANGED ZONE_BY_CONTENT "
    "UNKNOWN_ZONE_OF_ENTRY NO_WORD LONG_WORD NO_NUMBER NUMBER_BEYOND NO_DAY NO_TAGS TAG_NAME TAG_WORD ",
)

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
    if short.isprintable():
        return short
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
