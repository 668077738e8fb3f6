"""Which runs of the cohort an analysis used, and why it did not use the others."""

from __future__ import annotations

import polars as pl

from pipeline.study.agreements import of_different_sensors
from pipeline.study.cohort import Flow, Step
from pipeline.study.factors import covariate_columns
from pipeline.study.material import Material
from pipeline.study.outcomes import value_of
from pipeline.study.stretches import early_and_late, in_sections
from pipeline.study.study_file import Analysis


def analysis_flow(material: Material, analysis: Analysis) -> Flow:
    """The flow from the cohort's runs to those that an analysis of one metric used.

    Args:
        analysis: one that `pipeline.study.conduct` could compute.
    """
    label, recorded = analysis.label, material.splits.filter(value_of(analysis.metric) > 0)
    stages: list[tuple[str, pl.DataFrame]] = [
        (f"{label} not recorded, or excluded as faulty", recorded),
    ]
    if analysis.design == "agreement":
        both = material.sensor_pairs(analysis)
        stages += [
            (f"{label} not in the other store", both),
            ("the same value in every split of both stores: one sensor only", of_different_sensors(both)),
        ]
    elif analysis.design == "reliability":
        stages.append(("too few splits for a drift of its own", material.levels(analysis)))
    else:
        rows = material.values(analysis)
        usable = material.inclusion.with_known_slope(recorded)
        stages.append(("no split that is whole, run, past the warm-up and of known slope", usable))
        with_responses = usable
        if analysis.adjust:
            known = material.drifts.filter(pl.col("metric") == analysis.metric, pl.col("fresh_level").is_not_null())
            with_responses = usable.join(known, on="athlete_id", how="semi")
            stages.append(("of an athlete without responses to adjust with", with_responses))
        if analysis.speed_m_s is not None:
            at_speed = with_responses.filter(pl.col("speed_m_s").is_between(*analysis.speed_m_s))
            stages.append(("no split at the speed asked for", at_speed))
        stages.append((f"shorter than any length of {material.least_cell} athletes", rows))
        if analysis.design == "sections":
            means, _ = in_sections(rows, analysis, split_km=material.split_km)
            stages.append(("of an athlete without a run through all sections", means))
        elif analysis.design in ("paired_windows", "equivalence", "responders"):
            pairs = early_and_late(rows, analysis, split_km=material.split_km)
            stages.append(("without an early or a late stretch", pairs))
        if analysis.has_factors:
            asked = [name for name in (analysis.group, *analysis.covariates) if name is not None]
            listed = material.athletes.drop_nulls([*asked, *covariate_columns(material.athletes, analysis)])
            stages.append((f"of an athlete without {' or '.join(asked)}", listed))
    left, steps = material.runs, []
    for reason, rows in stages:
        has_runs = "run_id" in rows.columns and not rows["run_id"].null_count()
        before, left = left, left.join(rows, on="run_id" if has_runs else "athlete_id", how="semi")
        steps.append(Step.between(reason, before, left))
    return Flow(material.runs.height, material.runs["athlete_id"].n_unique(), tuple(steps), left)
