"""Mutations of files, seeded: the same number gives the same file on every machine.

Where bytes are only flipped, a checksum or an outer archive hides everything behind it. So the content of an archive is
mutated and packed again as often as its own bytes, and the checksum of a FIT file is renewed every other time.
"""

from __future__ import annotations

import gzip
import io
import random
import struct
import zipfile
import zlib
from collections.abc import Callable, Sequence

from data.generator.fit_writer import crc16
from tests.fuzz.seeds import zipped

#: Bytes that mean something to one format or another.
TELLING = [b"\x00", b"\xff", b"\x7f", b"\x80", b'"', b"<", b">", b"&", b",", b";", b"\n", b"-", b"9", b"e308", b"nan"]
TELLING += [b"\xff\xff\xff\xff", b"\x00\x00\x00\x00", b".FIT", b"PK\x03\x04", b"\x1f\x8b", b"]]>", b"\xef\xbb\xbf"]


def mutated(content: bytes, other: bytes, source: random.Random) -> bytes:
    """The content changed in one to four ways; `other` is what it may be spliced with."""
    if content[:2] == b"\x1f\x8b" and source.random() < 0.5:
        return _inside_gzip(content, other, source)
    if content[:2] == b"PK" and source.random() < 0.5:
        return _inside_zip(content, other, source)
    changed = content
    for _ in range(source.choice((1, 1, 2, 4))):
        changed = source.choice(WAYS)(changed, other, source)
    if changed[8:12] == b".FIT" and source.random() < 0.5:
        changed = with_right_checksum(changed)
    return changed


def with_right_checksum(link: bytes) -> bytes:
    """A FIT file with the size and the checksums that its header and its end should hold."""
    if len(link) < 16:
        return link
    head = link[:4] + struct.pack("<I", max(len(link) - link[0] - 2, 0)) + link[8:12]
    head += struct.pack("<H", crc16(head)) if link[0] == 14 else link[12:14]
    return head + link[14:-2] + struct.pack("<H", crc16(head + link[14:-2]))


def _inside_gzip(content: bytes, other: bytes, source: random.Random) -> bytes:
    try:
        inner = gzip.decompress(content)
    except (OSError, EOFError, zlib.error):
        return content
    return gzip.compress(mutated(inner, other, source), 1, mtime=0)


def _inside_zip(content: bytes, other: bytes, source: random.Random) -> bytes:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            members = {entry.filename: archive.read(entry) for entry in archive.infolist()}
    except Exception:  # a fuzzer mutates mutants: whatever it is, it is no archive to look into
        return content
    if not members:
        return content
    name = source.choice(sorted(members))
    members[name] = mutated(members[name], other, source)
    return zipped(members)


# --- Ways ------------------------------------------------------------------------------------------------------------


def _place(content: bytes, source: random.Random) -> int:
    """A place in the file, every other time near its beginning, where most is decided."""
    return source.randrange(min(len(content), 100) if source.random() < 0.5 else len(content)) if content else 0


def _bits(content: bytes, _: bytes, source: random.Random) -> bytes:
    changed = bytearray(content)
    for _bit in range(source.choice((1, 1, 3, 20)) if changed else 0):
        changed[_place(content, source)] ^= 1 << source.randrange(8)
    return bytes(changed)


def _bytes(content: bytes, _: bytes, source: random.Random) -> bytes:
    place, put = _place(content, source), source.choice(TELLING)
    return content[:place] + put + content[place + len(put) :]


def _cut(content: bytes, _: bytes, source: random.Random) -> bytes:
    return content[: _place(content, source)]


def _hole(content: bytes, _: bytes, source: random.Random) -> bytes:
    place = _place(content, source)
    return content[:place] + content[place + source.choice((1, 2, 7, 64, 1000)) :]


def _insertion(content: bytes, _: bytes, source: random.Random) -> bytes:
    place = _place(content, source)
    put = source.choice(TELLING) * source.choice((1, 1, 8, 300)) if source.random() < 0.7 else source.randbytes(16)
    return content[:place] + put + content[place:]


def _splice(content: bytes, other: bytes, source: random.Random) -> bytes:
    return content[: _place(content, source)] + other[_place(other, source) :]


def _repeat(content: bytes, _: bytes, source: random.Random) -> bytes:
    place, length = _place(content, source), source.choice((1, 4, 32, 400))
    return content[:place] + content[place : place + length] * source.choice((2, 5, 40)) + content[place + length :]


def _swap(content: bytes, _: bytes, source: random.Random) -> bytes:
    first, second = sorted((_place(content, source), _place(content, source)))
    length = min(source.choice((1, 4, 32, 400)), second - first)
    moved, there = content[first : first + length], content[second : second + length]
    return content[:first] + there + content[first + length : second] + moved + content[second + length :]


WAYS: Sequence[Callable[[bytes, bytes, random.Random], bytes]] = (
    _bits, _bytes, _cut, _hole, _insertion, _splice, _repeat, _swap,
)  # fmt: skip
