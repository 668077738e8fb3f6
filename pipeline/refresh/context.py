"""What steps of a refresh are given and return, between processes too; imports no library but Polars."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.inbox.inbox import Inbox, InboxFile
from pipeline.store.bundles import GATHERED
from pipeline.store.history import MOST_NAMES
from pipeline.store.known import KeptRows
from pipeline.store.sections import Section

if TYPE_CHECKING:
    from pipeline.methods.club_draft import ClubDraft


@dataclass(frozen=True)
class RunContext:
    """What every step that only reads shares, as for `splitdrift check`.

    Attributes:
        inbox: where the files are, the lists and the settings; without the list of files, which is divided into shards.
    """

    inbox: Inbox


@dataclass(frozen=True)
class BuildContext(RunContext):
    """What every step of one refresh shares.

    Attributes:
        built: folder of the state being built.
        known: the rows of the refresh before; None where there are none to build on.
        n_sections: into how many sections the club is divided.
        is_as_before: whether lists, settings and code are those of the refresh before, and its tables sound.
    """

    built: Path
    known: KeptRows | None = None
    n_sections: int = 1
    is_as_before: bool = False

    @property
    def sections(self) -> list[Section]:
        """The sections of the club."""
        return [Section(number, self.n_sections) for number in range(self.n_sections)]

    @property
    def outputs(self) -> list[str | Section]:
        """What `pipeline.refresh.club.write_output` is to write; of a club in sections, each one's CSV files apart."""
        return [DATABASE, EXPORTS, *(self.sections if self.n_sections > 1 else ())]

    @property
    def kept(self) -> KeptRows:
        """The rows of this refresh, section by section as they are written."""
        return KeptRows(self.built, self.n_sections)


@dataclass(frozen=True)
class Shard:
    """A few files of one athlete, or of none."""

    athlete_id: str | None
    files: tuple[InboxFile, ...]


def one_file_each(shard: Shard) -> list[Shard]:
    """The files of a shard, each in a shard of its own."""
    return [replace(shard, files=(file,)) for file in shard.files]


@dataclass(frozen=True)
class Measured:
    """What came of shards. All small: samples stay in the files named in `runs`.

    Attributes:
        runs: one row per run (`RUN`): what `runs` needs, what identifies duplicates, and `samples_file`.
        passing: files rejected for a reason that may have passed by the next refresh.
        duplicates: other recordings of the runs, once these are known: columns of `RUN`, and `duplicate_of`.
    """

    recordings: pl.DataFrame
    runs: pl.DataFrame
    exclusions: pl.DataFrame
    quality: pl.DataFrame
    splits: pl.DataFrame
    lap_splits: pl.DataFrame
    passing: tuple[str, ...] = ()
    duplicates: pl.DataFrame | None = None

    @property
    def parts(self) -> dict[str, pl.DataFrame]:
        """Its tables by name."""
        others = ("passing", "duplicates")
        return {part.name: getattr(self, part.name) for part in fields(self) if part.name not in others}

    @classmethod
    def of_parts(cls, parts: Mapping[str, pl.DataFrame]) -> Measured:
        """The inverse of `parts`."""
        tables: dict[str, Any] = dict(parts)
        return cls(**tables)


#: Columns of `Measured.runs`. Of a recording without distance, which may still be joined to another one, `lacks`
#: has the reasons for which it is refused if it is not. `is_corrected` and `is_listed` say whether corrections.toml and
#: sessions.csv name its file. `laps` are begin and end of each lap in turn, as in `LAPS`.
RUN: dict[str, pl.DataType | type[pl.DataType]] = {
    "run_id": pl.String, "athlete_id": pl.String, "file": pl.String, "path": pl.String, "session": pl.Int64,
    "sha256": pl.String, "started_at_utc": pl.Datetime("us", "UTC"), "ended_at_utc": pl.Datetime("us", "UTC"),
    "paused_s": pl.Float64, "device": pl.String, "sensors": pl.String, "altitude": pl.String,
    "speed_source": pl.String, "tags": pl.String,
    "n_quantities": pl.Int64, "is_damaged": pl.Boolean, "n_samples": pl.Int64, "samples_file": pl.String,
    "is_corrected": pl.Boolean, "is_listed": pl.Boolean,
    "quantities": pl.List(pl.String), "lacks": pl.String,
    "laps": pl.List(pl.Float64),
}  # fmt: skip


#: What is known of each recording from which something was joined to the run that was kept.
JOIN: dict[str, pl.DataType | type[pl.DataType]] = {
    "run_id": pl.String, "path": pl.String, "session": pl.Int64, "sensors": pl.String, "altitude": pl.String,
    "reasons": pl.String, "quantities": pl.String, "clock_shift_s": pl.Float64, "clock_agreement": pl.Float64,
}  # fmt: skip


@dataclass(frozen=True)
class SampledRuns:
    """What the stage `splits` starts from: what is measured so far, the samples of the runs, and their laps.

    Attributes:
        others: samples of other recordings of a run, and of those without distance, by their file.
    """

    measured: Measured
    samples: pl.DataFrame
    laps: pl.DataFrame
    others: dict[str, pl.DataFrame] = field(default_factory=dict)


@dataclass(frozen=True)
class Athlete:
    """An athlete to be analysed; None for the files that belong to no athlete.

    Attributes:
        bundles: names of those with what the shards of the athlete gave.
        stays: files of the athlete that were read by an earlier refresh, and not again.
    """

    athlete_id: str | None
    bundles: tuple[str, ...] = ()
    stays: tuple[str, ...] = ()

    @property
    def is_touched(self) -> bool:
        """Whether anything about the files changed; otherwise the splits are in the state being built already."""
        return bool(self.bundles or self.stays)


@dataclass(frozen=True)
class AthleteTask:
    """An athlete to be analysed in one of the rounds that need something of the club; `OF_CLUB`, in these metrics."""

    athlete_id: str
    metrics: tuple[str, ...] = ()


@dataclass(frozen=True)
class SectionTask:
    """A section of the club whose rows are to be gathered: what is known of it, and what is new.

    Attributes:
        in_round: of which round over athletes; those `ALONE` include what files gave.
        metrics: in which no known rows hold any longer.
        of_everyone: whether none hold at all.
    """

    section: Section
    in_round: str
    metrics: tuple[str, ...] = ()
    of_everyone: bool = False


@dataclass(frozen=True)
class ResponsesTask:
    """A section of a club whose responses are to be added up.

    Attributes:
        rows: of the state whose club it is.
        draft: for the second sums; None for the first.
        added_from: the number of sections whose sums these are added from.
    """

    rows: KeptRows
    section: Section
    draft: ClubDraft | None = None
    added_from: int = 1

    @property
    def name(self) -> str:
        """Of the bundle with its sums."""
        order = "first" if self.draft is None else "second"
        return f"{GATHERED}/responses/{self.rows.state.name}/{order}/{self.section.number}-{self.section.of}"


@dataclass(frozen=True)
class Outcome:
    """What the ledger and the findings of a new state, or of a section of it, say.

    Attributes:
        n_files: how many files the ledger has.
        statuses: number of sessions by status.
        n_refused: how many sessions of files that came in were rejected.
        refused: `path`, `session` and `reason` of the first of them.
        findings: `athlete_id`, `metric` and the finding `before` and `after`, where these differ.
        notices: everything to look at, a sentence each; of a club in one section, since only there they are noted.
    """

    n_files: int
    statuses: Mapping[str, int]
    n_refused: int
    refused: Sequence[Mapping[str, Any]]
    findings: Sequence[Mapping[str, str | None]]
    notices: Sequence[str] = ()

    @classmethod
    def total(cls, outcomes: Iterable[Outcome]) -> Outcome:
        """What came of the whole club, from what came of its sections, in any order."""
        sections, statuses = list(outcomes), Counter[str]()
        for section in sections:
            statuses.update(section.statuses)
        refused = chain.from_iterable(section.refused for section in sections)
        findings = chain.from_iterable(section.findings for section in sections)
        return cls(
            sum(section.n_files for section in sections),
            dict(sorted(statuses.items())),
            sum(section.n_refused for section in sections),
            sorted(refused, key=lambda row: (row["path"], row["session"]))[:MOST_NAMES],
            sorted(findings, key=lambda row: (row["athlete_id"], row["metric"])),
            list(chain.from_iterable(section.notices for section in sections)),
        )


def changes_of(section: Section) -> str:
    """The name of the bundle that notes what changed in the files of a section, and whose rows are recomputed."""
    return f"{GATHERED}/changes/{section.number}"


def as_measured_of(section: Section) -> str:
    """The folder of the samples of recordings that are joined, as files gave them."""
    return f"{GATHERED}/as_measured/{section.number}"


def own_of(section: Section, in_round: str) -> str:
    """The folder of the bundles with what the athletes of a section gave in a round."""
    return f"{GATHERED}/{in_round}/{section.number}"


#: What the tables are written as besides Parquet: for SQL users, for spreadsheets. Neither needs the other.
DATABASE, EXPORTS = "database", "exports"
