"""Which runs the club's responses are drawn from: counted by hand."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from pipeline.refresh.settled import FEWEST_RUNS, runs_before, settled_until

FIRST = datetime(2026, 3, 1, 9, tzinfo=UTC)


def runs(days: list[int]) -> pl.DataFrame:
    """A run on each of these days, the first being 0, at nine in the morning."""
    starts = pl.Series([FIRST + timedelta(days=day) for day in days], dtype=pl.Datetime("us", "UTC"))
    return pl.DataFrame({"started_at_utc": starts})


@pytest.mark.parametrize(
    ("n_runs", "counted"),
    [
        # 2^8, 2^(33/4) = 304.4, 2^(34/4) = 362.0 and 2^9.
        (256, 256),
        (304, 256),
        (305, 304),
        (362, 304),
        (363, 362),
        (511, 430),
        (512, 512),
    ],
)
def test_of_a_run_a_day_those_before_the_last_that_counts_are_taken(n_runs: int, counted: int) -> None:
    season = runs(list(range(n_runs)))
    until = settled_until([season])
    assert until == (FIRST + timedelta(days=counted - 1)).date()
    assert runs_before(season, until).height == counted - 1


def test_a_club_with_fewer_runs_takes_all() -> None:
    season = runs(list(range(FEWEST_RUNS - 1)))
    assert settled_until([season]) is None
    assert runs_before(season, None).equals(season)


def test_all_runs_of_the_day_stay_out() -> None:
    season = runs([day for day in range(64) for _ in range(5)])  # 320 runs: the 304th is on the 61st day
    assert settled_until([season]) == date(2026, 3, 1) + timedelta(days=60)
    assert runs_before(season, settled_until([season])).height == 300


@pytest.mark.parametrize(("n_on_it", "until"), [(160, date(2026, 3, 2)), (161, None)])
def test_where_more_than_half_fall_on_that_day_all_are_taken(n_on_it: int, until: date | None) -> None:
    assert settled_until([runs([0] * (320 - n_on_it) + [1] * n_on_it)]) == until


def test_a_day_goes_by_universal_time() -> None:
    late = pl.DataFrame({"started_at_utc": pl.Series([datetime(2026, 3, 1, 23, 59, 59), datetime(2026, 3, 2)])})
    starts = late.with_columns(pl.col("started_at_utc").dt.cast_time_unit("us").dt.replace_time_zone("UTC"))
    assert runs_before(starts, date(2026, 3, 2)).height == 1


def test_sections_and_the_order_of_runs_make_no_difference() -> None:
    days = [day // 3 for day in range(400)]
    apart = [runs(days[place::7][::-1]) for place in range(7)]
    assert settled_until(apart) == settled_until([runs(days)])


def test_a_new_run_after_the_day_leaves_it_where_it_is() -> None:
    days = [day // 3 for day in range(400)]
    assert settled_until([runs([*days, 140])]) == settled_until([runs(days)])
