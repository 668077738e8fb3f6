"""Pseudonymised splits of a study: without names, ids, dates and devices of the store.

Athletes and runs are identified by keyed digests, so that only the holder of the key can join them with the store; the
key is never written to the output. Dates are shifted by whole weeks, the same number for all runs of an athlete, so
that the order and weekday of an athlete's runs stay. Attributes that too few athletes share are left out.

A study file may name athletes and devices. Its released copy has the same pseudonyms in place of these names.
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
from pipeline.study.study_file import Study
from pipeline.study.study_reader import read_study

#: Largest shift of dates [weeks], in either direction: enough to hide which race a run was.
MOST_WEEKS = 26
#: Hexadecimal digits of a digest that are used: 64 bits, so that two athletes of a store do not collide.
DIGITS = 16

#: Released columns of each split, with their meaning.
COLUMNS: Mapping[str, str] = {
    "athlete": "Pseudonym of the athlete, a keyed digest.",
    "run": "Pseudonym of the run, a keyed digest.",
    "ran_on": "Day of the run [YYYY-MM-DD], shifted by a number of weeks, the same for all runs of an athlete.",
    "kind": "Kind of session; null if not listed, or where too few athletes share kind, surface and device.",
    "surface": "Surface; likewise.",
    "device": "A number for each device; likewise.",
    "km": "Number of the split along the run.",
    "length_m": "Distance covered in it [m].",
    "moving_s": "Time spent running or walking in it [s].",
    "run_share": "Share of it that was run.",
    "speed_m_s": "Speed while running [m/s].",
    "slope_pct": "Mean slope [%].",
    **{
        quantity.column: f"{quantity.meaning} [{quantity.unit}]." for quantity in QUANTITIES if quantity.may_be_released
    },
}


def pseudonymised(splits: pl.DataFrame, runs: pl.DataFrame, key: bytes, *, least_cell: int) -> pl.DataFrame:
    """The splits of a cohort as they may be released.

    Args:
        splits: rows of `splits` of the cohort's runs.
        least_cell: kind, surface and device that fewer athletes than this share are left out
            (`pipeline.study.small_cells`).

    Returns:
        The columns of `COLUMNS`, in order of athlete, run and split. Stiffness is not among them: it is computed from
        the athlete's mass, which would follow from it.
    """
    rows = shared_groups(runs, least_cell)
    device_numbers = {name: f"device {place + 1}" for place, name in enumerate(_by_use(rows))}
    about = rows.select(
        "run_id",
        _digests(pl.col("athlete_id"), key, "athlete").alias("athlete"),
        _digests(pl.col("run_id"), key, "run").alias("run"),
        pl.struct("athlete_id", "started_at_utc")
        .map_elements(lambda row: _moved(row, key), return_dtype=pl.String)
        .alias("ran_on"),
        "kind",
        "surface",
        pl.col("device").replace_strict(device_numbers, default=None, return_dtype=pl.String),
    )
    return splits.join(about, on="run_id", how="inner").select(*COLUMNS).sort("athlete", "ran_on", "run", "km")


NAMES_REPLACED = (
    "# Names of athletes and devices are replaced by pseudonyms here. The digest in provenance.json is that of the "
    "original file.\n"
)


def released(study: Study, key: bytes) -> Study:
    """A study as it is released: names of athletes and devices in its cohort are replaced by pseudonyms everywhere.

    The cohort keeps the names, by which runs are selected, and the digest stays that of the original file. Names are
    replaced where they are whole words, in comments and sentences too, regardless of case; keys are left alone. A
    person who is named in a sentence but not in the cohort stays named.

    Raises:
        UsageError: a name is also a word of the file format, or is written with escapes.
    """
    cohort = study.cohort
    pseudonyms = {name: _pseudonym(name, key, "athlete") for name in (*cohort.athletes, *cohort.not_athletes)}
    pseudonyms |= {name: _pseudonym(name, key, "device") for name in cohort.devices}
    if not pseudonyms:
        return study
    by_casefold = {name.casefold(): pseudonym for name, pseudonym in pseudonyms.items()}
    names = "|".join(re.escape(name) for name in sorted(pseudonyms, key=len, reverse=True))
    # Keys and table headers are kept; everything else is searched.
    pattern = re.compile(rf"(?P<kept>^[ \t]*(?:\[+[\w .-]+\]+|[\w-]+[ \t]*=))|(?<!\w)(?:{names})(?!\w)", re.I | re.M)
    shown = NAMES_REPLACED + pattern.sub(
        lambda match: match[0] if match["kept"] else by_casefold[match[0].casefold()], study.text
    )
    expected = replace(
        cohort,
        athletes=tuple(pseudonyms[name] for name in cohort.athletes),
        not_athletes=tuple(pseudonyms[name] for name in cohort.not_athletes),
        devices=tuple(pseudonyms[name] for name in cohort.devices),
    )
    try:
        rows = read_study(shown, name="study.toml")
    except UsageError:
        rows = None
    if rows is None or rows.cohort != expected:
        raise UsageError(
            "The names of athletes or devices in [cohort] cannot be told apart from the rest of the study file, and "
            "would be released with it. Choose the cohort by other conditions, or write the names without escapes."
        )
    return replace(rows, cohort=cohort, text=study.text, shown=shown)


def _digests(ids: pl.Expr, key: bytes, of: str) -> pl.Expr:
    return ids.map_elements(lambda text: _pseudonym(text, key, of), return_dtype=pl.String)


def _pseudonym(text: str, key: bytes, of: str) -> str:
    return hmac.digest(key, f"{of} {text}".encode(), "sha256").hex()[:DIGITS]


def _moved(row: Mapping[str, object], key: bytes) -> str:
    digest = hmac.digest(key, f"dates {row['athlete_id']}".encode(), "sha256")
    # From one week to `MOST_WEEKS`, in either direction: no athlete's dates stay.
    number = int.from_bytes(digest[:8], "big") % (2 * MOST_WEEKS)
    weeks = number - MOST_WEEKS if number < MOST_WEEKS else number - MOST_WEEKS + 1
    started = row["started_at_utc"]
    return f"{started + timedelta(weeks=weeks):%Y-%m-%d}"  # type: ignore[operator]


def _by_use(runs: pl.DataFrame) -> list[str]:
    """Devices by number of runs, most used first, then by first use."""
    counts = runs.drop_nulls("device").group_by("device", maintain_order=True).len()
    return counts.sort("len", descending=True, maintain_order=True)["device"].to_list()
