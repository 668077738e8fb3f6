"""The report of a study: cohort, results, published results beside them, figures, methods, limits, references."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from pathlib import Path
from typing import Any

import jinja2
import polars as pl
from markupsafe import Markup

from pipeline.core.metrics import LABELS, METRIC_OF
from pipeline.pages.units import number
from pipeline.study.cohort import in_words
from pipeline.study.conduct import Conducted
from pipeline.study.figures import drawn
from pipeline.study.register import Registered
from pipeline.study.small_cells import FEWEST_OF_QUARTILES
from pipeline.study.sources import sources
from pipeline.study.study_file import CORRECTIONS, DESIGNS, Analysis

_PAGES = Path(__file__).parents[1] / "pages"


def report(told: Conducted, registered: Registered) -> str:
    """The report as one file of HTML, style and figures inside."""
    study, style = told.study, (_PAGES / "assets" / "pages.css").read_text(encoding="utf-8")
    return _template().render(
        study=study,
        style=Markup(style),  # the project's own
        style_digest=base64.b64encode(hashlib.sha256(style.encode()).digest()).decode(),
        registered=registered,
        in_words=in_words(told.flow),
        flow=told.flow,
        n_athletes=told.flow.runs["athlete_id"].n_unique(),
        cohort=_cohort(told),
        results=[_row(row) for row in told.results.iter_rows(named=True)],
        beside=[_beside(row) for row in told.beside.iter_rows(named=True)],
        power=[] if told.power is None else list(told.power.iter_rows(named=True)),
        # SVG by the drawing library, of numbers and of words of this project.
        figures=[(one, Markup(drawn(one))) for one in told.figures],
        methods=_methods(told),
        limits=_limits(told),
        references=_references(told),
        labels=LABELS,
        parts=told.parts,
    )


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    return environment.get_template("report.html")


def _cohort(told: Conducted) -> list[tuple[str, str]]:
    """Table 1: who and what entered, counted from what is told of each run.

    No range is among it: the longest run and the fastest athlete are known to everybody.
    """
    runs = told.flow.runs
    by_athlete = runs.group_by("athlete_id").agg(pl.len(), pl.col("distance_km").sum())
    least = told.study.least_cell
    rows = [("athletes", str(by_athlete.height)), ("runs", str(runs.height))]
    if by_athlete.height >= least:
        has_quartiles = by_athlete.height >= FEWEST_OF_QUARTILES
        of = "median (quartiles)" if has_quartiles else "median"
        rows += [
            (f"{what}, {of}{unit}", _spread(values, decimals, has_quartiles=has_quartiles))
            for what, unit, values, decimals in (
                ("runs an athlete", "", by_athlete["len"], 0),
                ("distance of a run", " [km]", runs["distance_km"], 1),
                ("moving time of a run", " [min]", runs["moving_s"] / 60, 0),
                ("mean speed of a run", " [m/s]", 1000 * runs["distance_km"] / runs["moving_s"], 2),
            )
        ]
    for column, words in (("kind", "kind of session"), ("surface", "surface")):
        counts = runs.group_by(column).len().sort(column, nulls_last=True)
        nothing = "not listed" if least == 1 else f"not listed, or with too few athletes to tell (under {least})"
        rows += [(f"{words}: {nothing if value is None else value}", f"{n} runs") for value, n in counts.iter_rows()]
    return rows


def _spread(values: pl.Series, decimals: int, *, has_quartiles: bool) -> str:
    low, middle, high = (
        number(float(values.quantile(share, "linear") or 0.0), decimals) for share in (0.25, 0.5, 0.75)
    )
    return f"{middle} ({low} to {high})" if has_quartiles else middle


def _references(told: Conducted) -> list[str]:
    """Published results that stand beside the study's own, then what its methods rest on."""
    beside = sorted({f"{one.source} ({one.read_as})" for one in told.study.published})
    works = sources(told.study, told.results, with_power=told.power is not None)
    return [*beside, *(f"{one.work}. Here for: {one.gives} ({one.read_as})" for one in works)]


def _row(row: dict[str, Any]) -> dict[str, Any]:
    decimals = 4 if row["statistic"].startswith("share") else 2
    return row | {
        "label": LABELS.get(row["metric"], "landing"),
        "words": row["statistic"].replace("_pct", " [%]").replace("_", " "),
        "shown": number(row["estimate"], decimals),
        "interval": "" if row["low"] is None else f"{number(row['low'], decimals)} to {number(row['high'], decimals)}",
        "p": _p(row["p_value"]),
        "corrected": _p(row["p_corrected"]),
    }


def _beside(row: dict[str, Any]) -> dict[str, Any]:
    def interval(name: str) -> str:
        low, high = row[f"{name}_low"], row[f"{name}_high"]
        return "" if low is None else f"{number(low, 2)} to {number(high, 2)}"

    return row | {
        "label": LABELS.get(row["metric"], "landing"),
        "words": row["statistic"].replace("_pct", " [%]").replace("_", " "),
        "shown": {name: number(row[name], 2) for name in ("ours", "published", "difference")},
        "intervals": {name: interval(name) for name in ("ours", "published", "difference")},
    }


def _p(value: float | None) -> str:
    return "" if value is None else "< 0.001" if value < 0.0005 else number(value, 3)


# --- Texts -----------------------------------------------------------------------------------------------------------

_CORRECTION_WORDS = dict(
    zip(CORRECTIONS, ("by Holm's method", "by the method of Benjamini and Hochberg", "not at all"), strict=True)
)


def _methods(told: Conducted) -> list[str]:
    """What was done, in sentences made of what was done."""
    study, settings = told.study, told.settings
    primary = told.results.filter(pl.col("p_corrected").is_not_null()).height
    return [
        f"Splits of {settings.split_length_m:g} m enter that are whole (at least {settings.min_length_share:g} of that "
        f"length), run in at least {settings.min_run_share:g} of their moving time, and begin after "
        f"{settings.warm_up_m:g} m.",
        *(_analysis_words(one) for one in study.analyses),
        f"The {primary} p-values of primary statistics are corrected {_CORRECTION_WORDS[study.correction]}. "
        f"Random draws have the seed {study.seed}.",
    ]


def _analysis_words(analysis: Analysis) -> str:
    words = [f"{analysis.name}: {DESIGNS[analysis.design]}"]
    if analysis.metrics:
        words.append("of " + ", ".join(f"{LABELS[one]} [{METRIC_OF[one].unit}]" for one in analysis.metrics))
    if analysis.design not in ("landing", "agreement", "reliability"):
        words.append(
            f"with the athlete's own response to {' and '.join(analysis.adjust)} taken out" if analysis.adjust
            else "as it was measured, nothing taken out"
        )  # fmt: skip
    if analysis.windows:
        words.append("first against last quarter of each run")
    elif analysis.early_km and analysis.late_km and analysis.design != "landing":
        words.append(f"km {_stretch(analysis.early_km)} against km {_stretch(analysis.late_km)}")
    elif analysis.early_km and analysis.late_km:
        words.append(f"km {analysis.early_km[0]:g} against km {analysis.late_km[0]:g}")
    if analysis.design in ("paired_windows", "equivalence"):
        words.append("runs of an athlete averaged first" if analysis.unit == "athlete" else "a run counts as one")
    if analysis.margin_pct:
        words.append(f"with a margin of {analysis.margin_pct:g} %")
    return ", ".join(words) + "."


def _stretch(stretch: tuple[float, float]) -> str:
    return f"{stretch[0]:g} to {stretch[1]:g}"


def _limits(told: Conducted) -> list[str]:
    study = told.study
    said = [
        "The runs were recorded by whoever ran them; nothing was assigned at random. What else changes along a run "
        "(heat, wind, drink, a sensor that slips) is in the result.",
        "Levels of different devices are not comparable; changes inside runs of one device are.",
    ]
    n_devices = told.material.runs["device"].drop_nulls().n_unique()
    if n_devices > 1:
        said.append(f"{n_devices} kinds of device are in the cohort.")
    if any(one.unit == "run" for one in study.analyses):
        said.append(
            "Where a run counts as one, runs of the same athlete are taken as if they were of different people."
        )
    if study.cohort.athletes or study.cohort.not_athletes:
        said.append("Athletes were named in the study file: who is in was chosen by hand.")
    if any(one.read_as == "from memory" for one in study.published):
        said.append("Some published numbers are from memory, and marked so.")
    return said
