"""Damage of the valid state: what a refresh may build on, what rests on a damaged file, and what repairs it.

A refresh stops for a damaged file that it would build on. Outputs that it writes every time it writes again. To repair
is to refresh without what is damaged (`pipeline.store.known.known_without`): what rested on it is recomputed from the
inbox, into a new state, so that no file is changed in place.
"""

from __future__ import annotations

import json
import os
import zlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from itertools import chain
from pathlib import Path

from pipeline import STAGES
from pipeline.core.errors import Damaged, Fault, NothingDone
from pipeline.core.places import is_remote, replacing
from pipeline.refresh.published_before import tables_taken_over
from pipeline.store.contents import CONTENTS, LISTS, WHOLE, Contents, Written, contents_of
from pipeline.store.generations import PARTS, current, generations, published
from pipeline.store.known import Known, inbox_of, known_without, read_known
from pipeline.store.layout import files_of, partition, require_sound
from pipeline.tables import PARTITIONED

#: Outputs, which no refresh builds on. A person may have opened and saved one of them.
OUTPUTS = frozenset(PARTS) - {"tables"}
#: In how many nights every file is checked; and the file of a store that says when each share was.
NIGHTS_OF_A_ROUND = 7
COMPARED = "compared.json"


@dataclass(frozen=True)
class Checked:
    """A state that was checked.

    Attributes:
        contents: None where it is not known what the state should hold.
        faults: by the path of the file in the state.
        shared_with: names of older states that have the same damaged files, by hard links.
    """

    state: Path
    contents: Contents | None
    faults: Mapping[str, Fault]
    shared_with: tuple[str, ...] = ()

    @property
    def n_files(self) -> int:
        """How many files the state holds; 0 where that is not known."""
        return 0 if self.contents is None else self.contents.n_files


def check_store(store: Path) -> Checked:
    """Compare each file of the valid state with its digest.

    Raises:
        NothingDone: there is no store, or its state was made by another version.
    """
    state = current(store) or published(store)
    faults = faults_of(state, thorough=lambda _: True)
    try:
        contents = contents_of(state)
    except Damaged:
        contents = None
    if contents is None and not faults:
        raise NothingDone(
            f"{state} was made by a version of splitdrift that did not note what a state holds (schema 0). The next "
            f"`splitdrift refresh` recomputes everything, and what that writes can be checked."
        )
    return Checked(state, contents, faults, _sharing(store, state, faults))


def check_share(store: Path, night: date) -> None:
    """Compare the share of the valid state's files that was compared longest ago with their digests.

    For each day since the last night it is one share of seven more, so that a file is compared at least once a week, or
    every night where there are fewer. A share with damage is compared again the next night.

    Raises:
        Damaged: some are not as they were written.
    """
    state, compared = published(store), _compared(store)
    n_days = (night - max(compared.values())).days if compared else 1
    shares = sorted(range(NIGHTS_OF_A_ROUND), key=lambda share: compared.get(share, date.min))
    due = set(shares[: max(1, n_days)])
    faults = faults_of(state, thorough=lambda name: zlib.crc32(name.encode()) % NIGHTS_OF_A_ROUND in due)
    if faults:
        due -= {zlib.crc32(name.encode()) % NIGHTS_OF_A_ROUND for name in faults}
    _note_compared(store, compared | dict.fromkeys(due, night))
    if faults:
        raise Damaged(state, faults)


def _compared(store: Path) -> dict[int, date]:
    """When each share was compared last; what cannot be read was never."""
    try:
        noted = json.loads((store / COMPARED).read_text(encoding="ascii"))
        return {int(share): date.fromisoformat(night) for share, night in noted.items()}
    except (OSError, ValueError, TypeError, AttributeError):
        return {}


def _note_compared(store: Path, compared: Mapping[int, date]) -> None:
    text = json.dumps({share: night.isoformat() for share, night in compared.items()})
    if is_remote(store):
        (store / COMPARED).write_text(text, encoding="ascii")
        return
    with replacing(store / COMPARED) as temporary:
        temporary.write_text(text, encoding="ascii")


def faults_of(state: Path, thorough: Callable[[str], bool] = lambda _: False) -> dict[str, Fault]:
    """The damaged files of a valid state, see `pipeline.store.contents`; none if an older version made it."""
    try:
        if not (state / WHOLE).is_file():
            return {WHOLE: Fault.MISSING}
        contents = contents_of(state)
    except Damaged as error:
        return dict(error.faults)
    return {} if contents is None else contents.faults(thorough)


def sound_base(state: Path | None, *, repairs: bool) -> tuple[Known, frozenset[str]]:
    """What a refresh builds on, and the damaged files, which it makes again.

    Args:
        state: the valid one; None where there is none yet.
        repairs: leave out what rests on damaged files, after all contents were compared, instead of stopping for them.

    Raises:
        Damaged: a file to build on is damaged.
    """
    if state is None:
        return read_known(None), frozenset()
    if repairs:
        faults = faults_of(state, thorough=lambda _: True)
        return known_without(state, faults), frozenset(faults)
    faults = faults_of(state)
    if base := {name: fault for name, fault in faults.items() if name.partition("/")[0] not in OUTPUTS}:
        raise Damaged(state, base)
    return read_known(state), frozenset(faults)


def require_sound_rows(known: Known, athletes: Iterable[str], touched: Iterable[str | None]) -> None:
    """Compare what a refresh reads again with its digest: the splits of athletes, the samples of those touched.

    Raises:
        Damaged: a file is not what was written.
    """
    if known.folder is None or known.rows is None:  # everything is recomputed
        return
    folders = [partition(table, athlete_id) for table in ("splits", "lap_splits") for athlete_id in athletes]
    folders += [partition("samples", athlete_id) for athlete_id in touched if athlete_id is not None]
    require_sound(known.folder, chain.from_iterable(files_of(known.folder, folder) for folder in folders))


def inbox_behind(store: Path) -> str | None:
    """The inbox that a store was made from, by the newest state that says so."""
    return next(filter(None, map(inbox_of, reversed(generations(store)))), None)


# --- What rests on a file --------------------------------------------------------------------------------------------


def resting_on(name: str) -> str:
    """What was computed from a file of a state, or is read from it, in words; empty for nothing."""
    folder, *parts = name.split("/")
    if folder in (WHOLE, CONTENTS):
        return "everything: without it no other file can be checked"
    if folder == LISTS:
        return "the samples, splits and pages of some athletes: without it none of them can be checked"
    if folder == "known":
        stem = parts[0].partition(".")[0].partition("-")[0]  # without the section
        tables = [stem, *_tables_from(stem)] if stem in _WRITTEN else []
        return f"what the next refresh builds on{': ' if tables else ''}{', '.join(tables)}"
    if folder != "tables":
        return ""
    tables = _tables_from(parts[0]) if parts[0] in PARTITIONED else []
    taken_over = ["the tables of the next refresh"] if parts[0] in {*PARTITIONED, *tables_taken_over()} else []
    return ", ".join([*tables, "splitdrift.duckdb", "exports", "pages", *taken_over])


_WRITTEN = frozenset(table for stage in STAGES for table in stage.writes)


def _tables_from(table: str) -> list[str]:
    """The tables that are computed from a table, directly or through others."""
    made = {table: None}
    for function in (function for _ in STAGES for stage in STAGES for function in stage.functions):
        if not made.keys().isdisjoint(function.reads):
            made |= dict.fromkeys(function.writes)
    return [name for name in made if name != table]


def _sharing(store: Path, state: Path, faults: Mapping[str, Fault]) -> tuple[str, ...]:
    if is_remote(store):
        return ()
    others = [other for other in generations(store) if other.name != state.name]
    return tuple(other.name for other in others if any(_is_same(state / name, other / name) for name in faults))


def _is_same(file: Path, other: Path) -> bool:
    return file.is_file() and other.is_file() and file.samefile(other)


def mend_older_states(store: Path, names: Iterable[str]) -> None:
    """Put what was repaired in the place of damaged files of older states that were to hold the same.

    The caller holds the store's lock.
    """
    valid = current(store)
    contents = None if valid is None else contents_of(valid)
    if valid is None or contents is None or is_remote(store):
        return
    for state in generations(store):
        before = None if state.name == valid.name else _contents_or_none(state)
        if before is None:
            continue
        for name in _damaged_of(before, contents.noted(names)):
            (state / name).parent.mkdir(parents=True, exist_ok=True)
            with replacing(state / name) as temporary:
                os.link(valid / name, temporary)


def _damaged_of(before: Contents, repaired: Mapping[str, Written]) -> dict[str, Fault]:
    """Files of an older state that are damaged, and were to be what others are; none where that is not known."""
    try:
        noted = before.noted(repaired)
        return before.faults_of_content(name for name in noted if noted[name].digest == repaired[name].digest)
    except Damaged:
        return {}


def _contents_or_none(state: Path) -> Contents | None:
    try:
        return contents_of(state)
    except NothingDone:
        return None
