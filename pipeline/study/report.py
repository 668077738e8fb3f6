"""The report of a study: cohort, results, published results, figures, methods, limits, references."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import jinja2
import polars as pl
from markupsafe import Markup

from pipeline.pages.units import number
from pipeline.study.cohort import in_words
from pipeline.study.conduct import StudyResult
from pipeline.study.exposure import Exposure, cautions, singled_out
from pipeline.study.figures import draw_svg
from pipeline.study.filmed import LANDINGS, about_filming, is_of_landings
from pipeline.study.methods_text import methods_text
from pipeline.study.outcomes import labels
from pipeline.study.register import Registered
from pipeline.study.results import Figure
from pipeline.study.small_cells import FEWEST_OF_QUARTILES, shared_groups
from pipeline.study.sources import sources

_PAGES = Path(__file__).parents[1] / "pages"


#: Figures are inside the report up to this size, so that it stays below 1 MB [characters]; all are in figures/.
MOST_OF_FIGURES = 700_000


def report(result: StudyResult, registered: Registered, exposed: Exposure) -> str:
    """The report as one file of HTML, with style and figures inside.

    Args:
        exposed: how many athletes could be found in the released data.
    """
    named = labels(result.settings.registry)
    study, style = result.study, (_PAGES / "assets" / "pages.css").read_text(encoding="utf-8")
    return _template().render(
        study=study,
        style=Markup(style),  # the project's own
        style_digest=base64.b64encode(hashlib.sha256(style.encode()).digest()).decode(),
        registered=registered,
        in_words=in_words(result.flow),
        flow=result.flow,
        n_athletes=result.flow.runs["athlete_id"].n_unique(),
        cohort=_cohort(result),
        results=[_row(row, named) for row in result.results.iter_rows(named=True)],
        comparison=[_comparison_row(row, named) for row in result.comparison.iter_rows(named=True)],
        power=[] if result.power is None else list(result.power.iter_rows(named=True)),
        flows=result.flows,
        failures=result.failures,
        exposed=exposed,
        singled_out=singled_out(exposed),
        cautions=cautions(exposed, study.least_cell),
        figures=_figures(result),
        methods=methods_text(result),
        limits=_limits(result),
        references=_references(result),
        labels=named,
        parts=result.parts,
    )


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    return environment.get_template("report.html")


def _figures(result: StudyResult) -> list[tuple[Figure, Markup]]:
    """Figures with their drawings, in order, as many as fit."""
    drawn, size = [], 0
    for figure in result.figures:
        picture = draw_svg(figure)
        size += len(picture)
        if size <= MOST_OF_FIGURES:
            drawn.append((figure, Markup(picture)))  # by the drawing library, of numbers and of words of this project
    return drawn


def _cohort(result: StudyResult) -> list[tuple[str, str]]:
    """Table 1: who was analysed. Kinds of session and surfaces are counted where enough athletes share them.

    It has no ranges: the longest run and the fastest athlete are public knowledge.
    """
    if result.flow.counts == LANDINGS:
        n_athletes = result.flow.runs["athlete_id"].n_unique()
        return [("athletes", str(n_athletes)), *about_filming(result.material)]
    runs = shared_groups(result.analysed_runs, result.study.least_cell)
    by_athlete = runs.group_by("athlete_id").agg(pl.len(), pl.col("distance_km").sum())
    least = result.study.least_cell
    rows = [("athletes", str(by_athlete.height)), ("runs", str(runs.height))]
    if by_athlete.height >= least:
        has_quartiles = by_athlete.height >= FEWEST_OF_QUARTILES
        of = "median (quartiles)" if has_quartiles else "median"
        rows += [
            (f"{what}, {of}{unit}", _median(values, decimals, has_quartiles=has_quartiles))
            for what, unit, values, decimals in (
                ("runs per athlete", "", by_athlete["len"], 0),
                ("distance of a run", " [km]", runs["distance_km"], 1),
                ("moving time of a run", " [min]", runs["moving_s"] / 60, 0),
                ("mean speed of a run", " [m/s]", 1000 * runs["distance_km"] / runs["moving_s"], 2),
            )
        ]
        rows += _people(result, runs, least)
    for column, words in (("kind", "kind of session"), ("surface", "surface")):
        counts = runs.group_by(column).len().sort(column, nulls_last=True)
        nothing = "not listed" if least == 1 else f"not listed, or with too few athletes to tell (under {least})"
        rows += [(f"{words}: {nothing if value is None else value}", f"{n} runs") for value, n in counts.iter_rows()]
    return rows


def _people(result: StudyResult, runs: pl.DataFrame, least: int) -> list[tuple[str, str]]:
    """Age, sex, mass and height of those analysed, where the roster has them for enough of them."""
    people = result.material.athletes.join(runs, on="athlete_id", how="semi")
    rows = []
    for what, values, decimals in (
        ("age [years]", people["age"], 0),
        ("body mass [kg]", people["mass_kg"], 1),
        ("height [m]", people["height_m"], 2),
    ):
        known = values.drop_nulls()
        if len(known) >= max(least, FEWEST_OF_QUARTILES):
            rows.append(
                (f"{what}, median (quartiles), {len(known)} athletes", _median(known, decimals, has_quartiles=True))
            )
    counts = people.group_by(pl.col("sex").fill_null("not listed")).len().sort("sex")
    # One group left out would follow from the others.
    if counts.height and int(counts["len"].to_numpy().min()) >= least:
        rows += [(f"sex: {sex}", f"{n} athletes") for sex, n in counts.iter_rows()]
    return rows


def _median(values: pl.Series, decimals: int, *, has_quartiles: bool) -> str:
    low, middle, high = (
        number(float(values.quantile(share, "linear") or 0.0), decimals) for share in (0.25, 0.5, 0.75)
    )
    return f"{middle} ({low} to {high})" if has_quartiles else middle


def _references(result: StudyResult) -> list[str]:
    """Sources of the published results, then those of the methods."""
    beside = sorted({row.source for row in result.study.published})
    is_corrected = result.results["p_corrected"].is_not_null().any()
    with_power = result.power is not None
    works = sources(result.study, result.statistics, is_corrected=is_corrected, with_power=with_power)
    return [*beside, *(f"{work.cite}. Here for: {work.gives}" for work in works)]


def _row(row: dict[str, Any], named: Mapping[str, str]) -> dict[str, Any]:
    decimals = 4 if row["statistic"].startswith("share") else 2
    return row | {
        "label": named.get(row["metric"], "landing"),
        "words": row["statistic"].replace("_pct", " [%]").replace("_", " ")
        + (f", {row['part']}" if row["part"] else ""),
        "shown": number(row["estimate"], decimals),
        "interval": _interval(row["low"], row["high"], decimals),
        "p": _p(row["p_value"]),
        "corrected": _p(row["p_corrected"]),
    }


def _interval(low: float | None, high: float | None, decimals: int) -> str:
    if low is None:
        return ""
    return f"{number(low, decimals)} " + ("or more" if high is None else f"to {number(high, decimals)}")


def _comparison_row(row: dict[str, Any], named: Mapping[str, str]) -> dict[str, Any]:
    def interval(name: str) -> str:
        return _interval(row[f"{name}_low"], row[f"{name}_high"], 2)

    return row | {
        "label": named.get(row["metric"], "landing"),
        "words": row["statistic"].replace("_pct", " [%]").replace("_", " "),
        "shown": {name: number(row[name], 2) for name in ("ours", "published", "difference")},
        "intervals": {name: interval(name) for name in ("ours", "published", "difference")},
    }


def _p(value: float | None) -> str:
    return "" if value is None else "< 0.001" if value < 0.0005 else number(value, 3)


def _limits(result: StudyResult) -> list[str]:
    study = result.study
    if is_of_landings(study):
        sentences = [
            "Who was filmed ran as they would; nothing was assigned at random. The results include whatever else "
            "differs between the two places (speed, slope, surface, light, where the camera stood).",
            "Who was seen at one of the two only is not in the tests: who stops or is hidden may differ.",
        ]
    else:
        sentences = [
            "The runs were recorded by the athletes themselves; nothing was assigned at random. The results include "
            "whatever else changes along a run (heat, wind, drinking, a sensor that slips).",
            "Levels of different devices are not comparable; changes within runs of one device are.",
        ]
    n_devices = result.material.runs["device"].drop_nulls().n_unique()
    if n_devices > 1:
        sentences.append(f"{n_devices} kinds of device are in the cohort.")
    if any(analysis.unit == "run" for analysis in study.analyses):
        sentences.append(
            "Where each run counts separately, runs of the same athlete are treated as if they were independent."
        )
    if study.cohort.athletes or study.cohort.not_athletes:
        sentences.append("Athletes were selected by name in the study file.")
    return sentences
