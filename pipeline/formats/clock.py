"""Times as text, made numbers. One text in, one number of seconds out; null where the text is no such time.

Instants are ISO-8601 (`2026-04-12T09:30:00.25Z`, `2026-04-12 11:30:00+02:00`); a blank in place of the `T` is accepted,
since spreadsheets write it. Clock faces are `h:mm:ss` or `mm:ss`, the last part with or without decimals.
"""

from __future__ import annotations

import polars as pl

_WITHOUT_ZONE = "%Y-%m-%dT%H:%M:%S%.f"
_WITH_ZONE = _WITHOUT_ZONE + "%#z"
_CLOCK_FACE = r"^(?:(?<hours>\d{1,4}):)?(?<minutes>\d{1,4}):(?<seconds>\d{1,2}(?:\.\d*)?)$"


def epoch_s(texts: pl.Series, *, zone: str | None) -> pl.Series:
    """Read instants as seconds since 1970-01-01T00:00:00Z.

    Args:
        texts: ISO-8601 texts.
        zone: IANA name of the zone of those texts that carry none; None leaves them null.

    The hour that the end of summer time repeats is read as its first pass; the hour that its start leaves out is null.
    """
    texts = _with_t(texts)
    instants = texts.str.to_datetime(_WITH_ZONE, time_unit="us", time_zone="UTC", strict=False).dt.timestamp("us")
    if zone is not None and instants.null_count() > texts.null_count():
        local = texts.str.to_datetime(_WITHOUT_ZONE, time_unit="us", strict=False)
        placed = local.dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
        instants = instants.fill_null(placed.dt.timestamp("us"))
    return instants.cast(pl.Float64()) / 1e6


def lacks_zone(texts: pl.Series) -> pl.Series:
    """Whether each text is a date and time that does not say in which zone."""
    return _with_t(texts).str.to_datetime(_WITHOUT_ZONE, time_unit="us", strict=False).is_not_null()


def looks_dated(texts: pl.Series) -> bool:
    """Whether the first text present begins with a date and a time of day, whatever follows."""
    first = texts.drop_nulls().head(1)
    return len(first) == 1 and bool(first.str.contains(r"^\d{4}-\d{2}-\d{2}[T ]\d").item())


def clock_face_s(texts: pl.Series) -> pl.Series:
    """Read clock faces (`1:02:03.5`, `5:30`) as seconds."""
    parts = texts.str.extract_groups(_CLOCK_FACE).struct.unnest().cast(pl.Float64())
    return parts["hours"].fill_null(0.0) * 3600 + parts["minutes"] * 60 + parts["seconds"]


def _with_t(texts: pl.Series) -> pl.Series:
    return texts.str.strip_chars().str.replace(r"^(\d{4}-\d{2}-\d{2}) +", "${1}T")
