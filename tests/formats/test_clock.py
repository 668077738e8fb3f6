"""Times as text: notations of other countries, which number is the day, half days, and days of spreadsheets."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl
import pytest

from pipeline.formats import clock
from pipeline.formats.clock import DAY_FIRST, MONTH_FIRST, YEAR_FIRST


def texts(*values: str | None) -> pl.Series:
    return pl.Series(list(values), dtype=pl.String)


def read(*values: str | None, zone: str | None = "UTC", order: str | None = None) -> list[str | None]:
    seconds = clock.epoch_s(texts(*values), zone=zone, order=order)
    return [None if at is None else f"{datetime.fromtimestamp(at, UTC):%Y-%m-%dT%H:%M:%S}" for at in seconds]


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("14.03.2026 09:30", "2026-03-14T09:30:00"),
        ("14. 3. 2026, 9:30:05", "2026-03-14T09:30:05"),
        ("14/03/2026 09.30.05", "2026-03-14T09:30:05"),
        ("3/14/2026 9:30 AM", "2026-03-14T09:30:00"),
        ("3/14/2026 12:00:00 am", "2026-03-14T00:00:00"),
        ("3/14/2026 12:00:00 PM", "2026-03-14T12:00:00"),
        ("14/3/2026 9:30 p. m.", "2026-03-14T21:30:00"),
        ("3/14/26 9:30", "2026-03-14T09:30:00"),
        ("2026/03/04 09:30:00", "2026-03-04T09:30:00"),
        ("2026年3月4日 9:30:05", "2026-03-04T09:30:05"),
        ("2026/3/4 午後9時30分5秒", "2026-03-04T21:30:05"),
        ("2026년 3월 4일 오후 9시 30분", "2026-03-04T21:30:00"),
        ("14.03.2026 09:30 +01:00", "2026-03-14T08:30:00"),
        ("2026-03-14 09:30:00 UTC", "2026-03-14T09:30:00"),
        ("31.02.2026 09:30", None),
        ("14.03.2026", None),
        ("14.03.2026 25:30", None),
        ("soon", None),
        (None, None),
    ],
)
def test_an_instant_is_read_in_the_notation_of_its_country(written: str | None, expected: str | None):
    assert read(written) == [expected]


@pytest.mark.parametrize(
    ("order", "expected"),
    [(DAY_FIRST, "2026-04-03T09:30:00"), (MONTH_FIRST, "2026-03-04T09:30:00"), (None, None)],
)
def test_a_date_that_two_orders_fit_is_read_only_where_the_order_is_known(order: str | None, expected: str | None):
    assert read("03.04.2026 09:30", order=order) == [expected]


def test_one_date_above_twelve_decides_for_the_file():
    assert read("03.04.2026 09:30", "13.04.2026 09:30") == ["2026-04-03T09:30:00", "2026-04-13T09:30:00"]


@pytest.mark.parametrize(
    ("dates", "order"),
    [
        (["12.04.2026 1:00"], None),
        (["13.04.2026 1:00"], DAY_FIRST),
        (["04/12/2026 1:00"], None),
        (["04/13/2026 1:00"], MONTH_FIRST),
        (["13.04.2026 1:00", "04/13/2026 1:00"], None),  # both cannot be right
        (["13.04.26 1:00"], None),  # the thirteenth, or a year
        (["2026-04-13 1:00"], None),  # needs no order
    ],
)
def test_the_order_is_that_which_the_dates_decide(dates: list[str], order: str | None):
    assert clock.date_order(texts(*dates)) == order


def test_years_of_two_digits_may_come_first_where_that_is_known():
    assert read("26-03-04 09:30", order=YEAR_FIRST) == ["2026-03-04T09:30:00"]


@pytest.mark.parametrize(
    ("written", "lacks_order", "lacks_zone"),
    [
        ("03.04.2026 09:30", True, True),
        ("03.04.2026 09:30 Z", True, False),
        ("13.04.2026 09:30", False, True),
        ("2026-04-03 09:30:00", False, True),
        ("2026-04-03T09:30:00Z", False, False),
        ("soon", False, False),
    ],
)
def test_what_a_text_lacks(written: str, lacks_order: bool, lacks_zone: bool):
    assert clock.lacks_order(texts(written)).to_list() == [lacks_order]
    assert clock.lacks_zone(texts(written)).fill_null(value=False).to_list() == [lacks_zone]


@pytest.mark.parametrize(
    ("days", "expected"),
    [
        (25569.0, 0.0),  # 1970-01-01
        (46095.395833333336, 1_773_480_600.0),  # 2026-03-14 09:30, to the nearest millisecond
        (-1.0, None),
        (1e9, None),
    ],
)
def test_days_of_a_spreadsheet_are_on_the_clock_of_their_zone(days: float, expected: float | None):
    assert clock.spreadsheet_s(pl.Series([days]), zone="UTC").to_list() == [expected]
    assert clock.spreadsheet_s(pl.Series([days]), zone=None).to_list() == [None]


def test_instants_in_no_order_are_each_read_by_themselves():
    found = clock.instants(texts("2026-10-25 02:30", "2026-10-25 04:00", "2026-10-25 01:00"), zone="Europe/Berlin")
    assert [f"{at:%dT%H:%M}" for at in found] == ["25T00:30", "25T03:00", "24T23:00"]
