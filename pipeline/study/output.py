"""The output of a study: a folder that can be handed on.

    report.html             to be read and printed
    study.toml              the study as it was stated
    results.csv, .parquet   a row a statistic
    published.csv           published results with the study's own beside them
    power.csv               how many athletes would be needed, where that was asked
    data/splits.csv, .parquet, DICTIONARY.md    the cohort's splits under pseudonyms
    provenance.json         what all of it rests on
    CITATION.cff            how to cite it

The same study on the same store gives the same bytes.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import shutil
from importlib.metadata import version
from pathlib import Path
from typing import Any

from pipeline.core.errors import UsageError
from pipeline.core.places import files_below
from pipeline.study.conduct import Conducted
from pipeline.study.pseudonyms import COLUMNS, pseudonymised
from pipeline.study.register import Registered
from pipeline.study.report import report
from pipeline.study.results import Results
from pipeline.study.small_cells import guarded

_PROVENANCE = "provenance.json"
#: Libraries that the numbers come out of.
_LIBRARIES = ("numpy", "scipy", "statsmodels", "polars", "duckdb")


def write_output(out: Path, told: Conducted, registered: Registered, key: bytes) -> list[str]:
    """Write the folder, whole or not at all.

    Args:
        out: a new or empty folder, or one with an earlier output, which is replaced.
        told: the study with its result.
        registered: when it was stated.
        key: of the pseudonyms.

    Returns:
        What the result rests on that is another than in the output that was replaced; empty if there was none.

    Raises:
        UsageError: the folder holds something else.
    """
    before = earlier_output(out)
    beside = out.with_name(f".{out.name}-{secrets.token_hex(4)}")
    beside.mkdir(parents=True)
    try:
        _write(beside, guarded(told), registered, key)
        _replace(out, beside)
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    return [name for name, digest in told.parts.items() if before and before.get(name) != digest]


def earlier_output(out: Path) -> dict[str, str]:
    """What an earlier output in the folder rests on; empty if the folder is new or empty.

    One whose replacement was broken off, by a power cut or a kill, is put back first.

    Raises:
        UsageError: the folder holds something else, also beside an output, which would be lost.
    """
    if out.is_symlink() or (out.exists() and not out.is_dir()):
        raise UsageError(f"--out {out} is no folder; it takes one, which is made if it does not exist.")
    _put_back(out)
    if not out.exists():
        return {}
    try:
        told = json.loads((out / _PROVENANCE).read_text(encoding="utf-8"))
        parts, ours = dict(told["rests_on"]), {_PROVENANCE, *told["files"]}
    except (OSError, ValueError, KeyError, TypeError):
        parts, ours = {}, set()
    if others := sorted({path.relative_to(out).as_posix() for path in files_below(out)} - ours):
        raise UsageError(
            f"--out {out} holds other things than the output of a study, {others[0]} among {len(others)}; name an "
            "empty or new folder."
        )
    return parts


def _replace(out: Path, beside: Path) -> None:
    """Put a folder in another's place: it is aside under a known name until the new one stands, and so never lost."""
    aside = _aside(out)
    has_moved = out.exists() and any(out.iterdir())
    if has_moved:
        os.replace(out, aside)
    try:
        os.replace(beside, out)
    except BaseException:
        _put_back(out)
        raise
    if has_moved:
        shutil.rmtree(aside, ignore_errors=True)


def _put_back(out: Path) -> None:
    """Undo or finish a replacement that was broken off: the earlier output returns where none took its place."""
    aside = _aside(out)
    if not (aside / _PROVENANCE).is_file():
        return  # nothing of ours
    if out.exists():
        shutil.rmtree(aside)
    else:
        os.replace(aside, out)


def _aside(out: Path) -> Path:
    return out.with_name(f".{out.name}-before")


def _write(folder: Path, told: Conducted, registered: Registered, key: bytes) -> None:
    (folder / "study.toml").write_text(told.study.shown or told.study.text, encoding="utf-8", newline="")
    told.results.write_csv(folder / "results.csv")
    told.results.write_parquet(folder / "results.parquet")
    if told.beside.height:
        told.beside.write_csv(folder / "published.csv")
    if told.power is not None:
        told.power.write_csv(folder / "power.csv")
    _write_data(folder / "data", told, key)
    (folder / "report.html").write_text(report(told, registered), encoding="utf-8")
    (folder / "CITATION.cff").write_text(_citation(told, registered), encoding="utf-8")
    (folder / _PROVENANCE).write_text(json.dumps(_provenance(folder, told, registered), indent=1), encoding="utf-8")


def _write_data(folder: Path, told: Conducted, key: bytes) -> None:
    folder.mkdir()
    if told.flow.runs["athlete_id"].n_unique() >= told.study.least_cell:
        rows = pseudonymised(told.material.splits, told.flow.runs, key, least_cell=told.study.least_cell)
        rows.write_csv(folder / "splits.csv")
        rows.write_parquet(folder / "splits.parquet")
    (folder / "DICTIONARY.md").write_text(_dictionary(told.study.least_cell), encoding="utf-8")


def _dictionary(least_cell: int) -> str:
    lines = [
        "# Dictionary",
        "",
        "## data/splits",
        "",
        f"A split of a run of the cohort. Every combination of kind, surface and device that stands here, of nothing "
        f"too, is of at least {least_cell} athletes: elsewhere device, then surface, then kind are left out. With "
        "fewer athletes in all there is no such file.",
        "",
        "Whoever knows a run's distance or pace from elsewhere may find it here: hand this on as you would a list of "
        "results, not to everybody.",
        "",
        "| column | meaning |",
        "| --- | --- |",
        *(f"| {name} | {meaning} |" for name, meaning in COLUMNS.items()),
        "",
        "## results",
        "",
        " ".join((Results.__doc__ or "").split())
        + f" Numbers of fewer than {least_cell} people, or that such a number follows from, are left out; `note` says "
        "where.",
        "",
        "| column | meaning |",
        "| --- | --- |",
        *(f"| {name} | {column.description} |" for name, column in Results.columns().items()),
        "",
    ]
    return "\n".join(lines)


def _provenance(folder: Path, told: Conducted, registered: Registered) -> dict[str, Any]:
    rests_on = told.parts
    files = {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in files_below(folder)
    }
    return {
        "digest": hashlib.sha256("\0".join(rests_on.values()).encode()).hexdigest(),
        "rests_on": rests_on,
        "seed": told.study.seed,
        "stated_at_utc": registered.stated_at_utc,
        "versions_before": registered.n_versions_before,
        "splitdrift": version("splitdrift"),
        "libraries": {name: version(name) for name in _LIBRARIES},
        "settings": {name: json.loads(value) for name, value, _, _ in told.settings.describe()},
        "files": files,
    }


def _citation(told: Conducted, registered: Registered) -> str:
    authors = [f"  - name: {_quoted(name)}" for name in told.study.authors]
    lines = [
        "cff-version: 1.2.0",
        'message: "Results of a study defined in study.toml; provenance.json says what they rest on."',
        "type: dataset",
        f"title: {_quoted(told.study.title)}",
        f"abstract: {_quoted(told.study.question)}",
        "authors:",
        *(authors or ['  - name: "not named"']),
        f"date-released: {registered.stated_at_utc[:10]}",
        # In quotes: digits alone, or with one e among them, would be read as a number.
        f'version: "{told.study.digest()[:12]}"',
        "",
    ]
    return "\n".join(lines)


def _quoted(text: str) -> str:
    """A string of YAML in double quotes: one of JSON, with what YAML takes for no character or for a break escaped."""
    escaped = (one if one.isprintable() else f"\\U{ord(one):08x}" for one in json.dumps(text, ensure_ascii=False))
    return "".join(escaped)
