"""The report of a study: cohort, results, published results, figures, methods, limits, references.

Its sentences are in `templates/`; those of the methods can be taken into a paper.
"""

from __future__ import annotations

import base64
import hashlib
from functools import cache, partial
from pathlib import Path

import jinja2
import polars as pl
from markupsafe import Markup

from pipeline.pages.units import number
from pipeline.study.cohort import in_words
from pipeline.study.conduct import StudyResult
from pipeline.study.exposure import Exposure, cautions, singled_out
from pipeline.study.figures import draw_svg
from pipeline.study.filmed import LANDINGS, about_filming, is_of_landings
from pipeline.study.models import in_words as stretch_in_words
from pipeline.study.models import model
from pipeline.study.outcomes import decimals_of, labels
from pipeline.study.register import Registered
from pipeline.study.results import Figure
from pipeline.study.small_cells import FEWEST_OF_QUARTILES, shared_groups
from pipeline.study.software import software
from pipeline.study.sources import sources
from pipeline.study.study_file import DESIGNS

_STYLE = Path(__file__).parents[1] / "pages" / "assets" / "pages.css"
#: Figures are inside the report up to this size, so that it stays below 1 MB [characters]; all are in figures/.
MOST_OF_FIGURES = 700_000


def report(result: StudyResult, registered: Registered, exposed: Exposure) -> str:
    """The report as one file of HTML, with style and figures inside.

    Args:
        exposed: how many athletes could be found in the released data.
    """
    study, style = result.study, _STYLE.read_text(encoding="utf-8")
    return (
        _templates()
        .get_template("report.html")
        .render(
            study=study,
            style=Markup(style),  # the project's own
            style_digest=base64.b64encode(hashlib.sha256(style.encode()).digest()).decode(),
            registered=registered,
            in_words=in_words(result.flow),
            flow=result.flow,
            n_athletes=result.flow.runs["athlete_id"].n_unique(),
            cohort=_cohort(result),
            results=result.results.to_dicts(),
            comparison=result.comparison.to_dicts(),
            power=[] if result.power is None else result.power.to_dicts(),
            flows=result.flows,
            failures=result.failures,
            exposed=exposed,
            singled_out=singled_out(exposed),
            cautions=cautions(exposed, study.least_cell),
            figures=_figures(result),
            methods=methods_text(result),
            is_of_landings=is_of_landings(study),
            n_devices=result.material.runs["device"].drop_nulls().n_unique(),
            references=_references(result),
            decimals_of=partial(decimals_of, registry=result.settings.registry),
            labels={"": "landing", **labels(result.settings.registry)},
            parts=result.parts,
        )
    )


def methods_text(result: StudyResult) -> list[str]:
    """The methods in sentences that can be taken into a paper, a paragraph per entry."""
    text = (
        _templates()
        .get_template("methods.txt")
        .render(
            study=result.study,
            settings=result.settings,
            is_of_landings=is_of_landings(result.study),
            responses=_responses(result),
            designs=list(dict.fromkeys(analysis.design for analysis in result.study.analyses)),
            n_corrected=result.results["p_corrected"].count(),
            made=software(),
        )
    )
    return [" ".join(paragraph.split()) for paragraph in text.split("\n\n") if paragraph.strip()]


@cache
def _templates() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=jinja2.select_autoescape(["html"]),
        undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.filters |= {
        "number": number, "interval": _interval, "p": _p, "short": lambda value: f"{value:g}",
        "words": lambda statistic: statistic.replace("_pct", " [%]").replace("_", " "),
    }  # fmt: skip
    environment.globals |= {"compares": DESIGNS, "model": model, "stretch": stretch_in_words}
    return environment


def _interval(ends: tuple[float | None, float | None], decimals: int) -> str:
    low, high = ends
    if low is None:
        return ""
    return f"{number(low, decimals)} " + ("or more" if high is None else f"to {number(high, decimals)}")


def _p(value: float | None) -> str:
    return "" if value is None else "< 0.001" if value < 0.0005 else number(value, 3)


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


def _responses(result: StudyResult) -> list[str]:
    """The median response to speed of each metric that is adjusted, and from how many runs responses are."""
    adjusted = {analysis.metric for analysis in result.study.parts.values() if analysis.adjusted_for}
    used = result.material.drifts.filter(pl.col("metric").is_in(adjusted), pl.col("fresh_level").is_not_null())
    named = labels(result.settings.registry)
    return [
        f"{named[str(metric)]} {_or_none(rows['response_to_speed'].median())} "
        f"(up to {int(rows['n_runs'].to_numpy().max())} runs of an athlete)"
        for (metric,), rows in sorted(used.group_by("metric"))
    ]


def _or_none(value: object) -> str:
    return f"{value:.2f}" if isinstance(value, float) else "not estimated"
