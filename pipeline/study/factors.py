"""What differs between athletes: groups and covariates, as columns of a model, and the numbers asked of it.

Every group has a column of its own, so that its effect is its mean; without groups there is one column of ones.
Covariates are centred at the mean of the athletes analysed: all other effects are those of an average athlete. They are
means of blocks of athletes who are alike, where the cohort has been divided into such (`pipeline.study.blocks`).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.core.arrays import Array
from pipeline.core.errors import NothingDone
from pipeline.study.blocks import of_block
from pipeline.study.study_file import COVARIATES, Analysis

#: Fewest athletes of a group: with one, how its athletes differ is not known.
FEWEST_OF_GROUP = 2
#: In words, with the unit, for each of `COVARIATES`.
_WORDS = {
    "age": ("age", "year"), "height_m": ("height", "m"), "mass_kg": ("mass", "kg"),
    "experience_years": ("experience", "year"), "speed_m_s": ("speed", "m/s"),
}  # fmt: skip


@dataclass(frozen=True)
class Term:
    """A number asked of a model: a combination of the effects of its columns.

    Attributes:
        kind: `overall`, `group`, `difference` (of two groups) or `covariate`.
        part: what it is called in results.
        weights: of the columns, q.
        n_athletes: number of athletes that it rests on.
    """

    kind: str
    part: str
    weights: Array
    n_athletes: int


@dataclass(frozen=True)
class Factors:
    """The columns of the athletes of an analysis.

    Attributes:
        athletes: who has all that is asked for, in order.
        columns: a row each, n × q.
        sd: of each covariate among them; 1 for groups, q.
        terms: what is asked, the overall mean first.
        smallest: athletes of the smallest group.
        note: who was left out; may be empty.
    """

    athletes: Sequence[str]
    columns: Array
    sd: Array
    terms: Sequence[Term]
    smallest: int
    note: str

    def rows_of(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The rows of a frame with `athlete_id` of these athletes."""
        return frame.filter(pl.col("athlete_id").is_in(list(self.athletes)))

    def by_row(self, athlete_id: pl.Series) -> Array:
        """The columns of the athlete of each row."""
        place = {name: row for row, name in enumerate(self.athletes)}
        return self.columns[[place[name] for name in athlete_id]]

    @property
    def differences(self) -> Array:
        """Weights of differences of groups from the first one, (g - 1) × q; no rows without groups."""
        groups = [term.weights for term in self.terms if term.kind == "group"]
        return np.array([other - groups[0] for other in groups[1:]]).reshape(-1, self.columns.shape[1])


def attributes(runs: pl.DataFrame, roster: pl.DataFrame) -> pl.DataFrame:
    """What groups and covariates may be of each athlete.

    Args:
        runs: rows of `runs` of the cohort.
        roster: rows of `roster`.

    Returns:
        `athlete_id`, `sex`, `squad`, and the columns of `COVARIATES`: age when the runs were run, as a mean [years];
        mean speed over all of the cohort's runs, `distance_km` over `moved`. Null where it is not known.
    """
    listed = runs.join(roster, on="athlete_id", how="left")
    return (
        listed.group_by("athlete_id")
        .agg(
            pl.col("sex", "squad", "height_m", "mass_kg", "experience_years").first(),
            age=(pl.col("started_at_utc").dt.year() - pl.col("born_year")).mean(),
            speed_m_s=1000 * pl.col("distance_km").sum() / pl.col("moving_s").sum(),
        )
        .select("athlete_id", "sex", "squad", *COVARIATES)
        .sort("athlete_id")
    )


def factors(known: pl.DataFrame, analysis: Analysis, athlete_id: pl.Series) -> Factors:
    """The columns of an analysis.

    Args:
        known: what `attributes` gave, with or without blocks.
        athlete_id: the athletes who have what is compared; each may be repeated.

    Raises:
        NothingDone: fewer than two groups, or a group of one athlete; the message has the counts.
    """
    covariates = covariate_columns(known, analysis)
    asked = [name for name in (analysis.group, *analysis.covariates) if name is not None]
    of = known.filter(pl.col("athlete_id").is_in(athlete_id.unique().to_list())).sort("athlete_id")
    rows = of.drop_nulls([*asked, *covariates])
    # Without numbers: they may be of few people.
    notes = [f"athletes without {' or '.join(asked)} left out"] if rows.height < athlete_id.n_unique() else []
    if rows.is_empty():
        raise NothingDone(f"{analysis.name}: no athlete with a value to compare has {' and '.join(asked)}.")
    labels, names = _labels(rows, analysis)
    sizes = {name: labels.count(name) for name in names}
    if analysis.group is not None:
        names = [name for name in names if sizes[name] >= FEWEST_OF_GROUP]
        if len(names) < 2:
            counts = ", ".join(f"{name}: {size}" for name, size in sizes.items())
            raise NothingDone(
                f"{analysis.name}: a comparison by {analysis.group} needs two groups of at least {FEWEST_OF_GROUP} "
                f"athletes. Athletes by group: {counts}."
            )
        notes += [f"groups of fewer than {FEWEST_OF_GROUP} left out"] if len(names) < len(sizes) else []
        rows = rows.filter([label in names for label in labels])
        labels, sizes = [label for label in labels if label in names], {name: sizes[name] for name in names}
    groups = np.array([[label == name for name in names] for label in labels], dtype=np.float64)
    numbers = rows.select(pl.col(covariates).cast(pl.Float64)).to_numpy() if covariates else None
    columns, sd = groups, np.ones(len(names))
    if numbers is not None:
        columns = np.hstack([groups, numbers - numbers.mean(axis=0)])
        sd = np.concatenate([sd, numbers.std(axis=0, ddof=1)])
    return Factors(
        rows["athlete_id"].to_list(), columns, sd, _terms(analysis, names, sizes, rows.height, columns.shape[1]),
        min(sizes.values()), "; ".join(notes),
    )  # fmt: skip


def covariate_columns(known: pl.DataFrame, analysis: Analysis) -> list[str]:
    """Names of the columns that an analysis takes its covariates from."""
    return [of_block(name) if of_block(name) in known.columns else name for name in analysis.covariates]


def _labels(rows: pl.DataFrame, analysis: Analysis) -> tuple[list[str], list[str]]:
    """The group of each athlete, and the groups in order: by name, of numbers rising."""
    if analysis.group is None:
        return [""] * rows.height, [""]
    if analysis.group not in COVARIATES:
        labels = [f"{analysis.group} {value}" for value in rows[analysis.group]]
        return labels, sorted(set(labels))
    values, (name, unit) = rows[analysis.group].cast(pl.Float64).to_numpy(), _WORDS[analysis.group]
    bounds: Sequence[float] = analysis.group_at
    names = [
        *(f"{name} below {high:g} {unit}" for high in bounds[:1]),
        *(f"{name} {low:g} to {high:g} {unit}" for low, high in itertools.pairwise(bounds)),
        *(f"{name} from {low:g} {unit}" for low in bounds[-1:]),
    ]
    if not bounds:
        # The median itself is in the upper half, where as many may lie below it.
        bounds, names = [float(np.median(values))], [f"{name}, lower half", f"{name}, upper half"]
    labels = [names[place] for place in np.searchsorted(bounds, values, side="right")]
    return labels, [label for label in names if label in labels]


def _terms(analysis: Analysis, names: Sequence[str], sizes: dict[str, int], n: int, q: int) -> list[Term]:
    unit = np.eye(q)
    of_groups = unit[: len(names)]
    terms = [Term("overall", "", of_groups.mean(axis=0), n)]
    if analysis.group is not None:
        terms += [Term("group", name, of_groups[place], sizes[name]) for place, name in enumerate(names)]
        terms += [
            Term("difference", f"{names[second]} minus {names[first]}", unit[second] - unit[first],
                 sizes[names[first]] + sizes[names[second]])
            for first, second in itertools.combinations(range(len(names)), 2)
        ]  # fmt: skip
    return terms + [
        Term("covariate", "per {1} of {0}".format(*_WORDS[name]), unit[len(names) + place], n)
        for place, name in enumerate(analysis.covariates)
    ]
