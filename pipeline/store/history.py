"""The history of a store: one record per refresh of what it found, did and changed; and returning to an older state.

A generation holds its own record; the file `history.jsonl` of the store, which outlives generations, is completed from
them. It holds names of files and athletes, no readings.
"""

from __future__ import annotations

import json
import shlex
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.core.errors import Damaged, NothingDone, UsageError
from pipeline.core.places import whole_name
from pipeline.store.contents import contents_of, read_checked
from pipeline.store.generations import current, generations, point_to, published, tag_of_current
from pipeline.store.json_lines import append_json_lines, read_json_lines
from pipeline.store.lock import locked

if TYPE_CHECKING:
    import polars as pl

    from pipeline.store.known import ChangeSummary

HISTORY = "history.jsonl"
RECORD = "refresh.json"
#: How many names of a long list are written out; the counts are always complete.
MOST_NAMES = 200

Record = Mapping[str, Any]


def record(
    changes: ChangeSummary,
    *,
    began_at: datetime,
    statuses: Mapping[str, int],
    refused: tuple[int, Sequence[Mapping[str, str]]],
    findings: Sequence[Mapping[str, str | None]],
    repaired: Collection[str] = (),
    replaced: Mapping[str, str] | None = None,
) -> Record:
    """The record of a refresh.

    Args:
        began_at: when it began, in UTC.
        statuses: number of sessions by status after it.
        refused: how many sessions of files that came in were rejected, and `path` and `reason` of the first.
        findings: see `changed_findings`.
        repaired: damaged files of the state before that were made again.
        replaced: of a state of another inbox, of which no file is left, its `inbox` and `generation`.
    """
    return {
        "began_at_utc": began_at.isoformat(timespec="seconds"),
        "n_new": changes.n_new,
        "n_changed": changes.n_changed,
        "n_gone": changes.n_gone,
        "new": changes.new,
        "changed": changes.changed,
        "gone": changes.gone,
        "n_refused": refused[0],
        "refused": refused[1],
        "statuses": statuses,
        "athletes": changes.athletes,
        "findings": findings,
        "n_repaired": len(repaired),
        "repaired": sorted(repaired)[:MOST_NAMES],
        **({"replaced": replaced} if replaced else {}),
    }


def changed_findings(before: pl.DataFrame, after: pl.DataFrame) -> list[dict[str, str | None]]:
    """Athletes and metrics whose finding changed; None where there was none before, or is none any more."""
    key = ["athlete_id", "metric"]
    both = before.select(*key, before="finding").join(
        after.select(*key, after="finding"), on=key, how="full", coalesce=True
    )
    return both.filter(both["before"].ne_missing(both["after"])).sort(key).to_dicts()


def write_record(built: Path, record: Record, began_at: datetime) -> None:
    """Put the record of a refresh into the generation that it builds, with the time that it took until now."""
    timed = {"generation": built.name, "seconds": _seconds_since(began_at), **record}
    (built / RECORD).write_text(json.dumps(timed), encoding="utf-8")


def note_nothing_new(store: Path, generation: Path, began_at: datetime) -> None:
    """Note a refresh that had nothing to do."""
    record = {
        "began_at_utc": began_at.isoformat(timespec="seconds"),
        "seconds": _seconds_since(began_at),
        "generation": generation.name,
        "nothing_new": True,
    }
    append_json_lines(store / HISTORY, lambda _: [record])


def return_to(store: Path, generation: str) -> bool:
    """Make an older state the valid one; returns whether another one was valid before.

    Args:
        generation: name of a state that is kept.

    Raises:
        NothingDone: there is no store yet, that state is damaged, or a newer version made it.
        UsageError: no state of that name is kept.
        Held: another process is changing the store.
    """
    if current(store) is None:
        published(store)  # says why
    with locked(store):
        kept = {folder.name: folder for folder in generations(store)}
        if generation not in kept:
            raise UsageError(f"The store keeps no generation '{generation}'. Kept are {', '.join(kept)}.")
        before = current(store)
        if before is not None and before.name == generation:
            return False
        contents = contents_of(kept[generation])
        if contents is not None and (faults := contents.faults(lambda _: True)):
            raise NothingDone(f"Generation {generation} is not returned to: {Damaged(kept[generation], faults).fact}")
        point_to(store, kept[generation], tag_of_current(store))
        record = {
            "began_at_utc": datetime.now(UTC).isoformat(timespec="seconds"),
            "generation": generation,
            "returned_from": before.name if before is not None else None,
        }
        append_json_lines(store / HISTORY, lambda _: [record])
    return True


def made_a_state(record: Record) -> bool:
    """Whether a record is of a refresh that built a generation: no other, nor a return or a night that failed."""
    return record.keys().isdisjoint(("nothing_new", "returned_from", "failed"))


def _seconds_since(began_at: datetime) -> float:
    return round((datetime.now(UTC) - began_at).total_seconds(), 1)


def catch_up(store: Path) -> None:
    """Append the records of generations that the history lacks; a process may have been killed between the two."""
    append_json_lines(store / HISTORY, lambda records: _missing(store, records))


def _missing(store: Path, records: list[dict[str, Any]]) -> Iterator[Record]:
    known = {record["generation"] for record in records if made_a_state(record)}
    for generation in generations(store):
        if generation.name not in known and (generation / RECORD).is_file():
            try:
                record = json.loads(read_checked(generation, RECORD))
            except (NothingDone, ValueError):
                continue  # damaged: the history shows the state without a record
            if record["generation"] == generation.name:  # one built by a self-check holds that of its predecessor
                yield record


def read_history(store: Path) -> list[dict[str, Any]]:
    """All records, oldest first."""
    return read_json_lines(store / HISTORY)


def history_of_states(store: Path) -> list[dict[str, Any]]:
    """All records, oldest first, each with `is_valid` and `is_kept`.

    A state that is kept but has no record of its own, such as that of a self-check, gets one with nothing else.

    Raises:
        NothingDone: there is no store yet.
    """
    valid = published(store).name
    kept = [folder.name for folder in generations(store)]
    records = read_history(store)
    known = {record["generation"] for record in records if made_a_state(record)}
    for name in kept:
        if name not in known:
            after = next((n for n, record in enumerate(records) if record["generation"] > name), len(records))
            first = next((n for n, record in enumerate(records) if record["generation"] == name), after)
            records.insert(min(after, first), {"generation": name})
    return [
        record | {"is_valid": record["generation"] == valid, "is_kept": record["generation"] in kept}
        for record in records
    ]


def what_came_in(store: Path) -> str:
    """The last refresh in a sentence."""
    last = read_history(store)[-1]
    if last.get("nothing_new"):
        return "Nothing is new since the refresh before, so nothing was computed."
    counts = [f"{last[f'n_{key}']} {label}" for key, label in COUNTED if last[f"n_{key}"]]
    repaired = repaired_files(last)
    if repaired and not counts:
        return repaired
    return f"Since the refresh before: {', '.join(counts) or 'only lists or settings changed'}. {repaired}".strip()


def repaired_files(record: Record) -> str:
    """Which files of a state were made again, in a sentence; empty for none."""
    names, n_files = record.get("repaired", []), record.get("n_repaired", 0)
    more = f" and {n_files - 3} more" if n_files > 3 else ""
    return f"Made again, since they had been changed or damaged: {', '.join(names[:3])}{more}." if names else ""


def replaced_inbox(store: Path, record: Record) -> Iterator[str]:
    """A sentence where a refresh took another inbox and no file of the one before is left; else none."""
    if replaced := record.get("replaced"):
        command = ["splitdrift", "history", "--store", whole_name(store), "--return-to", replaced["generation"]]
        yield (
            f"The store held another inbox, {replaced['inbox']}: none of its {record['n_gone']} files is left, and its "
            f"athletes are replaced. If that was not meant, `{shlex.join(command)}` returns to the state before."
        )


def note_failed(store: Path, began_at: datetime, reason: str) -> None:
    """Note a night that failed; the valid state stays as it was."""
    valid = current(store)
    record = {
        "began_at_utc": began_at.astimezone(UTC).isoformat(timespec="seconds"),
        "seconds": _seconds_since(began_at),
        "generation": valid.name if valid is not None else "",
        "failed": reason,
    }
    append_json_lines(store / HISTORY, lambda _: [record])


#: What a record counts of the files that came in, and its label.
COUNTED = (("new", "new"), ("changed", "read again"), ("gone", "gone"))
