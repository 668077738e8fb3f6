"""The pages only: drawn again from the tables of a store, into a state of their own."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from pipeline.core.errors import OtherVersion
from pipeline.core.places import files_below, read_schema, written_here
from pipeline.pages.club_rows import Pages, has_names, pages_of
from pipeline.pages.draw import FOLDER
from pipeline.refresh.steps import draw_over
from pipeline.store.database import DATABASE, write_database
from pipeline.store.generations import building, link_tree, published
from pipeline.store.layout import files_of, read_rows, require_sound, settings_of, table_folder
from pipeline.store.lock import locked
from pipeline.tables import TABLES
from pipeline.workers.pool import Progress, workers

#: What is large, and compared with its digests by those who draw from it.
SAMPLES = "tables/samples"
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
        read_at_once = (file for part in ("tables", "known") for file in files_of(before, Path(part)))
        require_sound(before, (file for file in read_at_once if not file.startswith(f"{SAMPLES}/")))
        if not has_names(before) or not _has_columns(before):
            raise OtherVersion(store)
        settings = settings_of(store)
        if anonymous or settings.pages == "none":
            settings = replace(settings, pages="codes" if anonymous else "names")
        athletes = read_rows(before, "runs")["athlete_id"].unique().sort().to_list()
        with (
            building(store, keep=settings.keep_generations, check_still_held=check_still_held) as built,
            workers(len(athletes), jobs, few=FEW_ATHLETES, loads="pipeline.pages.draw") as mapper,
        ):
            link_tree(before, built, Path(), wanted=lambda file: file.parts[0] not in (FOLDER.name, DATABASE))
            pages = pages_of(built, None, settings, older=[before])
            assert pages is not None
            pages = replace(pages, samples=before)
            databases = mapper(_write_database, pages, [before])
            for done, _ in enumerate(draw_over(mapper, pages, athletes)):
                if progress is not None:
                    progress(done, len(athletes))
            for _ in databases:  # workers have written it by now
                pass
    return len(athletes)


def _write_database(pages: Pages, before: Path) -> None:
    """Write the DuckDB file: it names the folder that it is in, and the one before will be removed."""
    with written_here(pages.built) as here:
        write_database(pages.built, here, pages.settings.registry, like=before)


def _has_columns(folder: Path) -> bool:
    """Whether the tables of a state have the columns that this version knows; one file stands for a table."""
    return all(
        set(TABLES[name].column_names()) <= set(read_schema(files[0]))
        for name in TABLES
        if (files := files_below(table_folder(folder, name)))
    )
