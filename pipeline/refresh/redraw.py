"""The pages only: drawn again from the tables of a store, into a state of their own."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from pipeline.core.errors import OtherVersion
from pipeline.core.metrics import Registry
from pipeline.core.places import files_below, read_schema, written_here
from pipeline.pages.club_rows import has_names, pages_of
from pipeline.pages.draw import FOLDER
from pipeline.refresh.steps import draw_over
from pipeline.store.database import DATABASE, write_database
from pipeline.store.generations import building, link_tree, published
from pipeline.store.layout import files_of, read_rows, require_sound, settings_of, table_folder
from pipeline.store.lock import locked
from pipeline.tables import TABLES
from pipeline.workers.pool import Progress, workers

#: Fewer athletes than this are sooner drawn here than by workers, which take a second to start.
FEW_ATHLETES = 24


def rebuild_pages(
    store: Path,
    *,
    anonymous: bool = False,
    jobs: int | None = None,
    wait_s: float = 0.0,
    progress: Progress | None = None,
) -> int:
    """Draw the pages of a store again.

    Args:
        anonymous: show athletes by codes, regardless of the settings.
        wait_s: how long to wait for a refresh of the store to end [s].
        progress: called with the pages of athletes drawn and their total number.

    Returns:
        How many athletes have pages now.

    Raises:
        NothingDone: no store, or one that another version made.
        Damaged: a file that the pages are drawn from is not what was written.
        Held: another process is changing the store.
    """
    published(store)  # or there is nothing to lock
    with locked(store, wait_s=wait_s) as check_still_held:
        before = published(store)
        require_sound(before, (*files_of(before, Path("tables")), *files_of(before, Path("known"))))
        if not has_names(before) or not _has_columns(before):
            raise OtherVersion(store)
        settings = settings_of(store)
        if anonymous or settings.pages == "none":
            settings = replace(settings, pages="codes" if anonymous else "names")
        athletes = read_rows(before, "runs")["athlete_id"].unique().sort().to_list()
        with (
            building(store, keep=settings.keep_generations) as built,
            workers(len(athletes), jobs, few=FEW_ATHLETES, loads="pipeline.pages.draw") as mapper,
        ):
            link_tree(before, built, Path(), wanted=lambda file: file.parts[0] not in (FOLDER.name, DATABASE))
            pages = pages_of(built, before, settings)
            assert pages is not None
            databases = mapper(_write_database, settings.registry, [built])
            for done, _ in enumerate(draw_over(mapper, replace(pages, before=None), athletes)):
                if progress is not None:
                    progress(done, len(athletes))
            for _ in databases:  # workers have written it by now
                pass
            check_still_held()
    return len(athletes)


def _write_database(registry: Registry, built: Path) -> None:
    """Write the DuckDB file anew: it names the folder that it is in, and the one before will be removed."""
    with written_here(built) as here:
        write_database(built, here, registry)


def _has_columns(folder: Path) -> bool:
    """Whether the tables of a state have the columns that this version knows; one file stands for a table."""
    return all(
        set(TABLES[name].column_names()) <= set(read_schema(files[0]))
        for name in TABLES
        if (files := files_below(table_folder(folder, name)))
    )
