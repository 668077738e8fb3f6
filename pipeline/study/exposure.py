"""How many athletes of a released study could be found by who knows lists of results.

A list of results has a person's name, the distance and the finishing time of a race. Whoever reads the released rows
with such a list in hand looks for the runs that could be that race: those that are as long, and, where the released
metrics give away speed, that took as long. A person is found if that leaves one pseudonym. Here this is tried with the
cohort's own runs as the lists, in favour of the reader: which length a race was cut to, and that it is among the runs
at all, count as known.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import polars as pl

#: What gives away the cadence, next to cadence itself.
_OF_CADENCE = (
    {"cadence_spm"}, {"contact_time_ms", "flight_time_ms"}, {"contact_time_ms", "duty_factor"},
    {"flight_time_ms", "duty_factor"},
)  # fmt: skip
STIFFNESS = ("leg_stiffness_kn_m", "vertical_stiffness_kn_m")
#: How well a finishing time can be computed from the speed of every split, of two stretches, and from the athlete's
#: usual speed; shares of it. The first is 10 s of an hour. Common practice, no source.
OF_SPLITS, OF_STRETCHES, OF_USUAL = 10 / 3600, 0.02, 0.05
#: Largest share of athletes that may be found without a warning.
LARGEST_SHARE = 0.05


@dataclass(frozen=True)
class Exposure:
    """Who could be found.

    Attributes:
        n_athletes: athletes whose runs are released.
        n_by_one_list: of them, found by the list of one of their races.
        n_by_two_lists: by those of two of their races.
        n_by_factors: those of them whose groups and covariates together are shared by fewer than the smallest cell.
        reveals_speed: whether speed follows from the metrics; numbers then count who would be found by finishing times.
        reveals_mass: whether body mass follows from them.
    """

    n_athletes: int
    n_by_one_list: int
    n_by_two_lists: int
    reveals_speed: bool
    reveals_mass: bool
    n_by_factors: int = 0

    @property
    def is_safe(self) -> bool:
        """Whether at most 5 % are found."""
        return max(self.n_by_one_list, self.n_by_two_lists, self.n_by_factors) <= LARGEST_SHARE * self.n_athletes


def exposure(
    runs: pl.DataFrame, lengths: pl.DataFrame, *, measured: Collection[str], adjusted: Collection[str] = (),
    pace_within: float | None = None, n_by_factors: int = 0,
) -> Exposure:  # fmt: skip
    """Look for the cohort's athletes in the rows that are to be released.

    Args:
        runs: rows of `runs` of the cohort; those of kind race are in lists, and all where there is none.
        lengths: the `run`s that rows are released of, and the `length` that each is seen to have.
        measured: metrics that are released as they were measured.
        adjusted: metrics that are released at the athlete's usual speed.
        pace_within: share of a finishing time to within which it follows from how the analyses choose and place splits.
        n_by_factors: what `n_with_rare_factors` gave.
    """
    metrics = {*measured, *adjusted}
    runs = runs.join(lengths, left_on="run_id", right_on="run", how="inner")
    races = runs.filter(pl.col("kind") == "race") if (runs["kind"] == "race").any() else runs
    by_speed, ways = reveals_speed(metrics), [] if pace_within is None else [pace_within]
    if reveals_speed(measured):
        ways.append(OF_SPLITS if (lengths["length"] > 0).any() else OF_STRETCHES)
    elif by_speed:
        ways.append(OF_USUAL)
    one, two = found(runs, races, within=min(ways, default=None))
    reveals_mass = bool(metrics & set(STIFFNESS)) and any(of <= metrics for of in _OF_CADENCE)
    return Exposure(runs["athlete_id"].n_unique(), one, two, by_speed, reveals_mass, n_by_factors)


def cautions(exposed: Exposure, least: int) -> list[str]:
    """What whoever passes the released rows on has to know, a sentence each; nothing where nothing is to be said.

    Args:
        exposed: who could be found.
        least: the study's `least_cell`.
    """
    said = []
    if max(exposed.n_by_one_list, exposed.n_by_two_lists) > LARGEST_SHARE * exposed.n_athletes:
        said.append("Share the folder only with people to whom you would show a list of names.")
    if exposed.n_by_factors:
        said.append(
            f"Groups and covariates together are shared by fewer than {least} athletes for {exposed.n_by_factors} of "
            "them: whoever knows the cohort could name these. Fewer groups or covariates do not have this."
        )
    if exposed.reveals_speed:
        said.append(
            "Step length and cadence (or what gives it away) are released together: speed and finishing times follow "
            "from them. A study of one of them does not have this."
        )
    if exposed.reveals_mass:
        said.append("Stiffness is released together with what it is computed from: body mass follows from them.")
    return said


def warned(exposed: Exposure, least: int) -> list[str]:
    """The same for the terminal, with how many could be found."""
    told = cautions(exposed, least)
    return ["\nBefore the folder is passed on:", singled_out(exposed), *told] if told else []


def singled_out(exposed: Exposure) -> str:
    """How many athletes could be found, in a sentence."""
    return (
        f"Of {exposed.n_athletes} athletes whose runs are in data/, {exposed.n_by_one_list} could be singled out by a "
        "reader with one list of results (name, date, distance, finishing time), and "
        f"{exposed.n_by_two_lists} with two; this was tried on the cohort itself."
    )


def n_with_rare_factors(factors: pl.DataFrame, least: int) -> int:
    """Athletes whose groups and covariates together, over all analyses, are shared by fewer than `least`.

    Args:
        factors: that table of `pipeline.study.released`.
    """
    told = factors.filter((pl.col("term") == "covariate") | (pl.col("value") == 1)).unique(["athlete", "part"])
    of_athletes = told.sort("part").group_by("athlete").agg(pl.struct("part", "value"))
    return of_athletes.filter(pl.len().over("part") < least).height


def reveals_speed(metrics: Collection[str]) -> bool:
    """Whether speed follows from metrics of the same splits: it is step length times cadence."""
    is_given = "speed_m_s" in metrics or {"beats_per_km", "heart_rate_bpm"} <= set(metrics)
    return is_given or ("step_length_m" in metrics and any(of <= set(metrics) for of in _OF_CADENCE))


def released_lengths(rows: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """By run, how long it is seen to be: its last released split; 0 where no splits are released."""
    parts = [pl.DataFrame(schema={"run": pl.String, "length": pl.Float64})]
    for table, place in (("splits", "distance_km"), ("sensors", "km"), ("stretches", None), ("levels", None)):
        if table in rows:
            length = pl.lit(0.0) if place is None else pl.col(place).cast(pl.Float64)
            parts.append(rows[table].select("run", length=length))
    return pl.concat(parts).group_by("run").agg(pl.col("length").max())


def found(runs: pl.DataFrame, races: pl.DataFrame, *, within: float | None) -> tuple[int, int]:
    """Numbers of athletes who are found by one list of results, and by two.

    Args:
        runs: released runs, with `athlete_id`, `run_id`, `length` and `moving_s`.
        races: those that are in a list.
        within: share of a finishing time to within which a reader can compute it; None where not at all.
    """
    by_athlete = _possible(runs, races, within)
    by_one, by_two = set(), set()
    for athlete, of_race in by_athlete.items():
        if any({name for name, _ in runs_of_one} == {athlete} for runs_of_one in of_race):
            by_one.add(athlete)
        for first, second in combinations(of_race, 2):
            both = {name for name, _ in first} & {name for name, _ in second}
            n_runs = Counter(name for name, _ in first | second)
            if {name for name in both if n_runs[name] > 1} == {athlete}:
                by_two.add(athlete)
    return len(by_one), len(by_one | by_two)


def _possible(
    runs: pl.DataFrame, races: pl.DataFrame, within: float | None
) -> dict[str, list[frozenset[tuple[str, str]]]]:
    """By athlete and race: athletes and runs that could be the race.

    Only runs of as many steps of time are compared with a race, and those a step off: in a step times differ by about
    as much as a reader may be off.
    """
    took = pl.col("moving_s").clip(lower_bound=1)
    step = pl.lit(0) if within is None else (took.log() / np.log1p(2 * within)).floor()
    known = runs.select("athlete_id", "run_id", "length", "moving_s", step=step.cast(pl.Int64))
    lists = races.select(
        of="athlete_id", race="run_id", length="length", took_s="moving_s", step=step.cast(pl.Int64)
    ).with_columns(step=pl.concat_list(pl.col("step") + away for away in ((0,) if within is None else (-1, 0, 1))))
    pairs = lists.explode("step").join(known, on=["length", "step"])
    if within is not None:
        pairs = pairs.filter((pl.col("moving_s") - pl.col("took_s")).abs() <= within * pl.col("took_s"))
    possible: dict[str, list[frozenset[tuple[str, str]]]] = {}
    for (of, _), rows in pairs.partition_by("of", "race", as_dict=True, maintain_order=True).items():
        possible.setdefault(str(of), []).append(frozenset(rows.select("athlete_id", "run_id").iter_rows()))
    return possible
