"""Bytes of a text file as text. The encoding is read from the file where it can be, else `columns.toml` names it.

UTF-8 and UTF-16, with or without a mark, say what they are. Of the older encodings nearly every one accepts nearly
every file; the one is taken under which most headers mean something, and Windows-1252 where that decides nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from pipeline.core.errors import Refused
from pipeline.core.reasons import Reason

#: Names of encodings that `columns.toml` accepts; the first ones are recognised by the bytes alone.
ENCODINGS = (
    "utf-8", "utf-16", "utf-16-le", "utf-16-be", "windows-1252", "windows-1250", "windows-1251", "shift_jis", "euc_jp",
    "gb18030", "big5", "euc_kr",
)  # fmt: skip
_OLDER = ENCODINGS[4:]

#: Shift-JIS as Windows writes it, with its additional characters.
_CODECS = {"shift_jis": "cp932", "euc_kr": "cp949", "utf-8": "utf-8-sig"}

MOST_SKIPPED_LINES = 1000

#: What is looked at to find the encoding [bytes]. Common practice, no source.
_HEAD_BYTES = 4096
#: Digits and separators have a zero byte each in UTF-16, letters of any script between them.
_LEAST_ZERO_SHARE = 0.2


#: A spreadsheet's own way to say what separates the cells: a sign of one byte that is no letter and no digit.
_SEPARATOR_NAMED = re.compile(r'"?sep=([\t !#-/:-@\[-`{-~])"?')


def separator_named(line: str) -> str | None:
    """The separator that a line names, if that is what it is for: `sep=;`."""
    named = _SEPARATOR_NAMED.fullmatch(line)
    return named and named[1]


def decoded(content: bytes, encoding: str | None, n_known: Callable[[str], int]) -> tuple[str, str]:
    """The text of a file, with a line feed at the end of lines, and the encoding.

    Args:
        encoding: one of `ENCODINGS`; None to find it.
        n_known: how many headers of a text mean something.

    Raises:
        Refused: the file is not in that encoding.
    """
    if encoding is not None:
        try:
            return _unified(content.decode(_CODECS.get(encoding, encoding))), encoding
        except UnicodeDecodeError as error:
            raise Refused(Reason.OTHER_ENCODING, encoding=encoding, byte=error.start) from None
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return _as_utf16(content, "utf-16")
    if (head := content[:_HEAD_BYTES]).count(0) and (order := _order_of_utf16(head)):
        return _as_utf16(content, order)
    try:
        return _unified(content.decode("utf-8-sig")), "utf-8"
    except UnicodeDecodeError:
        return _in_older(content, n_known)


def _as_utf16(content: bytes, encoding: str) -> tuple[str, str]:
    try:
        return _unified(content.decode(encoding)), encoding
    except UnicodeDecodeError:
        raise Refused(Reason.NO_UTF16) from None


def _order_of_utf16(head: bytes) -> str | None:
    """Little- or big-endian UTF-16 without a mark, by where the zero bytes are; None for anything else."""
    n_pairs = max(1, len(head) // 2)
    even, odd = head[0::2].count(0) / n_pairs, head[1::2].count(0) / n_pairs
    if max(even, odd) < _LEAST_ZERO_SHARE or min(even, odd) > max(even, odd) / 10:
        return None
    return "utf-16-le" if odd > even else "utf-16-be"


def _in_older(content: bytes, n_known: Callable[[str], int]) -> tuple[str, str]:
    head = content[:_HEAD_BYTES]

    def n_known_in(name: str) -> int:
        return n_known(_unified(head.decode(_CODECS.get(name, name), "replace")))

    for name in sorted(_OLDER, key=n_known_in, reverse=True):
        try:
            return _unified(content.decode(_CODECS.get(name, name))), name
        except UnicodeDecodeError:
            continue
    return _unified(content.decode("latin-1")), "latin-1"


def _unified(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n")
