"""The self-check: what a placebo keeps and destroys, that planted drifts come back, and what the command says."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest
from click.testing import CliRunner
from polars.testing import assert_frame_equal

from pipeline.__main__ import main
from pipeline.core.errors import Damaged, NothingDone
from pipeline.core.settings import Settings, read_settings, settings_text
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import refresh
from pipeline.refresh.self_check import self_check
from pipeline.stages.calibration import BLOCK, PLANTED, Draw, TakenApart, calibration, redrawn, take_apart, trials
from pipeline.stages.drift import drift
from pipeline.stages.responses import club_responses, responses
from pipeline.store.database import write_database
from pipeline.store.generations import building, prepare
from pipeline.store.layout import read_settings_text, read_table, write_settings
from pipeline.store.parquet import Provenance, write_table
from pipeline.tables import empty, publishable
from tests.support.fit_runs import fit_run
from tests.support.season import EXACTLY_MEASURED, Form, Season, draw

CONTACT = "contact_time_ms"
CADENCE = "cadence_spm"
ENTERING = {
    "inclusion": Settings().inclusion,
    # The seasons here have exact speed and no warm-up.
    "speed_error_pct": 0.0,
    "warm_up_effect_pct": 0.0,
}
NUMBERS = ENTERING | {"max_collinearity": 0.9, "seed": 1}

#: No scatter at all: hills, a pace that wanders and fades, runs with levels of their own, and 3 % more per 10 km.
EXACT = Season(
    n_runs=5,
    km=(8, 21),
    run_speed_sd_pct=5.0,
    split_speed_sd_pct=3.0,
    fade_pct=-4.0,
    hills_sd_pct=1.5,
    rough_pct2=0.5,
    contact=Form(
        level=260.0, drift_pct=3.0, level_sd_pct=2.0, per_speed=-0.6, per_slope=0.004, per_slope_squared=0.0005
    ),
)
#: A small club with all the usual scatter.
CLUB = EXACTLY_MEASURED.but(n_athletes=4, n_runs=8, km=(10, 18))


def entering(splits: pl.DataFrame) -> pl.DataFrame:
    kept = splits.filter(pl.col("km") > 1, pl.col("run_share") >= 0.95, pl.col("length_m") >= 990)
    return kept.filter(pl.col(CONTACT).is_not_null())


def apart(splits: pl.DataFrame) -> list[TakenApart]:
    club = club_responses(responses(splits, **ENTERING))
    return list(take_apart(splits, club, Settings().inclusion, 0.0))


def store_of(splits: pl.DataFrame, store: Path, settings: Settings | None = None) -> Path:
    """A store as a refresh leaves it, as far as the self-check reads it."""
    settings = settings or Settings()
    told = responses(splits, **ENTERING)
    _, drifts = drift(splits, **NUMBERS, club=club_responses(told))
    drifts = drifts.with_columns(finding=pl.lit("unclear"), smallest_change_pct=pl.lit(2.0))
    prepare(store)
    with building(store, keep=5) as built:
        tables = {"splits": splits, "responses": told, "athlete_drift": drifts, "roster": empty("roster")}
        for table, rows in tables.items():
            made_from = Provenance("0" * 64, settings.digest(), "1")
            path = built / "tables" / table / f"{table}.parquet"
            write_table(path, table, publishable(table, rows, subject="a test"), made_from)
        write_settings(built, settings_text(settings))
        write_database(built, built)
    return store


def rate(rates: pl.DataFrame, test: str, question: str, planted_pct: float = 0.0, metric: str = "all") -> float:
    [share] = rates.filter(
        pl.col("test") == test,
        pl.col("question") == question,
        pl.col("planted_pct_per_10km") == planted_pct,
        pl.col("metric") == metric,
    )["share"]
    return float(share)


# --- What a placebo keeps --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("test", ["reversed", "shuffled"])
def test_splits_without_scatter_lose_their_drift_and_nothing_else(test: str):
    """Levels of runs, the response to speed and that to slope are all still there."""
    splits = draw(EXACT, 1, only=(CONTACT,))
    truth = entering(splits).with_columns(pl.col(CONTACT) / 1.03 ** ((pl.col("km") - 0.5) / 10))
    placebo = redrawn(apart(splits)[0], Draw(test, 0, 1), 0)
    assert_frame_equal(entering(placebo), truth, rel_tol=1e-9)


def test_splits_that_do_not_enter_stay_as_they_are():
    splits = draw(CLUB, 1).filter(pl.col("athlete_id") == "a00000")
    placebo = redrawn(apart(splits)[0], Draw("reversed", 0, 1), 0)
    outside = splits.join(entering(splits), on=["run_id", "km"], how="anti")
    assert outside.height > 8
    assert_frame_equal(placebo.join(outside, on=["run_id", "km"], how="semi").select(CONTACT), outside.select(CONTACT))


@pytest.mark.parametrize("test", ["reversed", "shuffled"])
def test_every_run_keeps_its_own_remainders(test: str):
    athlete = apart(draw(CLUB, 1))[0]
    placebo = redrawn(athlete, Draw(test, 0, 1), 0)
    for part in athlete.parts:
        left = np.log(placebo[part.metric].to_numpy()[part.place]) - part.expected
        assert not np.allclose(left, part.remainder)
        for run in range(part.run[-1] + 1):
            own = part.run == run
            assert np.sort(left[own]) == pytest.approx(np.sort(part.remainder[own]), abs=1e-9)


def test_runs_are_turned_round_as_a_whole_half_of_them_and_all_metrics_alike():
    athlete = apart(draw(CLUB.but(n_athletes=1, n_runs=80, unread_share=0.0), 1))[0]
    placebo = redrawn(athlete, Draw("reversed", 0, 1), 0)
    turned = []
    for part in athlete.parts:
        left = np.log(placebo[part.metric].to_numpy()[part.place]) - part.expected
        runs = [part.run == run for run in range(part.run[-1] + 1)]
        turned.append([bool(np.allclose(left[own], part.remainder[own][::-1], atol=1e-9)) for own in runs])
        as_it_was = [bool(np.allclose(left[own], part.remainder[own], atol=1e-9)) for own in runs]
        assert as_it_was == [not one for one in turned[-1]]
    assert 28 <= sum(turned[0]) <= 52  # 80 tosses of a coin: beyond this once in 300
    assert all(one == turned[0] for one in turned)


def test_blocks_of_three_kilometres_stay_together_and_change_places():
    athlete = apart(draw(CLUB, 1))[0]
    placebo = redrawn(athlete, Draw("shuffled", 0, 1), 0)
    part = next(one for one in athlete.parts if one.metric == CONTACT)
    own = part.run == 0
    before = part.remainder[own].round(9).tolist()
    after = (np.log(placebo[CONTACT].to_numpy()[part.place]) - part.expected)[own].round(9).tolist()
    moved = [after.index(one) for one in before]
    blocks = [moved[start : start + BLOCK] for start in range(0, len(moved), BLOCK)]
    assert all(block == list(range(block[0], block[0] + len(block))) for block in blocks)
    assert moved != sorted(moved)


def test_an_athlete_with_a_huge_drift_has_none_left_in_the_placebo():
    splits = draw(CLUB.but(n_athletes=1, n_runs=12).with_contact(drift_pct=15.0), 1, only=(CONTACT,))
    assert drift(splits, **NUMBERS)[1]["drift_low"].item() > 12
    [athlete] = apart(splits)
    left = [
        drift(redrawn(athlete, Draw(test, place, 1), 0), **NUMBERS)[1]["drift_pct_per_10km"].item()
        for test in ("reversed", "shuffled")
        for place in range(15)
    ]
    assert abs(np.mean(left)) < 0.2
    assert max(map(abs, left)) < 2


# --- What is planted -------------------------------------------------------------------------------------------------


def test_what_is_planted_comes_back_exactly_where_splits_do_not_scatter():
    [athlete] = apart(draw(EXACT, 1, only=(CONTACT,)))
    for place in range(len(PLANTED)):
        one = Draw("planted", place, 1)
        found = drift(redrawn(athlete, one, 3), **NUMBERS)[1]["drift_pct_per_10km"].item()
        assert found == pytest.approx(one.planted_pct(3, CONTACT), abs=1e-6)


def test_sizes_take_turns_so_that_each_comes_up_as_often():
    planted = [
        Draw("planted", place, 1).planted_pct(athlete, metric)
        for place in range(20)
        for athlete in range(3)
        for metric in (CONTACT, CADENCE)
    ]
    assert {size: planted.count(size) for size in PLANTED} == dict.fromkeys(PLANTED, 12)
    assert Draw("reversed", 3, 1).planted_pct(1, CONTACT) == 0


def test_the_error_of_speed_is_added_to_what_is_computed_from_it_and_to_nothing_else():
    """Speed of every split moves by the same share as step length, contact time stays."""
    splits = draw(EXACT, 1, only=(CONTACT, "step_length_m"))
    [athlete] = apart(splits)
    [wrong] = [replace(athlete, parts=tuple(replace(part, error_sd=0.01) for part in athlete.parts))]
    exact, moved = (redrawn(one, Draw("reversed", 0, 1), 0) for one in (athlete, wrong))
    errors = np.log(moved["speed_m_s"].to_numpy() / exact["speed_m_s"].to_numpy())
    assert exact["speed_m_s"].equals(splits.sort("run_id", "km")["speed_m_s"])
    assert 0.007 < errors.std() < 0.013
    part = next(part for part in athlete.parts if part.metric == "step_length_m")
    ratio = moved["step_length_m"].to_numpy() / exact["step_length_m"].to_numpy()
    assert np.log(ratio[part.place]) == pytest.approx(errors[part.place], abs=1e-9)
    assert moved[CONTACT].to_numpy() == pytest.approx(exact[CONTACT].to_numpy(), nan_ok=True)


def test_false_drift_from_an_error_of_speed_shows_in_the_placebo():
    """Athletes fade, speed is off by 1 %: taken as exact, this is called drift, which the placebo shows."""
    season = CLUB.but(n_athletes=8, n_runs=12, fade_pct=-6.0, split_speed_sd_pct=1.5)
    splits = draw(season.with_contact(own_drift_sd_pct=0.3), 5, only=(CONTACT,))
    error = 0.01 * np.random.default_rng(6).standard_normal(splits.height)
    splits = splits.with_columns(pl.col("speed_m_s") * np.exp(error))
    inclusion = Settings().inclusion
    club = club_responses(responses(splits, inclusion=inclusion))
    athletes = list(take_apart(splits, club, inclusion))
    seasons = [pl.concat(redrawn(athlete, Draw("reversed", place, 1), 0) for athlete in athletes) for place in range(3)]
    share = {}
    for speed_error_pct in (0.0, 1.0):
        # Slope is exact here: what its error may hide would widen the intervals that speed leaves too narrow.
        numbers = NUMBERS | {"speed_error_pct": speed_error_pct, "slope_error_pct": 0.0, "rough_slope_error_pct": 0.0}
        is_drift = []
        for invented in seasons:
            told = responses(invented, inclusion=inclusion, speed_error_pct=speed_error_pct)
            common = club_responses(told, speed_error_pct=speed_error_pct)
            rows = drift(invented, **numbers, club=common)[1]
            is_drift += ((rows["drift_low"] > 0) | (rows["drift_high"] < 0)).to_list()
        share[speed_error_pct] = np.mean(is_drift)
    assert share[0.0] > 0.25
    assert share[1.0] < 0.10


# --- Questions and rates ---------------------------------------------------------------------------------------------


def found(*rows: tuple[str, str, float | None, float | None, str]) -> pl.DataFrame:
    columns = ["athlete_id", "metric", "drift_low", "drift_high", "finding"]
    return pl.DataFrame(rows, schema=columns, orient="row").with_columns(n_runs=pl.lit(9))


def yes(told: pl.DataFrame) -> set[tuple[str, str]]:
    return set(told.filter("answer").select("athlete_id", "question").iter_rows())


def test_the_questions_of_a_placebo():
    rows = found(
        ("a", CONTACT, 0.5, 3.0, "rises"),
        ("b", CONTACT, -3.0, -0.5, "falls"),
        ("c", CONTACT, 0.1, 0.9, "holds"),
        ("d", CONTACT, -1.0, 4.0, "unclear"),
        ("e", CONTACT, None, None, "too_little_data"),
    )
    told = trials(rows, {(name, CONTACT): 0.0 for name in "abcde"}, Draw("reversed", 0, 1))
    assert yes(told) == {
        ("a", "called"), ("a", "excludes_zero"), ("b", "called"), ("b", "excludes_zero"), ("c", "holds"),
        ("c", "excludes_zero"), ("d", "covers"),
    }  # fmt: skip
    assert set(told["athlete_id"]) == set("abcd")
    assert "called_wrong_way" not in set(told["question"])


def test_the_questions_of_a_planted_drift():
    rows = found(
        ("a", CONTACT, 0.5, 3.0, "rises"), ("b", CONTACT, -3.0, -0.5, "falls"), ("c", CONTACT, 2.5, 3.0, "rises")
    )
    told = trials(rows, {("a", CONTACT): 2.0, ("b", CONTACT): 2.0, ("c", CONTACT): -2.0}, Draw("planted", 0, 1))
    assert yes(told) == {
        ("a", "called"), ("a", "excludes_zero"), ("a", "covers"), ("b", "called_wrong_way"), ("b", "excludes_zero"),
        ("c", "called_wrong_way"), ("c", "excludes_zero"),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("n_yes", "n", "low", "high"),
    # Newcombe 1998, Statistics in Medicine 17:857, table I, method 3 (from memory).
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_the_interval_of_a_rate_is_that_of_wilson(n_yes: int, n: int, low: float, high: float):
    rows = found(*(("a", CONTACT, 0.5 if one < n_yes else -0.5, 3.0, "unclear") for one in range(n)))
    rates = publishable(
        "calibration", calibration([trials(rows, {("a", CONTACT): 0.0}, Draw("reversed", 0, 1))]), subject="x"
    )
    one = rates.row(by_predicate=(pl.col("question") == "excludes_zero") & (pl.col("metric") == "all"), named=True)
    assert (one["n_yes"], one["n"], one["low"], one["high"]) == (n_yes, n, low, high)


def test_a_rate_counts_athletes_and_runs_once_however_many_draws_and_metrics():
    rows = found(
        ("a", CONTACT, 0.5, 3.0, "rises"), ("a", CADENCE, -1.0, 1.0, "holds"), ("b", CONTACT, -1.0, 1.0, "holds")
    )
    planted = {(one["athlete_id"], one["metric"]): 0.0 for one in rows.iter_rows(named=True)}
    rates = calibration([trials(rows, planted, Draw("shuffled", place, 1)) for place in range(4)])
    counts = {
        one["metric"]: (one["n_yes"], one["n"], one["n_athletes"], one["n_runs"])
        for one in rates.filter(pl.col("question") == "called").iter_rows(named=True)
    }
    assert counts == {CONTACT: (4, 8, 2, 18), CADENCE: (0, 4, 1, 9), "all": (4, 12, 2, 18)}


# --- A whole store ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def drifting(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of athletes who all drift by 8 % per 10 km in contact time. Only calibrate writes to it."""
    splits = draw(CLUB.with_contact(drift_pct=8.0, own_drift_sd_pct=0.5), 3, only=(CONTACT, CADENCE))
    return store_of(splits, tmp_path_factory.mktemp("drifting") / "store")


Steps = list[tuple[int, int]]


@pytest.fixture(scope="module")
def one_draw(drifting: Path) -> tuple[pl.DataFrame, Steps]:
    """Its rates from one draw in this process, and the steps that were counted."""
    steps = Steps()
    return self_check(drifting, draws=1, jobs=1, progress=lambda done, total: steps.append((done, total))), steps


def test_a_club_that_drifts_is_not_called_drifting_in_its_placebo_and_large_drifts_are_found(drifting: Path):
    rates = self_check(drifting, draws=10, jobs=1)
    for test in ("reversed", "shuffled"):
        assert rate(rates, test, "called") <= 0.05
        assert rate(rates, test, "excludes_zero") <= 0.15
    for size in (5.0, -5.0):
        assert rate(rates, "planted", "called", size) == 1.0
        assert rate(rates, "planted", "covers", size) >= 0.7
    assert rate(rates, "planted", "called", 0.5) < 0.5
    assert max(rates.filter(pl.col("question") == "called_wrong_way")["share"]) == 0.0
    assert set(rates["n_athletes"]) == {4}
    assert set(rates.filter(pl.col("metric") == CONTACT)["n_runs"]) == {32}


@pytest.mark.slow
def test_the_same_store_gives_the_same_rates_with_one_process_and_with_two(
    drifting: Path, one_draw: tuple[pl.DataFrame, Steps]
):
    assert self_check(drifting, draws=1, jobs=2).equals(one_draw[0])


def test_another_seed_gives_other_draws(drifting: Path, one_draw: tuple[pl.DataFrame, Steps], tmp_path: Path):
    splits = read_table(drifting, "splits")
    other = self_check(store_of(splits, tmp_path / "store", Settings(seed=2)), draws=1, jobs=1)
    assert not other.equals(one_draw[0])


def test_the_steps_are_counted_up_to_their_number(one_draw: tuple[pl.DataFrame, Steps]):
    assert one_draw[1] == [(place, 24) for place in range(1, 25)]  # 4 athletes, 3 tests, two stages


def test_the_command_shows_the_rates_and_writes_the_table_as_parquet_and_in_the_database(drifting: Path):
    ran = CliRunner().invoke(main, ["calibrate", "--store", f"{drifting}", "--draws", "2", "--jobs", "1"])
    assert ran.exit_code == 0, ran.output
    assert "From 4 athletes and 32 runs." in ran.output
    assert "contact time" in ran.output
    assert "-2.0 %" in ran.output
    rates = read_table(drifting, "calibration")
    assert set(rates["test"]) == {"reversed", "shuffled", "planted"}
    assert pl.read_parquet(drifting / "tables" / "calibration" / "calibration.parquet").equals(rates)
    with duckdb.connect(str(drifting / "splitdrift.duckdb"), read_only=True) as connection:
        assert connection.sql("SELECT * FROM calibration").pl().equals(rates)
        assert connection.execute("SELECT COUNT(*) FROM splits").fetchone() == (read_table(drifting, "splits").height,)
    assert not list(drifting.glob(".building-*"))


# --- What cannot be done ---------------------------------------------------------------------------------------------


def test_a_folder_that_is_no_store_is_said_to_be_none(tmp_path: Path):
    ran = CliRunner().invoke(main, ["calibrate", "--store", f"{tmp_path}"])
    assert ran.exit_code == 1
    assert f"{tmp_path} is not a store yet." in ran.output


@pytest.mark.parametrize(
    ("words", "said"), [(["--draws", "0"], "0 is not in the range x>=1"), ([], "Missing option '--store'")]
)
def test_wrong_use_is_told_from_nothing_done(words: list[str], said: str, tmp_path: Path):
    store = ["--store", f"{tmp_path}"] if words else []
    ran = CliRunner().invoke(main, ["calibrate", *store, *words])
    assert ran.exit_code == 2
    assert said in ran.output


def test_a_refresh_leaves_its_settings_in_the_store_and_too_few_runs_are_counted(tiny_inbox, tmp_path: Path):
    inbox = read_inbox(tiny_inbox({"ari/a.fit": fit_run(km=6.0), "settings.toml": "seed = 7\nmin_runs = 2\n"}))
    refresh(inbox, tmp_path / "store", jobs=1)
    assert read_settings(read_settings_text(tmp_path / "store")) == inbox.settings
    with pytest.raises(NothingDone, match=r"holds 1 runs of 1 athletes, and none of them has 2 runs with 4 usable"):
        self_check(tmp_path / "store")


def test_settings_changed_by_hand_in_the_store_are_damage(drifting: Path, tmp_path: Path):
    store = store_of(read_table(drifting, "splits"), tmp_path / "store")
    (store / "settings.toml").write_text("min_runs = 2\n")
    with pytest.raises(Damaged, match=r"settings\.toml has another content"):
        self_check(store)


@pytest.mark.parametrize(
    "settings",
    [
        Settings(),
        Settings(
            split_length_m=1609.344,
            sensor_preference=("self-described", "native"),
            described_fields={'Step "contact" é\x7f\n': "contact_time_ms"},
            smallest_change_pct=dict(Settings().smallest_change_pct) | {"cadence_spm": 1e-7},
            seed=3,
        ),
    ],
    ids=["defaults", "changed"],
)
def test_settings_written_are_settings_read(settings: Settings):
    read = read_settings(settings_text(settings))
    assert read == settings
    assert read.digest() == settings.digest()
