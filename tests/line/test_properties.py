"""What must hold of any run from recording to splits: rates, cuts, sums and the order of rows do not change a run."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.formats import Recording, csv, readings_frame
from pipeline.stages.samples import RunSamples, samples
from tests.support.splits import split_means

FORM = ("speed_m_s", "cadence_spm", "contact_time_ms", "heart_rate_bpm")
#: The same examples every time, and none kept from an earlier run: most of what holds here holds within a tolerance.
SOME = settings(max_examples=25, deadline=None, derandomize=True)


def settled(columns: dict[str, np.ndarray], pauses: tuple[tuple[float, float], ...] = ()) -> RunSamples:
    readings = readings_frame({name: pl.Series(values) for name, values in columns.items()})
    recording = Recording(readings=readings, pauses=pauses)
    return samples(recording, gap_s=10, slope_window_m=100, slope_window_rough_m=400, rough_altitude_m=0.6).named("r")


def smooth_run(n: int, m_s: float, phase: float) -> dict[str, np.ndarray]:
    """A run whose speed and form wander slowly; distance is the exact integral of its speed."""
    time_s = np.arange(float(n))
    wave = np.sin(time_s / 300 + phase)
    return {
        "time_s": time_s,
        "distance_m": m_s * time_s - 0.3 * 300 * (np.cos(time_s / 300 + phase) - np.cos(phase)),
        "speed_m_s": m_s + 0.3 * wave,
        "altitude_m": 50 + 10 * np.sin(time_s / 200),
        "cadence_spm": 170 + 4 * wave,
        "contact_time_ms": 250 - 10 * wave,
        "heart_rate_bpm": 150 + 5 * wave,
    }


@st.composite
def rough_runs(draw: Any) -> dict[str, np.ndarray]:
    """Uneven rates, walking, standing, holes, missing values."""
    rng = np.random.default_rng(draw(st.integers(0, 10**6)))
    n = draw(st.integers(2, 1500))
    time_s = np.cumsum(rng.choice([1, 1, 1, 2, 6, 40], n)).astype(float)
    speed = np.repeat(rng.choice([0, 1.4, 2.2, 3.1, 4.5], -(-n // 50)), 50)[:n]
    covered = speed * np.diff(time_s, prepend=time_s[0])
    cadence = np.where(rng.random(n) < 0.05, np.nan, np.interp(speed, [0, 1.4, 2.2, 4.5], [0, 110, 155, 180]))
    return {"time_s": time_s, "distance_m": np.cumsum(covered), "cadence_spm": cadence,
            "contact_time_ms": np.where(rng.random(n) < 0.2, 0, 250.0)}  # fmt: skip


runs = st.builds(smooth_run, n=st.integers(700, 2500), m_s=st.floats(2.8, 4.0), phase=st.floats(0, 6))


@SOME
@given(runs, st.integers(0, 2))
def test_a_third_of_the_samples_gives_the_same_kilometres(run: dict[str, np.ndarray], offset: int):
    """Smooth to a second: an interval of 3 s holds the end of a wave of 1885 s, at most 3/300 of its height away."""
    whole = np.arange(len(run["time_s"]))
    third = (whole % 3 == offset) | (whole == 0) | (whole == whole[-1])
    fine = split_means(settled(run).samples, split_length_m=1000)
    coarse = split_means(settled({name: values[third] for name, values in run.items()}).samples, split_length_m=1000)
    assert fine["km"].to_list() == coarse["km"].to_list()
    full = fine["length_m"] > 900
    np.testing.assert_allclose(coarse["length_m"], fine["length_m"], atol=0.03)
    np.testing.assert_allclose(coarse["moving_s"], fine["moving_s"], atol=0.05)
    for name, tolerance in zip(FORM, (0.01, 0.05, 0.11, 0.06), strict=True):
        np.testing.assert_allclose(coarse[name].filter(full), fine[name].filter(full), atol=tolerance)


@SOME
@given(rough_runs(), st.sampled_from([1000.0, 400.0, 1609.344]))
def test_the_splits_add_up_to_the_run(run: dict[str, np.ndarray], length_m: float):
    settled_run = settled(run).samples
    found = split_means(settled_run, split_length_m=length_m)
    moving_s = settled_run.filter(pl.col("gait") != "stand")["interval_s"].sum()
    running_s = settled_run.filter(pl.col("gait") == "run")["interval_s"].sum()
    assert found["length_m"].sum() == pytest.approx(settled_run["distance_m"].max(), abs=1e-4)
    assert found["moving_s"].sum() == pytest.approx(moving_s, abs=1e-6)
    assert found["running_s"].sum() == pytest.approx(running_s, abs=1e-6)
    assert found["length_m"].head(-1).to_list() == pytest.approx([length_m] * (found.height - 1), abs=1e-5)
    assert found["km"].to_list() == list(range(1, found.height + 1))


@SOME
@given(rough_runs())
def test_time_is_run_walked_stood_or_paused_and_distance_never_decreases(run: dict[str, np.ndarray]):
    result = settled(run)
    assert result.samples["interval_s"].sum() + result.paused_s == pytest.approx(run["time_s"][-1] - run["time_s"][0])
    assert result.samples["distance_m"].is_sorted()
    assert (result.samples["interval_s"] >= 0).all()


@SOME
@given(rough_runs(), st.integers(0, 10**6))
def test_the_order_of_rows_in_the_file_does_not_matter(run: dict[str, np.ndarray], seed: int):
    order = np.random.default_rng(seed).permutation(len(run["time_s"]))
    shuffled = {name: values[order] for name, values in run.items()}
    assert_frame_equal(settled(shuffled).samples, settled(run).samples)


@SOME
@given(rough_runs(), st.integers(0, 10**6))
def test_the_order_of_samples_does_not_matter_to_splits(run: dict[str, np.ndarray], seed: int):
    ordered = settled(run).samples
    shuffled = ordered.sample(fraction=1, shuffle=True, seed=seed)
    assert_frame_equal(
        split_means(shuffled, split_length_m=1000), split_means(ordered, split_length_m=1000), rel_tol=1e-9
    )


@SOME
@given(runs, st.data())
def test_a_run_cut_in_two_and_joined_is_the_run(run: dict[str, np.ndarray], data: st.DataObject):
    """The second part may repeat the end of the first: what is of one instant is merged."""
    n = len(run["time_s"])
    cut = data.draw(st.integers(1, n - 1))
    again = data.draw(st.integers(0, min(cut, 30)))
    joined = {name: np.concatenate([values[:cut], values[cut - again :]]) for name, values in run.items()}
    assert_frame_equal(settled(joined).samples, settled(run).samples)


@SOME
@given(runs, st.data())
def test_a_counter_that_restarts_at_a_cut_loses_one_interval_at_most(run: dict[str, np.ndarray], data: st.DataObject):
    cut = data.draw(st.integers(100, len(run["time_s"]) - 1))
    restarted = {**run, "distance_m": run["distance_m"].copy()}
    restarted["distance_m"][cut:] -= run["distance_m"][cut]
    lost_m = settled(run).samples["distance_m"].max() - settled(restarted).samples["distance_m"].max()
    assert -0.02 <= lost_m <= 4.4


@SOME
@given(runs, st.integers(1, 600), st.integers(1, 10_000))
def test_a_pause_does_not_shorten_the_kilometre(run: dict[str, np.ndarray], at: int, pause_s: int):
    """The clock goes on during the pause, the distance does not: same kilometres, same time, same form."""
    later = {**run, "time_s": np.where(run["time_s"] > at, run["time_s"] + pause_s, run["time_s"])}
    paused = settled(later, pauses=((float(at), float(at + pause_s)),))
    assert paused.paused_s == pytest.approx(pause_s)
    assert_frame_equal(
        # What the heart did in the pause is not known, so the speed that it follows begins anew.
        split_means(paused.samples, split_length_m=1000).drop("lagged_speed_m_s"),
        split_means(settled(run).samples, split_length_m=1000).drop("lagged_speed_m_s"),
        abs_tol=1e-6,
    )


#: Another header for each column, and what its unit makes of a value.
OTHER_UNITS = {
    "time_s": ("elapsed_ms", 1000.0),
    "distance_m": ("distance_km", 0.001),
    "speed_m_s": ("speed_km_h", 3.6),
    "altitude_m": ("altitude_ft", 1 / 0.3048),
    "cadence_spm": ("cadence_strides_min", 0.5),
    "contact_time_ms": ("contact_time_s", 0.001),
    "heart_rate_bpm": ("heart_rate_bpm", 1.0),
}


def split_csv(columns: dict[str, np.ndarray]) -> pl.DataFrame:
    text = pl.DataFrame(columns).write_csv(float_precision=9)
    (found,) = csv.decode(text.encode())
    settled_run = samples(found, gap_s=10, slope_window_m=100, slope_window_rough_m=400, rough_altitude_m=0.6)
    return split_means(settled_run.named("r").samples, split_length_m=1000)


@SOME
@given(runs, st.data())
def test_other_units_in_another_order_of_columns_give_the_same_splits(run: dict[str, np.ndarray], data: st.DataObject):
    """From the text of a CSV to the splits; the digits written leave a nanometre and a microsecond of difference."""
    plain = {"elapsed_s" if name == "time_s" else name: values for name, values in run.items()}
    others = data.draw(st.sets(st.sampled_from(sorted(OTHER_UNITS)), min_size=1))
    told = {}
    for name in data.draw(st.permutations(sorted(run))):
        header, factor = OTHER_UNITS[name] if name in others else ("elapsed_s" if name == "time_s" else name, 1.0)
        told[header] = run[name] * factor
    assert_frame_equal(split_csv(told), split_csv(plain), abs_tol=1e-4, rel_tol=1e-6)
