"""The picture of a run: what was recorded along the distance, one panel per quantity on one axis."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.core.arrays import Array, Mask
from pipeline.pages.athlete_pictures import distance_ticks, level_ticks, speed_ticks, unit_of
from pipeline.pages.language import Language
from pipeline.pages.picture import SIZE, Picture, Scale, around
from pipeline.pages.traces import traced

Row = Mapping[str, Any]

#: Height of a panel, and of the last, which has the distance below it [px].
PANEL, LAST_PANEL = 104, 122
#: The smallest range of altitude of a panel [m]: a flat run is not drawn as a mountain. Common practice, no source.
LEAST_ALTITUDE_RANGE_M = 60.0
#: Slower than this share of the median is walking or standing, and would press the rest of the line flat.
SLOWEST_SHARE = 0.6


@dataclass(frozen=True)
class RunCourse:
    """What was recorded along a run.

    Attributes:
        trace: columns as `pipeline.pages.traces.traces_of_runs` gave them.
        splits: rows of `splits`, each with `from_km` and `to_km`.
        expected: by metric, at the middle of splits: distance [km], the ends of what is usual.
        left_out: stretches that did not enter: from, to [km], why.
        length_km: of the whole run.
    """

    trace: Mapping[str, Array]
    splits: Sequence[Row]
    expected: Mapping[str, Sequence[tuple[float, float, float]]]
    left_out: Sequence[tuple[float, float, str]]
    length_km: float


def run_pictures(course: RunCourse, language: Language) -> list[dict[str, Any]]:
    """A panel per quantity that was recorded: its name and its picture."""
    trace, splits = course.trace, course.splits
    names = [name for name in _order(language) if name in trace and not np.isnan(trace[name]).all()]
    if not names:
        return []
    # All quantities at once, a row each: a page has too many small arrays otherwise.
    values = np.stack([trace[name] for name in names])
    means = np.array([[row.get(name) for row in splits] for name in names], dtype=float)
    keys = [round((row["from_km"] + row["to_km"]) / 2, 6) for row in splits]
    usual = np.stack([_at_splits(course.expected.get(name, ()), keys) for name in names])
    x, scales = Scale(0.0, max(course.length_km, 0.1)), _scales(names, values, means, usual)
    across, steps = _places(trace["distance_km"], x), _heights(values, scales)
    begins, middles, ends = (
        _places(np.array([row["from_km"] * (1 - share) + row["to_km"] * share for row in splits]), x)
        for share in (0.0, 0.5, 1.0)
    )
    traced = _trace_paths(across, steps, ~np.isnan(values))
    levels, bounds = _heights(means, scales).tolist(), _heights(usual, scales)
    panels = []
    for place, name in enumerate(names):
        is_last = name == names[-1]
        y, is_usual = scales[place], ~np.isnan(usual[place, :, 0])
        ticks = _ticks(name, y, language)
        picture = Picture(
            x, y, LAST_PANEL if is_last else PANEL, distance_ticks(x, language) if is_last else (), ticks,
            _unit(name, language),
        )  # fmt: skip
        for begin, end, _ in course.left_out:
            picture.band("left-out", x=(begin, end))
        picture.path(_band_path(middles[is_usual], bounds[place, is_usual]), "expected")
        picture.path(traced[place], "trace")
        if name != "altitude_m":
            of_splits = zip(begins.tolist(), levels[place], ends.tolist(), splits, strict=True)
            picture.path(
                "".join([f"M{begin} {up}H{end}" for begin, up, end, row in of_splits if row.get(name) is not None]),
                "split",
            )
        label = language(f"run.panel.{_NO_METRIC[name]}") if name in _NO_METRIC else language.metric(name)
        words = language(
            "run.panel.seen", quantity=label, lowest=ticks[0][1] if ticks else "", highest=ticks[-1][1] if ticks else ""
        )
        readings = _readings(name, splits, usual[place].tolist(), language)
        panels.append({"name": name, "label": label, "svg": picture.svg(words, kind="panel", readings=readings)})
    return panels


def _at_splits(expected: Sequence[tuple[float, float, float]], keys: Sequence[float]) -> Array:
    """The ends of what is usual at the middle of each split, (splits, 2); NaN where nothing is."""
    if not expected:
        return np.full((len(keys), 2), np.nan)
    ends = {round(at, 6): (low, high) for at, low, high in expected}
    return np.array([ends.get(key, (math.nan, math.nan)) for key in keys])


def _places(values: Array, x: Scale) -> Any:
    """Places along the distance, whole numbers."""
    return np.rint(SIZE * (values - x.low) / (x.high - x.low)).astype(int)


def _heights(values: Array, scales: Sequence[Scale]) -> Any:
    """Places from above, whole numbers, of a row of values for each scale.

    What lies beyond the scale is at its end, and so is what is absent.
    """
    shape = (-1,) + (1,) * (values.ndim - 1)
    low, high = (np.array([getattr(y, end) for y in scales]).reshape(shape) for end in ("low", "high"))
    up = np.where(np.isnan(values), 0.0, (values - low) / (high - low))
    return np.rint(SIZE * (1 - np.clip(up, 0.0, 1.0))).astype(int)


#: First what the legs and the ground did, then the runner.
_FIRST = ("speed_m_s", "altitude_m", "contact_time_ms", "cadence_spm", "vertical_oscillation_mm", "heart_rate_bpm")
_NO_METRIC = {"speed_m_s": "speed", "altitude_m": "altitude"}


def _order(language: Language) -> tuple[str, ...]:
    return (*_FIRST, *(name for name in traced(language.registry) if name not in _FIRST))


def _scales(names: Sequence[str], values: Array, means: Array, usual: Array) -> list[Scale]:
    """The scale of each quantity, from its trace, the means of the splits and what is usual."""
    n_known = np.count_nonzero(~np.isnan(values), axis=1)
    ordered = np.sort(values, axis=1)  # what is absent is last
    shown = np.concatenate([means, usual.reshape(len(names), -1)], axis=1)
    lowest, highest = np.fmin.reduce(shown, axis=1), np.fmax.reduce(shown, axis=1)
    scales = []
    for place, name in enumerate(names):
        known, last = ordered[place], int(n_known[place]) - 1
        low, high = float(known[0]), float(known[last])
        if name == "altitude_m":
            spare = max(LEAST_ALTITUDE_RANGE_M - (high - low), 0.1 * (high - low)) / 2
            scales.append(Scale(low - spare, high + spare))
        elif name == "speed_m_s":
            median = float(known[last // 2] + known[(last + 1) // 2]) / 2
            scales.append(Scale(*around([max(low, SLOWEST_SHARE * median), high])))
        else:
            # Single odd samples do not set the scale; the means of the splits and what is usual do.
            low, high = (float(known[int(share * last)]) for share in (0.01, 0.99))
            ends = [low, high, float(lowest[place]), float(highest[place])]
            scales.append(Scale(*around(ends)))
    return scales


def _ticks(name: str, scale: Scale, language: Language) -> list[tuple[float, str]]:
    return speed_ticks(scale, language, 2, has_unit=False) if name == "speed_m_s" else level_ticks(scale, language, 2)


def _unit(name: str, language: Language) -> str:
    if name == "speed_m_s":
        return language.units.speed
    return "m" if name == "altitude_m" else unit_of(name, language)


def _trace_paths(across: Any, heights: Any, is_known: Mask) -> list[str]:
    """The path of each trace, a row each, broken where there is no value.

    Without gaps in steps from point to point, which are shorter to write than places.
    """
    points = np.stack(np.broadcast_arrays(across, heights), axis=-1)
    steps, paths = np.diff(points, axis=1), []
    for row, known in enumerate(is_known):
        edges = [0, len(known)] if known.all() else np.flatnonzero(np.diff(known, prepend=False, append=False)).tolist()
        path = []
        for begin, end in zip(edges[::2], edges[1::2], strict=True):
            path.append(f"M{_written(points[row, begin])}")
            path.append(f"l{_written(steps[row, begin : end - 1])}" if end - begin > 1 else "h0")
        paths.append("".join(path))
    return paths


def _band_path(across: Any, heights: Any) -> str:
    """The path around the area between two lines, whose heights are columns; empty without any."""
    there, back = np.column_stack([across, heights[:, 1]]), np.column_stack([across, heights[:, 0]])[::-1]
    return f"M{_written(np.concatenate([there, back]))}Z" if len(across) else ""


def _written(numbers: Any) -> str:
    # The text of a list of whole numbers is nearly that of a path, and the cheapest way to write thousands.
    return str(numbers.ravel().tolist())[1:-1].replace(",", "")


def _readings(
    name: str, splits: Sequence[Row], usual: Sequence[Sequence[float]], language: Language
) -> list[tuple[float, str]]:
    """What is to be read at each split: its value, and what is usual there."""
    if name == "altitude_m":
        slopes = [row["slope_pct"] for row in splits]
        texts = ["" if one is None else language("run.reading.slope", slope=language.signed(one)) for one in slopes]
    elif name == "speed_m_s":
        texts = [f"{language.speed(row['speed_m_s'])} {language.units.speed}" for row in splits]
    else:
        decimals, unit = language.registry.metric_of[name].decimals, unit_of(name, language)
        nothing = language("run.reading.nothing")
        with_usual = language("run.reading.usual", value="{}", unit=unit, low="{}", high="{}")
        texts = []
        for row, (low, high) in zip(splits, usual, strict=True):
            value = row.get(name)
            if value is None:
                texts.append(nothing)
            elif math.isnan(low):
                texts.append(f"{language.number(value, decimals)} {unit}")
            else:
                texts.append(with_usual.format(*[language.number(one, decimals) for one in (value, low, high)]))
    return [((row["from_km"] + row["to_km"]) / 2, text) for row, text in zip(splits, texts, strict=True)]
