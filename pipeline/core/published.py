"""Works that the project cites and the numbers it takes from them, from `published.toml`.

Studies, the texts of "worth a look", the methods of reports and the tests against published values read them here, so
that a number stands in one place with what was measured, and with how and when its source was read.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import MappingProxyType

PUBLISHED = Path(__file__).with_name("published.toml")
#: Ways in which a work was read that its numbers may be taken from; "reference" is that only its existence was seen.
READ = ("full", "abstract", "part", "data", "restated")
REFERENCE = "reference"


@dataclass(frozen=True)
class Number:
    """A published number.

    Attributes:
        of: what exactly was measured.
        value: as it was printed; None where a range was printed alone.
        low: lower end of the printed interval or range.
        sd: standard deviation between people, in the unit of the value.
        n: number of people; None where it was not read. Where absent in the file, that of the work.
        over: who did what over which distance or time; likewise.
    """

    of: str
    unit: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    sd: float | None = None
    n: int | None = None
    over: str = ""

    @property
    def printed(self) -> float:
        """The value.

        Raises:
            ValueError: only a range was printed.
        """
        if self.value is None:
            raise ValueError(f"Of {self.of} a range was printed and no value.")
        return self.value


@dataclass(frozen=True)
class Work:
    """A work that the project cites.

    Attributes:
        cite: authors and year, journal, doi.
        read: what of it was read, one of `READ` or `REFERENCE`.
        checked: by whom and when.
        over: who did what over which distance or time.
    """

    cite: str
    read: str
    checked: str
    over: str = ""
    n: int | None = None
    numbers: Mapping[str, Number] = field(default_factory=dict)


@cache
def works() -> Mapping[str, Work]:
    """All works by their keys."""
    entries = tomllib.loads(PUBLISHED.read_text(encoding="utf-8"))
    return MappingProxyType({key: _work(entry) for key, entry in entries.items()})


@cache
def all_numbers() -> Mapping[str, Number]:
    """All numbers by the keys of their work and their own, such as `girard-2013.contact_time`."""
    found = {f"{key}.{name}": one for key, work in works().items() for name, one in work.numbers.items()}
    return MappingProxyType(found)


def _work(entry: dict[str, object]) -> Work:
    common = {name: entry[name] for name in ("n", "over") if name in entry}
    numbers = entry.get("numbers", {})
    assert isinstance(numbers, dict)  # a table of the project's own file
    made = {name: Number(**common | one) for name, one in numbers.items()}
    return Work(**entry | {"numbers": MappingProxyType(made)})  # type: ignore[arg-type]
