"""The rows of the club gathered, section by section: what is known of the athletes left alone, and what is new."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl

from pipeline import ALONE, ATHLETE, stages_of, tables_of
from pipeline.core.places import files_below
from pipeline.core.settings import Settings
from pipeline.methods.club_draft import ClubDraft
from pipeline.refresh.context import RUN, BuildContext, ResponsesTask, SectionTask, changes_of, own_of
from pipeline.stages.responses import Sums, added, draft_of, drawn_from, sums_of
from pipeline.store.bundles import read_bundle, write_bundle
from pipeline.store.known import KeptRows, of_files, write_part
from pipeline.tables import empty


def gather(context: BuildContext, task: SectionTask) -> None:
    """Write the rows of a section of the club into the state being built, for each table of these stages."""
    new: dict[str, list[pl.DataFrame]] = defaultdict(list)
    bundles = files_below(context.built / own_of(task.section, task.in_round))
    for file in (one for one in bundles if not one.name.startswith(".")):  # of a worker that died as it wrote
        for table, rows in read_bundle(file.parent, file.name).items():
            new[table].append(rows)
    recomputed = read_bundle(context.built, changes_of(task.section))["recomputed"]
    without = dict.fromkeys(tables_of(ATHLETE, task.in_round), frozenset(recomputed["athlete_id"]))
    if task.in_round == ALONE:
        without |= dict.fromkeys(of_files(), frozenset(recomputed.filter("is_touched")["athlete_id"]))
    for table, athletes in without.items():
        frames = [*_stays(context.known, table, task, athletes), *new[table]]
        write_part(context.built, table, task.section, pl.concat(frames or [nothing(context.inbox.settings)[table]]))


def _stays(
    known: KeptRows | None, table: str, task: SectionTask, athletes: frozenset[str | None]
) -> list[pl.DataFrame]:
    if known is None or task.of_everyone:
        return []
    without = athletes | {one for one in known.athletes(task.section) if not task.section.holds(one)}
    stays = known.of_athletes(table, task.section, without, others=True)
    return [stays.filter(~pl.col("metric").is_in(task.metrics)) if task.metrics else stays]


def nothing(settings: Settings) -> dict[str, pl.DataFrame]:
    """The rows that are kept of a section without athletes."""
    parts = {name: empty(name) for name in ("recordings", "exclusions", "quality")} | {"runs": pl.DataFrame(schema=RUN)}
    for stage in stages_of(ATHLETE):
        parts |= stage.tables({"splits": empty("splits", settings.registry)}, settings=settings)
    return parts


# --- The club's responses --------------------------------------------------------------------------------------------


def tell_responses(context: BuildContext, task: ResponsesTask) -> None:
    """Write what a section of the club adds to its responses."""
    _write_sums(context, task, sums_of(task.rows.of("responses", task.section), task.draft, **_settings(context)))


def add_responses(context: BuildContext, task: ResponsesTask) -> None:
    """Write the sums of a section of few, from those of the sections of many that it is divided into."""
    parts = (replace(task, section=section) for section in task.section.overlapping(task.added_from))
    _write_sums(context, task, added([_read_sums(context, part) for part in parts]))


def draft_responses(context: BuildContext, first: ResponsesTask) -> ClubDraft:
    """What the first sums of the whole club say."""
    return draft_of(_read_sums(context, first), **_settings(context))


def draw_responses(context: BuildContext, second: ResponsesTask) -> pl.DataFrame:
    """What the responses of a state's club have in common, of both sums of the whole."""
    assert second.draft is not None
    first = _read_sums(context, replace(second, draft=None))
    return drawn_from(first, _read_sums(context, second), second.draft, **_settings(context))


def _settings(context: BuildContext) -> dict[str, Any]:
    settings = context.inbox.settings
    return {"speed_error_pct": settings.speed_error_pct, "registry": settings.registry}


def _write_sums(context: BuildContext, task: ResponsesTask, sums: Sums) -> None:
    rows = [(*key, values.tolist()) for key, values in sums.items()]
    write_bundle(context.built, task.name, {"sums": pl.DataFrame(rows, schema=_SUMS, orient="row")})


def _read_sums(context: BuildContext, task: ResponsesTask) -> Sums:
    rows = read_bundle(context.built, task.name)["sums"].iter_rows()
    return {(kind, metric, of): np.array(values) for kind, metric, of, values in rows}


_SUMS: dict[str, pl.DataType | type[pl.DataType]] = {
    "kind": pl.String,
    "metric": pl.String,
    "of": pl.String,
    "values": pl.List(pl.Float64),
}
