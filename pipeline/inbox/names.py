"""Names of athletes as people write them: in other letters, with or without accents. Names in, names of folders out."""

from __future__ import annotations

import difflib
import unicodedata
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping

import polars as pl

from pipeline.inbox.list_files import MOST_NAMED, first_of, shown


def bare(name: str) -> str:
    """A name in small letters without accents: `Åsa`, however its letters are composed, is `asa`."""
    letters = unicodedata.normalize("NFKD", name.strip().casefold())
    return "".join(letter for letter in letters if unicodedata.category(letter) != "Mn")


def alike(folders: Collection[str]) -> Iterator[str]:
    """A sentence for each group of folders whose names differ in case or accents only."""
    by_name = defaultdict(list)
    for folder in sorted(folders):
        by_name[bare(folder)].append(folder)
    for names in by_name.values():
        if len(names) > 1:
            shown = " and ".join(repr(name) if name.isascii() else _spelled_out(name, names) for name in names)
            yield (
                f"The folders {shown} differ in capital letters or accents only. They are taken for "
                f"{len(names)} athletes; if they are of one, move the files into one of them."
            )


def _spelled_out(name: str, others: Collection[str]) -> str:
    """A name, and how its accents are stored where that is the only difference."""
    form = unicodedata.normalize("NFC", name)
    is_composed_twice = sum(unicodedata.normalize("NFC", other) == form for other in others) > 1
    if not is_composed_twice:
        return repr(name)
    return f"'{name}' ({'composed' if name == form else 'decomposed'} letters)"


def as_folders(
    lists: Mapping[str, pl.DataFrame], folders: Collection[str], files: Mapping[str, str] | None = None
) -> tuple[dict[str, pl.DataFrame], tuple[str, ...]]:
    """Bring the athletes of the lists back to the names of their folders; with a notice for each that changed or is
    none.

    Args:
        lists: name of a list -> its rows; those without a column `athlete_id` stay as they are.
        folders: names of the athletes' folders.
        files: name of a list -> what the file is called; None where it has that name.
    """
    by_name = defaultdict(list)
    for folder in folders:
        by_name[bare(folder)].append(folder)
    renamed, notices = {}, list[str]()
    for name, rows in lists.items():
        file = name if files is None else files[name]
        if "athlete_id" not in rows.columns:
            renamed[name] = rows
            continue
        spelled: dict[str, str] = {}
        unknown: list[str] = []
        n_asked = 0
        for athlete_id in rows["athlete_id"].drop_nulls().unique(maintain_order=True):
            same = by_name[bare(athlete_id)]
            if athlete_id in folders:
                continue
            if len(same) == 1:
                spelled[athlete_id] = same[0]
                notices.append(f"{file}: '{shown(athlete_id)}' is taken as the athlete of the folder '{same[0]}'.")
            else:
                n_asked += 1  # to look for what is near takes a while where there are many folders
                near = same or (
                    difflib.get_close_matches(athlete_id, list(folders), n=1) if n_asked <= MOST_NAMED else []
                )
                hint = f" Did you mean '{near[0]}'?" if near else ""
                if name == "strikes.csv" and not near:
                    continue  # who was filmed need not have recorded
                unknown.append(f"{file}: there is no folder of an athlete '{shown(athlete_id)}' in the inbox.{hint}")
        notices += first_of(unknown, MOST_NAMED, f"{file}: {{}} more athletes have no folder in the inbox.")
        renamed[name] = rows.with_columns(pl.col("athlete_id").replace(spelled)) if spelled else rows
        if name == "roster.csv" and spelled and renamed[name]["athlete_id"].is_duplicated().any():
            notices.append(f"{file}: an athlete is there in two spellings; the first line is used.")
            renamed[name] = renamed[name].unique("athlete_id", keep="first", maintain_order=True)
    return renamed, tuple(notices)
