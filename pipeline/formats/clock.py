"""Times as text, made numbers. One text in, one number of seconds out; null where the text is no such time.

Instants are ISO 8601 (`2026-04-12T09:30:00.25Z`, `2026-04-12 11:30:00+02:00`) or another date with a time of day, of 12
or 24 hours: `12.04.2026 9:30`, `4/12/2026 9:30:00 AM`, `2026年4月12日 9:30`. Which of two numbers is the day is decided
by the dates of the whole file, where one of them is above 12; otherwise by `columns.toml`. Clock faces are `h:mm:ss` or
`mm:ss`, the last part with or without decimals.

The end of summer time repeats an hour of a local clock. Which pass a time belongs to follows from the order of the
rows: a clock that steps back has begun the second one, and time without a row is not longer than it has to be.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.core.reasons import Because, Reason, because

DATE_ORDERS = DAY_FIRST, MONTH_FIRST, YEAR_FIRST = ("day-month-year", "month-day-year", "year-month-day")

#: What spreadsheets write behind a date alone.
MIDNIGHT = r"[T ]0?0:00(:00)?(\.0+)?$"

#: Day 0 of spreadsheets, 1899-12-30, in days before 1970-01-01; right for every date since March 1900.
_SPREADSHEET_EPOCH_DAYS = 25_569

_WITHOUT_ZONE = "%Y-%m-%dT%H:%M:%S%.f"
_WITH_ZONE = _WITHOUT_ZONE + "%#z"
_CLOCK_FACE = r"^(?:(?<hours>\d{1,4}):)?(?<minutes>\d{1,4}):(?<seconds>\d{1,2}(?:\.\d*)?)$"

#: Half of the day, in the languages whose clocks have two: before or after the time.
_AM, _PM = r"a\.?\s?m\.?|午前|上午|오전|vorm\.?|f\.?m\.", r"p\.?\s?m\.?|午後|下午|오후|nachm\.?|e\.?m\."
_DATE = r"(?<first>\d{1,4})[./-] ?(?<second>\d{1,2})[./-] ?(?<third>\d{1,4})"
_TIME = (
    rf"(?<half_before>{_AM}|{_PM})?\s*(?<hour>\d{{1,2}})[:.](?<minute>\d{{1,2}})(?:[:.](?<sec>\d{{1,2}}(?:[.,]\d+)?))?"
    rf"\s*(?<half_after>{_AM}|{_PM})?\s*(?<zone>z|utc|gmt|[+-]\d{{2}}:?\d{{2}})?"
)
_INSTANT = rf"(?i)^{_DATE}\.?,?(?:\s+|t){_TIME}$"


def epoch_s(texts: pl.Series, *, zone: str | None, order: str | None = None) -> pl.Series:
    """Read instants as seconds since 1970-01-01T00:00:00Z.

    Args:
        texts: instants as in the docstring of this module.
        zone: IANA name of the zone of those texts that carry none; None leaves them null.
        order: of `DATE_ORDERS`; None where the texts decide it. Dates that stay undecided are null.

    The hour that the start of summer time leaves out is null.
    """
    plain = _with_t(texts)
    instants = _zoned_us(plain)
    if instants.null_count() == texts.null_count():
        return instants.cast(pl.Float64()) / 1e6
    if zone is not None:
        instants = instants.fill_null(_placed(_local(plain), zone).instants)
    if instants.null_count() > texts.null_count():
        iso = iso_texts(texts, order)
        instants = _zoned_us(iso)
        if zone is not None:
            instants = instants.fill_null(_placed(_local(iso), zone).instants)
    return instants.cast(pl.Float64()) / 1e6


def instants(texts: pl.Series, *, zone: str, order: str | None = None) -> pl.Series:
    """Read instants that are in no order as times in UTC; the first pass of an hour that summer time repeats.

    Args:
        texts: as in `epoch_s`.
        zone: IANA name of the zone of those texts that carry none.
        order: of `DATE_ORDERS`; None where the texts decide it.
    """
    iso = iso_texts(texts, order)
    zoned = _zoned_us(iso).cast(pl.Datetime("us", "UTC"))
    local = _local(iso).dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
    return zoned.fill_null(local.dt.convert_time_zone("UTC"))


def from_local_s(times_s: pl.Series, *, zone: str) -> pl.Series:
    """Seconds on the clock of a place, counted as if it were UTC, as seconds since 1970-01-01T00:00:00Z.

    Args:
        times_s: in order of the rows of a recording.
        zone: IANA name.
    """
    return _placed(_wall_clock(times_s), zone).instants.cast(pl.Float64()) / 1e6


def repeated_hour_s(times_s: pl.Series, *, zone: str) -> Because | None:
    """The same as `repeated_hour`, of such seconds."""
    return _placed(_wall_clock(times_s), zone).remark


def _wall_clock(times_s: pl.Series) -> pl.Series:
    return (times_s * 1e6).round().cast(pl.Int64(), strict=False).cast(pl.Datetime("us"))


def repeated_hour(texts: pl.Series, *, zone: str | None, order: str | None = None) -> Because | None:
    """What to say of times in the hour that the end of summer time repeats; None where there are none.

    Args:
        texts: instants in order of the rows.
        zone: IANA name of the zone of those that carry none.
        order: as in `epoch_s`.
    """
    if zone is None:
        return None
    local = _local(_with_t(texts))
    if local.null_count() > texts.null_count():
        local = _local(iso_texts(texts, order))
    return _placed(local, zone).remark


def spreadsheet_s(days: pl.Series, *, zone: str | None) -> pl.Series:
    """Read days since 1899-12-30 of a local clock as seconds since 1970-01-01T00:00:00Z; null without a zone."""
    in_range = days.is_between(0, 200_000).fill_null(value=False)  # to the year 2447
    ms = ((days.zip_with(in_range, pl.Series([None], dtype=pl.Float64)) - _SPREADSHEET_EPOCH_DAYS) * 86_400_000).round()
    if zone is None:
        return pl.repeat(None, len(days), dtype=pl.Float64, eager=True)
    return (
        _placed(ms.cast(pl.Int64).cast(pl.Datetime("ms")).cast(pl.Datetime("us")), zone).instants.cast(pl.Float64())
        / 1e6
    )


def date_order(texts: pl.Series) -> str | None:
    """Which number of the dates is the day, as far as one above 12 decides it; None where none does, or both do."""
    parts = _parts(texts)
    first_above = (parts["first"] > 12) & (parts["third"] > 31)
    second_above = (parts["second"] > 12) & (parts["first"] <= 12)
    orders = [order for order, is_above in ((DAY_FIRST, first_above), (MONTH_FIRST, second_above)) if is_above.any()]
    return orders[0] if len(orders) == 1 else None


def lacks_order(texts: pl.Series) -> pl.Series:
    """Whether each text is a date and time of day whose day and month cannot be told apart by itself."""
    parts = _parts(texts)
    may_be_month = (parts["first"] <= 12) | (parts["third"] <= 31)
    return ((parts["first"] <= 31) & (parts["second"] <= 12) & may_be_month).fill_null(value=False)


def lacks_zone(texts: pl.Series) -> pl.Series:
    """Whether each text is a date and time that does not say in which zone."""
    with_order = iso_texts(texts, None)
    return _local(with_order).is_not_null() | (lacks_order(texts) & (_parts(texts)["zone"] == ""))


def looks_dated(texts: pl.Series) -> bool:
    """Whether the first text present begins with a date and a time of day, whatever follows."""
    first = texts.drop_nulls().head(1)
    return looks_iso(first) or (len(first) == 1 and bool(_without_ideographs(first).str.contains(_INSTANT).item()))


def looks_iso(texts: pl.Series) -> bool:
    """Whether the first text present begins as an instant of ISO 8601 does."""
    first = texts.drop_nulls().head(1)
    return len(first) == 1 and bool(first.str.contains(r"^\d{4}-\d{2}-\d{2}[T ]\d").item())


def clock_face_s(texts: pl.Series) -> pl.Series:
    """Read clock faces (`1:02:03.5`, `5:30`) as seconds."""
    parts = texts.str.extract_groups(_CLOCK_FACE).struct.unnest().cast(pl.Float64())
    return parts["hours"].fill_null(0.0) * 3600 + parts["minutes"] * 60 + parts["seconds"]


def iso_texts(texts: pl.Series, order: str | None) -> pl.Series:
    """Instants of other notations as ISO 8601; what is in that already, or is no instant, stays as it is."""
    order = order or date_order(texts)
    parts = _parts(texts)
    has_year_first = parts["first"] > 31
    is_day_first = pl.lit(order == DAY_FIRST)
    year = pl.when(has_year_first).then(pl.col("first")).otherwise("third")
    year = pl.when(year < 100).then(year + 2000).otherwise(year)
    month = pl.when(has_year_first | is_day_first).then(pl.col("second")).otherwise("first")
    day = pl.when(has_year_first).then(pl.col("third")).when(is_day_first).then(pl.col("first")).otherwise("second")
    hour = pl.col("hour") % 12 + pl.when(pl.col("is_pm")).then(12).otherwise(0)
    hour = pl.when(pl.col("is_pm").is_not_null()).then(hour).otherwise("hour")
    is_settled = has_year_first if order not in (DAY_FIRST, MONTH_FIRST) else pl.lit(value=True)
    if order == YEAR_FIRST:  # also with years of two digits
        year = pl.when(pl.col("first") < 100).then(pl.col("first") + 2000).otherwise("first")
        month, day, is_settled = pl.col("second"), pl.col("third"), pl.lit(value=True)
    built = pl.format(
        "{}-{}-{}T{}:{}:{}{}",
        *(part.cast(pl.Int64).cast(pl.String).str.zfill(n) for part, n in ((year, 4), (month, 2), (day, 2), (hour, 2))),
        pl.col("minute").cast(pl.Int64).cast(pl.String).str.zfill(2),
        pl.col("sec"),
        pl.col("zone"),
    )
    is_whole = pl.col("hour").is_not_null() & pl.col("first").is_not_null() & is_settled
    written = parts.select(pl.when(is_whole).then(built)).to_series()
    return pl.select(pl.coalesce(written, _with_t(texts))).to_series()


def _parts(texts: pl.Series) -> pl.DataFrame:
    """The parts of instants as numbers, null in all where a text is none; `is_pm` null for clocks of 24 hours."""
    found = _without_ideographs(texts).str.extract_groups(_INSTANT).struct.unnest()
    half = pl.coalesce("half_before", "half_after").str.to_lowercase()
    zone = pl.col("zone").str.to_uppercase()
    return found.select(
        pl.col("first", "second", "third", "hour", "minute").cast(pl.Int64),
        pl.when(pl.col("hour").is_not_null())
        .then(pl.col("sec").str.replace(",", ".", literal=True).str.replace(r"^(\d)(\.|$)", "0$1$2").fill_null("00"))
        .alias("sec"),
        pl.when(pl.col("hour").is_not_null())
        .then(pl.when(zone.is_in(["Z", "UTC", "GMT"])).then(pl.lit("Z")).otherwise(zone.fill_null("")))
        .alias("zone"),
        half.str.contains(rf"^(?:{_PM})$").alias("is_pm"),
    )


def _without_ideographs(texts: pl.Series) -> pl.Series:
    return (
        texts.str.strip_chars()
        .str.replace_all(r"[年月]|년\s?|월\s?", "-")
        .str.replace_all(r"[日]|일\s?", " ")
        .str.replace_all(r"[時时点분分]|시\s?", ":")
        .str.replace_all(r"秒|초", "")
        .str.replace(r":\s*$", "")
    )


def _zoned_us(texts: pl.Series) -> pl.Series:
    return texts.str.to_datetime(_WITH_ZONE, time_unit="us", time_zone="UTC", strict=False).dt.timestamp("us")


def _local(texts: pl.Series) -> pl.Series:
    return texts.str.to_datetime(_WITHOUT_ZONE, time_unit="us", strict=False)


@dataclass(frozen=True)
class _Placed:
    """Local times on the clock of the world [microseconds], and what to say of those in a repeated hour."""

    instants: pl.Series
    remark: Because | None = None


def _placed(local: pl.Series, zone: str) -> _Placed:
    """Place local times, in order of their rows, on the clock of the world."""
    first, second = (
        local.dt.replace_time_zone(zone, ambiguous=which, non_existent="null").dt.timestamp("us")
        for which in ("earliest", "latest")
    )
    repeated_us = (second - first).max()
    if not repeated_us:
        return _Placed(first)
    is_placed = first.is_not_null().to_numpy()
    early, late = (times.drop_nulls().to_numpy() for times in (first, second))
    is_falling = (np.diff(early) < 0).sum() > (np.diff(early) > 0).sum()  # the newest row first
    early, late = (early[::-1], late[::-1]) if is_falling else (early, late)
    times, remark = _in_order(early, late)
    instants = np.zeros(len(is_placed), dtype=np.int64)
    instants[is_placed] = times[::-1] if is_falling else times
    return _Placed(pl.select(pl.when(pl.Series(is_placed)).then(pl.Series(instants))).to_series(), remark)


#: A longer time without a row may hide the hour by which a clock was set back. Common practice, no source.
_GAP_US = 60_000_000

Instants = npt.NDArray[np.int64]


def _in_order(early: Instants, late: Instants) -> tuple[Instants, Because | None]:
    """Choose the pass of each repeated time, of which there are some; and what to say."""
    repeated = np.flatnonzero(early != late)
    begins, ends, hour = int(repeated[0]), int(repeated[-1]) + 1, int((late - early).max())
    steps = np.diff(early, append=early[-1])
    steps[ends - 1] -= hour if ends < len(early) else 0  # as the clock on the wall shows it
    first_step = max(begins - 1, 0)
    # A step back of a good part of the hour is the clock's; a smaller one is a row out of order.
    back = np.flatnonzero(steps[first_step:ends] < -hour // 2)
    if len(back):
        return _turned_at(int(back[0]) + first_step + 1, early, late), because(Reason.CLOCK_STEPPED_BACK)
    if begins == 0 or ends == len(early):
        is_all = begins == 0 and ends == len(early)
        said = because(Reason.CLOCK_UNDECIDED) if is_all else None
        return (late if begins == 0 and not is_all else early), said
    longest = int(np.argmax(steps[first_step:ends])) + first_step
    if steps[longest] > _GAP_US:
        return _turned_at(longest + 1, early, late), because(Reason.CLOCK_IN_LONGEST_GAP)
    return early - np.where(np.arange(len(early)) >= ends, hour, 0), because(Reason.CLOCK_NOT_SET_BACK)


def _turned_at(row: int, early: Instants, late: Instants) -> Instants:
    return np.concatenate([early[:row], late[row:]])


def _with_t(texts: pl.Series) -> pl.Series:
    return texts.str.strip_chars().str.replace(r"^(\d{4}-\d{2}-\d{2}) +", "${1}T")
