"""The rows behind the pages, by athlete, and the name that each athlete is shown by."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import secrets
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from urllib.parse import quote

import polars as pl

from pipeline.core.errors import NothingDone
from pipeline.core.places import files_below
from pipeline.core.settings import Settings
from pipeline.pages.file_counts import splits_of
from pipeline.pages.language import Language
from pipeline.pages.squads import DIVIDED, FINDINGS, SquadTask, rows_of
from pipeline.pages.units import Units
from pipeline.store.contents import LISTS, read_checked
from pipeline.store.layout import files_of, partition, read_contents, read_partitions, read_rows, table_folder
from pipeline.tables import PARTITIONED, empty

_NAMES, _NOTES, _KEY = (Path("known") / name for name in ("names.json", "notes.json", "page_key"))


@dataclass(frozen=True)
class Pages:
    """What all pages of one state have in common.

    Attributes:
        built: folder of the state being built, its tables written.
        before: folder of a state whose pages may be taken over; None for none.
        token: different for every state, even where a folder name is reused.
        samples: folder of the state whose samples are read, if not of `built`: of one that is complete they are
            compared with their digests.
    """

    built: Path
    before: Path | None
    settings: Settings
    token: str
    samples: Path | None = None

    @property
    def club(self) -> ClubRows:
        """The rows of the state, for modules that this one imports."""
        return club_rows(self)

    @cached_property
    def units(self) -> Units:
        """How distance and speed are shown."""
        return Units(self.settings.page_distance, self.settings.page_speed)

    @cached_property
    def language(self) -> Language:
        """The language of the pages."""
        return Language(self.settings.page_language, self.units, self.settings.registry)


def pages_of(
    built: Path, before: Path | None, settings: Settings, damaged: Collection[str] = (), older: Iterable[Path] = ()
) -> Pages | None:
    """What the pages of a state have in common; None where the settings want none.

    Keeps a key for the codes if athletes are shown by them: one key per store, for as long as the store exists.

    Args:
        damaged: files of the state before; if one is a page, or a list of some, all pages are drawn again.
        older: states to look for the key in if the one before does not have it.
    """
    if not (built / _KEY).is_file():
        # Kept even where codes are switched off: switched on again, they should be the same.
        known = next(filter(None, map(_key, (before, *older))), None)
        if known is not None or settings.pages == "codes":
            (built / _KEY).write_bytes(known or secrets.token_bytes(32))
    if any(name.startswith(("pages/", f"{LISTS}/")) for name in damaged):
        before = None
    return None if settings.pages == "none" else Pages(built, before, settings, secrets.token_hex(4))


def _key(state: Path | None) -> bytes | None:
    """The key of a state; None where it has none, or a damaged one."""
    try:
        return None if state is None else read_checked(state, _KEY.as_posix())
    except (NothingDone, FileNotFoundError):
        return None


class ClubRows:
    """The published tables of a state, by athlete; for a task of a large club, the rows that it shows alone."""

    def __init__(self, built: Path, *, is_coded: bool, task: SquadTask | None = None) -> None:
        """Read nothing yet; each table is read on first use."""
        self._built, self._is_coded, self._task = built, is_coded, task
        self.squad_page = None if task is None else task.page
        self._tables: dict[str, Mapping[str | None, pl.DataFrame]] = {}
        self._digests: dict[tuple[str, object], Mapping[str | None, str]] = {}

    def table(self, name: str) -> pl.DataFrame:
        """A table: whole, or what the task shows of it."""
        return self._divided[name] if self._task and name in DIVIDED else read_rows(self._built, name)

    @property
    def findings(self) -> list[dict[str, str | None]]:
        """The findings of the athletes of the page that changed with the refresh."""
        return self._divided[FINDINGS].to_dicts()

    @cached_property
    def _divided(self) -> Mapping[str, pl.DataFrame]:
        assert self._task is not None
        return rows_of(self._built, self._task)

    def own(self, name: str, athlete_id: str) -> pl.DataFrame:
        """The rows of a table of one athlete; without a column `athlete_id`, those of the athlete's runs."""
        if name in PARTITIONED:  # of an athlete at a time: of the whole club it is larger than all else together
            if athlete_id not in self._tables.get(name, {}):
                self._tables[name] = {athlete_id: read_partitions(self._built, name, athlete_id)}
        elif name not in self._tables:
            parts = self._of_athletes(name).partition_by("athlete_id", as_dict=True, maintain_order=True)
            self._tables[name] = {key: part for (key,), part in parts.items()}
        own = self._tables[name].get(athlete_id)
        return empty(name) if own is None else own

    def digest(self, name: str, athlete_id: str, shown: Callable[[pl.DataFrame], pl.DataFrame] | None = None) -> str:
        """A digest of an athlete's rows of a table; the same in all processes of one version of the library.

        Args:
            shown: a function of a module that takes the rows and gives what of them matters.
        """
        if name in PARTITIONED:  # without reading rows: their files are the same wherever the rows are
            files = files_of(self._built, partition(name, athlete_id))
            return hashlib.sha256(b"".join(read_contents(self._built, files))).hexdigest()
        if (name, shown) not in self._digests:
            self._digests[name, shown] = _digests(self._of_athletes(name), shown)
        return self._digests[name, shown].get(athlete_id, "")

    def _of_athletes(self, name: str) -> pl.DataFrame:
        rows = self.table(name)
        if "athlete_id" in rows.columns:
            return rows
        return rows.join(self.table("runs").select("run_id", "athlete_id"), on="run_id", how="inner")

    def splits(self) -> Iterator[pl.DataFrame]:
        """The splits of everyone, of some athletes at a time."""
        return splits_of(self._built, self.athletes)

    @cached_property
    def athletes(self) -> list[str]:
        """The athletes who have a run, in order."""
        return self.table("runs")["athlete_id"].unique().sort().to_list()

    @cached_property
    def _names(self) -> Mapping[str, str]:
        names: dict[str, str] = json.loads((self._built / _NAMES).read_text(encoding="utf-8"))
        return names

    @cached_property
    def _notes(self) -> Mapping[str, str]:
        file = self._built / _NOTES
        notes: dict[str, str] = json.loads(file.read_text(encoding="utf-8")) if file.is_file() else {}
        return notes

    @cached_property
    def _key(self) -> bytes:
        return (self._built / _KEY).read_bytes()

    @property
    def is_coded(self) -> bool:
        """Whether athletes are shown by codes; nothing that people wrote is shown then."""
        return self._is_coded

    def shown(self, athlete_id: str) -> str:
        """The name that an athlete is shown by."""
        return self.folder(athlete_id) if self._is_coded else self._names.get(athlete_id, athlete_id)

    def note(self, athlete_id: str) -> str | None:
        """What the roster's note says of an athlete; never with codes."""
        return None if self._is_coded else self._notes.get(athlete_id)

    def sort_key(self, athlete_id: str) -> tuple[str, str]:
        """Athletes are sorted as they are shown, since the order of the names would reveal the codes."""
        return self.shown(athlete_id).casefold(), athlete_id

    def owner(self, athlete_id: str | None, language: Language) -> str:
        """The name that the owner of a file is shown by."""
        return language("files.no_owner") if athlete_id is None else self.shown(athlete_id)

    def files_in_order(self, ledger: pl.DataFrame, language: Language) -> pl.DataFrame:
        """Rows of `recordings` as they are listed: with codes by what is shown of them, for the same reason."""
        if not self._is_coded:
            return ledger.sort("path", "session")
        owners = pl.Series([self.owner(athlete_id, language) for athlete_id in ledger["athlete_id"]], dtype=pl.String)
        return ledger.with_columns(owner=owners).sort("owner", "sha256", "session").drop("owner")

    def folder(self, athlete_id: str) -> str:
        """The name of the athlete's folder below `pages/athletes`."""
        if not self._is_coded:
            return athlete_id
        return f"runner-{self._code(athlete_id)}"

    def _code(self, name: str) -> str:
        digest = hmac.digest(self._key, name.encode(), "sha256")
        return base64.b32encode(digest)[:8].decode().lower()

    def address(self, athlete_id: str) -> str:
        """The athlete's page as seen from the index, or from the page of a squad."""
        return f"{'../' if self.squad_page else ''}athletes/{quote(self.folder(athlete_id))}/index.html"

    @cached_property
    def _shoes(self) -> Mapping[str, tuple[str | None, float | None]]:
        rows = self.table("shoes").select("shoe_id", "name", "heel_toe_drop_mm").iter_rows()
        return {shoe_id: (name, drop_mm) for shoe_id, name, drop_mm in rows}

    def page(self, athlete_id: str) -> str:
        """An athlete's page as seen from that of another athlete."""
        return f"../{quote(self.folder(athlete_id))}/index.html"

    def shoe(self, shoe_id: str | None) -> str | None:
        """The name that a shoe is shown by; a real name may identify its owner."""
        if shoe_id is None:
            return None
        if self._is_coded:
            return f"shoe-{self._code(f'shoe {shoe_id}')[:5]}"
        return self._shoes.get(shoe_id, (None, None))[0] or shoe_id

    def drop_mm(self, shoe_id: str | None) -> float | None:
        """The drop of a shoe, where the list of shoes has it."""
        return None if shoe_id is None else self._shoes.get(shoe_id, (None, None))[1]

    @cached_property
    def _session_notes(self) -> Mapping[int, str]:
        return dict(self.table("sessions").select("line", "note").drop_nulls().iter_rows())

    def session_note(self, line: int | None) -> str | None:
        """What the list of sessions notes of a run, by its line there; never with codes."""
        return None if line is None or self._is_coded else self._session_notes.get(line)

    @cached_property
    def _squads(self) -> Mapping[str, str]:
        return dict(self.table("roster").select("athlete_id", "squad").drop_nulls().iter_rows())

    def squad(self, athlete_id: str) -> str | None:
        """The athlete's squad; never with codes."""
        return None if self._is_coded else self._squads.get(athlete_id)

    @cached_property
    def _in_order(self) -> list[str]:
        return sorted(self.athletes, key=self.sort_key)

    def neighbours(self, athlete_id: str) -> tuple[str | None, str | None]:
        """The athletes before and after one, in the order of the names shown."""
        place = self._in_order.index(athlete_id)
        before, after = self._in_order[:place][-1:], self._in_order[place + 1 :][:1]
        return (before[0] if before else None), (after[0] if after else None)

    @cached_property
    def has_quality(self) -> bool:
        """Whether the recordings were judged; states that older versions made have no such table."""
        return bool(files_below(table_folder(self._built, "quality")))


def _digests(rows: pl.DataFrame, shown: Callable[[pl.DataFrame], pl.DataFrame] | None) -> Mapping[str | None, str]:
    hashes = (rows if shown is None else shown(rows)).hash_rows()
    by_athlete = pl.DataFrame({"athlete_id": rows["athlete_id"], "digest": hashes})
    parts = by_athlete.partition_by("athlete_id", as_dict=True, maintain_order=True, include_key=False)
    return {key: part["digest"].to_numpy().tobytes().hex() for (key,), part in parts.items()}


def club_rows(pages: Pages, task: SquadTask | None = None) -> ClubRows:
    """The rows of a state, or those for a task; read once by each process, however many athletes it draws."""
    return _read_once(pages.built, pages.settings.pages == "codes", pages.token, task)


@lru_cache(maxsize=1)
def _read_once(built: Path, is_coded: bool, _token: str, task: SquadTask | None) -> ClubRows:
    return ClubRows(built, is_coded=is_coded, task=task)


def run_name(run_id: str, athlete_id: str) -> str:
    """The name of a run among the athlete's runs: its start."""
    return run_id.removeprefix(f"{athlete_id}-")


# --- Kept besides the tables -----------------------------------------------------------------------------------------


def write_names(built: Path, athletes: pl.DataFrame) -> None:
    """Keep the names and notes of the roster for the pages; the tables have none."""
    for file, column in ((_NAMES, "display_name"), (_NOTES, "note")):
        texts = dict(athletes.select("athlete_id", column).drop_nulls().sort("athlete_id").iter_rows())
        (built / file).write_text(json.dumps(texts, ensure_ascii=False), encoding="utf-8")


def has_names(built: Path) -> bool:
    """Whether a state has what the pages need besides the tables; states of older versions do not."""
    return (built / _NAMES).is_file()
