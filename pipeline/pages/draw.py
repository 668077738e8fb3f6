"""Write the pages of a state into its folder `pages`.

    pages/index.html, files.html, methods.html     the club
    pages/squads/<squad>.html                      a squad of a large club
    pages/athletes/<athlete>/index.html            an athlete
    pages/athletes/<athlete>/<start>.html          a run
    pages/assets/                                  style sheet and scripts, once for all pages

Each page has a digest of its inputs in its head. Where the previous state has a page with the same digest, that file is
linked and the page is not drawn again.
"""

from __future__ import annotations

import gc
import hashlib
import json
import re
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import cache
from importlib.util import cache_from_source
from itertools import accumulate
from operator import itemgetter
from pathlib import Path
from typing import Any

import jinja2
import polars as pl
from jinja2.bccache import Bucket
from jinja2.ext import Extension

from pipeline.core.catalogue import catalogue
from pipeline.core.code import code_digest
from pipeline.core.errors import Damaged, Fault
from pipeline.core.places import written_here
from pipeline.core.published import PUBLISHED
from pipeline.core.settings import PAGES
from pipeline.methods.adjustment import RESPONSES
from pipeline.pages.adjusted import Included, included
from pipeline.pages.assets import write_assets
from pipeline.pages.athlete_page import TABLES, athlete_page
from pipeline.pages.athlete_tables import as_shown
from pipeline.pages.cells import heads, table
from pipeline.pages.club_pages import index_page, squad_page, squads_page
from pipeline.pages.club_rows import ClubRows, Pages, club_rows, run_name
from pipeline.pages.file_pages import club_file_pages, file_pages, squad_file_pages
from pipeline.pages.language import TEXTS, Language
from pipeline.pages.methods_page import methods_page
from pipeline.pages.run_page import RunRows, expected_ranges, panels, run_page, split_texts, splits_shown
from pipeline.pages.small_marks import key_to_marks
from pipeline.pages.squads import SectionFiles, SquadPage, SquadRow, SquadTask
from pipeline.pages.traces import Traces, traces_of_runs, traces_read
from pipeline.pages.worth_a_look import cautions
from pipeline.store.generations import link_files, link_tree
from pipeline.store.history import RECORD
from pipeline.store.layout import files_of, partition, read_files, run_of

FOLDER = Path("pages")
#: So many runs have their samples in memory at once.
READ_AT_ONCE = 32
#: The digests in the head of a page: of an athlete's page its own and that of the run pages, of a run page its own.
_RESTS_ON = re.compile(rb'<meta name="rests-on" content="([\w ]+)">')


def draw(pages: Pages, athlete_id: str | None) -> None:
    """Draw the pages of an athlete; of the club for None."""
    with written_here(pages.built) as here, _without_garbage_collection():
        if athlete_id is None:
            club = club_rows(pages)
            index = index_page(pages, club, _record(pages))
            _draw_club(pages, here / FOLDER, "index.html", index, file_pages(club, pages.language))
        else:
            _draw_athlete(pages, club_rows(pages), here, athlete_id)


def draw_squad(pages: Pages, task: SquadTask) -> tuple[int, SquadRow | None]:
    """Draw pages of a squad of a large club; returns of how many athletes, and its row of the index or None."""
    with written_here(pages.built) as here:
        club = club_rows(pages, task)
        for athlete_id in task.athletes:
            with _without_garbage_collection():  # of one at a time: what templates leave behind holds all pictures
                _draw_athlete(pages, club, here, athlete_id)
        with _without_garbage_collection():
            return len(task.athletes), None if task.athletes else _draw_squad(pages, club, task.page, here)


def draw_squads(pages: Pages, drawn: tuple[Sequence[SquadRow], Sequence[SectionFiles]]) -> None:
    """Draw the pages of a large club that its squads have in common: the table of them, and the files."""
    with written_here(pages.built) as here, _without_garbage_collection():
        (rows, files), club = drawn, club_rows(pages)
        index = squads_page(pages, club, _record(pages), rows, files)
        listed = club_file_pages(
            club, [row.page for row in sorted(rows, key=lambda row: row.page.place)], files, pages.language
        )
        _draw_club(pages, here / FOLDER, "squads.html", index, listed)


@contextmanager
def _without_garbage_collection() -> Iterator[None]:
    """Rows and texts by the ten thousand are no cycles; looking for some among them takes a twelfth of the time."""
    is_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if is_enabled:
            gc.enable()


def _record(pages: Pages) -> dict[str, Any]:
    record: dict[str, Any] = json.loads((pages.built / RECORD).read_text(encoding="utf-8"))
    return record


def _draw_club(
    pages: Pages, folder: Path, template: str, index: dict[str, Any], files: Sequence[dict[str, Any]]
) -> None:
    """Draw the pages of the club: index, files, methods, scripts."""
    language = pages.language
    write_assets(folder / "assets")
    _write(folder / "index.html", template, index, language)
    for one in files:
        _write(folder / one["page"], "files.html", one, language)
    _write(folder / "methods.html", "methods.html", methods_page(pages.settings), language)


def _draw_squad(pages: Pages, club: ClubRows, squad: SquadPage, here: Path) -> SquadRow:
    """Draw the page of a squad and those of its files, or link the previous ones where nothing changed."""
    index, folder = squad_page(pages, club), FOLDER / Path(squad.address).parent
    (here / folder).mkdir(parents=True, exist_ok=True)
    files = squad_file_pages(club, squad, pages.language)
    drawn = [
        (FOLDER / squad.address, "squad.html", index),
        *((folder / one["page"], "files.html", one) for one in files),
    ]
    unchanged = []
    for page, template, shown in drawn:
        rests_on = _digest([*_common(pages), repr(shown)])
        if _rested_on(pages, page) == [rests_on]:
            unchanged.append(page.as_posix())
        else:
            _write(here / page, template, shown | {"rests_on": rests_on}, pages.language)
    if unchanged and pages.before is not None:
        link_files(pages.before, pages.built, unchanged)
    return SquadRow.of(squad, index)


def _draw_athlete(pages: Pages, club: ClubRows, here: Path, athlete_id: str) -> None:
    """Draw the page of an athlete and those of the athlete's runs, or link the previous ones where nothing changed."""
    folder = FOLDER / "athletes" / club.folder(athlete_id)
    (here / folder).mkdir(parents=True, exist_ok=True)
    own, of_runs = _rests_on(pages, club, athlete_id)
    before = _rested_on(pages, folder / "index.html")
    are_linked = before[1:] == [of_runs]
    if are_linked and pages.before is not None:
        unchanged = before == [own, of_runs]
        link_tree(pages.before, pages.built, folder, wanted=lambda file: unchanged or file.name != "index.html")
        if unchanged:
            return
    inclusion = pages.settings.inclusion
    entered = included(club.own("splits", athlete_id), club.own("athlete_drift", athlete_id), inclusion=inclusion)
    if not are_linked:
        _draw_runs(pages, club, athlete_id, here, entered)
    shown = athlete_page(pages, club, athlete_id, entered) | {
        "rests_on": f"{own} {of_runs}",
        "cautions": cautions(pages.language.code),
    }
    _write(here / folder / "index.html", "athlete.html", shown, pages.language)


def _draw_runs(pages: Pages, club: ClubRows, athlete_id: str, here: Path, entered: Included) -> None:
    """Draw or link the page of each run; samples are read only where the page is drawn."""
    folder = FOLDER / "athletes" / club.folder(athlete_id)
    language, inclusion = pages.language, pages.settings.inclusion
    recordings = _by_run(club.own("recordings", athlete_id))
    common, unchanged, to_draw = _common(pages), set(), []
    for run, rows in _runs_with_rows(pages, club, athlete_id, entered):
        run_id = run["run_id"]
        shown = run_page(run, rows, club=club, language=language, inclusion=inclusion)
        # Samples are too many to digest; they follow from the files, whose digests are included.
        digests = sorted(row["sha256"] for row in recordings[run_id])
        expected = "".join(f"{metric} {ends.tobytes().hex()}" for metric, ends in rows.expected.items())
        rests_on = _digest([*common, repr(shown), expected, *digests])
        page = folder / f"{run_name(run_id, athlete_id)}.html"
        if _rested_on(pages, page) == [rests_on]:
            unchanged.add(page)
        else:
            to_draw.append((run, rows, page, shown | {"rests_on": rests_on}))
    if unchanged and pages.before is not None:
        link_tree(pages.before, pages.built, folder, wanted=unchanged.__contains__)
    for begin in range(0, len(to_draw), READ_AT_ONCE):
        some = to_draw[begin : begin + READ_AT_ONCE]
        traces = _traces(pages, athlete_id, [run["run_id"] for run, *_ in some])
        pictures = panels([(run, rows) for run, rows, *_ in some], traces, language=language, inclusion=inclusion)
        for (_, _, page, shown), of_run in zip(some, pictures, strict=True):
            _write(here / page, "run.html", shown | {"panels": of_run}, language)


def _traces(pages: Pages, athlete_id: str, run_ids: Sequence[str]) -> Traces:
    """The traces of some of an athlete's runs.

    Raises:
        Damaged: a file of their samples is missing, or not what was written.
    """
    state, columns = pages.samples or pages.built, ["run_id", *traces_read(pages.settings.registry)]
    folder = partition("samples", athlete_id)
    files = {run_of(Path(name)): name for name in files_of(state, folder)}
    if missing := [run_id for run_id in run_ids if run_id not in files]:
        raise Damaged(state, {f"{folder.as_posix()}/*/{run_id}-*.parquet": Fault.MISSING for run_id in missing})
    samples = read_files(state, [files[run_id] for run_id in run_ids], columns)
    ends = samples["run_id"].rle().struct.field("len").cum_sum().to_list()
    return traces_of_runs(samples, [0, *ends[:-1]], pages.settings.registry)


def _runs_with_rows(
    pages: Pages, club: ClubRows, athlete_id: str, entered: Included
) -> Iterator[tuple[dict[str, Any], RunRows]]:
    """The runs of an athlete by date, each with the rows that its page shows."""
    drifts, against, exclusions = (
        _by_run(club.own(name, athlete_id)) for name in ("run_drift", "run_against_usual", "exclusions")
    )
    single = set(club.own("single_runs", athlete_id)["run_id"])
    quality, splits = (club.own(name, athlete_id) for name in ("quality", "splits"))
    is_odd = club.has_quality and quality["suspicion"].null_count() < quality.height
    odd = _by_run(quality.drop_nulls("suspicion")) if is_odd else {}
    course = club.own("usual_course", athlete_id)
    expected = expected_ranges(entered, splits.height, course, pages.settings.inclusion)
    columns = {name: splits[name].to_list() for name in splits_shown(pages.settings.registry)}
    texts = split_texts(columns, pages.language, pages.settings.inclusion)
    counted = Counter(splits["run_id"].to_list())  # in order of runs
    ends = accumulate(counted.values())
    rows_of = {run_id: slice(end - n, end) for (run_id, n), end in zip(counted.items(), ends, strict=True)}
    runs = sorted(club.own("runs", athlete_id).to_dicts(), key=itemgetter("started_at_utc"))
    links = [(f"{run_name(run['run_id'], athlete_id)}.html", run["started_at_utc"]) for run in runs]
    for run, before, after in zip(runs, [None, *links], [*links[1:], None], strict=False):
        run_id = run["run_id"]
        own = rows_of.get(run_id, slice(0))
        yield run, RunRows(
            {name: column[own] for name, column in columns.items()},
            {name: column[own] for name, column in texts.items()}, drifts[run_id], against[run_id],
            exclusions[run_id], odd.get(run_id, []), {metric: ends[own] for metric, ends in expected.items()},
            (before, after), run_id in single,
        )  # fmt: skip


def _by_run(rows: pl.DataFrame) -> dict[str, list[dict[str, Any]]]:
    by_run: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in rows.to_dicts():
        by_run[row["run_id"]].append(row)
    return by_run


# --- Digests of inputs -----------------------------------------------------------------------------------------------


def _rests_on(pages: Pages, club: ClubRows, athlete_id: str) -> tuple[str, str]:
    """Digests of the inputs of the athlete's page, and of those of the run pages."""
    quality = ("quality",) if club.has_quality else ()
    tables = [club.digest(name, athlete_id) for name in (*_OF_RUNS, *quality)]
    responses = club.digest("athlete_drift", athlete_id, _responses)
    runs = club.own("runs", athlete_id)
    written = [
        *((shoe, club.shoe(shoe), club.drop_mm(shoe)) for shoe in dict.fromkeys(runs["shoe_id"])),
        *(club.session_note(line) for line in runs["session_line"]),
    ]
    of_runs = [
        *_common(pages), club.shown(athlete_id), club.note(athlete_id) or "", responses, repr(written), *tables
    ]  # fmt: skip
    neighbours = [(club.page(other), club.shown(other)) for other in club.neighbours(athlete_id) if other is not None]
    others = [name for name in TABLES if name not in _OF_RUNS]
    squad = [] if club.squad_page is None else [club.squad_page.address, club.squad_page.title(pages.language)]
    own = [*of_runs, *squad, repr(neighbours), *(club.digest(name, athlete_id, as_shown) for name in others)]
    return _digest(own), _digest(of_runs)


_OF_RUNS = (
    "recordings", "runs", "splits", "run_drift", "exclusions", "run_against_usual", "usual_course", "single_runs",
)  # fmt: skip


def _common(pages: Pages) -> list[str]:
    return [code_digest(), _templates_digest(), pages.settings.digest(PAGES)]


def _responses(drifts: pl.DataFrame) -> pl.DataFrame:
    """Of what all metrics of the club decide only the responses are on the pages of runs."""
    return drifts.select("metric", pl.col("drift_pct_per_10km").is_not_null(), *RESPONSES)


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
    parts = sorted(
        path for folder in ("templates", "assets", "texts") for path in (Path(__file__).parent / folder).iterdir()
    )
    texts = [*parts, *sorted(Path(__file__).parent.glob("worth_a_look*.toml")), PUBLISHED]
    return _digest([path.read_text(encoding="utf-8") for path in texts])


# --- Writing ---------------------------------------------------------------------------------------------------------


class _Context(jinja2.runtime.Context):
    """Calls what a template calls at once; to ask what it wants to be handed takes longer than most of the calls."""

    def call(self, called: Any, *args: Any, **kwargs: Any) -> Any:
        """What a template calls; nothing that is called here takes the context."""
        kwargs.pop("_block_vars", None)
        kwargs.pop("_loop_vars", None)
        return called(*args, **kwargs)


class _Environment(jinja2.Environment):
    """Takes `row.name` from a dict as what is there by this name, without looking for an attribute first."""

    context_class = _Context

    def getattr(self, obj: Any, attribute: str) -> Any:
        """What `row.name` is in a template."""
        return obj[attribute] if type(obj) is dict and attribute in obj else super().getattr(obj, attribute)


class _ConstantTexts(Extension):
    """Texts without values are put into a template when it is compiled: a page has a hundred of them."""

    def preprocess(self, source: str, name: str | None, filename: str | None = None) -> str:  # noqa: ARG002
        """Replace `t("key")` by the text of the key."""
        texts: Any = self.environment.globals["texts"]
        return _TEXT.sub(lambda call: json.dumps(texts[call[2]]), source)


_TEXT = re.compile(r"""\bt\(("|')([\w.]+)\1\)""")


class _Compiled(jinja2.FileSystemBytecodeCache):
    """Templates as they were compiled, which takes a tenth of a second: kept where Python keeps modules, if it does."""

    def __init__(self, language: Language) -> None:
        super().__init__(str(Path(cache_from_source(__file__)).parent), f"%s.{language.code}.jinja")
        self._rests_on = _digest([code_digest(), _templates_digest(), jinja2.__version__])

    def get_source_checksum(self, source: str) -> str:
        """What has to be as it was: besides the template the texts that were put into it, and what did that."""
        return super().get_source_checksum(source + self._rests_on)

    def load_bytecode(self, bucket: Bucket) -> None:
        """Take over what was kept; what is damaged is compiled again."""
        with suppress(Exception):  # a changed byte may raise anything
            super().load_bytecode(bucket)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep a template, unless modules are not kept either."""
        if not sys.dont_write_bytecode:
            with suppress(OSError):
                super().dump_bytecode(bucket)


@cache
def _templates(language: Language) -> jinja2.Environment:
    # Text from outside is always escaped.
    environment = _Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
        bytecode_cache=_Compiled(language),
        extensions=[_ConstantTexts],
    )
    environment.globals |= {
        "texts": catalogue(TEXTS, language.code), "t": language, "units": language.units, "table": table,
        "heads": heads, "key_to_marks": key_to_marks,
    }  # fmt: skip
    return environment


def _write(file: Path, template: str, shown: dict[str, object], language: Language) -> None:
    text = _templates(language).get_template(template).render(shown)
    try:
        page = file.open("xb")
    except FileExistsError:
        file.unlink()  # it may be a hard link to a page of an older state
        page = file.open("xb")
    with page:
        page.write(text.encode())
