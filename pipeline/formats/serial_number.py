"""Which device wrote a file, as a keyed digest of its serial number: to compare files, never to be kept.

The number itself leaves this module only under a key that the caller draws and forgets.
"""

from __future__ import annotations

import hashlib
import warnings
from io import BytesIO
from pathlib import PurePosixPath

import fitdecode

from pipeline.core.errors import Refused
from pipeline.formats.archive import unpack
from pipeline.formats.markup import Elements, text_of

#: A FIT file says first what it is; what has not come within so many messages does not come.
_FIRST_MESSAGES = 8
#: Most that an archive may unpack to here [bytes], and most files in it.
_MOST_BYTES, _MOST_MEMBERS = 256_000_000, 1000


def device_digests(name: str, content: bytes, *, key: bytes) -> frozenset[bytes]:
    """Digests of the serial numbers in a file; of every member of an archive.

    Args:
        name: the file's own name, whose ending decides how it is read.
        key: the same for files that are to be compared.

    Returns:
        None, one, or for an archive several; a file that cannot be read names no device.
    """
    try:
        members = unpack(name, content, max_unpacked_bytes=_MOST_BYTES, max_members=_MOST_MEMBERS)
    except Refused:
        return frozenset()
    serials = (_serial_of(PurePosixPath(member.name).suffix.lower(), member.content) for member in members)
    return frozenset(
        hashlib.blake2b(serial.encode(), key=key, digest_size=16).digest() for serial in serials if serial is not None
    )


def _serial_of(ending: str, content: bytes) -> str | None:
    """Manufacturer, model and number in one text; None where the file gives no number."""
    reader = {".fit": _of_fit, ".tcx": _of_tcx}.get(ending)
    try:
        return None if reader is None else reader(content)
    except Exception:  # a file from outside: whatever is wrong with it, the refresh says
        return None


def _of_fit(content: bytes) -> str | None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with fitdecode.FitReader(
            BytesIO(content), check_crc=fitdecode.CrcCheck.DISABLED, error_handling=fitdecode.ErrorHandling.IGNORE
        ) as reader:
            for n_messages, frame in enumerate(reader):
                if isinstance(frame, fitdecode.FitDataMessage) and frame.name == "file_id":
                    number, maker, model = (
                        frame.get_raw_value(field, fallback=None)
                        for field in ("serial_number", "manufacturer", "product")
                    )
                    return f"fit {maker} {model} {number}" if number else None
                if n_messages > _FIRST_MESSAGES:
                    return None
    return None


def _of_tcx(content: bytes) -> str | None:
    parts: dict[str, str] = {}
    for event, name, element in Elements(content):
        if event == "end" and name in ("UnitId", "ProductID"):
            parts[name] = text_of(element)
        if event == "end" and name == "Trackpoint":
            element.clear()
    number = parts.get("UnitId", "").lstrip("0")
    return f"tcx {parts.get('ProductID', '')} {number}" if number else None
