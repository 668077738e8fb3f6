"""The cohort of a study of landings: who was filmed, with or without a recording of their own."""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from pipeline.core.errors import NothingDone
from pipeline.stages.strikes import each_runner
from pipeline.study.cohort import Flow, Step, athletes_and_days, cohort_flow, in_words
from pipeline.study.material import Material
from pipeline.study.study_file import Cohort, Study
from pipeline.tables import empty

LANDINGS = "landings"


def is_of_landings(study: Study) -> bool:
    """Whether a study analyses nothing else."""
    return all(analysis.design == "landing" for analysis in study.analyses)


def filmed_flow(landings: pl.DataFrame, runs: pl.DataFrame, study: Study) -> Flow:
    """The flow from all who were filmed to those seen at both distances of an analysis.

    A step counts runners at an event; each runner of a group is one.

    Args:
        landings: rows of `landings`.
        runs: rows of `runs`.

    Raises:
        NothingDone: fewer runners are left than the cohort asks for.
    """
    people = each_runner(landings).with_columns(
        athlete_id=pl.when(pl.col("n_runners") > 1)
        .then(pl.format("{} {}", "athlete_id", "runner"))
        .otherwise("athlete_id"),
        of="athlete_id",
    )
    everyone = people.group_by("event", "athlete_id").agg(pl.col("of").first(), pl.col("distance_km").unique())
    everyone = everyone.with_columns(run_id=pl.format("{} {}", "event", "athlete_id"))
    left, steps = everyone, []
    for reason, kept in _conditions(landings, runs, study):
        before, left = left, left.join(kept, left_on=["event", "of"], right_on=["event", "athlete_id"], how="semi")
        steps.append(Step.between(reason, before, left))
    pairs = [
        {analysis.early_km[0], analysis.late_km[0]}
        for analysis in study.analyses
        if analysis.early_km and analysis.late_km
    ]
    is_seen = pl.any_horizontal(
        pl.all_horizontal(pl.col("distance_km").list.contains(distance) for distance in pair) for pair in pairs
    )
    before, left = left, left.filter(is_seen)
    steps.append(Step.between("not seen at both distances", before, left))
    seen = left.sort("event", "athlete_id").select("athlete_id", "run_id")
    as_runs = pl.concat([empty("runs"), seen], how="diagonal")
    flow = Flow(everyone.height, everyone["athlete_id"].n_unique(), tuple(steps), as_runs, LANDINGS)
    n = as_runs["athlete_id"].n_unique()
    # That no one was seen at both is said by the analysis, with the distances that there are.
    if 0 < n < study.cohort.min_athletes:
        raise NothingDone(
            f"{n} athletes are left, and the study asks for at least {study.cohort.min_athletes}. {in_words(flow)}"
        )
    return flow


def filmed(landings: pl.DataFrame, runs: pl.DataFrame, study: Study) -> pl.DataFrame:
    """Rows of `landings` of the cohort, at any distance."""
    rows = landings
    for _, kept in _conditions(landings, runs, study):
        rows = rows.join(kept, on=["event", "athlete_id"], how="semi")
    return rows


def about_filming(material: Material) -> list[tuple[str, str]]:
    """Table 1 of a study of landings: events, raters, how it was filmed."""
    rows = material.landings
    rates = rows["frame_rate_hz"].drop_nulls().unique().sort().to_list()
    n_unknown = rows.filter(pl.col("frame_rate_hz").is_null()).height
    seen = [f"{rate:g}" for rate in rates] + (["not listed"] if n_unknown else [])
    return [
        ("events", str(rows["event"].n_unique())),
        ("raters", str(rows["rater"].n_unique())),
        ("pictures per second", ", ".join(seen)),
    ]


def _conditions(landings: pl.DataFrame, runs: pl.DataFrame, study: Study) -> list[tuple[str, pl.DataFrame]]:
    """What the cohort asks of landings: who does not meet it, and events and athletes that do."""
    cohort = study.cohort
    of_athletes, of_days = athletes_and_days(cohort, pl.col("event"))
    possible = [*of_athletes, *of_days]
    of_runs = replace(cohort, athletes=(), not_athletes=(), from_date=None, to_date=None, min_athletes=0)
    if of_runs != Cohort(min_athletes=0):
        included = cohort_flow(runs, of_runs).runs["run_id"].to_list()
        is_other = pl.col("run_id").is_not_null() & ~pl.col("run_id").is_in(included)
        possible.append((True, "in a recorded run that is not of the cohort", ~is_other))
    places = landings.select("event", "athlete_id", "run_id")
    return [(reason, places.filter(condition)) for is_asked, reason, condition in possible if is_asked]
