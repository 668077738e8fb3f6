"""Pictures of the pages as SVG: scales, marks, axes.

A picture is as wide as its place and keeps the size of its letters and lines: marks are paths in an inner drawing of
1000 by 1000 that is stretched, with strokes that do not stretch (a dot is a line without length); letters are outside
of it, at percentages of the width. So one drawing serves the screen, the phone and paper, and needs no script.

Classes name what a mark means; `pages.css` says how that looks in the light, in the dark and on paper.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import accumulate

import numpy as np
from markupsafe import Markup, escape

from pipeline.core.arrays import Array

#: Size of the inner drawing.
SIZE = 1000
#: Room above and below the marks, for letters [px].
TOP, BOTTOM = 16, 22
#: Room around the values, as a share of their range.
ROOM = 0.06
#: So far below the top a label would touch the unit above it [px].
UNIT_ROOM = 12


@dataclass(frozen=True)
class Scale:
    """From values to places in the drawing.

    Attributes:
        low: value at place 0.
        high: value at place `SIZE`; below `low` where values run the other way.
    """

    low: float
    high: float

    def at(self, value: float) -> float:
        """The place of a value."""
        return SIZE * (value - self.low) / (self.high - self.low)

    def ticks(self, n: int) -> list[float]:
        """About `n` round values."""
        low, high = sorted((self.low, self.high))
        for parts in range(max(n, 1), 4 * max(n, 1) + 1):
            step = round_step((high - low) / parts)
            first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
            if last > first:
                break
        return [place * step for place in range(first, last + 1)]


def round_step(least: float) -> float:
    """The smallest step of 1, 2 or 5 times a power of ten that is at least so large."""
    power = 10.0 ** math.floor(math.log10(least))
    for factor in (1, 2, 5):
        if power * factor >= least * (1 - 1e-9):
            return power * factor
    return 10 * power


def decimals_of(step: float) -> int:
    """How many decimals a multiple of a step has."""
    return max(0, -math.floor(math.log10(step) + 1e-9))


def around(values: Iterable[float], room: float = ROOM) -> tuple[float, float]:
    """The range of values with some room; never empty."""
    known = [value for value in values if value is not None and math.isfinite(value)]
    low, high = min(known, default=0.0), max(known, default=1.0)
    spare = (high - low) * room or abs(high) * room or 1.0
    return low - spare, high + spare


@dataclass
class Picture:
    """A picture with two axes.

    Attributes:
        height: of the whole [px].
        x_labels: values along the distance or the season, with their texts.
        y_labels: the same upwards; the texts stand before their lines, or on them where there is no room.
        unit: of the values upwards; it stands above them.
    """

    x: Scale
    y: Scale
    height: int = 300
    x_labels: Sequence[tuple[float, str]] = ()
    y_labels: Sequence[tuple[float, str]] = ()
    unit: str = ""
    marks: list[str] = field(default_factory=list)
    letters: list[str] = field(default_factory=list)

    # --- Marks --------------------------------------------------------------------------------------------------------

    def path(self, path: str, kind: str) -> None:
        """A path in the coordinates of the inner drawing."""
        if path:
            self.marks.append(f'<path d="{path}" class="{kind}"/>')

    def line(self, points: Iterable[tuple[float, float | None]], kind: str) -> None:
        """A line through points; it is broken where there is no value."""
        self.path(self._along(points), kind)

    def lines(self, x: Array, y: Array, lengths: Sequence[int], kind: str) -> None:
        """Several lines of one kind through so many points each."""
        points, ends = self._places(x, y), [*accumulate(lengths)]
        pieces = zip([0, *ends], ends, strict=False)
        self.path("".join([f"M{'L'.join(points[begin:end])}" for begin, end in pieces if end > begin]), kind)

    def dots(self, x: Array, y: Array, kind: str) -> None:
        """Dots."""
        points = self._places(x, y)
        self.path(f"M{'h0M'.join(points)}h0" if points else "", kind)

    def bars(self, x: Array, low: Array, high: Array, kind: str) -> None:
        """Upright lines at places, from, to."""
        _, ends = self._numbers(x, high)
        bars = zip(self._places(x, low), ends, strict=True)
        self.path("".join([f"M{begin}V{end}" for begin, end in bars]), kind)

    def area(self, points: Sequence[tuple[float, float, float]], kind: str) -> None:
        """The area between two lines: place, low, high."""
        if points:
            there = "L".join(self._at(x, high) for x, _, high in points)
            back = "L".join(self._at(x, low) for x, low, _ in reversed(points))
            self.path(f"M{there}L{back}Z", kind)

    def band(self, kind: str, *, x: tuple[float, float] | None = None, y: tuple[float, float] | None = None) -> None:
        """A rectangle, as wide or high as the picture where one of the two is not given; cut at its edges."""
        left, right = (0.0, float(SIZE)) if x is None else (min(max(self.x.at(end), 0.0), SIZE) for end in x)
        low, high = (0.0, float(SIZE)) if y is None else (min(max(self.y.at(end), 0.0), SIZE) for end in y)
        self.path(f"M{round(left)} {round(SIZE - low)}H{round(right)}V{round(SIZE - high)}H{round(left)}Z", kind)

    def link(self, address: str, label: str, point: tuple[float, float], kind: str) -> None:
        """A dot that leads to a page."""
        at = self._at(*point)
        self.marks.append(
            f'<a href="{_escaped(address)}" aria-label="{escape(label)}" class="{kind}">'
            f'<path d="M{at}h0" class="touch"/><path d="M{at}h0"/></a>'
        )

    def write(self, x: float, y: float, text: str, kind: str = "", *, anchor: str = "start", above: float = 4) -> None:
        """Letters at a place."""
        share = self.x.at(x) / SIZE
        self._write(share, TOP + (1 - self.y.at(y) / SIZE) * self._inner - above, text, kind, anchor)

    # --- The whole ----------------------------------------------------------------------------------------------------

    def svg(self, label: str, *, kind: str = "", reads: tuple[str, Sequence[str]] = ("", ())) -> Markup:
        """The picture.

        Args:
            label: what is seen, for those who do not see it.
            reads: places along x, as `places_along` gives them, with what is to be read there; shown by the script to
                pointer, finger and keys. Without texts, the labels of the links are read, which stand in that order.
        """
        grid, inner = "", self._inner
        for value, text in self.y_labels:
            up = self.y.at(value)
            grid += f"M0 {round(SIZE - up)}H{SIZE}"
            down = (1 - up / SIZE) * inner
            # Where letters stand inside, the unit has the place of the highest one.
            of_label = "tick up top" if self.unit and down < UNIT_ROOM else "tick up"
            self._write(0.0, TOP + down - 3, text, of_label, "start")
        if self.unit:
            self._write(0.0, TOP - 5, self.unit, "tick", "start")
        for value, text in self.x_labels:
            share = self.x.at(value) / SIZE
            anchor = "start" if share < 0.04 else "end" if share > 0.96 else "middle"
            self._write(share, self.height - 6, text, "tick", anchor)
        places, says = reads
        read = f' tabindex="0" data-x="{places}"' if places else ""
        if says:
            texts = "|".join(says)
            if texts.count("|") >= len(says):
                texts = "|".join(text.replace("|", "/") for text in says)
            read += f' data-says="{escape(texts)}"'
        # What holds links, or takes the keyboard, is no image.
        role = "group" if read or any(mark.startswith("<a ") for mark in self.marks) else "img"
        return Markup(
            f'<svg class="picture {kind}" height="{self.height}" width="100%" role="{role}" '
            f'aria-label="{escape(label)}"{read}>'
            f'<svg class="marks" y="{TOP}" height="{inner:.0f}" width="100%" viewBox="0 0 {SIZE} {SIZE}" '
            f'preserveAspectRatio="none" overflow="visible"><path d="{grid}" class="grid"/>{"".join(self.marks)}</svg>'
            f'<g aria-hidden="true">{"".join(self.letters)}</g></svg>'
        )

    def places_along(self, values: Iterable[float]) -> str:
        """The places of values along x, as text."""
        return " ".join([f"{round(self.x.at(value))}" for value in values])

    @property
    def _inner(self) -> float:
        return self.height - TOP - (BOTTOM if self.x_labels else 4)

    def _along(self, points: Iterable[tuple[float, float | None]]) -> str:
        path, pen = [], "M"
        for x, y in points:
            if y is None:
                pen = "M"
            else:
                path.append(pen + self._at(x, y))
                pen = "L"
        return "".join(path)

    def _at(self, x: float, y: float) -> str:
        # Written out: a page has thousands of places.
        across, up = self.x, self.y
        right = SIZE * (x - across.low) / (across.high - across.low)
        return f"{round(right)} {SIZE - SIZE * (y - up.low) / (up.high - up.low):.0f}"

    def _places(self, x: Array, y: Array) -> list[str]:
        """The places of many points, as `_at` gives them."""
        return [f"{across} {down}" for across, down in zip(*self._numbers(x, y), strict=True)]

    def _numbers(self, x: Array, y: Array) -> tuple[list[int], list[int]]:
        right, up = (
            np.rint(SIZE * (np.asarray(values, dtype=float) - scale.low) / (scale.high - scale.low)).astype(int)
            for values, scale in ((x, self.x), (y, self.y))
        )
        return right.tolist(), (SIZE - up).tolist()

    def _write(self, share: float, y: float, text: str, kind: str, anchor: str) -> None:
        self.letters.append(
            f'<text x="{100 * share:.1f}%" y="{round(y)}" text-anchor="{anchor}" class="{kind}">{_escaped(text)}</text>'
        )


@lru_cache(maxsize=4096)
def _escaped(text: str) -> str:
    """Letters and addresses, which many pictures have in common."""
    return str(escape(text))
