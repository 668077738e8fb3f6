"""Every number and choice that a person may change: unit, default, and why that default.

Read from `settings.toml` in the inbox. A stage is never handed this object, only the numbers it uses, by name.
"""

from __future__ import annotations

import dataclasses
import difflib
import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import available_timezones

from pipeline.core.errors import UsageError
from pipeline.core.inclusion import Inclusion
from pipeline.core.metrics import (
    METRICS,
    ROUGH_SLOPE_ERROR_PCT,
    SLOPE_ERROR_PCT,
    WARM_UP_EFFECT_PCT,
    Registry,
    registry_with,
)
from pipeline.core.own_metrics import metric_of, own_metrics
from pipeline.core.speed_sources import SPEED_ERROR_PCT, SPEED_SOURCES
from pipeline.core.toml import parsed

SETTINGS_FILE = "settings.toml"


#: The step that a setting affects, and with it all later ones; the last two change no number.
READING, ANALYSIS, SUMMARIES, PAGES, KEEPING = "reading", "analysis", "summaries", "pages", "keeping"
_STEPS = (READING, ANALYSIS, SUMMARIES, PAGES, KEEPING)


def _setting(
    default: Any, of: str, unit: str, reason: str, *, choices: tuple[str, ...] = (), smallest: float | None = None
) -> Any:
    """A setting of a step; numbers are above zero, or not below `smallest` where that is given."""
    metadata = {"of": of, "unit": unit, "reason": reason, "choices": choices, "smallest": smallest}
    if isinstance(default, dict):
        return field(default_factory=lambda: dict(default), metadata=metadata)
    return field(default=default, metadata=metadata)


def _smallest_changes() -> str:
    """Where the smallest changes of interest come from; metrics with the same source in one sentence."""
    by_source: dict[str, list[str]] = {}
    for metric in METRICS:
        by_source.setdefault(metric.smallest_change_source, []).append(metric.label)
    return " ".join(f"{', '.join(labels).capitalize()}: {source}." for source, labels in by_source.items())


@dataclass(frozen=True, kw_only=True)
class Settings:
    """The settings in force. `splitdrift settings` prints them with their reasons."""

    # fmt: off
    split_length_m: float = _setting(1000.0, READING, "m",
        "Length of a split. 1609.344 for miles; everything counted in splits follows.")
    sensor_preference: tuple[str, ...] = _setting(("native", "self-described"), READING, "",
        "Which sensor wins when a FIT file holds a quantity twice. Sensors differ by several percent in contact time "
        "(Garcia-Pinillos 2019, PLoS One 14:e0222872), so one is taken whole, never a mixture.")
    described_fields: Mapping[str, str] = _setting({}, READING, "",
        "Name of a self-described FIT field = the reading it holds (such as contact_time_ms), where the field's own "
        "name and unit do not say.")
    metrics: Mapping[str, Mapping[str, Any]] = _setting({}, READING, "",
        "Metrics of one's own, each a table [metrics.NAME] with column, unit, smallest_change_pct, and where wanted "
        "label, decimals, counts_as, lowest and highest. They are read, estimated and shown like the others, but are "
        "adjusted for speed without a published response to begin with.")
    max_unpacked_mb: float = _setting(256.0, READING, "MB",
        "Largest content of one packed file; a day at ten samples a second needs about 60.")
    max_members: int = _setting(1000, READING, "files", "Most files in one archive.")
    slope_window_m: float = _setting(100.0, READING, "m",
        "Window of the local fit that gives the slope, for steady (barometric) altitude: long enough for steps of 0.2 "
        "m to vanish, short enough to see a hill. Common practice, no source.")
    slope_window_rough_m: float = _setting(400.0, READING, "m",
        "The same for rough (satellite) altitude, whose noise is metres. Common practice, no source.")
    rough_altitude_m: float = _setting(0.6, READING, "m",
        "Altitude whose second differences between samples have a median size above this counts as rough. Common "
        "practice, no source.")
    gap_s: float = _setting(10.0, READING, "s",
        "A reading stands for at most this long before it; a longer hole without progress is a pause. Devices that "
        "save memory write every 1 to 8 s.")
    warm_up_m: float = _setting(1000.0, ANALYSIS, "m",
        "Splits that begin before this distance do not enter drift: form settles and sensors lock.", smallest=0)
    min_run_share: float = _setting(0.95, READING, "share of moving time",
        "Splits with more walking than this leaves do not enter drift.")
    min_length_share: float = _setting(0.99, ANALYSIS, "share of a split", "Partial splits do not enter drift.")
    min_splits_of_run: int = _setting(4, ANALYSIS, "splits",
        "Fewer usable splits do not show a slope above their scatter.", smallest=3)
    min_runs: int = _setting(3, ANALYSIS, "runs",
        "Fewer runs do not separate an athlete's habit from that of one day.", smallest=2)
    min_measured_share: float = _setting(0.5, ANALYSIS, "share of running time",
        "Splits with a reading for less of their running time do not enter for what rests on it: a mean of a few "
        "seconds is no kilometre. Common practice, no source.", smallest=0)
    speed_error_pct: Mapping[str, float] = _setting(dict(SPEED_ERROR_PCT), ANALYSIS, "%",
        "Median of what is expected of the error of a kilometre's speed (standard deviation) by where it comes from, "
        "as runs.speed_source says, before the runs say more; 95 % of the distribution lies below three times that. A "
        "number is for all sources. 0 takes speed as exact, and calls part of slowing down a drift. Watches miss whole "
        "distances by 3 to 6 % (Gilgen-Ammann 2020, JMIR mHealth 8:e17118), which is no noise per kilometre. "
        + " ".join(f"{name}: {source.meaning}; {source.reason}." for name, source in SPEED_SOURCES.items()), smallest=0)
    warm_up_effect_pct: float = _setting(WARM_UP_EFFECT_PCT, ANALYSIS, "%",
        "How far off form is expected to be at the start of a run (standard deviation, dying out over the first "
        "kilometres), before the runs say more. 0 takes form as settled after warm_up_m, and calls what is left of the "
        "warm-up a drift. Common practice, no source.", smallest=0)
    slope_error_pct: float = _setting(SLOPE_ERROR_PCT, ANALYSIS, "% slope",
        "Standard deviation that the error of a kilometre's slope may have where altitude is steady: 3 m, as a "
        "pressure sensor gives it. 0 takes slope as exact. Common practice, no source.", smallest=0)
    rough_slope_error_pct: float = _setting(ROUGH_SLOPE_ERROR_PCT, ANALYSIS, "% slope",
        "The same where altitude is rough, as positions give it: 10 m. Common practice, no source.", smallest=0)
    max_collinearity: float = _setting(0.9, ANALYSIS, "share",
        "Where speed and slope explain more of distance than this, the finding is unclear: the error of the drift is "
        "then over three times what it would be without them, and rests on the exact form of the responses.")
    smallest_change_pct: Mapping[str, float] = _setting(
        {metric.column: metric.smallest_change_pct for metric in METRICS}, SUMMARIES, "% per 10 km",
        f"Smallest change of interest; a metric holds when its interval lies inside. {_smallest_changes()}")
    usual_distance_margin: float = _setting(1.5, SUMMARIES, "smallest_change_pct",
        "Smallest change of interest over an athlete's usual long distance, in multiples of that per 10 km. A "
        "convention: what matters at the end of a long run is a little more than what matters after 10 km, and does "
        "not grow with every kilometre.")
    max_late_exclusion_excess: float = _setting(0.15, SUMMARIES, "share of splits",
        "An athlete whose kilometres in the second half of the usual distance are missing (walked, or without a "
        "reading) more often than those in the first half, by more than this, is not said to hold: what is missing "
        "late may be what changed. Common practice, no source.")
    time_zone: str = _setting("", SUMMARIES, "",
        'Where the club runs, such as "Europe/Lisbon": runs get their local date. Empty: not known, and no local date.')
    seed: int = _setting(1, ANALYSIS, "",
        "Of the random draws for the onset: the same data give the same answer.", smallest=0)
    level_slope_pct: float = _setting(1.0, READING, "%",
        "Splits whose mean slope is steeper, up or down, have no stiffness: by timing it is not valid on inclines "
        "(Meyer 2023, doi 10.1055/a-2044-4805, which gives no limit). At 1 % the ground rises some 8 mm during a "
        "contact, an eighth of the body's own movement.")
    level_roughness_pct: float = _setting(2.0, READING, "%",
        "Nor have splits whose slope has a larger root mean square: up and down cancel in the mean. Flat ground with "
        "steady altitude has about 0.3, noise of rough altitude adds to that, a hill is well above. Common practice, "
        "no source.")
    strike_angle_thresholds: str = _setting("altman-davis-2012", SUMMARIES, "",
        "Where strikes.csv gives a foot-strike angle and no class: rearfoot above 8.0 and forefoot below -1.6 degrees "
        "(Altman and Davis 2012, doi 10.1016/j.gaitpost.2011.09.104, the usual ones, as others restate "
        "them), or 7.4 and -0.8 (Mo 2021, Research in Sports Medicine).", choices=("altman-davis-2012", "mo-2021"))

    pages: str = _setting("names", PAGES, "",
        "Pages with the names of the roster; with a code in place of each athlete, to be passed on; or none.",
        choices=("names", "codes", "none"))
    page_distance: str = _setting("km", PAGES, "",
        "Unit of distances on the pages. Tables stay in km, and changes are per 10 km everywhere.",
        choices=("km", "mile"))
    page_speed: str = _setting("min/km", PAGES, "",
        "How the pages give speed. Tables stay in m/s.", choices=("min/km", "min/mile", "m/s"))
    page_language: str = _setting("en", PAGES, "",
        "Language of the pages, with its numbers and dates: English or German. Methods and published work stay "
        "in English.", choices=("en", "de"))

    max_file_s: float = _setting(120.0, READING, "s",
        "A file that takes longer to read is rejected; an hour of running takes a hundredth of a second.")
    max_athlete_s: float = _setting(1800.0, KEEPING, "s",
        "Once reading the files of one athlete has taken so long in a refresh, summed over workers, the rest of them "
        "wait for the next, so that one folder does not hold up a night. Enough for fifteen files that take "
        "max_file_s, or for a hundred thousand runs.")
    max_file_mb: float = _setting(2000.0, READING, "MB",
        "Nor may reading a file take more memory than this; a day at ten samples a second takes about 500.")
    keep_generations: int = _setting(5, KEEPING, "refreshes",
        "Number of states of the store that are kept to return to. At least two, so that a reader of the previous one "
        "can finish; what did not change between them is on the disk once.", smallest=2)
    # fmt: on

    @property
    def registry(self) -> Registry:
        """The quantities in force."""
        return registry_with(
            tuple(metric_of(name, entry, place) for place, (name, entry) in enumerate(self.metrics.items()))
        )

    @property
    def inclusion(self) -> Inclusion:
        """Which splits, runs and athletes enter the regressions."""
        return Inclusion(**{field.name: getattr(self, field.name) for field in dataclasses.fields(Inclusion)})

    @property
    def max_unpacked_bytes(self) -> int:
        """The setting `max_unpacked_mb` in bytes."""
        return int(self.max_unpacked_mb * 1_000_000)

    def digest(self, step: str = SUMMARIES) -> str:
        """SHA-256 of the values that affect a step, to compare what two results were made with."""
        counted = _STEPS[: _STEPS.index(step) + 1]
        steps = {field.name: field.metadata["of"] for field in dataclasses.fields(self)}
        values = {name: value for name, value in _plain(self).items() if steps[name] in counted}
        return hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()

    def describe(self) -> list[tuple[str, str, str, str]]:
        """Rows of (name, value, unit, reason), in order of use."""
        values = _plain(self)
        return [
            (field.name, json.dumps(values[field.name]), field.metadata["unit"], field.metadata["reason"])
            for field in dataclasses.fields(self)
        ]


def _plain(settings: Settings) -> dict[str, Any]:
    values = {field.name: getattr(settings, field.name) for field in dataclasses.fields(settings)}
    return {name: dict(value) if isinstance(value, Mapping) else value for name, value in values.items()}


def settings_text(settings: Settings) -> str:
    """The settings as `read_settings` reads them, each with its unit and reason."""
    values = _plain(settings)
    lines = ["# The settings that these tables were made with.", ""]
    for name, _, unit, reason in settings.describe():
        lines += [f"# {f'[{unit}] ' if unit else ''}{reason}", f"{name} = {_toml(values[name])}", ""]
    return "\n".join(lines)


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_toml(key)} = {_toml(entry)}" for key, entry in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_toml, value)) + "]"
    # A string, a number or a truth value is written the same in both; only this one sign JSON leaves as it is.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


#: Larger numbers have no use in any setting, and clocks and limits of the system do not take them.
_LARGEST = 10_000_000_000

#: Former names of settings, which are still read.
_RENAMED = {"max_entanglement": "max_collinearity"}


def read_settings(text: str, *, name: str = SETTINGS_FILE) -> Settings:
    """Parse a settings file.

    Raises:
        UsageError: not TOML, an unknown setting (with the nearest known one), a value of the wrong kind or range.
    """
    try:
        written = parsed(text)
    except ValueError as error:
        raise UsageError(f"{name} is not valid TOML: {error}.") from error
    known = {field.name: field for field in dataclasses.fields(Settings)}
    defaults = _plain(Settings())
    own = own_metrics(written.pop("metrics", {}), text, name)
    defaults["smallest_change_pct"] |= {metric: entry["smallest_change_pct"] for metric, entry in own.items()}
    accepted: dict[str, Any] = {"metrics": own, "smallest_change_pct": defaults["smallest_change_pct"]}
    for name_in_file, value in written.items():
        key = _RENAMED.get(name_in_file, name_in_file)
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            hint = f" Did you mean {near[0]}?" if near else " `splitdrift settings` lists them."
            raise UsageError(f"{name}: there is no setting '{key}'.{hint}")
        if key in _NUMBERS_OF:
            accepted[key] = defaults[key] | _checked_numbers(name, key, value, defaults[key], known[key].metadata)
        else:
            accepted[key] = _checked(name, key, value, defaults[key], known[key].metadata)
    return Settings(**accepted)


def _checked(name: str, key: str, value: Any, default: Any, metadata: Mapping[str, Any]) -> Any:
    if metadata["choices"]:
        if value not in metadata["choices"]:
            raise UsageError(f"{name}: {key} is {value!r}; expected {' or '.join(metadata['choices'])}.")
        return value
    if isinstance(default, dict):
        if not isinstance(value, dict) or not all(isinstance(column, str) for column in value.values()):
            raise UsageError(
                f'{name}: {key} is {value!r}; expected a table such as {{"Step contact" = "contact_time_ms"}}.'
            )
        return dict(value)
    if isinstance(default, str):
        if not isinstance(value, str) or (value and value not in available_timezones()):
            raise UsageError(f'{name}: {key} is {value!r}; expected a zone such as "Europe/Lisbon", or "".')
        return value
    if isinstance(default, tuple):
        if not isinstance(value, list) or sorted(map(str, value)) != sorted(default):
            raise UsageError(
                f"{name}: {key} is {value!r}; expected the words {', '.join(default)}, the preferred one first."
            )
        return tuple(value)
    return _checked_number(name, key, value, default, metadata["smallest"])


def _checked_number(name: str, key: str, value: Any, default: Any, smallest: float | None) -> Any:
    is_number = isinstance(value, int) if not isinstance(value, float) else math.isfinite(value)
    is_number = is_number and not isinstance(value, bool)
    if is_number and value > _LARGEST:
        raise UsageError(f"{name}: {key} is beyond {_LARGEST:,}; expected a number such as {default!r}.")
    if not is_number or (value <= 0 if smallest is None else value < smallest):
        least = "above zero" if smallest is None else f"of at least {smallest:g}"
        raise UsageError(f"{name}: {key} is {value!r}; expected a number {least}, such as {default!r}.")
    if isinstance(default, int) and not isinstance(value, int):
        raise UsageError(f"{name}: {key} is {value!r}; expected a whole number, such as {default!r}.")
    if (key.endswith("_share") or key == "max_collinearity") and value > 1:
        raise UsageError(f"{name}: {key} is {value!r}; expected a share between 0 and 1, such as {default!r}.")
    return type(default)(value)


#: Settings that are tables of percentages by name: what the names are of, and one of them with a value.
_NUMBERS_OF = {
    "smallest_change_pct": ("metric", {"contact_time_ms": 2.0}),
    "speed_error_pct": ("source of speed", {"positions": 1.5}),
}


def _checked_numbers(
    name: str, key: str, value: Any, default: Mapping[str, float], metadata: Mapping[str, Any]
) -> dict[str, float]:
    """A table of percentages by name, those that it leaves out keep their default; of sources, or a number for all."""
    kind, example = _NUMBERS_OF[key]
    if not isinstance(value, dict):
        if key == "speed_error_pct" and isinstance(value, int | float):
            number = _checked_number(name, key, value, 1.0, metadata["smallest"])
            return dict.fromkeys(default, float(number))
        raise UsageError(f"{name}: {key} is {value!r}; expected a table such as {_toml(example)}.")
    for column, given in value.items():
        if column not in default:
            near = difflib.get_close_matches(column, default, n=1)
            hint = f" Did you mean {near[0]}?" if near else f" Known: {', '.join(default)}."
            raise UsageError(f"{name}: {key} names '{column}', which is no {kind}.{hint}")
        _checked_number(name, f"{key}.{column}", given, 2.0, metadata["smallest"])
    return {column: float(given) for column, given in value.items()}
