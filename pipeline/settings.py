"""Every number and choice that a person may change: unit, default, and why that default.

Read from `settings.toml` in the inbox. A stage is never handed this object, only the numbers it uses, by name.
"""

from __future__ import annotations

import dataclasses
import difflib
import hashlib
import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from pipeline.errors import UsageError

SETTINGS_FILE = "settings.toml"


def _setting(default: Any, *, unit: str, why: str) -> Any:
    metadata = {"unit": unit, "why": why}
    if isinstance(default, dict):
        return field(default_factory=lambda: dict(default), metadata=metadata)
    return field(default=default, metadata=metadata)


@dataclass(frozen=True, kw_only=True)
class Settings:
    """The settings in force. `splitdrift settings` prints them with their reasons."""

    split_length_m: float = _setting(
        1000.0, unit="m", why="Length of a split. 1609.344 for miles; everything counted in splits follows."
    )
    sensor_preference: tuple[str, ...] = _setting(
        ("native", "self-described"),
        unit="",
        why="Which sensor wins when a FIT file holds a quantity twice. Sensors differ by several percent in contact "
        "time (Garcia-Pinillos 2019, PLoS One 14:e0222872), so one is taken whole, never a mixture.",
    )
    described_fields: Mapping[str, str] = _setting(
        {},
        unit="",
        why="Name of a self-described FIT field = the reading it holds (such as contact_time_ms), where the field's "
        "own name and unit do not tell.",
    )
    max_unpacked_mb: float = _setting(
        256.0, unit="MB", why="Largest content of one packed file; a day at ten samples a second needs about 60."
    )
    max_members: int = _setting(1000, unit="files", why="Most files in one archive.")
    slope_window_m: float = _setting(
        100.0,
        unit="m",
        why="Window of the local fit that gives the slope, for steady (barometric) altitude: long enough for steps of "
        "0.2 m to vanish, short enough to see a hill. Common practice, no source.",
    )
    slope_window_rough_m: float = _setting(
        400.0,
        unit="m",
        why="The same for rough (satellite) altitude, whose noise is metres. Common practice, no source.",
    )
    rough_altitude_m: float = _setting(
        0.6,
        unit="m",
        why="Altitude whose second differences between samples have a median size above this counts as rough. Common "
        "practice, no source.",
    )
    gap_s: float = _setting(
        10.0,
        unit="s",
        why="A reading stands for at most this long before it; a longer hole without progress is a pause. Devices that "
        "save memory write every 1 to 8 s.",
    )
    warm_up_m: float = _setting(
        1000.0,
        unit="m",
        why="Splits that begin before this distance do not enter drift: form settles and sensors lock.",
    )
    min_run_share: float = _setting(
        0.95, unit="share of moving time", why="Splits with more walking than this leaves do not enter drift."
    )
    min_length_share: float = _setting(0.99, unit="share of a split", why="Partial splits do not enter drift.")
    min_splits_of_run: int = _setting(
        4, unit="splits", why="Fewer usable splits cannot show a slope of their own beside their scatter."
    )
    min_runs: int = _setting(3, unit="runs", why="Fewer runs cannot tell an athlete's habit from one day's.")

    def digest(self) -> str:
        """SHA-256 of all values, to tell whether two results were made with the same settings."""
        return hashlib.sha256(json.dumps(_plain(self), sort_keys=True).encode()).hexdigest()

    def describe(self) -> list[tuple[str, str, str, str]]:
        """Rows of (name, value, unit, why), in order of use."""
        values = _plain(self)
        return [
            (one.name, json.dumps(values[one.name]), one.metadata["unit"], one.metadata["why"])
            for one in dataclasses.fields(self)
        ]


def _plain(settings: Settings) -> dict[str, Any]:
    values = {one.name: getattr(settings, one.name) for one in dataclasses.fields(settings)}
    return {name: dict(value) if isinstance(value, Mapping) else value for name, value in values.items()}


def read_settings(text: str, *, name: str = SETTINGS_FILE) -> Settings:
    """Parse a settings file.

    Raises:
        UsageError: not TOML, an unknown setting (with the nearest known one), a value of the wrong kind or range.
    """
    try:
        given = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UsageError(f"{name} is not valid TOML: {error}.") from error
    known = {one.name: one for one in dataclasses.fields(Settings)}
    defaults = _plain(Settings())
    accepted: dict[str, Any] = {}
    for key, value in given.items():
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            hint = f" Did you mean {near[0]}?" if near else " `splitdrift settings` lists them."
            raise UsageError(f"{name}: there is no setting '{key}'.{hint}")
        accepted[key] = _checked(name, key, value, defaults[key])
    return Settings(**accepted)


def _checked(name: str, key: str, value: Any, default: Any) -> Any:
    if isinstance(default, dict):
        if not isinstance(value, dict) or not all(isinstance(one, str) for one in value.values()):
            raise UsageError(
                f'{name}: {key} is {value!r}; expected a table such as {{"Step contact" = "contact_time_ms"}}.'
            )
        return dict(value)
    if isinstance(default, tuple):
        if not isinstance(value, list) or sorted(value) != sorted(default):
            raise UsageError(
                f"{name}: {key} is {value!r}; expected the words {', '.join(default)}, the preferred one first."
            )
        return tuple(value)
    if isinstance(value, bool) or not isinstance(value, int | float) or value <= 0:
        raise UsageError(f"{name}: {key} is {value!r}; expected a number above zero, such as {default!r}.")
    if isinstance(default, int) and not isinstance(value, int):
        raise UsageError(f"{name}: {key} is {value!r}; expected a whole number, such as {default!r}.")
    if key.endswith("_share") and value > 1:
        raise UsageError(f"{name}: {key} is {value!r}; expected a share between 0 and 1, such as {default!r}.")
    return type(default)(value)
