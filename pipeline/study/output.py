"""The output of a study: a folder that can be passed on.

    report.html             to be read and printed
    figures/                its figures, as SVG and PDF
    study.toml              the study as it was stated
    results.csv, .parquet   one row per statistic
    flow.csv                runs that were left out, step by step
    published.csv           published results and the study's own, with the difference
    power.csv               how many athletes would be needed, with --power
    data/                   the rows that the results are computed from, under pseudonyms
    recompute.py, .R        compute results.csv from data/ alone
    DICTIONARY.md           every column; datapackage.json has the same for programs
    register.jsonl          studies stated before on this store, and this one
    provenance.json         digests of everything that the results depend on, versions
    requirements.txt        the libraries with their versions, as pip takes them
    CITATION.cff            how to cite it

The same study on the same store gives the same bytes.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import shutil
from pathlib import Path
from typing import Any, NamedTuple

import polars as pl

from pipeline.core.errors import UsageError
from pipeline.core.places import files_below, is_remote
from pipeline.core.resources import shipped
from pipeline.store.exports import disarmed
from pipeline.store.layout import read_table
from pipeline.study.codebook import data_package, dictionary
from pipeline.study.conduct import StudyResult
from pipeline.study.exposure import Exposure
from pipeline.study.figures import draw_pdf, draw_svg, figure_files
from pipeline.study.pseudonyms import pseudonymised
from pipeline.study.register import Registered
from pipeline.study.released import exposure_of, released_data
from pipeline.study.report import report
from pipeline.study.results import FlowSteps
from pipeline.study.small_cells import suppress_small_cells
from pipeline.study.software import requirements, software

_PROVENANCE = "provenance.json"
#: What the scripts in the folder write.
RECOMPUTED = "recomputed.csv"


class Written(NamedTuple):
    """An output that was written.

    Attributes:
        changed: what the result depends on that has changed since the output that was replaced; empty if there was
            none.
        exposed: how many athletes could be found in the released data.
    """

    changed: list[str]
    exposed: Exposure


def write_output(out: Path, result: StudyResult, registered: Registered, key: bytes) -> Written:
    """Write the folder, whole or not at all.

    Args:
        out: a new or empty folder, or one with an earlier output, which is replaced.
        result: the study with its result.
        registered: when it was stated.

    Returns:
        What has changed, and who could be found in it.

    Raises:
        UsageError: the folder holds something else.
    """
    before = earlier_output(out)
    temporary = out.with_name(f".{out.name}-{secrets.token_hex(4)}")
    temporary.mkdir(parents=True)
    try:
        exposed = _write(temporary, suppress_small_cells(result), registered, key)
        _replace(out, temporary)
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
    changed = [name for name, digest in result.parts.items() if before and before.get(name) != digest]
    return Written(changed, exposed)


def require_apart(out: Path, store: Path) -> None:
    """Refuse an output where it would be swept with a store or taken for recordings.

    Args:
        store: with a valid state.

    Raises:
        UsageError: the folder is the root, in the store, or in the inbox that the store was made of.
    """
    place = out.resolve()
    if place == place.parent:
        raise UsageError(f"--out {out} is the root of the file system. Name a new folder, such as {out}study.")
    if not is_remote(store) and place.is_relative_to(store.resolve()):
        raise UsageError(f"--out {out} is inside the store {store}. Name a folder outside.")
    files = read_table(store, "recordings")["file"].head(100).to_list()
    if inbox := next(
        (folder for folder in (place, *place.parents) if any((folder / file).is_file() for file in files)), None
    ):
        raise UsageError(f"--out {out} is inside the inbox {inbox}, whose folders are athletes. Name a folder outside.")


def earlier_output(out: Path) -> dict[str, str]:
    """Digests of what an earlier output in the folder depends on; empty if the folder is new or empty.

    An output whose replacement was interrupted, by a power cut or a kill, is restored first.

    Raises:
        UsageError: the folder holds other files, which would be lost.
    """
    if out.is_symlink() or (out.exists() and not out.is_dir()):
        raise UsageError(f"--out {out} is not a folder. Name a folder; it is created if it does not exist.")
    _put_back(out)
    if not out.exists():
        return {}
    try:
        result = json.loads((out / _PROVENANCE).read_text(encoding="utf-8"))
        parts, ours = dict(result["rests_on"]), {_PROVENANCE, RECOMPUTED, *result["files"]}
    except (OSError, ValueError, KeyError, TypeError):
        parts, ours = {}, set()
    if foreign := sorted({path.relative_to(out).as_posix() for path in files_below(out)} - ours):
        raise UsageError(
            f"--out {out} holds files that are not the output of a study ({len(foreign)}, such as {foreign[0]}). Name "
            "an empty or new folder."
        )
    return parts


def _replace(out: Path, temporary: Path) -> None:
    """Replace a folder by another; the old one is kept under a known name until the new one is in place."""
    aside = _aside(out)
    has_moved = out.exists() and any(out.iterdir())
    if has_moved:
        os.replace(out, aside)
    try:
        os.replace(temporary, out)
    except BaseException:
        _put_back(out)
        raise
    if has_moved:
        shutil.rmtree(aside, ignore_errors=True)


def _put_back(out: Path) -> None:
    """Finish a replacement that was interrupted, or undo it where the new output is not in place."""
    aside = _aside(out)
    if not (aside / _PROVENANCE).is_file():
        return  # not ours
    if out.exists():
        shutil.rmtree(aside)
    else:
        os.replace(aside, out)


def _aside(out: Path) -> Path:
    return out.with_name(f".{out.name}-before")


def _write(folder: Path, result: StudyResult, registered: Registered, key: bytes) -> Exposure:
    (folder / "study.toml").write_text(result.study.shown or result.study.text, encoding="utf-8", newline="")
    tables = {"results.csv": result.results, "flow.csv": flow_steps(result)}
    if result.comparison.height:
        tables["published.csv"] = result.comparison
    if result.power is not None:
        tables["power.csv"] = result.power
    (folder / "data").mkdir()
    rows = released_data(result)
    tables |= {f"data/{name}.csv": pseudonymised(table, key) for name, table in rows.items()}
    for name, table in tables.items():
        disarmed(table).write_csv(folder / name)
    result.results.write_parquet(folder / "results.parquet")
    for script in ("recompute.py", "recompute.R"):
        shutil.copyfile(shipped("data/recompute") / script, folder / script)
    n_rows = {name: table.height for name, table in tables.items()}
    _write_text(folder / "DICTIONARY.md", dictionary(n_rows, result.study.least_cell))
    _write_text(folder / "datapackage.json", data_package(n_rows, result))
    (folder / "figures").mkdir()
    for name, figure in figure_files(result.figures).items():
        _write_text(folder / "figures" / f"{name}.svg", draw_svg(figure, inside=True))
        (folder / "figures" / f"{name}.pdf").write_bytes(draw_pdf(figure))
    exposed = exposure_of(result, rows)
    _write_text(folder / "report.html", report(result, registered, exposed))
    _write_text(folder / "register.jsonl", "".join(f"{json.dumps(line)}\n" for line in registered.lines))
    _write_text(folder / "requirements.txt", requirements())
    _write_text(folder / "CITATION.cff", _citation(result, registered))
    _write_text(folder / _PROVENANCE, json.dumps(_provenance(folder, result, registered), indent=1))
    return exposed


def _write_text(file: Path, text: str) -> None:
    file.write_text(text, encoding="utf-8")


def flow_steps(result: StudyResult) -> pl.DataFrame:
    """Rows of `FlowSteps`: the cohort's flow, then that of each analysis and metric."""
    rows: list[tuple[str, str, int, str, int | None, int | None]] = []
    for (analysis, metric), flow in {("", ""): result.flow, **result.flows}.items():
        rows.append((analysis, metric, 0, "", flow.n_runs, flow.n_athletes))
        rows += [
            (analysis, metric, place, step.reason, step.n_runs, step.n_athletes)
            for place, step in enumerate(flow.steps, start=1)
        ]
    return pl.DataFrame(rows, schema=FlowSteps.create_empty().schema, orient="row")


def _provenance(folder: Path, result: StudyResult, registered: Registered) -> dict[str, Any]:
    rests_on = result.parts
    files = {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in files_below(folder)
    }
    return {
        "digest": hashlib.sha256("\0".join(rests_on.values()).encode()).hexdigest(),
        "rests_on": rests_on,
        "seed": result.study.seed,
        "stated_at_utc": registered.stated_at_utc,
        "versions_before": registered.n_versions_before,
        **software(),
        "settings": {name: json.loads(value) for name, value, _, _ in result.settings.describe()},
        "files": files,
    }


def _citation(result: StudyResult, registered: Registered) -> str:
    authors = [f"  - name: {_quoted(name)}" for name in result.study.authors]
    lines = [
        "cff-version: 1.2.0",
        'message: "Results of a study defined in study.toml; provenance.json lists what they depend on."',
        "type: dataset",
        f"title: {_quoted(result.study.title)}",
        f"abstract: {_quoted(result.study.question)}",
        "authors:",
        *(authors or ['  - name: "not named"']),
        *([f"license: {_quoted(result.study.licence)}"] if result.study.licence else []),
        f"date-released: {registered.stated_at_utc[:10]}",
        # Quoted: digits alone, or with one e among them, would be read as a number.
        f'version: "{result.study.digest()[:12]}"',
        "",
    ]
    return "\n".join(lines)


def _quoted(text: str) -> str:
    """A YAML string in double quotes: a JSON string, with characters escaped that YAML rejects or reads as breaks."""
    escaped = (
        character if character.isprintable() else f"\\U{ord(character):08x}"
        for character in json.dumps(text, ensure_ascii=False)
    )
    return "".join(escaped)
