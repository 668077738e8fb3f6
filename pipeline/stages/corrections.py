"""Stage `corrections`: what the owner of recordings knows about them → recordings put right.

An entry of `corrections.toml` names recordings, says what to change in them, and may have guards: it is applied only
where what was recorded still shows the fault, so that an entry does no harm once a sensor is set right. `corrected`
applies entries to one recording before it is judged, in their order; `corrections` says what became of each entry.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from fnmatch import fnmatchcase

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.core.reasons import Because, Reason, as_json, because, words
from pipeline.formats import Recording, clock
from pipeline.methods.covered_distance import great_circles
from pipeline.methods.hours_apart import pairs_hours_apart
from pipeline.stages.samples import LONGEST_RUN_S
from pipeline.tables.recorded import APPLIED, FAULTY, GUARD_NOT_MET, MATCHES_NOTHING, ONLY_DUPLICATES, retold

#: Between the tags of a run, and between the name and the value of one.
TAG_SEPARATOR, TAG_IS = "; ", "="

#: How the name of an entry is separated from the next one in a row of `recordings`.
_NAMES_APART = "; "


@dataclass(frozen=True, kw_only=True)
class Correction:
    """An entry of a `corrections.toml`.

    Attributes:
        source: path of that file in the inbox.
        entry: its number there, 1 the first.
        line: where it begins.
        fault: why it cannot be applied; None where it can.
        file: path or glob, relative to the folder of `source`; a member of an archive follows after '!'.
        from_date: first day of the start, in UTC.
        device: as `runs.device` names it, or a glob, in small or capital letters.
        guards: name of `GUARDS` → the limit.
        only_if_sport: the sport as recorded.
        leave_out: the reason.
        tags: name → value.
    """

    source: str
    entry: int = field(default=1, compare=False, repr=False)
    line: int = field(default=1, compare=False, repr=False)
    fault: str | None = field(default=None, compare=False, repr=False)
    file: str | None = None
    athlete_id: str | None = None
    from_date: date | None = None
    to_date: date | None = None
    device: str | None = None
    guards: tuple[tuple[str, float], ...] = ()
    only_if_sport: str | None = None
    sport: str | None = None
    leave_out: str | None = None
    cadence_factor: float | None = None
    distance_factor: float | None = None
    belt_speed_m_s: float | None = None
    clock_shift_s: float | None = None
    time_zone: str | None = None
    tags: tuple[tuple[str, str], ...] = ()

    @property
    def name(self) -> str:
        """Its name in the ledger: it follows from what the entry says, not from its place in the file."""
        return f"{self.source}#{hashlib.sha256(repr(self).encode()).hexdigest()[:8]}"

    @property
    def is_by_name(self) -> bool:
        """Whether path and athlete alone decide if it applies: nothing of the recording has to be read."""
        by_content = (self.from_date, self.to_date, self.device, self.only_if_sport)
        return not self.guards and all(condition is None for condition in by_content)

    def may_concern(self, file: str, athlete_id: str | None) -> bool:
        """Whether it may apply to some session of an inbox file."""
        pattern = None if self.file is None else self.file.partition("!")[0]
        return self._names(pattern, file, athlete_id)

    def concerns(self, file: str, path: str, athlete_id: str | None) -> bool:
        """Whether it names a session of this path, of this inbox file: day and device are left open."""
        return self._names(self.file, path if self.file and "!" in self.file else file, athlete_id)

    def _names(self, pattern: str | None, path: str, athlete_id: str | None) -> bool:
        folder = self.source.rpartition("/")[0]
        if folder and not path.startswith(f"{folder}/"):
            return False
        if self.athlete_id not in (None, athlete_id):
            return False
        inside = path.removeprefix(f"{folder}/")
        return pattern is None or pattern == inside or fnmatchcase(inside, pattern)


@dataclass(frozen=True)
class Outcome:
    """What became of the entries that name a session.

    Attributes:
        applied: names of the entries that were.
        held_back: names of those whose guard was not met.
        changes: what was changed, for the ledger.
        leave_out: why the session is left out; None where it is not.
        is_named: whether an entry that was applied names its file.
    """

    applied: tuple[str, ...] = ()
    held_back: tuple[str, ...] = ()
    changes: tuple[Because, ...] = ()
    tags: Mapping[str, str] = field(default_factory=dict)
    leave_out: str | None = None
    is_named: bool = False


NOTHING = Outcome()


def corrected(
    recording: Recording, entries: Sequence[Correction], *, is_zone_read: bool = False
) -> tuple[Recording, Outcome]:
    """Apply corrections to a recording, one after the other: each sees what the ones before it left.

    Args:
        recording: as its device wrote it.
        entries: those that concern it by path and athlete.
        is_zone_read: whether its reader was given the time zone already, for times that carry none.
    """
    applied: list[Correction] = []
    held_back: list[str] = []
    changes: list[Because] = []
    tags: dict[str, str] = {}
    leave_out = None
    for entry in entries:
        if not _is_of(entry, recording):
            continue
        if not (_guards_hold(entry, recording) and _can_be_applied(entry, recording)):
            held_back.append(entry.name)
            continue
        applied.append(entry)
        recording = _changed(entry, recording, is_zone_read=is_zone_read)
        tags |= dict(entry.tags)
        leave_out = entry.leave_out or leave_out
        changes.append(_changes(entry, entry.source))
    is_named = any(entry.file is not None for entry in applied)
    names = tuple(entry.name for entry in applied)
    return recording, Outcome(names, tuple(held_back), tuple(changes), tags, leave_out, is_named)


def left_out_unread(entries: Sequence[Correction]) -> Outcome | None:
    """What to say of a session that is left out by its name alone; None where it has to be read."""
    leaves = next((entry for entry in entries if entry.leave_out is not None and entry.is_by_name), None)
    return None if leaves is None else Outcome((leaves.name,), leave_out=leaves.leave_out)


def corrected_alike(recordings: pl.DataFrame) -> pl.DataFrame:
    """Count the recordings that the same entries name, `n`, and those of them of which no run has anything."""
    return recordings.group_by(_OUTCOMES).agg(n=pl.len(), n_duplicates=UNUSED_DUPLICATE.sum())


def corrections(alike: pl.DataFrame, entries: pl.DataFrame) -> pl.DataFrame:
    """Say what became of each entry.

    Args:
        alike: rows of `corrected_alike`; those of several parts of a club may have the same entries.
        entries: rows of `listed`.

    Returns:
        Rows of `corrections`.
    """
    rows = []
    for entry in entries.iter_rows(named=True):
        n_matched, n_held_back = (_count_of(alike, column, entry["name"]) for column in _OUTCOMES)
        n_duplicates = 0 if entry["is_of_clock"] else _count_of(alike, "corrections", entry["name"], "n_duplicates")
        n_applied = n_matched - n_duplicates
        without = ONLY_DUPLICATES if n_duplicates else GUARD_NOT_MET if n_held_back else MATCHES_NOTHING
        counts = {"n_applied": n_applied, "n_duplicates": n_duplicates, "n_guard_not_met": n_held_back}
        status = FAULTY if entry["reason"] is not None else APPLIED if n_applied else without
        rows.append({**entry, **counts, "status": status})
    counted = dict.fromkeys(("n_applied", "n_duplicates", "n_guard_not_met"), pl.Int64)
    return pl.DataFrame(rows, schema={**LISTED, **counted, "status": pl.String})


_OUTCOMES = ("corrections", "guards_not_met")

#: Recordings of which nothing is in the run that was kept.
UNUSED_DUPLICATE = (pl.col("status") == "duplicate") & pl.col("joined_quantities").is_null()

#: Columns of `listed`.
LISTED = {
    "file": pl.String,
    "entry": pl.Int64,
    "line": pl.Int64,
    "says": pl.String,
    "reason": pl.String,
    "name": pl.String,
    "is_of_clock": pl.Boolean,
}


def listed(entries: Sequence[Correction]) -> pl.DataFrame:
    """The entries as rows: what each says, its fault, and whether it decides when, and so of which run, one is."""
    rows = [
        {
            "file": entry.source, "entry": entry.entry, "line": entry.line, "reason": entry.fault, "name": entry.name,
            "says": None if entry.fault is not None else words([_changes(entry)])[0],
            "is_of_clock": entry.clock_shift_s is not None or entry.time_zone is not None,
        }
        for entry in entries
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=LISTED)


def named(names: Sequence[str]) -> str | None:
    """Names of entries as a row of `recordings` holds them."""
    return _NAMES_APART.join(names) or None


def _count_of(alike: pl.DataFrame, column: str, name: str, n: str = "n") -> int:
    """How many recordings hold the name, by the counts of a column `n`."""
    return int(alike.filter(holds(alike[column], name))[n].sum())


def holds(names: pl.Series, name: str) -> pl.Series:
    """Which rows of names of entries hold one; a path may itself hold what separates names."""
    around = _NAMES_APART + names.fill_null("") + _NAMES_APART
    return around.str.contains(f"{_NAMES_APART}{name}{_NAMES_APART}", literal=True)


# --- Clocks apart -----------------------------------------------------------------------------------------------------


def clocks_apart(recordings: pl.DataFrame, runs: pl.DataFrame, splits: pl.DataFrame) -> pl.DataFrame:
    """Name runs that are probably one run, recorded by two devices whose clocks are whole hours apart.

    Nothing is merged: an athlete may run the same course twice. What is offered is a correction.

    Args:
        recordings: rows of `recordings`.
        runs: one row per run: `run_id`, `athlete_id`, `path`, `session`, `started_at_utc`, `n_quantities`, `n_samples`.
        splits: rows of `splits`.

    Returns:
        The recordings; that of such a pair that measured less has `same_as_run`, and a fix.
    """
    rows = []
    for first, second, n_hours in pairs_hours_apart(runs, splits):
        better, worse = sorted((first, second), key=lambda run: (-run["n_quantities"], -run["n_samples"], run["path"]))
        shift_h = n_hours if worse is first else -n_hours
        apart = because(
            Reason.HOURS_APART, original=better["path"], n=abs(shift_h), path=worse["path"], shift_h=shift_h
        )
        rows.append((worse["path"], worse["session"], better["run_id"], as_json([apart])))
    if not rows:
        return recordings.with_columns(pl.lit(None, dtype=pl.String).alias("same_as_run"))
    schema = {"path": pl.String, "session": pl.Int64, "same_as_run": pl.String, "apart": pl.String}
    place = ["path", "session"]
    named = pl.DataFrame(rows, schema=schema, orient="row").unique(place, keep="first", maintain_order=True)
    told = named.join(recordings, on=place).select(
        *place,
        reasons=pl.format("{}, {}", pl.col("reasons").str.strip_suffix("]"), pl.col("apart").str.strip_prefix("[")),
    )
    return (
        retold(recordings, told)
        .drop("same_as_run", strict=False)
        .join(named.drop("apart"), on=place, how="left", maintain_order="left")
        .select(list(dict.fromkeys([*recordings.columns, "same_as_run"])))
    )


# --- Whether an entry applies -----------------------------------------------------------------------------------------


def start_s(recording: Recording) -> float:
    """Time of the first reading, without those that are days away from the rest [s]; NaN where none has a time."""
    time_s = recording.readings["time_s"].to_numpy()
    time_s = time_s[np.isfinite(time_s)]
    if not len(time_s):
        return float("nan")
    if np.ptp(time_s) > LONGEST_RUN_S:
        time_s = time_s[np.abs(time_s - np.median(time_s)) <= LONGEST_RUN_S]
    return float(time_s.min()) if len(time_s) else float("nan")


def distance_m(recording: Recording) -> float:
    """Distance of a recording as its device recorded it, not judged [m]; NaN where nothing tells it."""
    recorded = _known(recording, "distance_m")
    if len(recorded) >= 2:
        return float(recorded.max() - recorded[0])
    columns = {name: recording.readings[name].to_numpy() for name in ("latitude_deg", "longitude_deg")}
    speed_m_s, time_s = (recording.readings[name].to_numpy() for name in ("speed_m_s", "time_s"))
    if np.isfinite(speed_m_s).sum() >= 2:
        steps_s = np.maximum(np.nan_to_num(np.diff(time_s, prepend=time_s[0])), 0.0)
        return float((np.nan_to_num(speed_m_s) * steps_s).sum())
    is_placed = np.isfinite(columns["latitude_deg"]) & np.isfinite(columns["longitude_deg"])
    return float(great_circles(columns).sum()) if is_placed.sum() >= 2 else float("nan")


def _cadence_spm(recording: Recording) -> float:
    """Median of the cadence where a step was counted [steps/min]; NaN where none was."""
    known = _known(recording, "cadence_spm")
    return float(np.median(known[known > 0])) if (known > 0).any() else float("nan")


def _distance_km(recording: Recording) -> float:
    return distance_m(recording) / 1000


def _speed_m_s(recording: Recording) -> float:
    time_s = _known(recording, "time_s")
    lasted_s = float(time_s.max() - time_s.min()) if len(time_s) else 0.0
    return distance_m(recording) / lasted_s if lasted_s > 0 else float("nan")


def _known(recording: Recording, column: str) -> npt.NDArray[np.float64]:
    values: npt.NDArray[np.float64] = recording.readings[column].to_numpy()
    return values[np.isfinite(values)]


#: Name of a guard → the quantity of the recording that it looks at, and on which side of the limit it has to be. What
#: was not recorded is on neither.
GUARDS: Mapping[str, tuple[Callable[[Recording], float], int]] = {
    "only_if_cadence_below": (_cadence_spm, -1),
    "only_if_cadence_above": (_cadence_spm, 1),
    "only_if_distance_below_km": (_distance_km, -1),
    "only_if_distance_above_km": (_distance_km, 1),
    "only_if_speed_below_m_s": (_speed_m_s, -1),
    "only_if_speed_above_m_s": (_speed_m_s, 1),
}


def _is_of(entry: Correction, recording: Recording) -> bool:
    """Whether the recording has the device and the day of an entry."""
    device = (recording.device or "").casefold()
    wanted = entry.device.casefold() if entry.device is not None else None
    if wanted is not None and device != wanted and not fnmatchcase(device, wanted):
        return False
    if entry.from_date is None and entry.to_date is None:
        return True
    started_s = start_s(recording)
    if not recording.has_clock or not 0 <= started_s < _END_OF_CALENDAR_S:
        return False
    day = datetime.fromtimestamp(started_s, tz=UTC).date()
    return (entry.from_date or day) <= day <= (entry.to_date or day)


#: The year 9000: later, no calendar of this program has a date.
_END_OF_CALENDAR_S = 221_845_392_000


def _guards_hold(entry: Correction, recording: Recording) -> bool:
    if entry.only_if_sport not in (None, recording.sport):
        return False
    return all(
        side * (quantity(recording) - limit) > 0 for name, limit in entry.guards for quantity, side in [GUARDS[name]]
    )


def _can_be_applied(entry: Correction, recording: Recording) -> bool:
    """Whether everything that an entry changes was recorded, and what it adds was not."""
    counts = recording.readings
    needs = [
        (entry.cadence_factor, counts["cadence_spm"].count() > 0),
        (entry.distance_factor, any(counts[column].count() for column in _OF_DISTANCE)),
        (entry.belt_speed_m_s, not any(counts[column].count() for column in (*_OF_DISTANCE, *_PLACES))),
        (entry.clock_shift_s, recording.has_clock),
        (entry.time_zone, recording.has_clock),
    ]
    return all(is_there for value, is_there in needs if value is not None)


# --- What it changes --------------------------------------------------------------------------------------------------

_OF_DISTANCE = ("distance_m", "speed_m_s")
_PLACES = ("latitude_deg", "longitude_deg")


def _changed(entry: Correction, recording: Recording, *, is_zone_read: bool) -> Recording:
    readings, names = recording.readings, list(recording.corrected)
    factors = dict.fromkeys(_OF_DISTANCE, entry.distance_factor) | {"cadence_spm": entry.cadence_factor}
    for column, factor in factors.items():
        if factor is not None and readings[column].count():
            readings = readings.with_columns(pl.col(column) * factor)
            names.append(column)
    if entry.belt_speed_m_s is not None:
        readings = readings.with_columns(speed_m_s=pl.lit(entry.belt_speed_m_s))
        names.append("speed_m_s")
    recording = replace(recording, readings=readings, corrected=tuple(dict.fromkeys(names)))
    if entry.sport is not None:
        recording = replace(recording, sport=entry.sport)
    if entry.clock_shift_s is not None:
        shift_s = entry.clock_shift_s
        recording = _on_other_clock(recording, lambda times_s: times_s + shift_s)
    if entry.time_zone is not None and not is_zone_read:
        zone = entry.time_zone
        remark = clock.repeated_hour_s(recording.readings["time_s"], zone=zone)
        recording = replace(recording, remarks=(*recording.remarks, *([remark] if remark else [])))
        recording = _on_other_clock(recording, lambda times_s: clock.from_local_s(times_s, zone=zone))
    return recording


def _on_other_clock(recording: Recording, moved: Callable[[pl.Series], pl.Series]) -> Recording:
    """With other times; pauses and laps are moved by as much as the row nearest to each of their ends."""
    before = recording.readings["time_s"]
    after = moved(before)
    at_s, by_s = before.to_numpy(), (after - before).to_numpy()
    known = np.isfinite(at_s) & np.isfinite(by_s)

    def shifted(edge_s: float) -> float:
        return edge_s + float(by_s[known][np.argmin(np.abs(at_s[known] - edge_s))])

    pauses, laps = (
        tuple((shifted(begin_s), shifted(end_s)) for begin_s, end_s in spans) if known.any() else ()
        for spans in (recording.pauses, recording.laps)
    )
    return replace(recording, readings=recording.readings.with_columns(after.alias("time_s")), pauses=pauses, laps=laps)


def _changes(entry: Correction, source: str = "") -> Because:
    """What an entry changes, and where it stands."""
    said = {
        Reason.CORRECTED_BY_LEAVING_OUT: entry.leave_out,
        Reason.CORRECTED_SPORT: entry.sport,
        Reason.CORRECTED_CADENCE: entry.cadence_factor,
        Reason.CORRECTED_DISTANCE: entry.distance_factor,
        Reason.CORRECTED_BELT: entry.belt_speed_m_s,
        Reason.CORRECTED_CLOCK: entry.clock_shift_s,
        Reason.CORRECTED_ZONE: entry.time_zone,
        Reason.CORRECTED_TAGS: tags_text(dict(entry.tags)),
    }
    changes = [because(kind, value=value) for kind, value in said.items() if value is not None]
    return because(Reason.CORRECTED_BY, changes=changes, source=source)


def tags_text(tags: Mapping[str, str]) -> str | None:
    """Tags as `runs` holds them, in the order of their names; None without any."""
    return TAG_SEPARATOR.join(f"{name}{TAG_IS}{value}" for name, value in sorted(tags.items())) or None


def tags_of(text: str | None) -> dict[str, str]:
    """The tags of a text that `tags_text` wrote."""
    return dict(tag.split(TAG_IS, 1) for tag in text.split(TAG_SEPARATOR)) if text else {}
