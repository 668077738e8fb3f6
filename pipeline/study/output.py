"""The output of a study: a folder that can be passed on.

    report.html             to be read and printed
    study.toml              the study as it was stated
    results.csv, .parquet   one row per statistic
    published.csv           published results and the study's own, with the difference
    power.csv               how many athletes would be needed, with --power
    data/splits.csv, .parquet, DICTIONARY.md    the cohort's splits under pseudonyms
    provenance.json         digests of everything that the results depend on
    CITATION.cff            how to cite it

The same study on the same store gives the same bytes.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import shutil
from collections.abc import Mapping
from importlib.metadata import version
from pathlib import Path
from typing import Any

from pipeline.core.errors import UsageError
from pipeline.core.places import files_below, is_remote
from pipeline.store.exports import disarmed
from pipeline.store.layout import read_table
from pipeline.study.conduct import StudyResult
from pipeline.study.filmed import is_of_landings
from pipeline.study.landings import cross_table, released_table
from pipeline.study.pseudonyms import COLUMNS, pseudonymised
from pipeline.study.register import Registered
from pipeline.study.report import report
from pipeline.study.results import Results
from pipeline.study.small_cells import suppress_small_cells

_PROVENANCE = "provenance.json"
#: Libraries that the numbers come out of.
_LIBRARIES = ("numpy", "scipy", "statsmodels", "polars", "duckdb")


def write_output(out: Path, result: StudyResult, registered: Registered, key: bytes) -> list[str]:
    """Write the folder, whole or not at all.

    Args:
        out: a new or empty folder, or one with an earlier output, which is replaced.
        result: the study with its result.
        registered: when it was stated.

    Returns:
        What the result depends on that has changed since the output that was replaced; empty if there was none.

    Raises:
        UsageError: the folder holds something else.
    """
    before = earlier_output(out)
    temporary = out.with_name(f".{out.name}-{secrets.token_hex(4)}")
    temporary.mkdir(parents=True)
    try:
        _write(temporary, suppress_small_cells(result), registered, key)
        _replace(out, temporary)
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
    return [name for name, digest in result.parts.items() if before and before.get(name) != digest]


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
        parts, ours = dict(result["rests_on"]), {_PROVENANCE, *result["files"]}
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


def _write(folder: Path, result: StudyResult, registered: Registered, key: bytes) -> None:
    (folder / "study.toml").write_text(result.study.shown or result.study.text, encoding="utf-8", newline="")
    disarmed(result.results).write_csv(folder / "results.csv")
    result.results.write_parquet(folder / "results.parquet")
    if result.comparison.height:
        disarmed(result.comparison).write_csv(folder / "published.csv")
    if result.power is not None:
        disarmed(result.power).write_csv(folder / "power.csv")
    _write_data(folder / "data", result, key)
    (folder / "report.html").write_text(report(result, registered), encoding="utf-8")
    (folder / "CITATION.cff").write_text(_citation(result, registered), encoding="utf-8")
    (folder / _PROVENANCE).write_text(json.dumps(_provenance(folder, result, registered), indent=1), encoding="utf-8")


def _write_data(folder: Path, result: StudyResult, key: bytes) -> None:
    folder.mkdir()
    for analysis in result.study.analyses:
        if analysis.design == "landing":
            rows = released_table(cross_table(result.material, analysis), result.study.least_cell)
            rows.write_csv(folder / f"landings-{result.study.analyses.index(analysis) + 1}.csv")
    is_of_runs = not is_of_landings(result.study)
    if is_of_runs and result.flow.runs["athlete_id"].n_unique() >= result.study.least_cell:
        rows = pseudonymised(result.material.splits, result.flow.runs, key, least_cell=result.study.least_cell)
        disarmed(rows).write_csv(folder / "splits.csv")
        rows.write_parquet(folder / "splits.parquet")
    (folder / "DICTIONARY.md").write_text(_dictionary(result.study.least_cell), encoding="utf-8")


def _dictionary(least_cell: int) -> str:
    lines = [
        "# Dictionary",
        "",
        "## data/splits",
        "",
        f"One row per split of a run of the cohort. Every combination of kind, surface and device, empty ones "
        f"included, is of at least {least_cell} athletes: elsewhere device, then surface, then kind are left out. With "
        "fewer athletes in all there is no such file.",
        "",
        "A run whose distance or pace is known from elsewhere can be recognised here: share this file as you would a "
        "list of results, not publicly.",
        "",
        *_meanings(COLUMNS),
        "",
        "## data/landings-1 and so on, by the number of the analysis",
        "",
        "Numbers of runners (`runners`) by how they landed early and late: as much of the cross-table as holds no "
        f"group of fewer than {least_cell}, else rearfoot against other, else the numbers at each distance, else "
        "those who changed, else nothing.",
        "",
        "## results",
        "",
        " ".join((Results.__doc__ or "").split())
        + f" Numbers of fewer than {least_cell} people, and numbers that would give such a number away, are left out; "
        "`note` says where.",
        "",
        *_meanings({name: column.description or "" for name, column in Results.columns().items()}),
        "",
    ]
    return "\n".join(lines)


def _meanings(columns: Mapping[str, str]) -> list[str]:
    return ["| column | meaning |", "| --- | --- |", *(f"| {name} | {meaning} |" for name, meaning in columns.items())]


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
        "splitdrift": version("splitdrift"),
        "libraries": {name: version(name) for name in _LIBRARIES},
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
