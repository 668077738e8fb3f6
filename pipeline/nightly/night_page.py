"""The page of a night, in Markdown for a coach: text from rows, nothing else.

It holds names of files and athletes, and findings with their intervals; no readings, no positions. Text from outside
(names, reasons) is escaped, so that it is shown as it is and never read as markup.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from itertools import groupby
from typing import Any

import polars as pl

from pipeline.core.errors import Damaged, in_words
from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.pages.units import between, signed
from pipeline.pages.words import CAUTION, count_of
from pipeline.store.history import COUNTED, Record, repaired_files
from pipeline.tables.analysed import FINDING_WORDS, FINDINGS

#: How many findings and rejected files are written out; the page says how many more there are.
MOST_LINES = 40
#: How many notices, of a night that had nothing new: its page fits a screen, and they were there the night before.
MOST_NOTICES_AGAIN = 10
#: How many athletes are named in a sentence.
MOST_NAMES = 20

#: The heading above the deliveries that failed.
NOT_DELIVERED = "## Not delivered"

#: What became of a file, for one and for several.
_BECAME = {
    "accepted": ("is a run that can be used", "are runs that can be used"),
    "salvaged": ("is damaged, and was used in part", "are damaged, and were used in part"),
    "duplicate": ("is a run that was there already", "are runs that were there already"),
    "not_running": ("is no run", "are no runs"),
    "left_out": ("is left out by corrections.toml", "are left out by corrections.toml"),
    "rejected": ("was rejected", "were rejected"),
}
_MEASURE = "All changes: percent per 10 km at equal speed and slope, with the 95 % interval in brackets."


@dataclass(frozen=True)
class NightPage:
    """The page of a night.

    Attributes:
        date: on which the night began, in its time zone.
        body: what follows the heading, in Markdown.
    """

    date: date
    summary: str
    body: str

    @property
    def title(self) -> str:
        """The heading."""
        return f"Night of {self.date:%Y-%m-%d}: {self.summary}"

    @property
    def text(self) -> str:
        """All of it, in Markdown."""
        return f"# {self.title}\n\n{self.body}\n"


@dataclass(frozen=True)
class Failure:
    """A failed try.

    Attributes:
        began_at: in the time zone of the night.
        reason: for the person who reads the page.
    """

    began_at: datetime
    reason: str


def reason(error: BaseException) -> str:
    """An error in words. The message of an unexpected one may quote its input, so only its type is named."""
    return in_words(error) or f"an internal error ({type(error).__name__})"


# --- The four pages --------------------------------------------------------------------------------------------------


def done(
    record: Record,
    *,
    began_at: datetime,
    ledger: pl.DataFrame,
    drifts: pl.DataFrame,
    names: Mapping[str, str] | None = None,
    notices: Sequence[str] = (),
    failures: Sequence[Failure] = (),
    damage: Damaged | None = None,
    registry: Registry = BUILT_IN,
) -> NightPage:
    """The page of a night that succeeded.

    Args:
        began_at: when the night began, in its time zone.
        ledger: rows of `recordings` after it.
        drifts: rows of `athlete_drift` after it.
        names: names of athletes by their ids; those without are called by their id.
        notices: what else needs attention, one sentence each, the most important first.
        failures: earlier tries of the same night that failed.
        damage: what the check of a share of the store's files found.
        registry: the quantities in force.
    """
    shown = {key: name for key, name in (names or {}).items() if name.lower() != key.lower()}
    parts = [f"{_when(began_at)} took {_seconds(record['seconds'])}. The store is up to date.", *_tries(failures)]
    if damage is not None:
        parts += ["## Damaged", sentences(str(damage))]
    elif repaired := repaired_files(record):
        parts.append(sentences(repaired))
    if record.get("nothing_new"):
        parts.append("Nothing was new: no file of the inbox was added, changed or removed, nor any list or setting.")
        parts += _still_rejected(ledger, set())
    else:
        came_in = {*record["new"], *record["changed"]}
        parts += ["## What came in", *_came_in(record, ledger, came_in, shown)]
        findings = _findings(record["findings"], drifts, shown, registry)
        parts += ["## Whose finding changed", _listed(findings, "splitdrift show")]
        parts += [_MEASURE] if record["findings"] else []
        parts += ["## What was rejected", *_rejected(record, ledger), *_still_rejected(ledger, came_in)]
        parts += _used_in_part(ledger, came_in)
    if notices:
        most = MOST_NOTICES_AGAIN if record.get("nothing_new") else MOST_LINES
        parts += [
            "## To look at",
            _listed([f"- {sentences(notice)}" for notice in notices], "splitdrift check", most=most),
        ]
    in_short = _in_short(record) if damage is None else f"the store is damaged, {_in_short(record)}"
    return _page(began_at, in_short, *parts, f"*{CAUTION}*")


def skipped(began_at: datetime, fact: str) -> NightPage:
    """The page of a night that was skipped because another process was changing the store, which `fact` states."""
    return _page(
        began_at,
        "left out",
        f"{_when(began_at)} was left out: another process is changing the store, and two never do so at once.",
        sentences(fact),
        "Nothing is lost: whatever came in is read by that refresh or by the next. If this is so night after night, "
        "the other process hangs; ending it frees the store at once.",
    )


def failed(failures: Sequence[Failure], *, again_at: datetime | None) -> NightPage:
    """The page of a night that failed.

    Args:
        failures: its tries, in order; at least one.
        again_at: when the next try of the same night begins; None if there is none.
    """
    began_at = failures[0].began_at
    return _page(
        began_at,
        "failed" if again_at is None else "failed so far",
        f"{_when(began_at)} failed. Nothing in the store was changed.",
        *_tries(failures),
        "It is not tried again tonight. The next night, or `splitdrift refresh`, takes up everything."
        if again_at is None
        else f"It is tried again at {again_at:%H:%M}.",
    )


def lost(failure: Failure) -> NightPage:
    """The page of a night whose process ended before it could write one."""
    return _page(
        failure.began_at,
        "failed",
        f"{_when(failure.began_at)} failed: {sentences(failure.reason)}.",
        "The store holds the state before it or a complete new one, never a part. The next night takes up everything.",
    )


def with_faults(page: NightPage, faults: Sequence[str]) -> NightPage:
    """The page with the deliveries that failed at its end."""
    if not faults:
        return page
    listed = _listed([f"- {sentences(fault)}" for fault in faults], "")
    return replace(page, body=f"{page.body}\n\n{NOT_DELIVERED}\n\n{listed}")


def _page(began_at: datetime, summary: str, *parts: str) -> NightPage:
    return NightPage(began_at.date(), summary, "\n\n".join(parts))


# --- Sentences -------------------------------------------------------------------------------------------------------


def _in_short(record: Record) -> str:
    if record.get("nothing_new"):
        return "nothing new"
    new = _first_seen(record["findings"])
    n_findings = sum(1 for row in record["findings"] if row["athlete_id"] not in new)
    parts = [f"{count_of(record['n_new'], 'file', 'files')} came in"]
    parts += [f"{n} {label}" for key, label in _IN_SHORT if (n := record[key])]
    parts.append(f"{count_of(n_findings, 'finding', 'findings')} changed" if n_findings else "no finding changed")
    if new:
        parts.append(f"first findings of {count_of(len(new), 'athlete', 'athletes')}")
    return ", ".join(parts)


_IN_SHORT = (("n_changed", "read again"), ("n_gone", "gone"), ("n_refused", "rejected"))


def _when(began_at: datetime) -> str:
    zone = getattr(began_at.tzinfo, "key", None) or began_at.tzname() or "local time"
    return f"The night began at {began_at:%H:%M} ({inert(zone)}) and"


def _tries(failures: Sequence[Failure]) -> list[str]:
    if not failures:
        return []
    lines = []
    for why, alike in groupby(failures, key=lambda failure: failure.reason):
        times = [f"{failure.began_at:%H:%M}" for failure in alike]
        when = times[0] if len(times) == 1 else f"{times[0]} to {times[-1]}, {len(times)} times"
        lines.append(f"- {when}: {sentences(why)}")
    return [f"{count_of(len(failures), 'try', 'tries')} failed:", "\n".join(lines)]


def _came_in(record: Record, ledger: pl.DataFrame, came_in: set[str], shown: Mapping[str, str]) -> list[str]:
    sentence = ", ".join(f"{record[f'n_{key}']} {label}" for key, label in COUNTED) + "."
    if record["n_changed"]:
        sentence += " A file is read again when it, what the lists say of it, a setting or splitdrift itself changed."
    athletes = record["athletes"]
    if athletes:
        named = ", ".join(_named(athlete_id, shown) for athlete_id in athletes[:MOST_NAMES])
        more = f" and {len(athletes) - MOST_NAMES} more" if len(athletes) > MOST_NAMES else ""
        sentence += f" Athletes concerned: {named}{more}."
    lines = [f"Files: {sentence}"]
    if record["n_gone"] > ledger.height:
        lines.append(
            "**More files are gone than are left.** If that was not meant, a disk or a share may be missing; "
            "`splitdrift history` names the state before, to return to."
        )
    # Of a long list the record holds only a part, which cannot be counted.
    if came_in and len(came_in) == record["n_new"] + record["n_changed"]:
        rows = ledger.select("file", "status").iter_rows()
        became = Counter(status for file, status in rows if file in came_in)
        words = [f"{n} {_BECAME[status][n != 1]}" for status in _BECAME if (n := became[status])]
        lines.append(f"Of those files, {'; '.join(words)}.")
    elif not came_in and not record["n_gone"]:
        lines.append(
            "No file was read; a list, a setting or splitdrift itself changed, so that numbers were computed again."
        )
    return lines


def _findings(
    changed: Sequence[Mapping[str, Any]], drifts: pl.DataFrame, shown: Mapping[str, str], registry: Registry
) -> list[str]:
    """One line per finding; those of an athlete who had none before share one."""
    drift_of = {(row["athlete_id"], row["metric"]): row for row in drifts.iter_rows(named=True)}
    new, order = _first_seen(changed), list(registry.metric_of)
    first: dict[str, list[tuple[str, str]]] = {}
    remaining = {*drifts["athlete_id"], *(row["athlete_id"] for row in changed if row["after"] is not None)}
    gone = Counter(row["athlete_id"] for row in changed if row["athlete_id"] not in remaining)
    lines = [
        f"- **{_named(athlete_id, shown)}**: no run is left; {count_of(n, 'finding', 'findings')} before."
        for athlete_id, n in gone.items()
    ]
    for row in sorted(
        changed,
        key=lambda row: (
            row["athlete_id"],
            row["metric"] not in order,
            row["metric"] in order and order.index(row["metric"]),
        ),
    ):
        athlete_id, before, after = row["athlete_id"], row["before"], row["after"]
        name, label = f"**{_named(athlete_id, shown)}**", registry.label(row["metric"])
        number = _number(drift_of.get((athlete_id, row["metric"])))
        if athlete_id in gone:
            continue
        if athlete_id in new:
            first.setdefault(name, []).append((after, label + (number if after in ("rises", "falls") else "")))
        elif after is None:
            lines.append(f"- {name}, {label}: was *{_finding(before)}*, is no longer found: no run with it is left.")
        else:
            was = f"was *{_finding(before)}*, now" if before is not None else "for the first time"
            lines.append(f"- {name}, {label}: {was} *{_finding(after)}*{number}.")
    return lines + [f"- {name}, for the first time: {_by_finding(findings)}." for name, findings in first.items()]


def _first_seen(changed: Sequence[Mapping[str, Any]]) -> set[str]:
    """Athletes all of whose changes are first findings."""
    return {row["athlete_id"] for row in changed} - {row["athlete_id"] for row in changed if row["before"] is not None}


def _by_finding(labels: Sequence[tuple[str, str]]) -> str:
    kinds = sorted({finding for finding, _ in labels}, key=FINDINGS.index)
    return "; ".join(
        f"*{_finding(kind)}*: " + ", ".join(label for finding, label in labels if finding == kind) for kind in kinds
    )


def _number(row: Mapping[str, Any] | None) -> str:
    """The drift and its interval, where there is one."""
    if row is None or row["drift_low"] is None:
        return ""
    return f" {signed(row['drift_pct_per_10km'])} % ({between(row['drift_low'], row['drift_high'])})"


def _rejected(record: Record, ledger: pl.DataFrame) -> list[str]:
    fixes = dict(ledger.select("path", "fix").iter_rows())
    lines = [_file_line(row["path"], row["reason"], fixes.get(row["path"])) for row in record["refused"]]
    return [_listed(lines, "splitdrift check", n_in_all=record["n_refused"])]


def _used_in_part(ledger: pl.DataFrame, came_in: set[str]) -> list[str]:
    damaged = ledger.filter(pl.col("status") == "salvaged").filter(pl.col("file").is_in(came_in))
    lines = [_file_line(*row) for row in damaged.select("path", "reason", "fix").iter_rows()]
    return ["## What was used in part", _listed(lines, "splitdrift check")] if lines else []


def _file_line(path: str, reason: str | None, fix: str | None) -> str:
    return f"- {path_shown(path)}: {sentences(reason or '')}" + (f" {sentences(fix)}" if fix else "")


def _still_rejected(ledger: pl.DataFrame, came_in: set[str]) -> list[str]:
    n_before = ledger.filter(pl.col("status") == "rejected", ~pl.col("file").is_in(came_in)).height
    if not n_before:
        return []
    stays = "stays" if n_before == 1 else "stay"
    return [f"{count_of(n_before, 'file', 'files')} of earlier nights {stays} rejected; `splitdrift check` says why."]


def _listed(lines: Sequence[str], where: str, *, n_in_all: int | None = None, most: int = MOST_LINES) -> str:
    """Lines of a list, at most as many as fit on a page."""
    if not lines:
        return "None."
    n_more = (len(lines) if n_in_all is None else n_in_all) - len(lines[:most])
    more = [f"- and {n_more} more: `{where}`"] if n_more > 0 else []
    return "\n".join([*lines[:most], *more])


def _finding(finding: str | None) -> str:
    return FINDING_WORDS.get(finding or "", inert(finding or ""))


def _named(athlete_id: str, shown: Mapping[str, str]) -> str:
    name = shown.get(athlete_id)
    return inert(athlete_id) if name is None else f"{inert(name)} ({inert(athlete_id)})"


def _seconds(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    if not minutes:
        return f"{max(rest, 1)} s"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min {rest} s"


# --- Inert text ------------------------------------------------------------------------------------------------------

#: What begins markup in Markdown anywhere in a line; also what turns an address into a link by itself. An underscore
#: between letters or digits does not.
_MARKUP = re.compile(r"[\\`*\[\]<>|#~&$@]|(?<![^\W_])_|_(?![^\W_])|!(?=\[)|:(?=//)|(?<=[wW]{3})\.")

#: What may be written as code without being escaped: nothing that a reader of another kind would take for markup.
_CODE = r"(?! )[^`<>&@]+(?<! )"


def inert(text: str) -> str:
    """Text from outside for the middle of a line of Markdown: one line, no markup, no invisible characters."""
    return _escaped(_visible(text))


def sentences(text: str) -> str:
    """The same for sentences, in which commands are between backticks: these stay, to be copied as they are."""
    parts = re.split(rf"(?<!`)(`{_CODE}`)(?!`)", _visible(text))
    return "".join(part if place % 2 else _escaped(part) for place, part in enumerate(parts))


def path_shown(path: str) -> str:
    """A path as code, to be copied as it is, unless it has characters that would have to be escaped in it."""
    visible = _visible(path)
    return f"`{visible}`" if re.fullmatch(_CODE, visible) else inert(path)


def _escaped(text: str) -> str:
    return _MARKUP.sub(lambda match: f"\\{match.group()}", text)


def _visible(text: str) -> str:
    visible = "".join(
        " " if character.isspace() else character
        for character in text
        if character.isspace() or unicodedata.category(character) not in ("Cc", "Cf", "Cs", "Co", "Cn")
    )
    return " ".join(visible.split())
