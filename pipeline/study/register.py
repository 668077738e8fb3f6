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
from pipeline.store.history import read_history
from pipeline.store.json_lines import Row, append_json_lines, read_json_lines
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
        lines: of these, what may be passed on: digest of the file, when it was stated, and on which recordings.
        n_refreshes: number of refreshes of the store before, whose pages showed drifts already.
    """

    stated_at_utc: str
    n_versions_before: int
    n_studies: int
    lines: tuple[dict[str, str], ...] = ()
    n_refreshes: int = 0


def register(store: Path, study: Study, *, inputs_sha256: str = "", earlier: Path | None = None) -> Registered:
    """Add a study to the store's register, or find it there.

    Two studies at once lose nothing.

    Args:
        inputs_sha256: digest of the recordings and lists that the store was made from.
        earlier: the register of an earlier store, whose studies count as well.
    """
    before = read_json_lines(earlier) if earlier else []
    # An object is written whole, so it takes the lock of the store.
    with locked(store, wait_s=LOCK_WAIT_S) if is_remote(store) else nullcontext():
        lines = append_json_lines(store / REGISTER, lambda known: _missing(study, known, before, inputs_sha256))
    lines = sorted(lines, key=lambda line: str(line["stated_at_utc"]))
    index = next(index for index, line in enumerate(lines) if line["sha256"] == study.digest())
    stated = str(lines[index]["stated_at_utc"])
    kept = ("sha256", "stated_at_utc", "inputs_sha256")
    return Registered(
        stated,
        sum(line["title"] == study.title for line in lines[:index]),
        index + 1,
        tuple({name: line.get(name, "") for name in kept} for line in lines[: index + 1]),
        sum(str(line["began_at_utc"]) < stated for line in read_history(store) if "began_at_utc" in line),
    )


def _missing(study: Study, known: list[Row], before: list[Row], inputs_sha256: str) -> list[Row]:
    """Lines of an earlier register, then that of the study, so far as they are not known yet."""
    now = datetime.now(UTC).isoformat(timespec="seconds")
    own = {"sha256": study.digest(), "title": study.title, "stated_at_utc": now, "inputs_sha256": inputs_sha256}
    seen = {line["sha256"] for line in known}
    missing = {line["sha256"]: line for line in (own, *reversed(before)) if line["sha256"] not in seen}
    return sorted(missing.values(), key=lambda line: str(line["stated_at_utc"]))


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
