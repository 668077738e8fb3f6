"""Pseudonyms of a study: keyed digests in place of the ids of athletes, runs and devices.

Only the holder of the key can join them with the store; the key is never written to the output. A study file may name
athletes and devices. Its released copy has the same pseudonyms in place of these names.
"""

from __future__ import annotations

import hmac
import re
from dataclasses import replace

import polars as pl

from pipeline.core.errors import UsageError
from pipeline.study.study_file import Study
from pipeline.study.study_reader import read_study

#: Hexadecimal digits of a digest that are used: 64 bits, so that two athletes of a store do not collide.
DIGITS = 16


def pseudonymised(rows: pl.DataFrame, key: bytes) -> pl.DataFrame:
    """Rows with pseudonyms in `athlete` and `run`, sorted, so that their order says nothing of the store's."""
    ids = [name for name in ("athlete", "run") if name in rows.columns]
    return rows.with_columns(_digests(pl.col(name), key, name) for name in ids).sort(rows.columns)


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
        rows = read_study(shown, name="study.toml", registry=study.analyses[0].registry)
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
