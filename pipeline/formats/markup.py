"""XML from untrusted sources. Bytes in; elements out as they open and close, up to the damage if there is any.

A document that declares entities, or any document type at all, is refused: recordings need none, attacks do.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from typing import Literal
from xml.etree.ElementTree import Element, ParseError

import polars as pl
from defusedxml import DefusedXmlException
from defusedxml.ElementTree import iterparse

from pipeline.core.errors import Refused
from pipeline.core.reasons import Because, Reason, because
from pipeline.formats import clock

#: Every element is held in memory, at thirty times the bytes that it takes in the file. Two days, the longest run that
#: is looked for, with one point per second of fifteen elements each, have 2.6 million.
MOST_ELEMENTS = 3_000_000

_BLANKS = b" \t\r\n"

#: One track point: reading or field name -> its text as the file has it.
Point = Mapping[str, str | None]


class Elements:
    """The elements of a document in file order.

    Iterating yields `(event, local name, element)`, event being `start` or `end`. Afterwards `damage` says where the
    document breaks off, None for a sound one; whatever was open there never ends.
    """

    def __init__(self, content: bytes) -> None:
        self._content = content.lstrip(_BLANKS)  # which some programs write before the declaration
        self.damage: Because | None = None

    def __iter__(self) -> Iterator[tuple[Literal["start", "end"], str, Element]]:
        # What begins and is no end, before any is parsed; text in two bytes a letter is counted as it is parsed.
        n_begun = self._content.count(b"<") - self._content.count(b"</")
        _require_few(n_begun if b"\0" not in self._content[:100] else 0)
        n_events = 0
        try:
            for event, element in iterparse(io.BytesIO(self._content), events=("start", "end"), forbid_dtd=True):
                n_events += 1
                _require_few(n_events // 2)  # each begins and ends
                yield event, local_name(element.tag), element
        except ParseError as error:
            line, column = error.position
            self.damage = because(Reason.XML_BREAKS_OFF, line=line, column=column + 1)
        except DefusedXmlException:
            raise Refused(Reason.DOCUMENT_TYPE) from None
        except (ValueError, LookupError):
            self.damage = because(Reason.XML_ENCODING)


def _require_few(n_elements: int) -> None:
    if n_elements > MOST_ELEMENTS:
        raise Refused(Reason.MANY_ELEMENTS, most=MOST_ELEMENTS)


def local_name(tag: str) -> str:
    """A tag without its namespace: writers disagree on these, and on their versions."""
    return tag.rpartition("}")[2]


def text_of(element: Element) -> str:
    """The text of an element, without blanks round it."""
    return (element.text or "").strip()


def child_text(parent: Element, name: str) -> str | None:
    """The text of the first child of that local name; None where there is none or it is empty."""
    return next((text_of(child) or None for child in parent if local_name(child.tag) == name), None)


def numbers(points: Sequence[Point], field: str) -> pl.Series:
    """One field of all points as numbers, null where absent, no number, or infinite."""
    values = _texts(points, field).cast(pl.Float64(), strict=False)
    return values.set(~values.is_finite(), None)


def times_s(points: Sequence[Point], field: str) -> pl.Series:
    """One field of all points as seconds since 1970-01-01T00:00:00Z; a time without zone is UTC."""
    return clock.epoch_s(_texts(points, field), zone="UTC")


def _texts(points: Sequence[Point], field: str) -> pl.Series:
    return pl.Series(field, [point.get(field) for point in points], dtype=pl.String())
