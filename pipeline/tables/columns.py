"""What columns are made of: each with its unit, its meaning and, where it is measured, its decimals."""

from __future__ import annotations

import sys
from collections.abc import Collection, Mapping
from functools import reduce
from operator import or_
from types import new_class

import polars as pl

#: What dataframely imports if it is installed, as it is with Prefect, for translations that are not used here: more
#: than half a second in every command and worker. With an entry of None it takes each for absent.
_UNUSED = [name for name in ("sqlalchemy", "pydantic", "pydantic_core") if name not in sys.modules]
sys.modules.update(dict.fromkeys(_UNUSED))  # type: ignore[arg-type]
import dataframely as dy  # noqa: E402

for _name in _UNUSED:
    del sys.modules[_name]

__all__ = ["count", "dy", "flag", "identifier", "instant", "interval", "like", "measure", "share", "wider", "words"]


_FEW = 3


def identifier(meaning: str, *, key: bool = False, nullable: bool = False) -> dy.String:
    """A name that identifies a row, or a row of another table."""
    return dy.String(primary_key=key, nullable=nullable, description=meaning, metadata={"unit": ""})


def words(
    meaning: str, *choices: str, among: Collection[str] = (), key: bool = False, nullable: bool = False
) -> dy.String:
    """Free text, or one of the choices or of those in a registry, which is read at each check."""
    known = among or choices

    def is_known(column: pl.Expr) -> pl.Expr:
        # Of a few, as of every sample's gait, each is looked for in a third of the time.
        return column.is_in(list(known)) if len(known) > _FEW else reduce(or_, (column == word for word in known))

    return dy.String(
        primary_key=key,
        nullable=nullable,
        check=is_known if known else None,
        description=meaning + (f" One of: {', '.join(known)}." if known else ""),
        metadata={"unit": ""},
    )


def count(meaning: str, *, key: bool = False, nullable: bool = False, smallest: int = 0) -> dy.Int64:
    """A whole number of things, never below `smallest`."""
    return dy.Int64(primary_key=key, nullable=nullable, min=smallest, description=meaning, metadata={"unit": "count"})


def measure(
    unit: str,
    decimals: int,
    meaning: str,
    *,
    key: bool = False,
    nullable: bool = True,
    smallest: float | None = None,
    largest: float | None = None,
) -> dy.Float64:
    """A measured quantity, published to so many decimals; null where it is missing, unless `nullable` is False."""
    return dy.Float64(
        primary_key=key,
        nullable=nullable,
        min=smallest,
        max=largest,
        description=meaning,
        metadata={"unit": unit, "decimals": decimals},
    )


def share(unit: str, decimals: int, meaning: str, *, key: bool = False, nullable: bool = True) -> dy.Float64:
    """A `measure` from 0 to 1."""
    return measure(unit, decimals, meaning, key=key, nullable=nullable, smallest=0, largest=1)


def interval(
    unit: str,
    decimals: int,
    meaning: str,
    *,
    nullable: bool = True,
    smallest: float | None = None,
    largest: float | None = None,
) -> tuple[dy.Float64, dy.Float64]:
    """The columns of both ends of an interval; `meaning` is that of the lower one."""
    low, high = (
        measure(unit, decimals, text, nullable=nullable, smallest=smallest, largest=largest)
        for text in (meaning, "Upper end of that interval.")
    )
    return low, high


def instant(meaning: str, *, nullable: bool = False) -> dy.Datetime:
    """A point in time, in UTC."""
    return dy.Datetime(
        nullable=nullable, time_unit="us", time_zone="UTC", description=meaning, metadata={"unit": "UTC"}
    )


def flag(meaning: str, *, nullable: bool = False) -> dy.Bool:
    """Whether something is so."""
    return dy.Bool(nullable=nullable, description=meaning, metadata={"unit": ""})


def wider(schema: type[dy.Schema], columns: Mapping[str, dy.Column]) -> type[dy.Schema]:
    """A table with more columns, after its own."""
    about = {"__doc__": schema.__doc__, "__module__": schema.__module__}
    return new_class(
        schema.__name__,
        (dy.Schema,),
        exec_body=lambda body: body.update(about | dict(schema.columns()) | dict(columns)),
    )


def like(schema: type[dy.Schema], name: str, *, meaning: str, **replaced: tuple[str, dy.Column]) -> type[dy.Schema]:
    """A table with the columns of another in their order, some of them replaced: old name = (new name, new column)."""
    columns = dict(replaced.get(key, (key, column)) for key, column in schema.columns().items())
    about = {"__doc__": meaning, "__module__": schema.__module__}
    return new_class(name, (dy.Schema,), exec_body=lambda body: body.update(about | columns))
