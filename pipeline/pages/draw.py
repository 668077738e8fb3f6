"""Write the pages of a state into its folder `pages`.

    pages/index.html, files.html, methods.html     the club
    pages/athletes/<athlete>/index.html            an athlete
    pages/athletes/<athlete>/<start>.html          a run
    pages/assets/                                  style sheet and scripts, once for all pages

Each page has a digest of its inputs in its head. Where the previous state has a page with the same digest, that file is
linked and the page is not drawn again.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections import defaultdict
from functools import cache
from pathlib import Path
from typing import Any

import jinja2
import polars as pl

from pipeline.core.places import files_below, read_frame, written_here
from pipeline.core.settings import PAGES
from pipeline.pages.assets import write_assets
from pipeline.pages.athlete_page import SHOWN_DECIMALS, TABLES, athlete_page
from pipeline.pages.club_pages import file_pages, index_page
from pipeline.pages.club_rows import ClubRows, Pages, club_rows, run_name
from pipeline.pages.methods_page import methods_page
from pipeline.pages.run_page import drawn, run_page
from pipeline.pages.traces import TRACES_READ, traces
from pipeline.pages.words import CAUTION
from pipeline.pages.worth_a_look import cautions
from pipeline.store.generations import link_tree
from pipeline.store.history import RECORD
from pipeline.store.known import code_digest
from pipeline.store.layout import partition, run_of

FOLDER = Path("pages")
#: The digests in the head of a page: of an athlete's page its own and that of the run pages, of a run page its own.
_RESTS_ON = re.compile(rb'<meta name="rests-on" content="([\w ]+)">')


def draw(pages: Pages, athlete_id: str | None) -> None:
    """Draw the pages of an athlete; of the club for None."""
    with written_here(pages.built) as here:
        if athlete_id is None:
            draw_club(pages, here / FOLDER)
        else:
            draw_athlete(pages, here, athlete_id)


def draw_club(pages: Pages, folder: Path) -> None:
    """Draw the pages of the club: index, files, methods, scripts."""
    club = club_rows(pages)
    write_assets(folder / "assets", club.shoes)
    record = json.loads((pages.built / RECORD).read_text(encoding="utf-8"))
    _write(folder / "index.html", "index.html", index_page(pages, club, record))
    for one in file_pages(club):
        _write(folder / one["page"], "files.html", one)
    _write(folder / "methods.html", "methods.html", methods_page(pages.settings))


def draw_athlete(pages: Pages, here: Path, athlete_id: str) -> None:
    """Draw the page of an athlete and those of the athlete's runs, or link the previous ones where nothing changed."""
    club = club_rows(pages)
    folder = FOLDER / "athletes" / club.folder(athlete_id)
    own, of_runs = _rests_on(pages, club, athlete_id)
    before = _rested_on(pages, folder / "index.html")
    if before[1:] == [of_runs] and pages.before is not None:
        unchanged = before == [own, of_runs]
        link_tree(pages.before, pages.built, folder, wanted=lambda file: unchanged or file.name != "index.html")
        if unchanged:
            return
    else:
        _draw_runs(pages, club, athlete_id, here)
    shown = athlete_page(pages, club, athlete_id) | {"rests_on": f"{own} {of_runs}", "cautions": cautions()}
    _write(here / folder / "index.html", "athlete.html", shown)


def _draw_runs(pages: Pages, club: ClubRows, athlete_id: str, here: Path) -> None:
    """Draw or link the page of each run; samples are read only where the page is drawn."""
    folder = FOLDER / "athletes" / club.folder(athlete_id)
    splits, drifts, exclusions, recordings = (
        _by_run(club.own(name, athlete_id)) for name in ("splits", "run_drift", "exclusions", "recordings")
    )
    samples_files = {run_of(file): file for file in files_below(pages.built / partition("samples", athlete_id))}
    common, unchanged = _common(pages), set()
    for run in club.own("runs", athlete_id).iter_rows(named=True):
        run_id = run["run_id"]
        shown = run_page(
            run,
            splits[run_id],
            drifts[run_id],
            exclusions[run_id],
            club=club,
            units=pages.units,
            split_length_m=pages.settings.split_length_m,
        )
        # Samples are too many to digest; they follow from the files, whose digests are included.
        rests_on = _digest([*common, repr(shown), *sorted(row["sha256"] for row in recordings[run_id])])
        page = folder / f"{run_name(run_id, athlete_id)}.html"
        if _rested_on(pages, page) == [rests_on]:
            unchanged.add(page)
            continue
        trace = traces(read_frame(samples_files[run_id], TRACES_READ))
        _write(here / page, "run.html", shown | {"rests_on": rests_on, "data": drawn(trace, pages.units)})
    if unchanged and pages.before is not None:
        link_tree(pages.before, pages.built, folder, wanted=unchanged.__contains__)


def _by_run(rows: pl.DataFrame) -> dict[str, list[dict[str, Any]]]:
    by_run: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in rows.iter_rows(named=True):
        by_run[row["run_id"]].append(row)
    return by_run


# --- Digests of inputs -----------------------------------------------------------------------------------------------


def _rests_on(pages: Pages, club: ClubRows, athlete_id: str) -> tuple[str, str]:
    """Digests of the inputs of the athlete's page, and of those of the run pages."""
    of_runs = [*_common(pages), club.shown(athlete_id), *(club.own(name, athlete_id).write_csv() for name in _OF_RUNS)]
    own = [*of_runs, *(_as_shown(club.own(name, athlete_id)).write_csv() for name in TABLES)]
    return _digest(own), _digest(of_runs)


_OF_RUNS = ("recordings", "runs", "splits", "run_drift", "exclusions")


def _common(pages: Pages) -> list[str]:
    return [code_digest(), _templates_digest(), pages.settings.digest(PAGES)]


def _as_shown(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.with_columns(pl.col(name).round(n) for name, n in SHOWN_DECIMALS.items() if name in rows.columns)


def _rested_on(pages: Pages, page: Path) -> list[str]:
    """The digests in a page of the previous state; empty where there is none."""
    if pages.before is None:
        return []
    try:
        with (pages.before / page.as_posix()).open("rb") as file:
            digests = _RESTS_ON.search(file.read(2000))
    except FileNotFoundError:
        return []
    return digests[1].decode().split() if digests else []


def _digest(words: list[str]) -> str:
    return hashlib.sha256("\0".join(words).encode()).hexdigest()


@cache
def _templates_digest() -> str:
    parts = sorted(path for folder in ("templates", "assets") for path in (Path(__file__).parent / folder).iterdir())
    texts = [*parts, Path(__file__).with_name("worth_a_look.toml")]
    return _digest([path.read_text(encoding="utf-8") for path in texts])


# --- Writing ---------------------------------------------------------------------------------------------------------


@cache
def _templates() -> jinja2.Environment:
    # Text from outside is always escaped.
    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )


def _write(file: Path, template: str, shown: dict[str, object]) -> None:
    text = _templates().get_template(template).render(shown, caution=CAUTION)
    file.parent.mkdir(parents=True, exist_ok=True)
    file.unlink(missing_ok=True)  # it may be a hard link to a page of an older state
    file.write_text(text, encoding="utf-8")
