"""What has been asked of a store: a line a study, written before its result is computed.

So the report can say when a study was stated, the same in every repetition, and how often it was changed since it was
first asked: a comparison that was reworded five times until it came out is no longer what it says.
"""

from __future__ import annotations

import json
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from pipeline.places import is_remote
from pipeline.study.study_file import Study

REGISTER = "studies.jsonl"
_KEY = "study.key"


@dataclass(frozen=True)
class Registered:
    """When a study was stated.

    Attributes:
        stated_at_utc: when this file was first run on the store, ISO 8601.
        n_versions_before: how many other versions of it (files of the same title) were run before.
        n_studies: how many different studies the store has been asked in all, this one included.
    """

    stated_at_utc: str
    n_versions_before: int
    n_studies: int


def register(store: Path, study: Study) -> Registered:
    """Note a study in the store's register, or find it there."""
    lines = [json.loads(line) for line in _text(store / REGISTER).splitlines()]
    if not any(line["sha256"] == study.digest() for line in lines):
        now = datetime.now(UTC).isoformat(timespec="seconds")
        lines.append({"sha256": study.digest(), "title": study.title, "stated_at_utc": now})
        (store / REGISTER).write_text("".join(f"{json.dumps(line)}\n" for line in lines), encoding="utf-8")
    place = next(place for place, line in enumerate(lines) if line["sha256"] == study.digest())
    versions = sum(line["title"] == study.title for line in lines[:place])
    return Registered(lines[place]["stated_at_utc"], versions, place + 1)


def study_key(store: Path, given: Path | None) -> bytes:
    """The key of the pseudonyms: of a file, or the store's own, which is made when it is first needed."""
    if given is not None:
        return given.read_bytes()
    file = store / _KEY
    if not file.is_file():
        file.write_bytes(secrets.token_bytes(32))
        if not is_remote(file):
            file.chmod(0o600)
    return file.read_bytes()


def _text(file: Path) -> str:
    return file.read_text(encoding="utf-8") if file.is_file() else ""
