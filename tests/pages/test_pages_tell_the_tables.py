"""What a browser shows of the demo club is what the tables say, rounded: numbers, findings, order, charts, units."""

from __future__ import annotations

import json
import math
import re
import shutil
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from playwright.sync_api import Browser, Page

from pipeline.core.metrics import METRICS
from pipeline.refresh.redraw import rebuild_pages
from tests.support.browser import Watched
from tests.support.demo_store import Refreshed

pytestmark = pytest.mark.slow

METRIC = {metric.column: metric for metric in METRICS}
WORDS = {"unclear": "not clear", "too_little_data": "too few runs"}
#: Headings of the table of splits, by their column.
SPLIT_COLUMNS = {
    "cadence": ("cadence_spm", 1), "contact time": ("contact_time_ms", 1), "flight time": ("flight_time_ms", 1),
    "duty factor": ("duty_factor", 3), "step length": ("step_length_m", 3), "leg stiffness": ("leg_stiffness_kn_m", 2),
    "vertical stiffness": ("vertical_stiffness_kn_m", 2), "vertical oscillation": ("vertical_oscillation_mm", 1),
    "left share of contact": ("contact_balance_pct", 1), "heart rate": ("heart_rate_bpm", 0),
}  # fmt: skip
MILE_KM = 1.609344


@pytest.fixture(scope="module")
def pages(demo: Refreshed) -> Path:
    return (demo.store / "pages").resolve()


def shown(value: float | None, decimals: int = 1, *, signed: bool = True) -> str:
    if value is None:
        return ""
    text = f"{value:{'+' if signed else ''}.{decimals}f}"
    return (text if float(text) else f"{0:.{decimals}f}").replace("-", "−")


def interval(low: float | None, high: float | None) -> str:
    return "" if low is None or high is None else f"{shown(low)} to {shown(high)}"


def clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes // 60}:{minutes % 60:02}:{rest:02}" if minutes >= 60 else f"{minutes}:{rest:02}"


def cells(page: Page, table: str) -> list[list[str]]:
    """The texts of a table's rows, blanks within made one."""
    texts = page.locator(f"{table} tbody tr").evaluate_all(
        "(rows) => rows.map((r) => [...r.cells].map((c) => c.innerText))"
    )
    return [[re.sub(r"\s+", " ", text).strip() for text in row] for row in texts]


def headings(page: Page, table: str) -> list[str]:
    texts = page.locator(f"{table} thead th").all_inner_texts()
    return [re.sub(r"\s+", " ", text).strip() for text in texts]


def data_of(page: Page) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(page.locator("#data").text_content() or "")
    return found


# --- Numbers ---------------------------------------------------------------------------------------------------------


def test_the_numbers_of_every_athlete_are_those_of_athlete_drift(browser: Browser, demo: Refreshed, pages: Path):
    drifts = demo.table("athlete_drift")
    watched = Watched(browser, java_script_enabled=False)
    for (athlete_id,), rows in drifts.partition_by("athlete_id", as_dict=True).items():
        watched.page.goto((pages / "athletes" / athlete_id / "index.html").as_uri())
        table = cells(watched.page, "section[aria-labelledby=numbers] table")
        found = {row[0].removesuffix(" level splits only"): row[1:] for row in table}
        assert len(found) == rows.height
        for row in rows.iter_rows(named=True):
            metric = METRIC[row["metric"]]
            fresh, p = shown(row["fresh_level"], metric.decimals, signed=False), row["q_value"]
            onset = [shown(row[name], signed=False) for name in ("onset_km", "onset_low", "onset_high")]
            assert found[metric.label] == [
                WORDS.get(row["finding"], row["finding"]),
                shown(row["drift_pct_per_10km"]),
                interval(row["drift_low"], row["drift_high"]),
                "from km {} ({} to {})".format(*onset) if onset[0] else "",
                shown(row["raw_pct_per_10km"]),
                shown(row["speed_part_pct"]),
                shown(row["slope_part_pct"]),
                f"{fresh} {metric.unit}" if fresh else "",
                shown(row["smallest_change_pct"], signed=False),
                "< 0.001" if p is not None and p < 0.0005 else shown(p, 3, signed=False),
                shown(row["detectable_pct"], signed=False),
                shown(row["repeatability"], signed=False),
                str(row["n_runs"]),
            ], (athlete_id, metric.label)
    watched.close()


@pytest.mark.parametrize("athlete_id", ["brine", "tarn", "quill", "moss"])
def test_the_splits_of_a_run_are_those_of_the_table(browser: Browser, demo: Refreshed, pages: Path, athlete_id: str):
    run = demo.table("runs").filter(pl.col("athlete_id") == athlete_id).sort("started_at_utc").row(2, named=True)
    splits = demo.table("splits").filter(pl.col("run_id") == run["run_id"]).sort("km")
    watched = Watched(browser)
    page = watched.open(pages / "athletes" / athlete_id / f"{run['started_at_utc']:%Y%m%dT%H%M%SZ}.html")
    named = [next(label for label in SPLIT_COLUMNS if text.startswith(label)) for text in headings(page, ".splits")[6:]]
    assert named == [
        label for label, (column, _) in SPLIT_COLUMNS.items() if splits[column].null_count() < splits.height
    ]
    found = cells(page, ".splits")
    assert len(found) == splits.height > 4
    for row, texts in zip(splits.iter_rows(named=True), found, strict=True):
        assert texts == [
            str(row["km"]),
            f"{row['km'] - 1 + row['length_m'] / 1000:.2f}",
            clock(row["moving_s"]),
            clock(1000 / row["speed_m_s"]) if row["speed_m_s"] else "",
            shown(row["slope_pct"]),
            f"{100 * row['run_share']:.0f}",
            *(shown(row[column], decimals, signed=False) for column, decimals in map(SPLIT_COLUMNS.__getitem__, named)),
        ]
    watched.close()


def test_the_list_of_runs_is_the_table_latest_first_and_each_line_leads_to_its_run(
    browser: Browser, demo: Refreshed, pages: Path
):
    runs = demo.table("runs").filter(pl.col("athlete_id") == "brine").sort("started_at_utc", descending=True)
    watched = Watched(browser, java_script_enabled=False)
    watched.page.goto((pages / "athletes/brine/index.html").as_uri())
    expected = [
        [
            f"{row['started_at_utc']:%Y-%m-%d}",
            f"{row['distance_km']:.1f}",
            clock(row["moving_s"]),
            clock(row["moving_s"] / row["distance_km"]),
            *(row[name] or "" for name in ("kind", "surface", "shoe_id")),
        ]
        for row in runs.iter_rows(named=True)
    ]
    assert cells(watched.page, "section[aria-labelledby=all-runs] table") == expected
    for place, row in list(enumerate(runs.iter_rows(named=True)))[::4]:
        watched.page.goto((pages / "athletes/brine/index.html").as_uri())
        watched.page.locator("section[aria-labelledby=all-runs] a").nth(place).click()
        assert f"{row['distance_km']:.2f} km in {clock(row['moving_s'])}" in watched.page.locator(".lead").inner_text()
    watched.close()


def test_the_index_tells_the_findings_of_everybody(browser: Browser, demo: Refreshed, pages: Path):
    drifts, runs = demo.table("athlete_drift"), demo.table("runs")
    watched = Watched(browser)
    found = {row[0].removesuffix(" new"): row[1:] for row in cells(watched.open(pages / "index.html"), ".people")}
    assert set(found) == {name.capitalize() for name in runs["athlete_id"]}
    for athlete_id in runs["athlete_id"].unique():
        own = runs.filter(pl.col("athlete_id") == athlete_id)
        n_runs, _, told, holds, unclear = found[athlete_id.capitalize()]
        told, _, heart = told.partition(" Beside form: ")
        assert n_runs == f"{own.height} {own['distance_km'].sum():.0f} km"
        rows = drifts.filter(pl.col("athlete_id") == athlete_id)
        by = {finding: set() for finding in ("rises", "falls", "holds", "unclear", "too_little_data")}
        for row in rows.iter_rows(named=True):
            is_form = row["metric"] != "heart_rate_bpm"
            if is_form:
                by[row["finding"]].add(METRIC[row["metric"]].label)
            if row["finding"] in ("rises", "falls"):
                size = f"{shown(row['drift_pct_per_10km'])} % ({interval(row['drift_low'], row['drift_high'])})"
                onset, begins = row["onset_km"], [shown(row[f"onset_{end}"], signed=False) for end in ("low", "high")]
                where = (
                    f"from km {shown(onset, signed=False)} ({begins[0]} to {begins[1]}), "
                    f"{shown(row['drift_after_onset_pct'])} % beyond; over whole runs "
                    if onset
                    else ""
                )
                change = f"{METRIC[row['metric']].label} {row['finding']} {where}{size}"
                assert change in (told if is_form else heart)
        n_changes = len(by["rises"] | by["falls"])
        assert len(re.findall(r" (?:rises|falls) (?:[+−]|from km)", told)) == n_changes
        assert told.startswith("Form changes") == bool(n_changes)
        assert told.startswith("Form holds") == (bool(by["holds"]) and not n_changes and not by["unclear"])
        assert set(holds.split(", ")) - {""} == by["holds"]
        assert set(unclear.partition("too few runs")[0].strip("; ").split(", ")) - {""} == by["unclear"]
        assert ("too few runs" in unclear) == bool(by["too_little_data"])
    watched.close()


# --- Charts ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("athlete_id", ["brine", "tallow"])
def test_charts_are_drawn_from_the_numbers_of_the_tables(
    browser: Browser, demo: Refreshed, pages: Path, athlete_id: str
):
    rows = demo.table("athlete_drift").filter(
        pl.col("athlete_id") == athlete_id, pl.col("drift_pct_per_10km").is_not_null()
    )
    runs = demo.table("runs").filter(pl.col("athlete_id") == athlete_id).sort("started_at_utc")["run_id"].to_list()
    of_runs = demo.table("run_drift").filter(pl.col("run_id").is_in(runs))
    watched = Watched(browser)
    page = watched.open(pages / "athletes" / athlete_id / "index.html")
    data = data_of(page)["metrics"]
    assert set(data) == set(rows["metric"])
    for row in rows.iter_rows(named=True):
        drawn = data[row["metric"]]
        names = ("speed_part_pct", "slope_part_pct", "drift_pct_per_10km", "raw_pct_per_10km")
        assert drawn["parts"] == [row[name] for name in names]
        own = {one["run_id"]: one for one in of_runs.filter(pl.col("metric") == row["metric"]).iter_rows(named=True)}
        assert {runs[line[0]] for line in drawn["lines"]} == {
            key for key, one in own.items() if one["drift_pct_per_10km"] is not None
        }
        for run, onset_km, _, _, from_km, to_km, from_pct, to_pct, *_ in drawn["lines"]:
            turned = math.log1p(to_pct / 100) - math.log1p(from_pct / 100)
            expected = math.log1p(own[runs[run]]["drift_pct_per_10km"] / 100) * (to_km - from_km) / 10
            assert turned == pytest.approx(expected, abs=2e-4)  # two ends, each to a hundredth of a percent
            assert onset_km == own[runs[run]]["onset_km"]
    # What is drawn stands where its number is: along the axis equal steps are equal percentages.
    bars = page.locator("figure[data-chart=parts] .mark-rect.role-mark path").evaluate_all(
        "(all) => all.filter((one) => one.__data__.datum.part)"
        ".map((one) => [one.__data__.datum.percent, one.getBoundingClientRect().width])"
    )
    assert len(bars) == 3 * rows.height
    per_percent = max(
        width / abs(percent) for percent, width in bars if abs(percent) == max(abs(bar[0]) for bar in bars)
    )
    for percent, width in bars:
        assert width == pytest.approx(abs(percent) * per_percent, abs=0.6)
    watched.close()


# --- Order and choice ------------------------------------------------------------------------------------------------


def test_headings_sort_up_and_down_by_click_and_by_key(browser: Browser, demo: Refreshed, pages: Path):
    is_change = pl.col("finding").is_in(["rises", "falls"]) & (pl.col("metric") != "heart_rate_bpm")
    runs, drifts = demo.table("runs"), demo.table("athlete_drift").filter(is_change)
    largest = drifts.group_by("athlete_id").agg(
        (pl.col("drift_pct_per_10km").abs() / pl.col("smallest_change_pct")).max()
    )
    changes = dict(largest.iter_rows())
    keys: dict[str, dict[str, Any]] = {
        "athlete": {name: name for name in runs["athlete_id"].unique()},
        "runs": dict(runs.group_by("athlete_id").len().iter_rows()),
        "last run": dict(runs.group_by("athlete_id").agg(pl.col("started_at_utc").max()).iter_rows()),
        "form": {name: round(changes.get(name, 0.0), 2) for name in runs["athlete_id"].unique()},
    }
    watched = Watched(browser)
    page = watched.open(pages / "index.html")
    assert page.locator(".people th button").all_inner_texts() == list(keys)
    for heading, key in keys.items():
        button = page.locator(".people th button", has_text=re.compile(f"^{heading}$"))
        button.focus()
        first, second = ("descending", "ascending") if heading == "form" else ("ascending", "descending")
        for way, press in ((first, button.click), (second, button.click), (first, None), (second, None)):
            press() if press else page.keyboard.press("Enter")
            names = [name.lower() for name in page.locator(".people tbody th a").all_inner_texts()]
            values = [key[name] for name in names]
            assert sorted(names) == sorted(key)
            assert values == sorted(values, reverse=way == "descending"), (heading, way)
            marked = page.locator(".people th[aria-sort]")
            assert (marked.count(), marked.get_attribute("aria-sort")) == (1, way)
            assert marked.inner_text().startswith(heading)
    watched.close()


def test_filters_show_whom_the_table_names_and_say_how_many(browser: Browser, demo: Refreshed, pages: Path):
    everybody = sorted(demo.table("runs")["athlete_id"].unique())
    findings: dict[str, dict[str, str]] = {name: {} for name in everybody}
    for row in demo.table("athlete_drift").iter_rows(named=True):
        findings[row["athlete_id"]][row["metric"]] = row["finding"]
    watched = Watched(browser)
    page = watched.open(pages / "index.html")
    n_seen = set()
    for name, finding, metric in [
        ("", "", ""), ("AR", "", ""), ("nobody of this name", "", ""),
        *(("", finding, metric) for finding in ("", *_ASKED) for metric in ("", *SOME)),
        ("r", "changes", "cadence_spm"),
    ]:  # fmt: skip
        page.locator("[data-filter=name]").fill(name)
        page.locator("[data-filter=finding]").select_option(finding)
        page.locator("[data-filter=metric]").select_option(metric)
        expected = []
        for one, own in findings.items():
            form = [what for of, what in own.items() if of != "heart_rate_bpm"]
            asked = [own[metric]] if metric in own else [] if metric else form
            fits = _ASKED[finding](set(asked)) if finding else True
            if name.lower() in one and fits and (asked or not metric):
                expected.append(one.capitalize())
        assert page.locator(".people tbody th a").filter(visible=True).all_inner_texts() == expected, (finding, metric)
        told = f"{len(expected)} of {len(everybody)} shown" if len(expected) < len(everybody) else ""
        assert page.get_by_role("status").inner_text() == told
        n_seen.add(len(expected))
    assert len(n_seen) > 5
    assert watched.heard == []
    watched.close()


#: Brine's cadence falls and contact time rises, ember's the other way round.
SOME = ("cadence_spm", "contact_time_ms", "heart_rate_bpm")
_ASKED = {
    "changes": lambda found: bool({"rises", "falls"} & found),
    "holds": lambda found: "holds" in found and not {"rises", "falls", "unclear"} & found,
    "open": lambda found: not {"rises", "falls"} & found and ("unclear" in found or "holds" not in found),
}


# --- Units -----------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def own_copy(demo: Refreshed, tmp_path_factory: pytest.TempPathFactory) -> Path:
    store = tmp_path_factory.mktemp("units") / "store"
    shutil.copytree(demo.store, store, symlinks=True)
    return store


@pytest.mark.parametrize(("distance", "speed"), [("mile", "min/mile"), ("km", "m/s")])
def test_distance_and_speed_are_in_the_units_of_the_settings_by_the_exact_factor(
    browser: Browser, demo: Refreshed, own_copy: Path, distance: str, speed: str
):
    settings = own_copy / "current" / "settings.toml"
    words = re.sub(r'page_(distance|speed) = ".*"', "", settings.read_text(encoding="utf-8"))
    settings.write_text(f'page_distance = "{distance}"\npage_speed = "{speed}"\n{words}', encoding="utf-8")
    assert rebuild_pages(own_copy, jobs=1) == 10
    per_km = 1 / MILE_KM if distance == "mile" else 1.0
    runs = demo.table("runs").filter(pl.col("athlete_id") == "brine").sort("started_at_utc", descending=True)
    watched = Watched(browser)
    page = watched.open((own_copy / "pages").resolve() / "athletes/brine/index.html")
    table = "section[aria-labelledby=all-runs] table"
    assert {f"distance {distance}", f"speed {speed}"} <= set(headings(page, table))
    pace_of = {"m/s": lambda m_s: f"{m_s:.2f}", "min/mile": lambda m_s: clock(1000 * MILE_KM / m_s)}[speed]
    for row, texts in zip(runs.iter_rows(named=True), cells(page, table), strict=True):
        assert texts[1] == f"{row['distance_km'] * per_km:.1f}"
        assert texts[3] == pace_of(1000 * row["distance_km"] / row["moving_s"])
    assert f"speed, {speed}" in page.locator("figure[data-chart=curve] svg text").all_text_contents()
    [onset] = demo.table("athlete_drift").filter(athlete_id="brine", metric="contact_time_ms")["onset_km"]
    assert f"from {distance} {onset * per_km:.1f} (" in page.locator(".findings").inner_text()
    page.locator(f"{table} a").last.click()
    watched.drawn()
    splits = demo.table("splits").filter(pl.col("run_id") == runs["run_id"][-1]).sort("km")
    assert f"to {distance}" in headings(page, ".splits")
    for row, texts in zip(splits.iter_rows(named=True), cells(page, ".splits"), strict=True):
        assert texts[1] == f"{(row['km'] - 1 + row['length_m'] / 1000) * per_km:.2f}"
        assert texts[3] == pace_of(row["speed_m_s"])
    titles = page.locator("figure svg text").all_text_contents()
    assert {f"distance, {distance}", f"speed, {speed}"} <= set(titles)
    assert watched.heard == []
    watched.close()
