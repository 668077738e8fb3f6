"""A refresh that finds nothing new, decided before any library is loaded.

Most refreshes of a schedule find nothing new, and to load Polars takes longer than to see that. So a state notes the
digest of everything that was in the inbox, and what there is to say of it. Where anything differs, or is not certain,
`pipeline.refresh.refresh` decides.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.core.code import code_digest
from pipeline.core.errors import SplitdriftError
from pipeline.core.places import is_remote, whole_name
from pipeline.inbox.as_found import digest_of_others
from pipeline.store.contents import contents_of, digests
from pipeline.store.generations import current, sweep
from pipeline.store.history import catch_up, note_nothing_new
from pipeline.store.lock import locked

if TYPE_CHECKING:
    from pipeline.inbox.inbox import Inbox
    from pipeline.refresh.context import Outcome

NOTE = "known/unchanged.json"


@dataclass(frozen=True)
class Unchanged:
    """What a refresh says that found nothing new.

    Attributes:
        state: folder of the valid state.
        statuses: number of sessions by status.
    """

    state: Path
    n_files: int
    statuses: Mapping[str, int]
    notices: Sequence[str]


def note_inbox(
    built: Path,
    store: Path,
    inbox: Inbox,
    *,
    recordings: Mapping[str, str | None],
    outcome: Outcome,
) -> None:
    """Note in a state that is being built what it was made from; nothing where the next refresh has to look closer.

    Args:
        recordings: the digest of each file of the inbox that may be one; None of one that could not be read.
        outcome: what came of the refresh.
    """
    if not inbox.others_sha256 or not all(recordings.values()):
        return
    note = {
        "code": code_digest(),
        "inbox": whole_name(inbox.folder),
        "store": whole_name(store),
        "recordings": recordings,
        "others": inbox.others_sha256,
        "keep": inbox.settings.keep_generations,
        "n_files": outcome.n_files,
        "statuses": outcome.statuses,
        "notices": outcome.notices,
    }
    (built / NOTE).write_text(json.dumps(note), encoding="utf-8")


def nothing_new(inbox: Path, store: Path) -> Unchanged | None:
    """Carry a refresh out that has nothing to do; None where that is not certain, and nothing was done."""
    began_at = datetime.now(UTC)
    try:
        state = None if is_remote(inbox) or is_remote(store) else current(store)
        noted = {} if state is None else _noted(state)
        if state is None or not noted or not _is_as_noted(inbox, store, noted):
            return None
        with locked(store):
            contents = contents_of(state)
            if current(store) != state or contents is None or contents.faults(lambda _: False):
                return None
            catch_up(store)
            sweep(store, keep=noted["keep"])
            note_nothing_new(store, state, began_at)
    except (SplitdriftError, OSError):
        return None  # the refresh itself says what is wrong
    return Unchanged(state, noted["n_files"], noted["statuses"], noted["notices"])


def _noted(state: Path) -> dict[str, Any]:
    contents = contents_of(state)
    noted: dict[str, Any] = {} if contents is None or NOTE not in contents.files else json.loads(contents.read(NOTE))
    return noted


def _is_as_noted(inbox: Path, store: Path, noted: Mapping[str, Any]) -> bool:
    recordings: dict[str, str] = noted["recordings"]
    return bool(
        noted["code"] == code_digest()
        and noted["store"] == whole_name(store)
        and noted["inbox"] == whole_name(inbox)
        and noted["others"] == digest_of_others(inbox, is_recording=recordings.__contains__)
        and recordings == digests(inbox, recordings)
    )
