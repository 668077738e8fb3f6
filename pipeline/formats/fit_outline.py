"""The outline of a FIT file: the same file without what makes it long.

In a run of an hour and a half nine tenths of the bytes are records. What the file, its sessions, its laps and its timer
say is in a few messages between them, and decoding everything once more for each kind of those costs as much as the
records do. Walking over the message headers costs a tenth of that; nothing is decoded here. Laps are many and have a
hundred fields, of which few are read: the others are left out too.

Source of the layout: the public FIT protocol (header byte: bit 7 compressed timestamp, bit 6 definition, bit 5 of a
definition self-described fields, low bits local message number; definition: reserved byte, byte order, global number,
fields of three bytes each, their second byte the size).
"""

from __future__ import annotations

#: Global numbers of what an outline keeps: file, sport, session, lap, event, field description, developer data.
KEPT = frozenset({0, 12, 18, 19, 21, 206, 207})
#: Of laps: when the message was written, start and duration. Numbers of fields in the profile.
KEPT_FIELDS = {19: frozenset({253, 2, 7})}

#: A message may take a byte of a file, and a packed file of twenty kilobytes declare twenty million. A day at ten
#: records a second has fewer than these; common practice, no source.
MOST_MESSAGES = 1_000_000

_CHECKSUM_BYTES = 2
_DEFINITION_HEAD = 6


def outline(link: bytes) -> bytes | None:
    """Leave out every message but the kept kinds.

    Args:
        link: a FIT file, or one link of a chained one.

    Returns:
        A FIT file with a checksum of zero, for a reader that does not check it; None where the messages do not fit the
        file, or where a kept one takes its time from a record before it.

    Raises:
        ValueError: it has more messages than can be looked at one by one.
    """
    sizes, is_kept = [0] * 16, [False] * 16
    pieces: list[list[slice]] = [[] for _ in range(16)]
    parts: list[bytes] = []
    place, end, n_steps = link[0], len(link) - _CHECKSUM_BYTES, 0
    while place < end:
        n_steps += 1
        if n_steps > MOST_MESSAGES:
            raise ValueError("too many messages")
        header = link[place]
        if header & 0x40 and not header & 0x80:
            local, size, number, after = definition_of(link, place)
            sizes[local], is_kept[local] = size, number in KEPT
            if is_kept[local]:
                definition, pieces[local] = shortened(link[place:after], size, KEPT_FIELDS.get(number))
                parts.append(definition)
            place = after
            continue
        local = header >> 5 & 0x03 if header & 0x80 else header & 0x0F
        size = sizes[local]
        if not size or (header & 0x80 and is_kept[local]):
            return None
        if is_kept[local]:
            message = link[place : place + size]
            parts += [message[piece] for piece in pieces[local]]
            place += size
        else:
            place += size * alike_from(link, place, end, size)
    if place != end:
        return None
    messages = b"".join(parts)
    return link[:4] + len(messages).to_bytes(4, "little") + link[8 : link[0]] + messages + bytes(_CHECKSUM_BYTES)


def shortened(definition: bytes, size: int, fields: frozenset[int] | None) -> tuple[bytes, list[slice]]:
    """A definition with some of its fields, and which pieces of its messages are left; all of them for None."""
    if fields is None:
        return definition, [slice(0, size)]
    kept, pieces, offset = [], [slice(0, 1)], 1
    n_fields = definition[_DEFINITION_HEAD - 1]
    for start in range(_DEFINITION_HEAD, _DEFINITION_HEAD + 3 * n_fields, 3):
        number, width = definition[start : start + 2]
        if number in fields:
            kept.append(definition[start : start + 3])
            pieces.append(slice(offset, offset + width))
        offset += width
    # Self-described fields go as well, and with them the bit that announces them.
    head = bytes([definition[0] & ~0x20]) + definition[1 : _DEFINITION_HEAD - 1] + bytes([len(kept)])
    return head + b"".join(kept), pieces


def alike_from(link: bytes, place: int, end: int, size: int) -> int:
    """How many messages of one kind follow each other from here: thousands, as a rule, and all have the same header."""
    header, n_looked_at = link[place : place + 1], 8
    while True:
        headers = link[place : min(end, place + size * n_looked_at) : size]
        n_alike = len(headers) - len(headers.lstrip(header))
        if n_alike < n_looked_at:
            return n_alike
        n_looked_at *= 8


def definition_of(link: bytes, place: int) -> tuple[int, int, int, int]:
    """Local number, size of a data message with its header, global number, and where the definition ends.

    Beyond the end of the file bytes are missing and the sizes come out too small: the walk then misses the end.
    """
    order = "big" if link[place + 2 : place + 3] == b"\x01" else "little"
    number = int.from_bytes(link[place + 3 : place + 5], order)  # type: ignore[arg-type]
    fields = place + _DEFINITION_HEAD
    after = fields + 3 * int.from_bytes(link[place + 5 : fields])
    size = 1 + sum(link[fields + 1 : after : 3])
    if link[place] & 0x20:
        described = after + 1
        after = described + 3 * int.from_bytes(link[after:described])
        size += sum(link[described + 1 : after : 3])
    return link[place] & 0x0F, size, number, after
