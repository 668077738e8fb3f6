"""Stage `responses`: what an athlete's own runs tell of speed and slope, and what the club has in common."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.core.metrics import BUILT_IN
from pipeline.core.settings import Settings
from pipeline.core.speed_sources import SPEED_ERROR_PCT, SPEED_SOURCES
from pipeline.methods.tree_sum import digest_of
from pipeline.stages.drift import drift
from pipeline.stages.responses import FEWEST_ATHLETES, added, club_responses, draft_of, responses, sums_of
from pipeline.tables import publishable
from tests.support.season import Form, Season, draw

NUMBERS = {
    "inclusion": Settings().inclusion,
    # The seasons here have exact speed and no warm-up.
    "speed_error_pct": 0.0,
    "warm_up_effect_pct": 0.0,
}
HILLY = Season(
    n_runs=6,
    km=(8, 15),
    split_speed_sd_pct=3.0,
    hills_sd_pct=1.5,
    contact=Form(level=250.0, per_speed=-0.6, per_slope=0.004, error_sd_pct=0.5),
)


def told(splits: pl.DataFrame) -> dict[str, tuple[float, float]]:
    rows = responses(splits, **NUMBERS).filter(pl.col("metric") == "contact_time_ms")
    return {
        cause: (response, error)
        for cause, response, error in rows.select("cause", "response", "standard_error").iter_rows()
    }


def club(rows: list[tuple[float, float]]) -> pl.DataFrame:
    """Athletes with a response of contact time to speed and its standard error."""
    columns = {"athlete_id": pl.String, "metric": pl.String, "cause": pl.String, "response": pl.Float64}
    table = [(f"athlete-{place}", "contact_time_ms", "speed", *row) for place, row in enumerate(rows)]
    frame = pl.DataFrame(table, schema=columns | {"standard_error": pl.Float64}, orient="row")
    exact = {"speed_source": pl.lit(None, dtype=pl.String), "log_likelihood": pl.lit(None, dtype=pl.Float64)}
    return frame.with_columns(speed_error_pct=pl.lit(0.0), **exact)


def test_planted_responses_come_back_within_their_errors() -> None:
    found = told(draw(HILLY, 1))
    assert abs(found["speed"][0] + 0.6) < 4 * found["speed"][1]
    assert abs(found["slope"][0] - 0.004) < 4 * found["slope"][1]
    assert 0 < found["speed"][1] < 0.1
    publishable("responses", responses(draw(HILLY, 1), **NUMBERS), subject="the test")


def test_a_level_course_tells_nothing_of_slope_and_an_even_pace_nothing_of_speed() -> None:
    assert set(told(draw(replace(HILLY, hills_sd_pct=0.0, rough_pct2=0.0), 1))) == {"speed"}
    assert set(told(draw(replace(HILLY, split_speed_sd_pct=0.0), 1))) == {"slope", "slope_squared"}


def test_one_varied_run_among_even_ones_does_not_tell_a_response() -> None:
    even = draw(replace(HILLY, split_speed_sd_pct=0.0, hills_sd_pct=0.0, rough_pct2=0.0), 1)
    first = even["run_id"].unique().sort()[0]
    varied = even.with_columns(
        pl.when(pl.col("run_id") == first)
        .then(pl.col("speed_m_s") * (1 + 0.1 * (pl.col("km") % 3)))
        .otherwise("speed_m_s")
    )
    assert told(varied) == {}


def assert_coarsely(found: dict[str, float], mean: float, variance: float) -> None:
    """The next steps: variance a power of the root of two, mean a multiple of a quarter of the deviation."""
    assert found["variance"] == pytest.approx(2 ** (round(2 * np.log2(variance)) / 2))
    step = found["variance"] ** 0.5 / 4
    assert found["mean"] / step == pytest.approx(round(mean / step))


def test_the_club_is_the_mean_of_athletes_who_agree_as_unsure_as_that_mean_is() -> None:
    found = club_responses(club([(-0.6, 0.1)] * FEWEST_ATHLETES)).row(0, named=True)
    assert_coarsely(found, -0.6, 0.01 / FEWEST_ATHLETES)


def test_athletes_who_differ_beyond_their_errors_make_a_wide_club() -> None:
    # DerSimonian and Laird with equal errors: between = variance of the estimates − error², here 0.04 × 6/5 − 0.0001.
    rows = [(-0.4, 0.01), (-0.8, 0.01)] * (FEWEST_ATHLETES // 2)
    found = club_responses(club(rows)).row(0, named=True)
    between = 0.04 * FEWEST_ATHLETES / (FEWEST_ATHLETES - 1) - 0.0001
    assert_coarsely(found, -0.6, between + (between + 0.0001) / FEWEST_ATHLETES)


def test_one_more_run_of_one_athlete_leaves_the_club_as_it_was() -> None:
    rows = [(-0.4, 0.1), (-0.8, 0.1), (-0.6, 0.1)] * 8
    assert club_responses(club(rows)).equals(club_responses(club([(-0.41, 0.099), *rows[1:]])))


def test_a_sensor_that_always_says_the_same_does_not_stop_the_club() -> None:
    rows = [(-0.6, 0.1)] * FEWEST_ATHLETES
    assert club_responses(club([*rows, (0.0, 7e-33), (0.0, float("nan"))])).equals(club_responses(club(rows)))


def test_fewer_than_six_athletes_make_no_club() -> None:
    assert club_responses(club([(-0.6, 0.1)] * (FEWEST_ATHLETES - 1))).is_empty()


def test_an_athlete_of_three_runs_is_drawn_to_the_club_and_one_of_thirty_is_not() -> None:
    common = pl.DataFrame({"metric": ["contact_time_ms"], "cause": ["speed"], "mean": [-0.9], "variance": [0.01]})
    of_no_size = {name: pl.lit(None, dtype=pl.Float64) for name in ("log_weight", "mean_variance")}
    exact = {"speed_error_pct": pl.lit(0.0), "speed_source": pl.lit(None, dtype=pl.String)}
    common = common.with_columns(**exact, **of_no_size)
    moved = {}
    for n_runs in (3, 30):
        splits = draw(replace(HILLY, n_runs=n_runs, km=(8, 8), split_speed_sd_pct=1.0, fade_pct=-4.0), 2)
        more = NUMBERS | {"max_collinearity": 0.9, "seed": 1}
        alone = drift(splits, **more)[1].filter(pl.col("metric") == "contact_time_ms")["speed_part_pct"][0]
        drawn = drift(splits, **more, club=common)[1].filter(pl.col("metric") == "contact_time_ms")["speed_part_pct"][0]
        # Nine tenths is one and a half times the true response: how far the part was drawn there.
        moved[n_runs] = abs(drawn - alone) / abs(0.5 * alone)
    assert moved[3] > 3 * moved[30]
    assert np.isfinite(list(moved.values())).all()


# --- Sources of speed ------------------------------------------------------------------------------------------------


def measured(n_athletes: int, error_pct: float, source: str, seed: int) -> pl.DataFrame:
    """Athletes whose speed has an error, from one source."""
    season = replace(HILLY, n_athletes=n_athletes, n_runs=12, km=(10, 24), split_speed_rho=0.5, fade_sd_pct=2.0)
    splits = draw(season, seed)
    error = error_pct / 100 * np.random.default_rng(seed).standard_normal(splits.height)
    return splits.with_columns(
        pl.col("athlete_id") + f"-{source}",
        pl.col("run_id") + f"-{source}",
        pl.col("speed_m_s") * np.exp(error),
        speed_source=pl.lit(source),
    )


def expected_error_pct(common: pl.DataFrame, source: str) -> float:
    """Mean of the club's distribution of the error of a source."""
    own = common.filter(metric="contact_time_ms", speed_source=source)
    weight = np.exp(own["log_weight"].to_numpy())
    return float(weight @ own["speed_error_pct"].to_numpy() / weight.sum())


def test_each_source_of_speed_has_an_error_of_its_own_and_the_response_is_of_all_athletes():
    splits = pl.concat([measured(8, 0.3, "device", 1), measured(8, 2.0, "positions", 2)])
    rows = responses(splits, inclusion=Settings().inclusion)
    assert dict(rows.filter(speed_source="positions")["athlete_id"].value_counts().iter_rows()).keys() == {
        f"a{place:05d}-positions" for place in range(8)
    }
    common = club_responses(rows)
    assert expected_error_pct(common, "device") < 0.8
    assert expected_error_pct(common, "positions") == pytest.approx(2.0, abs=0.4)
    of_contact = common.filter(metric="contact_time_ms", cause="speed")
    likely = of_contact.filter(pl.col("log_weight") == pl.col("log_weight").max().over("speed_source"))
    assert likely["speed_source"].to_list() == ["device", "positions"]
    assert likely["mean"].to_list() == pytest.approx([-0.6, -0.6], abs=0.1)


@pytest.mark.parametrize("of", [2, 8])
def test_the_sums_of_sections_are_those_of_the_club_to_the_last_bit(of: int):
    numbers = {"speed_error_pct": SPEED_ERROR_PCT, "registry": BUILT_IN}
    splits = pl.concat([measured(4, 0.3, "device", 1), measured(4, 2.0, "positions", 2)])
    rows = responses(splits, inclusion=Settings().inclusion)
    numbered = [digest_of(athlete_id) % of for athlete_id in rows["athlete_id"]]
    sections = [rows.filter(pl.Series([number == own for own in numbered])) for number in range(of)]
    draft = None
    for _ in range(2):
        whole = sums_of(rows, draft, **numbers)
        of_sections = added([sums_of(own, draft, **numbers) for own in sections])
        assert {kind for kind, _, _ in whole} == ({"plain", "own", "other"} if draft is None else {"plain", "other"})
        assert {key: sums.tolist() for key, sums in of_sections.items()} == {
            key: sums.tolist() for key, sums in whole.items()
        }
        draft = draft or draft_of(whole, **numbers)


def test_a_club_with_one_source_does_not_know_of_the_others():
    rows = responses(measured(6, 1.0, "unlocated", 3), inclusion=Settings().inclusion)
    assert set(club_responses(rows)["speed_source"].drop_nulls()) == {"unlocated"}


def test_a_source_that_is_exact_is_not_corrected_for_and_the_others_are():
    exact = dict.fromkeys(SPEED_SOURCES, 0.0)
    splits = measured(1, 1.0, "device", 4)
    rows = responses(splits, inclusion=Settings().inclusion, speed_error_pct=exact | {"positions": 1.0})
    assert rows.filter(pl.col("log_likelihood").is_not_null()).is_empty()
    by_positions = splits.with_columns(
        speed_source=pl.when(pl.col("run_id").rank("dense") % 2 == 0)
        .then(pl.lit("positions"))
        .otherwise("speed_source")
    )
    rows = responses(by_positions, inclusion=Settings().inclusion, speed_error_pct=exact | {"positions": 1.0})
    assert set(rows.filter(pl.col("log_likelihood").is_not_null())["speed_source"]) == {"positions"}
