"""The picture of a run: what was recorded along the distance, one panel per quantity on one axis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.core.arrays import Array, Mask
from pipeline.pages.athlete_pictures import distance_ticks, level_ticks, speed_ticks, unit_of
from pipeline.pages.language import Language
from pipeline.pages.picture import ROOM, SIZE, Picture, Scale
from pipeline.pages.traces import Traces, traced

Row = Mapping[str, Any]

#: Height of a panel, and of the last, which has the distance below it [px].
PANEL, LAST_PANEL = 104, 122
#: The smallest range of altitude of a panel [m]: a flat run is not drawn as a mountain. Common practice, no source.
LEAST_ALTITUDE_RANGE_M = 60.0
#: Slower than this share of the median is walking or standing, and would press the rest of the line flat.
SLOWEST_SHARE = 0.6


@dataclass(frozen=True)
class RunCourse:
    """What is shown of a run besides its trace.

    Attributes:
        splits: columns of `splits`, in order.
        texts: the same as they are shown.
        from_km: where each split begins [km].
        to_km: where it ends [km].
        expected: by metric, of each split both ends of what is usual there, (splits, 2); NaN where nothing is.
        left_out: stretches that did not enter: from, to [km], why.
        length_km: of the whole run.
    """

    splits: Mapping[str, Sequence[Any]]
    texts: Mapping[str, Sequence[str]]
    from_km: Array
    to_km: Array
    expected: Mapping[str, Array]
    left_out: Sequence[tuple[float, float, str]]
    length_km: float


def run_pictures(courses: Sequence[RunCourse], traces: Traces, language: Language) -> list[list[dict[str, Any]]]:
    """For each run a panel per quantity that was recorded: its name and its picture."""
    if not courses:
        return []
    # All panels of all runs are computed at once, arrays of quantities by runs: each of them is small.
    order = _order(language)
    values = np.stack([traces.values[name] for name in order])
    shape = (len(courses), max(len(course.from_km) for course in courses))
    means, usual = np.full((len(order), *shape), np.nan), np.full((len(order), *shape, 2), np.nan)
    ends_km = np.zeros((2, *shape))
    for run, course in enumerate(courses):
        n, absent = len(course.from_km), [None] * len(course.from_km)
        means[:, run, :n] = np.array([course.splits.get(name, absent) for name in order], dtype=float)
        ends_km[:, run, :n] = course.from_km, course.to_km
        for name, ends in course.expected.items():
            usual[order.index(name), run, :n] = ends
    n_known = np.count_nonzero(~np.isnan(values), axis=2)
    low, high = _scales(order, values, n_known, means, usual)
    length_km = np.maximum([course.length_km for course in courses], 0.1)
    places = _Places(
        begins=_texts(_across(ends_km[0], length_km)),
        middles=_texts(_across(0.5 * ends_km[0] + 0.5 * ends_km[1], length_km)),
        ends=_texts(_across(ends_km[1], length_km)),
        levels=_texts(_heights(means, low, high)),
        bounds=_texts(_heights(usual, low, high)),
        traced=_trace_paths(_across(traces.distance_km, length_km), _heights(values, low, high), values, traces.moves),
    )
    is_usual, bounds = ~np.isnan(usual[..., 0]), _bound_texts(order, usual, language)
    known_splits = [[np.flatnonzero(of_run).tolist() for of_run in of_quantity] for of_quantity in is_usual]
    pictures = []
    for run, course in enumerate(courses):
        shown = [place for place in range(len(order)) if n_known[place, run]]
        x = Scale(0.0, float(length_km[run]))
        ground = Picture(x, Scale(0.0, 1.0))
        for begin, end, _ in course.left_out:
            ground.band("left-out", x=(begin, end))
        middles = ground.places_along(((course.from_km + course.to_km) / 2).tolist())
        panels = []
        for place in shown:
            name, y = order[place], Scale(float(low[place, run]), float(high[place, run]))
            is_last, ticks = place == shown[-1], _ticks(name, y, language)
            picture = Picture(
                x, y, LAST_PANEL if is_last else PANEL, distance_ticks(x, language) if is_last else (), ticks,
                _unit(name, language), marks=ground.marks.copy(),
            )  # fmt: skip
            known = known_splits[place][run]
            picture.path(places.around_usual(place, run, known), "expected")
            picture.path(places.traced[run][place], "trace")
            picture.path(places.steps(place, run, course.splits.get(name, ())), "split")
            label = language(f"run.panel.{_NO_METRIC[name]}") if name in _NO_METRIC else language.metric(name)
            words = language(
                "run.panel.seen", quantity=label,
                lowest=ticks[0][1] if ticks else "", highest=ticks[-1][1] if ticks else "",
            )  # fmt: skip
            says = _readings(name, course.texts, bounds[place][run] if known else (), known, language)
            panels.append(
                {"name": name, "label": label, "svg": picture.svg(words, kind="panel", reads=(middles, says))}
            )
        pictures.append(panels)
    return pictures


@dataclass(frozen=True)
class _Places:
    """Places in the coordinates of the drawings, as text.

    Attributes:
        begins: of each split, along the distance; by run.
        middles: the same of their middles.
        ends: the same of their ends.
        levels: heights of the means of the splits, by quantity and run.
        bounds: heights of both ends of what is usual, by quantity and run.
        traced: the path of each trace, by run and quantity.
    """

    begins: Any
    middles: Any
    ends: Any
    levels: Any
    bounds: Any
    traced: Sequence[Sequence[str]]

    def around_usual(self, place: int, run: int, known: Sequence[int]) -> str:
        """The path around what is usual, through those splits where it is known; empty without any."""
        if not known:
            return ""
        middles, bounds = self.middles[run], self.bounds[place][run]
        there = [f"{middles[split]} {bounds[split][1]}" for split in known]
        back = [f"{middles[split]} {bounds[split][0]}" for split in reversed(known)]
        return f"M{' '.join(there + back)}Z"

    def steps(self, place: int, run: int, values: Sequence[float | None]) -> str:
        """The path of the means of the splits."""
        of_splits = zip(values, self.begins[run], self.levels[place][run], self.ends[run], strict=False)
        return "".join([f"M{begin} {up}H{end}" for value, begin, up, end in of_splits if value is not None])


def _across(km: Array, length_km: Array) -> Any:
    """Places along the distance, a row per run."""
    return np.rint(SIZE * km / length_km[:, None]).astype(int)


def _heights(values: Array, low: Array, high: Array) -> Any:
    """Places from above, whole numbers, of values by quantity and run.

    What lies beyond the scale is at its end, and so is what is absent.
    """
    shape = low.shape + (1,) * (values.ndim - 2)
    low, high = low.reshape(shape), high.reshape(shape)
    up = np.where(np.isnan(values), 0.0, (values - low) / (high - low))
    return np.rint(SIZE * (1 - np.clip(up, 0.0, 1.0))).astype(int)


#: First what the legs and the ground did, then the runner.
_FIRST = ("speed_m_s", "altitude_m", "contact_time_ms", "cadence_spm", "vertical_oscillation_mm", "heart_rate_bpm")
_NO_METRIC = {"speed_m_s": "speed", "altitude_m": "altitude"}


def _order(language: Language) -> tuple[str, ...]:
    names = traced(language.registry)
    return (*(name for name in _FIRST if name in names), *(name for name in names if name not in _FIRST))


def _scales(order: Sequence[str], values: Array, n_known: Any, means: Array, usual: Array) -> tuple[Array, Array]:
    """Both ends of the scale of each quantity and run, from the trace, the means of the splits and what is usual.

    From 0 to 1 where nothing was recorded.
    """
    ordered = np.sort(values, axis=2)  # what is absent is last
    last = np.maximum(n_known - 1, 0)

    def at(place: Any) -> Array:
        return np.asarray(np.take_along_axis(ordered, place.astype(int)[..., None], axis=2)[..., 0])

    shown = np.concatenate([means, usual.reshape(*usual.shape[:2], -1)], axis=2)
    # Single odd samples do not set the scale; the means of the splits and what is usual do.
    low = np.fmin(at(0.01 * last), np.fmin.reduce(shown, axis=2, initial=np.nan))
    high = np.fmax(at(0.99 * last), np.fmax.reduce(shown, axis=2, initial=np.nan))
    speed, altitude = order.index("speed_m_s"), order.index("altitude_m")
    middle = (at(last // 2)[speed] + at((last + 1) // 2)[speed]) / 2
    low[speed], high[speed] = np.fmax(at(0 * last)[speed], SLOWEST_SHARE * middle), at(last)[speed]
    low[altitude], high[altitude] = at(0 * last)[altitude], at(last)[altitude]
    spare = ROOM * np.where(high > low, high - low, np.abs(high))
    spare[spare == 0] = 1.0
    rise = (high - low)[altitude]
    spare[altitude] = np.fmax(LEAST_ALTITUDE_RANGE_M - rise, 0.1 * rise) / 2
    is_absent = n_known == 0
    return np.where(is_absent, 0.0, low - spare), np.where(is_absent, 1.0, high + spare)


def _ticks(name: str, scale: Scale, language: Language) -> list[tuple[float, str]]:
    return speed_ticks(scale, language, 2, has_unit=False) if name == "speed_m_s" else level_ticks(scale, language, 2)


def _unit(name: str, language: Language) -> str:
    if name == "speed_m_s":
        return language.units.speed
    return "m" if name == "altitude_m" else unit_of(name, language)


def _trace_paths(across: Any, heights: Any, values: Array, moves: Mask) -> list[list[str]]:
    """The path of each trace by run and quantity, broken where there is no value.

    Without gaps in steps from point to point, which are shorter to write than places.
    """
    is_known: Any = ~np.isnan(values[:, moves])
    ends = np.cumsum(np.count_nonzero(moves, axis=1)).tolist()
    heights = heights[:, moves]
    points = np.stack(np.broadcast_arrays(across[moves], heights), axis=-1)
    steps = _texts(np.diff(points, axis=1).reshape(len(heights), -1))
    places, is_whole = points.reshape(len(heights), -1).tolist(), is_known.all(axis=1).tolist()
    paths = []
    for first, last in zip([0, *ends], ends, strict=False):
        of_run = []
        for place, known in enumerate(is_known[:, first:last]):
            if is_whole[place] or known.all():
                edges = [0, last - first] if last > first else []
            else:
                edges = np.flatnonzero(np.diff(known, prepend=False, append=False)).tolist()
            path = []
            for begin, end in zip(edges[::2], edges[1::2], strict=True):
                start = 2 * (first + begin)
                path.append(f"M{places[place][start]} {places[place][start + 1]}")
                own = steps[place][start : 2 * (first + end - 1)]
                path.append(f"l{' '.join(own)}" if own else "h0")
            of_run.append("".join(path))
        paths.append(of_run)
    return paths


#: The texts of whole numbers, from -2 to 2 times `SIZE`: looked up, thousands are written in a quarter of the time.
_TEXTS = np.array([str(number) for number in range(-2 * SIZE, 2 * SIZE + 1)], dtype=object)


def _texts(numbers: Any) -> Any:
    """Whole numbers as texts, in lists as the array has axes."""
    return _TEXTS[numbers + 2 * SIZE].tolist()


def _bound_texts(order: Sequence[str], usual: Array, language: Language) -> list[Any]:
    """Both ends of what is usual as texts, by quantity and run; nothing of quantities of which nothing is usual."""
    texts: list[Any] = []
    for name, ends in zip(order, usual, strict=True):
        if np.isnan(ends).all():
            texts.append(None)
            continue
        low_high = iter(language.numbers(ends.ravel().tolist(), language.registry.metric_of[name].decimals))
        pairs = list(zip(low_high, low_high, strict=True))
        n_splits = ends.shape[1]
        texts.append([pairs[begin : begin + n_splits] for begin in range(0, len(pairs), n_splits)])
    return texts


def _readings(
    name: str, texts: Mapping[str, Sequence[str]], usual: Sequence[Sequence[str]], known: Sequence[int],
    language: Language,
) -> list[str]:  # fmt: skip
    """What is to be read at each split: its value, and what is usual there, where that is known."""
    if name == "altitude_m":
        slope = language("run.reading.slope", slope="{}")
        return [text and slope.format(text) for text in texts["slope_pct"]]
    if name == "speed_m_s":
        return [f"{speed} {language.units.speed}" for speed in texts["speed_m_s"]]
    unit, nothing = unit_of(name, language), language("run.reading.nothing")
    readings = [f"{number} {unit}" if number else nothing for number in texts[name]]
    if known:
        before, between, to, after = language("run.reading.usual", value="\0", unit=unit, low="\0", high="\0").split(
            "\0"
        )
        for place in known:
            if number := texts[name][place]:
                low, high = usual[place]
                readings[place] = f"{before}{number}{between}{low}{to}{high}{after}"
    return readings
