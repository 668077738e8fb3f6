"""What the first sums over a club's responses say: on its own, since the process that plans only passes it on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.core.arrays import Array


@dataclass(frozen=True)
class ClubDraft:
    """What first sums say, before the second are taken.

    Attributes:
        between: variance between athletes, by metric and cause.
        weights: of the sizes of the error, by source of speed.
    """

    between: Mapping[tuple[str, str], float]
    weights: Mapping[str | None, Array]
