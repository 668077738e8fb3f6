"""The pages of the club: the index, the files, the methods."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from pipeline.core.metrics import LABELS, METRICS
from pipeline.pages.club_rows import ClubRows, Pages
from pipeline.pages.run_page import EXCLUDED
from pipeline.pages.season_words import open_complaints
from pipeline.pages.units import between, signed
from pipeline.pages.words import (
    count_of,
    effort_words,
    finding_words,
    form_of,
    form_state,
    in_order,
    in_short,
    is_change,
    verdict,
)
from pipeline.tables.recorded import STATUSES

Row = Mapping[str, Any]
Context = dict[str, Any]

#: Refused files and changed findings listed on the index; the page of the files has the rest.
MOST_LISTED = 15
#: Files per page of files.
FILES_PER_PAGE = 2000

_STATUS_WORDS = {"not_running": "no run", "left_out": "left out", "rejected": "refused"}


def index_page(pages: Pages, club: ClubRows, record: Mapping[str, Any]) -> Context:
    """What the index shows.

    Args:
        record: of the refresh that made the state (`pipeline.store.history.record`).
    """
    units, ledger, runs = pages.units, club.table("recordings"), club.table("runs")
    of_runs = runs.group_by("athlete_id").agg(pl.len(), pl.col("started_at_utc").max(), pl.col("distance_km").sum())
    totals = {row["athlete_id"]: row for row in of_runs.iter_rows(named=True)}
    known = sorted((name for name in club.athletes if name in totals), key=club.sort_key)
    drifts = {name: in_order(club.own("athlete_drift", name).iter_rows(named=True)) for name in known}
    changed = _changed(club, record["findings"], drifts)
    new = {one["athlete_id"] for one in record["findings"]} - {
        one["athlete_id"] for one in record["findings"] if one["before"] is not None
    }
    newcomers = new if len(new) < len(known) / 2 else set()  # where most are new, marking them says nothing
    refused = ledger.filter(pl.col("status") == "rejected")
    is_first = _is_first(record, drifts)
    lines = [
        _athlete(name, club, totals[name], drifts[name], is_new=name in newcomers, is_first=is_first, pages=pages)
        for name in known
    ]
    return {
        "units": units,
        "is_first": is_first,
        "n_recordings": count_of(ledger.height, "recording", "recordings"),
        "n_files": count_of(ledger["file"].n_unique(), "file", "files"),
        "refreshed_on": record["began_at_utc"][:10],
        "n_runs": count_of(runs.height, "run", "runs"),
        "n_athletes": count_of(len(known), "athlete", "athletes"),
        "came_in": [
            count_of(record[f"n_{word}"], singular, plural)
            for word, singular, plural in (
                ("new", "new file", "new files"),
                ("changed", "file read anew", "files read anew"),
                ("gone", "file gone", "files gone"),
                ("refused", "file refused", "files refused"),
            )
            if record[f"n_{word}"]
        ],
        "changed": changed[:MOST_LISTED],
        "n_more_changed": len(changed[MOST_LISTED:]),
        "n_first_seen": len(new),
        "without": _without_finding(club, lines),
        "refused": _files(refused, club)[:MOST_LISTED],
        "n_refused": refused.height,
        "athletes": lines,
        "metrics": [metric for metric in METRICS if any(_of(rows, metric.column) for rows in drifts.values())],
        "data": {"metrics": {metric.column: _club_drawn(metric.column, club, drifts) for metric in METRICS}},
    }


def _is_first(record: Mapping[str, Any], drifts: Mapping[str, list[Row]]) -> bool:
    """Whether there was no state before: every finding is new, and no file was known."""
    first = {(one["athlete_id"], one["metric"]) for one in record["findings"] if one["before"] is None}
    now = {(name, row["metric"]) for name, rows in drifts.items() for row in rows}
    return bool(now) and now == first and not record["n_changed"] and not record["n_gone"]


def _without_finding(club: ClubRows, lines: Sequence[Context]) -> list[Context]:
    """Athletes without a finding about form, with the reason; some have no run at all."""
    runless = set(club.table("recordings")["athlete_id"].drop_nulls()) - set(club.athletes)
    return [{"name": one["name"], "reason": one["verdict"]} for one in lines if not one["is_found"]] + [
        {"name": club.shown(name), "reason": "No run was read"} for name in sorted(runless, key=club.sort_key)
    ]


def _of(rows: Sequence[Row], metric: str) -> Row | None:
    return next((row for row in rows if row["metric"] == metric and row["drift_pct_per_10km"] is not None), None)


def _changed(club: ClubRows, findings: Sequence[Mapping[str, Any]], drifts: Mapping[str, list[Row]]) -> list[Context]:
    """Findings that changed; athletes who had none before are counted, not listed."""
    known = {one["athlete_id"] for one in findings if one["before"] is not None}
    changes = []
    for one in sorted(findings, key=lambda one: (club.sort_key(one["athlete_id"]), one["metric"])):
        if one["athlete_id"] not in known:
            continue
        row = next((row for row in drifts.get(one["athlete_id"], []) if row["metric"] == one["metric"]), None)
        changes.append(
            {
                "name": club.shown(one["athlete_id"]),
                "address": club.address(one["athlete_id"]) if row is not None else None,
                "metric": LABELS[one["metric"]],
                "before": finding_words({"finding": one["before"]}) if one["before"] else "not looked at",
                "after": finding_words(row) if row is not None else "no run is left",
                "size": f"{signed(row['drift_pct_per_10km'])} % ({between(row['drift_low'], row['drift_high'])})"
                if row is not None and row["drift_pct_per_10km"] is not None
                else "",
            }
        )
    return changes


def _athlete(
    name: str, club: ClubRows, totals: Row, drifts: Sequence[Row], *, is_new: bool, is_first: bool, pages: Pages
) -> Context:
    units, form = pages.units, form_of(drifts)
    changes = [row for row in form if is_change(row)]
    largest = max((abs(row["drift_pct_per_10km"]) / row["smallest_change_pct"] for row in changes), default=0.0)
    since = [] if is_first else [club.since[name, row["metric"]] for row in changes]
    days = set(since)
    by_finding: dict[str, list[str]] = {"holds": [], "unclear": [], "too_little_data": []}
    for row in form:
        if row["finding"] in by_finding:
            by_finding[row["finding"]].append(LABELS[row["metric"]])
    return {
        "name": club.shown(name),
        "address": club.address(name),
        "n_runs": totals["len"],
        "n_km": units.distance_text(totals["distance_km"], 0),
        "last_run": totals["started_at_utc"],
        "verdict": verdict(drifts, units, pages.settings.min_runs),
        "effort": effort_words(drifts, units),
        "complaint": next(iter(open_complaints(club.own("complaints", name), club)), None),
        "changes": [
            {"words": in_short(row, units), "since": since[place] if len(days) > 1 else None}
            for place, row in enumerate(changes)
        ],
        "since": since[0] if len(days) == 1 else None,
        "holds": by_finding["holds"],
        "unclear": by_finding["unclear"],
        "few": by_finding["too_little_data"],
        "largest": f"{largest:.2f}",
        "form": form_state(drifts),
        "is_found": any(row["finding"] != "too_little_data" for row in form),
        "findings": " ".join(f"{row['metric']}:{row['finding']}" for row in drifts),
        "is_new": is_new,
    }


def _club_drawn(metric: str, club: ClubRows, drifts: Mapping[str, list[Row]]) -> Context:
    rows = [(name, row) for name, own in drifts.items() if (row := _of(own, metric)) is not None]
    return {
        "matters": rows[0][1]["smallest_change_pct"] if rows else None,
        "rows": [
            [
                club.shown(name),
                round(row["drift_pct_per_10km"], 1),
                round(row["drift_low"], 1),
                round(row["drift_high"], 1),
                finding_words(row),
            ]
            for name, row in rows
        ],
    }


# --- The files -------------------------------------------------------------------------------------------------------


def file_pages(club: ClubRows) -> list[Context]:
    """What the pages of files show: counts, devices, missing readings, then every file, on several pages if needed."""
    ledger, runs = club.table("recordings"), club.table("runs")
    files = _files(ledger, club)
    parts = [files[start : start + FILES_PER_PAGE] for start in range(0, len(files), FILES_PER_PAGE)]
    about = {
        "counts": _counted(ledger["status"].map_elements(_status, return_dtype=pl.String)),
        "devices": _counted(runs["device"].fill_null("not named in the file")),
        "sensors": _counted(runs["sensors"].fill_null("one sensor a quantity, in native fields")),
        "altitudes": _counted(runs["altitude"]),
        "missing": _missing(club),
        "exclusions": _exclusions(club),
        "n_recordings": count_of(ledger.height, "recording", "recordings"),
        "n_files": count_of(ledger["file"].n_unique(), "file", "files"),
    }
    names = ["files.html", *(f"files-{number}.html" for number in range(2, len(parts) + 1))]
    return [
        {**about, "files": part, "page": name, "pages": names, "is_first": number == 0, "is_coded": club.is_coded}
        for number, (name, part) in enumerate(zip(names, parts, strict=True))
    ]


def _status(status: str) -> str:
    return _STATUS_WORDS.get(status, status)


def _files(ledger: pl.DataFrame, club: ClubRows) -> list[Context]:
    """Files as they are shown, refused ones first."""
    worst = {_status(status): place for place, status in enumerate(reversed(STATUSES))}
    shown = [_file(row, club) for row in ledger.sort("path", "session").iter_rows(named=True)]
    # Sorted by what is shown: where athletes are codes, the order of the names would reveal them.
    return sorted(shown, key=lambda one: (worst[one["status"]], *((one["path"],) if club.is_coded else ())))


def _file(row: Row, club: ClubRows) -> Context:
    """A file of the ledger. Its name and the reason may identify the athlete, and are left out with codes."""
    if club.is_coded:
        owner = club.shown(row["athlete_id"]) if row["athlete_id"] is not None else "nobody's"
        return {"path": f"{owner}, {row['sha256'][:8]}", "status": _status(row["status"]), "reason": "", "fix": None}
    place = f" (session {row['session']})" if row["session"] > 1 else ""
    return {
        "path": row["path"] + place,
        "status": _status(row["status"]),
        "reason": row["reason"],
        "fix": row["fix"],
        "format": row["format"],
    }


def _counted(values: pl.Series) -> list[tuple[str, int]]:
    return sorted(Counter(values.to_list()).items(), key=lambda one: (-one[1], one[0]))


def _missing(club: ClubRows) -> list[Context]:
    """For each metric, in how many runs of the club it is missing."""
    splits = club.table("splits")
    has = splits.group_by("run_id").agg(pl.col(metric.column).is_not_null().any() for metric in METRICS)
    return [{"metric": metric.label, "n": n} for metric in METRICS if (n := has.height - int(has[metric.column].sum()))]


def _exclusions(club: ClubRows) -> list[Context]:
    rows = club.table("exclusions").group_by("quantity", "reason").agg(pl.col("n_samples").sum(), n_runs=pl.len())
    ordered = rows.sort("n_samples", "quantity", "reason", descending=[True, False, False])
    return [row | {"quantity": EXCLUDED.get(row["quantity"], row["quantity"])} for row in ordered.to_dicts()]
