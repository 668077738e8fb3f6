"""The history of a store: what each refresh found, did and changed, in a line of JSON each.

A generation holds its own record; the file `history.jsonl` of the store, which outlives generations, is caught up from
them. Names of files and athletes stand in it, no readings.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.core.places import is_remote
from pipeline.store.generations import generations
from pipeline.store.known import Changes, file_of

HISTORY = "history.jsonl"
RECORD = "refresh.json"
#: Of long lists of names so many are written out; the counts are always whole.
_NAMES = 200

Record = Mapping[str, Any]


def record(
    changes: Changes, ledger: pl.DataFrame, *, began_at: datetime, before: pl.DataFrame, after: pl.DataFrame
) -> Record:
    """What there is to say of a refresh.

    Args:
        changes: how the inbox differed from what was known.
        ledger: rows of `recordings` after it.
        began_at: when it began, in UTC.
        before: rows of `athlete_drift` before it; empty where there were none.
        after: the same after it.
    """
    came_in = {*changes.new, *changes.changed}
    refused = [
        {"path": path, "reason": reason}
        for path, status, reason in ledger.select("path", "status", "reason").iter_rows()
        if status == "rejected" and file_of(path, came_in) in came_in
    ]
    return {
        "began_at_utc": began_at.isoformat(timespec="seconds"),
        "n_new": len(changes.new),
        "n_changed": len(changes.changed),
        "n_gone": len(changes.gone),
        "new": changes.new[:_NAMES],
        "changed": changes.changed[:_NAMES],
        "gone": changes.gone[:_NAMES],
        "n_refused": len(refused),
        "refused": refused[:_NAMES],
        "statuses": dict(ledger.group_by("status").len().sort("status").iter_rows()),
        "athletes": sorted(one for one in changes.touched if one is not None)[:_NAMES],
        "findings": changed_findings(before, after),
    }


def changed_findings(before: pl.DataFrame, after: pl.DataFrame) -> list[dict[str, str | None]]:
    """Athletes and metrics whose finding is another than before; None where there was none, or is none any more."""
    key = ["athlete_id", "metric"]
    both = before.select(*key, before="finding").join(
        after.select(*key, after="finding"), on=key, how="full", coalesce=True
    )
    return both.filter(pl.col("before").ne_missing(pl.col("after"))).sort(key).to_dicts()


def write_record(built: Path, told: Record, began_at: datetime) -> None:
    """Put the record of a refresh into the generation that it makes, with the time that it took until now."""
    record = {"generation": built.name, "seconds": _seconds_since(began_at), **told}
    (built / RECORD).write_text(json.dumps(record), encoding="utf-8")


def note_nothing_new(store: Path, generation: Path, began_at: datetime) -> None:
    """Note a refresh that found nothing to do."""
    told = {
        "began_at_utc": began_at.isoformat(timespec="seconds"),
        "seconds": _seconds_since(began_at),
        "generation": generation.name,
    }
    _append(store, [json.dumps(told | {"nothing_new": True})])


def note_return(store: Path, generation: Path, before: Path | None) -> None:
    """Note that somebody made an older state the valid one."""
    told = {
        "began_at_utc": datetime.now(UTC).isoformat(timespec="seconds"),
        "generation": generation.name,
        "returned_from": before.name if before is not None else None,
    }
    _append(store, [json.dumps(told)])


def made_a_state(told: Record) -> bool:
    """Whether a record is of a refresh that made the generation it names: not of one with nothing new, nor a return."""
    return not told.get("nothing_new") and "returned_from" not in told


def _seconds_since(began_at: datetime) -> float:
    return round((datetime.now(UTC) - began_at).total_seconds(), 1)


def catch_up(store: Path) -> None:
    """Write into the history what generations tell and it does not; a process may have died between the two."""
    told = {one["generation"] for one in read_history(store) if made_a_state(one)}
    untold = [one for one in generations(store) if one.name not in told and (one / RECORD).is_file()]
    records = {one.name: (one / RECORD).read_text(encoding="utf-8") for one in untold}
    # A generation that a self-check made holds the record of the one that it was made from.
    _append(store, [text for name, text in records.items() if json.loads(text)["generation"] == name])


def read_history(store: Path) -> list[dict[str, Any]]:
    """All records, oldest first; a line that was cut off by a dying process is left out, its generation tells it."""
    found = []
    for line in _text(store).splitlines():
        try:
            found.append(json.loads(line))
        except ValueError:
            continue
    return found


def what_came_in(store: Path) -> str:
    """The last refresh in a sentence."""
    last = read_history(store)[-1]
    if last.get("nothing_new"):
        return "Nothing is new since the refresh before, so nothing was computed."
    counts = [f"{last[f'n_{word}']} {said}" for word, said in _COUNTED if last[f"n_{word}"]]
    return f"Since the refresh before: {', '.join(counts) or 'only lists or settings changed'}."


_COUNTED = (("new", "new"), ("changed", "read anew"), ("gone", "gone"))


def _append(store: Path, lines: list[str]) -> None:
    if lines:
        before = _text(store)
        cut_off = "" if before.endswith("\n") or not before else "\n"
        if is_remote(store):  # objects are written whole
            (store / HISTORY).write_text(before + cut_off + "".join(f"{line}\n" for line in lines), encoding="utf-8")
            return
        with (store / HISTORY).open("a", encoding="utf-8") as file:
            file.write(cut_off + "".join(f"{line}\n" for line in lines))


def _text(store: Path) -> str:
    try:
        return (store / HISTORY).read_text(encoding="utf-8")
    except FileNotFoundError:
        return ""
