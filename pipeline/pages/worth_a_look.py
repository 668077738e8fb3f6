"""Worth a look: what a coach may examine next, for each finding, with the evidence.

The texts are in `worth_a_look.toml`, those of another language in `worth_a_look.<code>.toml`, the works they cite in
`pipeline/core/published.toml`. They name what to observe, never what to do about it.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pipeline.core.published import works
from pipeline.pages.words import CHANGES

_FOLDER = Path(__file__).parent

#: In place of a metric: looks for all metrics that have none of their own for a finding.
ANY = "any"
#: In place of a finding: looks for every change of a metric that has none of its own.
CHANGE = "changes"


@dataclass(frozen=True)
class Look:
    """Something to examine next.

    Attributes:
        metric: a column of `splits`, or `any`.
        finding: of `athlete_drift`, or `changes`.
        examine: what to look at or try to observe.
        evidence: what was seen in whom, and how large; empty where none is known.
        order: its place among the looks of the metric and finding, from 1.
        sources: keys of the works behind the evidence (`pipeline.core.published`).
        no_source: in place of these, that there is none.
    """

    metric: str
    finding: str
    title: str
    examine: str
    evidence: str
    order: int
    sources: tuple[str, ...] = ()
    no_source: str = ""

    @property
    def is_computed(self) -> bool:
        """Whether it rests on how the numbers are computed, so that the methods are its source."""
        return self.no_source.startswith("METHODS.md")

    @property
    def source(self) -> str:
        """Where the evidence was published, or that there is no source."""
        return "; ".join(works()[key].cite for key in self.sources) or self.no_source


def looks(metric: str, finding: str, code: str = "en") -> tuple[Look, ...]:
    """What may be examined next.

    Args:
        code: the language.

    Returns:
        The looks of this metric and finding in their order; where it has none, those for any metric.
    """
    general = CHANGE if finding in CHANGES else finding
    own, shared = (
        tuple(look for look in every_look() if (look.metric, look.finding) == wanted)
        for wanted in ((metric, finding), (ANY, general))
    )
    return tuple(in_language(look, code) for look in own or shared)


def in_language(look: Look, code: str) -> Look:
    """A look in another language; what is published stays as it is cited."""
    if code == "en":
        return look
    texts = _texts(code)[look.metric][look.finding][str(look.order)]
    return replace(look, **{key: _read(value) for key, value in texts.items()})


@functools.cache
def every_look() -> tuple[Look, ...]:
    """All looks, in their order."""
    written = (Look(**{key: _read(value) for key, value in entry.items()}) for entry in _texts("en")["look"])
    return tuple(sorted(written, key=lambda look: look.order))


@functools.cache
def cautions(code: str = "en") -> Mapping[str, str]:
    """What applies to every look: `one_thing`, `hand_over`, `no_landing`, `association`."""
    return MappingProxyType({name: " ".join(text.split()) for name, text in _texts(code)["cautions"].items()})


@functools.cache
def _texts(code: str) -> dict[str, Any]:
    name = "worth_a_look.toml" if code == "en" else f"worth_a_look.{code}.toml"
    with (_FOLDER / name).open("rb") as file:
        return tomllib.load(file)


def _read(value: Any) -> Any:
    """Undo the wrapping of lines in the file; lists cannot be changed by a reader."""
    return " ".join(value.split()) if isinstance(value, str) else tuple(value) if isinstance(value, list) else value
