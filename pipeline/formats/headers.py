"""What headers mean, in the languages that runners' programs speak. A header in, a quantity with or without unit out.

A header is a quantity in words, then perhaps its unit: `Distanz (km)`, `Fréquence cardiaque`, `接地时间[毫秒]`. A
quantity without a unit stays open, whatever its values are. The words are in `headers.toml`.
"""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import NamedTuple

from pipeline.core.toml import beside
from pipeline.formats.columns import BY_PLAIN_SPELLING, CHOICES_OF, COLUMNS, plain

_TABLES = beside(__file__)
#: Quantity and unit -> the column. What is missing here stays open.
_COLUMN_OF: Mapping[tuple[str, str], str] = {
    (quantity, unit.replace("none", "")): column
    for quantity, units in _TABLES["columns"].items()
    for unit, column in units.items()
}
_MEAN, _MEAN_BEFORE = (frozenset(_TABLES["mean"][name].split(", ")) for name in ("words", "before"))


def folded(header: str) -> str:
    """A header in `plain` spelling, without accents: `Höhe (m)` is `hohe_m`."""
    letters = unicodedata.normalize("NFKD", header.casefold())
    return plain("".join(letter for letter in letters if unicodedata.category(letter) != "Mn"))


def _by_words(words: Mapping[str, str]) -> Mapping[str, str]:
    return MappingProxyType(
        {folded(word): name for name, listed in words.items() for word in listed.split(", ") if word}
    )


_QUANTITIES, _UNITS = _by_words(_TABLES["quantities"]), _by_words(_TABLES["units"])


class Meaning(NamedTuple):
    """What a header says: the `column` of `COLUMNS`, or the `choices` that its missing unit leaves, or neither."""

    column: str | None = None
    choices: Mapping[str, str] = MappingProxyType({})


UNKNOWN = Meaning()


@lru_cache(maxsize=4096)
def meaning_of(header: str) -> Meaning:
    """What a header means: by our own names first, then by the words of the languages."""
    spelled = plain(header[:200])
    if name := BY_PLAIN_SPELLING.get(spelled):
        return Meaning(name)
    quantity, unit = _quantity_and_unit(folded(header[:200]))
    if quantity is None:
        return UNKNOWN
    if name := _COLUMN_OF.get((quantity, unit)):
        return Meaning(name)
    choices = CHOICES_OF.get("time" if quantity == "date_time" else quantity, {})
    if unit and unit != "?":
        choices = {name: reason for name, reason in choices.items() if name.endswith(f"_{unit}")} or choices
    is_open = not unit or any(name.endswith(f"_{unit}") for name in choices)
    # What is counted per minute, of one foot or of both, such units do not say.
    is_open = is_open or (quantity == "cadence" and unit in ("?rpm", "bpm", "?min"))
    return Meaning(choices=choices) if choices and is_open else UNKNOWN


def _quantity_and_unit(spelled: str) -> tuple[str | None, str]:
    """The longest words of a quantity that a header begins with, and the unit that follows; "?" and it if unknown."""
    tokens = [token for token in spelled.split("_") if token not in _MEAN] or spelled.split("_")
    for before in _MEAN_BEFORE:
        tokens[0] = tokens[0].removeprefix(before) or tokens[0]
    for n in range(len(tokens), 0, -1):
        if quantity := _QUANTITIES.get("_".join(tokens[:n])):
            rest = "_".join(tokens[n:])
            return quantity, _UNITS.get(rest, f"?{rest}") if rest else ""
    # Chinese and Japanese have no blanks between words.
    first = tokens[0]
    if not first.isascii():
        for n in range(len(first) - 1, 0, -1):
            if quantity := _QUANTITIES.get(first[:n]):
                rest = "_".join((first[n:], *tokens[1:]))
                return quantity, _UNITS.get(rest, f"?{rest}")
    return None, ""


def is_known(header: str) -> bool:
    """Whether a header means something, with or without its unit."""
    return meaning_of(header) != UNKNOWN


def is_unit(cell: str) -> bool:
    """Whether a cell is the name of a unit."""
    return folded(cell[:40]) in _UNITS


def closest(header: str) -> tuple[str, ...]:
    """Up to two names of columns that the end of a header names, such as `pod_stance_time`; else those whose spelling,
    or whose word in some language, is close to it.
    """
    spelled = folded(header[:80])
    if named := _named_at_the_end(spelled):
        return named[:2]
    near = difflib.get_close_matches(spelled, [*BY_PLAIN_SPELLING, *_QUANTITIES], n=3, cutoff=0.75)
    names: list[str] = []
    for word in near:
        quantity = _QUANTITIES.get(word, "")
        choices = CHOICES_OF.get(quantity) or [name for (of, _), name in _COLUMN_OF.items() if of == quantity]
        names += [BY_PLAIN_SPELLING[word]] if word in BY_PLAIN_SPELLING else [*choices][:2]
    return tuple(dict.fromkeys(name for name in names if name in COLUMNS))[:2]


def _named_at_the_end(spelled: str) -> tuple[str, ...]:
    """The measures that a header names behind words of its own; no words such as `data`, which is a date in Italian."""
    tokens = spelled.split("_")
    for n in range(1, len(tokens)):
        meaning = meaning_of("_".join(tokens[n:]))
        names = (*meaning.choices, *([meaning.column] if meaning.column else []))
        if measures := tuple(name for name in names if COLUMNS[name].written_as != "word"):
            return measures
    return ()
