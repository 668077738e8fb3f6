"""Sections of a club: its athletes, divided by a digest of their names, so that no step holds the rows of all.

How many there are follows from the number of athletes alone, and is a power of two: the rows of a section are the same
on one machine and on a cluster, and where their number doubles each section falls into two.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pipeline.methods.tree_sum import digest_of

#: So many athletes are one section at most, on average where there are several. A process that holds the rows of a
#: section takes some 100 MB for it.
MOST_ATHLETES = 1024


@dataclass(frozen=True, order=True)
class Section:
    """A part of the athletes.

    Attributes:
        number: its place among the sections, 0 the first.
        of: how many there are.
    """

    number: int = 0
    of: int = 1

    def holds(self, athlete_id: str | None) -> bool:
        """Whether the rows of an athlete, or of files that belong to none, are in this section."""
        return self.holds_digest(digest_of(athlete_id))

    def holds_digest(self, digest: int) -> bool:
        """The same, of an athlete of whose name only the digest is known."""
        return digest % self.of == self.number

    def overlapping(self, of: int) -> list[Section]:
        """The sections that may have athletes in common with this one, where there are so many."""
        fewer = min(of, self.of)
        return [Section(number, of) for number in range(of) if number % fewer == self.number % fewer]

    def file(self, name: str) -> str:
        """The name of the Parquet file with this section's rows of a table."""
        return f"{name}.parquet" if self.of == 1 else f"{name}-{self.number:04d}-of-{self.of:04d}.parquet"


def section_of(athlete_id: str | None, of: int) -> Section:
    """The section that an athlete is in, of so many."""
    return Section(digest_of(athlete_id) % of, of)


def sections_of(athletes: Iterable[str | None], most: int | None = None) -> list[Section]:
    """The sections of a club with these athletes, on average of `most` at most, or of `MOST_ATHLETES`."""
    n_athletes, of = len(set(athletes)), 1
    while n_athletes > (most or MOST_ATHLETES) * of:
        of *= 2
    return [Section(number, of) for number in range(of)]
