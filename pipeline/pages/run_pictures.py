"""The picture of a run: what was recorded along the distance, one panel per quantity on one axis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import polars as pl

from pipeline.core.metrics import METRIC_OF
from pipeline.pages.athlete_pictures import distance_ticks, level_ticks, speed_ticks, unit_of
from pipeline.pages.language import Language
from pipeline.pages.picture import SIZE, Picture, Scale, around

Row = Mapping[str, Any]

#: Height of a panel, and of the last, which has the distance below it [px].
PANEL, LAST_PANEL = 104, 122
#: The smallest range of altitude of a panel [m]: a flat run is not drawn as a mountain. Common practice, no source.
LEAST_ALTITUDE_RANGE_M = 60.0
#: Slower than this share of the median is walking or standing, and would press the rest of the line flat.
SLOWEST_SHARE = 0.6


def run_pictures(
    trace: pl.DataFrame, splits: Sequence[Row], *, expected: Mapping[str, Sequence[tuple[float, float, float]]],
    left_out: Sequence[tuple[float, float, str]], length_km: float, language: Language,
) -> list[dict[str, Any]]:  # fmt: skip
    """A panel per quantity that was recorded: its name and its picture.

    Args:
        trace: what `pipeline.pages.traces.traces` gave.
        splits: rows of `splits`, each with `from_km` and `to_km`.
        expected: by metric, at the middle of splits: distance [km], the ends of what is usual.
        left_out: stretches that did not enter: from, to [km], why.
    """
    names = [name for name in _ORDER if name in trace.columns and trace[name].null_count() < trace.height]
    names += [
        name
        for name in trace.columns
        if name in METRIC_OF and name not in names and trace[name].null_count() < trace.height
    ]
    x = Scale(0.0, max(length_km, 0.1))
    km = trace["distance_km"].to_list()
    panels = []
    for place, name in enumerate(names):
        is_last = place == len(names) - 1
        values = trace[name].to_numpy()
        y = _scale(name, values, expected.get(name, ()), splits)
        ticks = _ticks(name, y, language)
        picture = Picture(
            x,
            y,
            LAST_PANEL if is_last else PANEL,
            distance_ticks(x, language) if is_last else (),
            ticks,
            _unit(name, language),
        )
        for begin, end, _ in left_out:
            picture.band("left-out", x=(begin, end))
        picture.area([(at, _inside(low, y), _inside(high, y)) for at, low, high in expected.get(name, ())], "expected")
        picture.path(_fast_line(km, values, x, y), "trace")
        if name in METRIC_OF or name == "speed_m_s":
            means = [(row["from_km"], row["to_km"], row[name]) for row in splits if row.get(name) is not None]
            picture.lines(
                ([(begin, _inside(value, y)), (end, _inside(value, y))] for begin, end, value in means), "split"
            )
        label = (
            language("run.panel.altitude")
            if name == "altitude_m"
            else language("run.panel.speed")
            if name == "speed_m_s"
            else language.metric(name)
        )
        words = language(
            "run.panel.seen", quantity=label, lowest=ticks[0][1] if ticks else "", highest=ticks[-1][1] if ticks else ""
        )
        readings = _readings(name, splits, expected.get(name, ()), language)
        panels.append({"name": name, "label": label, "svg": picture.svg(words, kind="panel", readings=readings)})
    return panels


#: First what the legs and the ground did, then the runner.
_ORDER = ("speed_m_s", "altitude_m", "contact_time_ms", "cadence_spm", "vertical_oscillation_mm", "heart_rate_bpm")


def _inside(value: float, scale: Scale) -> float:
    low, high = sorted((scale.low, scale.high))
    return min(max(value, low), high)


def _scale(name: str, values: Any, expected: Sequence[tuple[float, float, float]], splits: Sequence[Row]) -> Scale:
    known = values[~np.isnan(values)]
    if name == "altitude_m":
        low, high = float(known.min()), float(known.max())
        spare = max(LEAST_ALTITUDE_RANGE_M - (high - low), 0.1 * (high - low)) / 2
        return Scale(low - spare, high + spare)
    if name == "speed_m_s":
        median = float(np.median(known))
        return Scale(*around([max(float(known.min()), SLOWEST_SHARE * median), float(known.max())]))
    # Single odd samples do not set the scale; the means of the splits and what is usual do.
    ordered = np.sort(known)
    low, high = (float(ordered[int(share * (len(ordered) - 1))]) for share in (0.01, 0.99))
    means = [row[name] for row in splits if row.get(name) is not None]
    return Scale(*around([low, high, *means, *(end for _, *ends in expected for end in ends)]))


def _ticks(name: str, scale: Scale, language: Language) -> list[tuple[float, str]]:
    return speed_ticks(scale, language, 2, has_unit=False) if name == "speed_m_s" else level_ticks(scale, language, 2)


def _unit(name: str, language: Language) -> str:
    if name == "speed_m_s":
        return language.units.speed
    return "m" if name == "altitude_m" else unit_of(name, language)


def _fast_line(km: Sequence[float], values: Any, x: Scale, y: Scale) -> str:
    """The path of a trace: the same as `Picture.line`, for many points at once."""
    across = np.rint(SIZE * (np.asarray(km) - x.low) / (x.high - x.low)).astype(int)
    has = ~np.isnan(values)
    up = np.rint(SIZE * (1 - np.clip((values - y.low) / (y.high - y.low), 0.0, 1.0)), where=has, out=np.zeros(len(has)))
    up = up.astype(int)
    # Without gaps steps from point to point, which are shorter to write than places.
    path = []
    for part in np.split(np.arange(len(has)), np.flatnonzero(np.diff(has)) + 1):
        if len(part) and has[part[0]]:
            steps = zip(np.diff(across[part]).tolist(), np.diff(up[part]).tolist(), strict=True)
            path.append(f"M{across[part[0]]} {up[part[0]]}" + "".join(f"l{right} {down}" for right, down in steps))
    return "".join(path)


def _readings(
    name: str, splits: Sequence[Row], expected: Sequence[tuple[float, float, float]], language: Language
) -> list[tuple[float, str]]:
    """What is to be read at each split: its value, and what is usual there."""
    usual = {round(at, 6): (low, high) for at, low, high in expected}
    decimals, unit = (METRIC_OF[name].decimals, unit_of(name, language)) if name in METRIC_OF else (0, "")
    readings = []
    for row in splits:
        middle, value = (row["from_km"] + row["to_km"]) / 2, row.get(name)
        if name == "altitude_m":
            text = (
                ""
                if row["slope_pct"] is None
                else language("run.reading.slope", slope=language.signed(row["slope_pct"]))
            )
        elif name == "speed_m_s":
            text = f"{language.speed(value)} {language.units.speed}"
        elif value is None:
            text = language("run.reading.nothing")
        elif (ends := usual.get(round(middle, 6))) is None:
            text = f"{language.number(value, decimals)} {unit}"
        else:
            low, high = (language.number(end, decimals) for end in ends)
            text = language("run.reading.usual", value=language.number(value, decimals), unit=unit, low=low, high=high)
        readings.append((middle, text))
    return readings
