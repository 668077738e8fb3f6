"""Splits to be handed out with a study: no name, no id, no date, no device of the store.

Athletes and runs are called by keyed digests, so that only who has the key can join them with the store again; the key
is never written beside them. Dates are moved by whole weeks, each athlete's by as many, so that order and weekday of an
athlete's runs stay. What fewer athletes share than the study allows is left out.

A study file may name athletes and devices. It is given out with the same pseudonyms in their place, wherever it names
them.
"""

from __future__ import annotations

import hmac
import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta

import polars as pl

from pipeline.core.errors import UsageError
from pipeline.core.metrics import QUANTITIES
from pipeline.study.small_cells import shared_groups
from pipeline.study.study_file import Study, read_study

#: Dates move by at most so many weeks, either way: far enough to hide which race a run was.
MOST_WEEKS = 26
#: Of a digest so many hexadecimal digits are used: a thousand million athletes would hardly meet.
DIGITS = 16

#: What is handed out of each split, and what it is.
COLUMNS: Mapping[str, str] = {
    "athlete": "The athlete, by a keyed digest.",
    "run": "The run, by a keyed digest.",
    "ran_on": "Day of the run [YYYY-MM-DD], moved by a number of weeks that is the athlete's own.",
    "kind": "Kind of session; null if not listed, or where too few athletes share kind, surface and device.",
    "surface": "Surface; likewise.",
    "device": "A number for each device; likewise.",
    "km": "Number of the split along the run.",
    "length_m": "Distance covered in it [m].",
    "moving_s": "Time spent running or walking in it [s].",
    "run_share": "Share of it that was run.",
    "speed_m_s": "Speed while running [m/s].",
    "slope_pct": "Mean slope [%].",
    **{one.column: f"{one.meaning} [{one.unit}]." for one in QUANTITIES if one.may_be_released},
}


def pseudonymised(splits: pl.DataFrame, runs: pl.DataFrame, key: bytes, *, least_cell: int) -> pl.DataFrame:
    """The splits of a cohort as they may be handed out.

    Args:
        splits: rows of `splits` of the cohort's runs.
        runs: rows of `runs` of the cohort.
        key: known to the store's owner alone.
        least_cell: kind, surface and device that fewer athletes than this share are left out
            (`pipeline.study.small_cells`).

    Returns:
        The columns of `COLUMNS`, in order of athlete, run and split. Stiffness is not among them: it was computed with
        an athlete's mass, and would give it back.
    """
    told = shared_groups(runs, least_cell)
    letters = {name: f"device {place + 1}" for place, name in enumerate(_by_use(told))}
    about = told.select(
        "run_id",
        _told(pl.col("athlete_id"), key, "athlete").alias("athlete"),
        _told(pl.col("run_id"), key, "run").alias("run"),
        pl.struct("athlete_id", "started_at_utc")
        .map_elements(lambda row: _moved(row, key), return_dtype=pl.String)
        .alias("ran_on"),
        "kind",
        "surface",
        pl.col("device").replace_strict(letters, default=None, return_dtype=pl.String),
    )
    return splits.join(about, on="run_id", how="inner").select(*COLUMNS).sort("athlete", "ran_on", "run", "km")


NAMES_REPLACED = (
    "# Athletes and devices are called by pseudonyms here. The digest in provenance.json is of the file as it was "
    "stated.\n"
)


def handed_out(study: Study, key: bytes) -> Study:
    """A study as it is given out: athletes and devices that its cohort names are called by pseudonyms everywhere.

    The cohort keeps the names, by which runs are found, and the digest stays that of the file. Names are replaced where
    they stand as whole words, also in comments and sentences, however they are written; of keys nothing changes. Who is
    named in a sentence alone stays named.

    Args:
        study: as its file states it.
        key: known to the store's owner alone.

    Raises:
        UsageError: a name is also a word that a study file needs, or is written with escapes.
    """
    cohort = study.cohort
    called = {name: _pseudonym(name, key, "athlete") for name in (*cohort.athletes, *cohort.not_athletes)}
    called |= {name: _pseudonym(name, key, "device") for name in cohort.devices}
    if not called:
        return study
    plain = {name.casefold(): pseudonym for name, pseudonym in called.items()}
    names = "|".join(re.escape(name) for name in sorted(called, key=len, reverse=True))
    # A key or the head of a table stands for itself; all else is looked through.
    pattern = re.compile(rf"(?P<kept>^[ \t]*(?:\[+[\w .-]+\]+|[\w-]+[ \t]*=))|(?<!\w)(?:{names})(?!\w)", re.I | re.M)
    shown = NAMES_REPLACED + pattern.sub(
        lambda found: found[0] if found["kept"] else plain[found[0].casefold()], study.text
    )
    expected = replace(
        cohort,
        athletes=tuple(called[name] for name in cohort.athletes),
        not_athletes=tuple(called[name] for name in cohort.not_athletes),
        devices=tuple(called[name] for name in cohort.devices),
    )
    try:
        told = read_study(shown, name="study.toml")
    except UsageError:
        told = None
    if told is None or told.cohort != expected:
        raise UsageError(
            "The names of athletes or devices in [cohort] cannot be told from the rest of the study file, and would be "
            "given out with it. Choose the cohort by other conditions, or write the names without escapes."
        )
    return replace(told, cohort=cohort, text=study.text, shown=shown)


def _told(ids: pl.Expr, key: bytes, of: str) -> pl.Expr:
    return ids.map_elements(lambda text: _pseudonym(text, key, of), return_dtype=pl.String)


def _pseudonym(text: str, key: bytes, of: str) -> str:
    return hmac.digest(key, f"{of} {text}".encode(), "sha256").hex()[:DIGITS]


def _moved(row: Mapping[str, object], key: bytes) -> str:
    digest = hmac.digest(key, f"dates {row['athlete_id']}".encode(), "sha256")
    # From one week to `MOST_WEEKS`, one way or the other: nobody's dates stay.
    number = int.from_bytes(digest[:8], "big") % (2 * MOST_WEEKS)
    weeks = number - MOST_WEEKS if number < MOST_WEEKS else number - MOST_WEEKS + 1
    started = row["started_at_utc"]
    return f"{started + timedelta(weeks=weeks):%Y-%m-%d}"  # type: ignore[operator]


def _by_use(runs: pl.DataFrame) -> list[str]:
    """Devices by digest-free order: the most used first, then as they first came."""
    counts = runs.drop_nulls("device").group_by("device", maintain_order=True).len()
    return counts.sort("len", descending=True, maintain_order=True)["device"].to_list()
