"""The register of a store's studies: one line per study, written before its result is computed.

So the report can say when a study was stated, the same in every repetition, and how many versions were run before: a
study that was changed until it gave a wanted result is recognisable as such.
"""

from __future__ import annotations

import fcntl
import os
import secrets
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from pipeline.core.errors import UsageError
from pipeline.core.places import is_remote, put_if, replacing
from pipeline.store.json_lines import append_json_lines
from pipeline.store.lock import locked
from pipeline.study.study_file import Study

REGISTER = "studies.jsonl"
_KEY = "study.key"
_NEW_FILE = os.O_WRONLY | os.O_CREAT | os.O_EXCL
#: Shortest key: long enough that trying all keys is infeasible, even of letters only. Common practice, no source.
FEWEST_BYTES = 16
#: How long to wait for another process that holds a store in object storage [s].
LOCK_WAIT_S = 60.0


@dataclass(frozen=True)
class Registered:
    """When a study was stated.

    Attributes:
        stated_at_utc: when this version of the file was first run on the store, ISO 8601, UTC.
        n_versions_before: number of other versions (files with the same title) that were run before.
        n_studies: number of studies in the register up to this one, included.
    """

    stated_at_utc: str
    n_versions_before: int
    n_studies: int


def register(store: Path, study: Study) -> Registered:
    """Add a study to the store's register, or find it there.

    Two studies at once lose nothing.
    """
    # An object is written whole, so it takes the lock of the store.
    with locked(store, wait_s=LOCK_WAIT_S) if is_remote(store) else nullcontext():
        lines = append_json_lines(store / REGISTER, lambda known: _missing(study, known))
    index = next(index for index, line in enumerate(lines) if line["sha256"] == study.digest())
    versions = sum(line["title"] == study.title for line in lines[:index])
    return Registered(lines[index]["stated_at_utc"], versions, index + 1)


def _missing(study: Study, lines: list[dict[str, str]]) -> list[dict[str, str]]:
    """The line of a study, if it is not among them yet."""
    if any(line["sha256"] == study.digest() for line in lines):
        return []
    now = datetime.now(UTC).isoformat(timespec="seconds")
    return [{"sha256": study.digest(), "title": study.title, "stated_at_utc": now}]


def study_key(store: Path, key_file: Path | None) -> bytes:
    """The key of the pseudonyms: from a file, or the store's own, which is created when it is first needed.

    Raises:
        UsageError: the key is so short that all keys could be tried.
    """
    if key_file is not None:
        return _long_enough(key_file.read_bytes(), key_file)
    file = store / _KEY
    if not file.is_file():
        _make_key(file)
    return _long_enough(file.read_bytes(), file)


def _make_key(file: Path) -> None:
    """Create a key, unless another process has created it meanwhile: both use that one."""
    key = secrets.token_bytes(32)
    if is_remote(file):
        put_if(file, key, None)
        return
    with file.with_name(REGISTER).open("a") as register_file:  # one at a time, as for the register
        fcntl.flock(register_file, fcntl.LOCK_EX)
        if not file.exists():
            with replacing(file) as temporary, open(os.open(temporary, _NEW_FILE, 0o600), "wb") as made:
                made.write(key)
                made.flush()
                os.fsync(made.fileno())


def _long_enough(key: bytes, file: Path) -> bytes:
    if len(key.strip()) < FEWEST_BYTES:
        raise UsageError(
            f"The key in {file} has {len(key.strip())} characters; pseudonyms need at least {FEWEST_BYTES}, or "
            "all keys could be tried. To make one: "
            f'python -c "import secrets; print(secrets.token_hex(32))" > {file.name}'
        )
    return key
