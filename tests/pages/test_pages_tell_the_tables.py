"""What a browser shows of the demo club is what the tables say, rounded: numbers, findings, order, charts, units."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import polars as pl
import pytest
from playwright.sync_api import Browser, Page

from pipeline.core.metrics import METRICS
from pipeline.refresh.redraw import rebuild_pages
from tests.support.browser import Watched
from tests.support.demo_store import Refreshed
from tests.support.nights import noted_anew

pytestmark = pytest.mark.slow

METRIC = {metric.column: metric for metric in METRICS}
VERBS = {"contact_time_ms": ("shortens", "lengthens"), "cadence_spm": ("falls", "rises")}
FACTS = ("contact_time_ms", "cadence_spm", "vertical_oscillation_mm", "contact_balance_pct", "heart_rate_bpm")
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


def compared(rows: pl.DataFrame) -> dict[tuple[str, str], str]:
    """The words of `run_against_usual`, by run and metric, of the two facts that lists of runs show."""
    words = {}
    for row in rows.filter(pl.col("metric").is_in(list(VERBS))).iter_rows(named=True):
        kind, change = row["comparison"], row["drift_pct_per_10km"]
        verb = VERBS[row["metric"]][change > 0]
        is_other_way = kind == "less" and (change > 0) != (row["usual_low"] + row["usual_high"] > 0)
        words[row["run_id"], row["metric"]] = (
            {"as_usual": "as usual", "cannot_tell": "cannot tell from one run"}.get(kind)
            or (f"{verb}, which is unusual" if is_other_way else f"{verb} {kind} than usual")
        )  # fmt: skip
    return words


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


# --- Numbers ----------------------------------------------------------------------------------------------------------


def deciding(value: float) -> int:
    """Decimals of an end of an interval: as many as keep it from reading as zero, at most three."""
    return next((n for n in (1, 2, 3) if round(abs(value), n)), 1)


def interval(low: float | None, high: float | None) -> str:
    return "" if low is None or high is None else f"{shown(low, deciding(low))} to {shown(high, deciding(high))}"


def test_the_numbers_of_every_athlete_are_those_of_athlete_drift(browser: Browser, demo: Refreshed, pages: Path):
    drifts = demo.table("athlete_drift")
    watched = Watched(browser, java_script_enabled=False)
    for (athlete_id,), rows in drifts.partition_by("athlete_id", as_dict=True).items():
        watched.page.goto((pages / "athletes" / athlete_id / "index.html").as_uri())
        watched.page.locator("#statistician > summary").click()
        table = cells(watched.page, "#statistician .wide >> nth=0 >> table")
        found = {row[0].removesuffix(" Level kilometres only."): row[1:] for row in table}
        assert len(found) == rows.height
        for row in rows.iter_rows(named=True):
            metric = METRIC[row["metric"]]
            unit = "of the stride" if metric.column == "duty_factor" else metric.unit
            fresh, p = shown(row["fresh_level"], metric.decimals, signed=False), row["q_value"]
            onset, low, high = (row[name] for name in ("onset_km", "onset_low", "onset_high"))
            assert found[metric.label] == [
                row["finding"],
                shown(row["drift_pct_per_10km"]),
                interval(row["drift_low"], row["drift_high"]),
                f"km {round(onset, 1):g} ({low:.1f} to {high:.1f})" if onset is not None else "",
                shown(row["raw_pct_per_10km"]),
                shown(row["speed_part_pct"]),
                shown(row["slope_part_pct"]),
                f"{fresh} {unit}" if fresh else "",
                shown(row["smallest_change_pct"], signed=False),
                "< 0.001" if p is not None and p < 0.0005 else shown(p, 3 if p is None or p < 0.1 else 2, signed=False),
                shown(row["detectable_pct"], signed=False),
                shown(row["repeatability"], signed=False),
                str(row["n_runs"]),
                shown(row["usual_distance_km"], 0, signed=False),
                shown(row["change_at_usual_distance_pct"]),
                interval(row["change_at_usual_distance_low"], row["change_at_usual_distance_high"]),
                re.sub(r"\s+", " ", row["reason"] or ""),
            ], (athlete_id, metric.label)
    watched.close()


@pytest.mark.parametrize("athlete_id", ["brine", "tarn", "quill", "moss"])
def test_the_splits_of_a_run_are_those_of_the_table(browser: Browser, demo: Refreshed, pages: Path, athlete_id: str):
    run = demo.table("runs").filter(pl.col("athlete_id") == athlete_id).sort("started_at_utc").row(2, named=True)
    splits = demo.table("splits").filter(pl.col("run_id") == run["run_id"]).sort("km")
    watched = Watched(browser)
    page = watched.open(pages / "athletes" / athlete_id / f"{run['started_at_utc']:%Y%m%dT%H%M%SZ}.html")
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
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
    words = compared(demo.table("run_against_usual"))
    assert {"falls more than usual", "as usual"} <= set(words.values())
    expected = [
        [
            f"{row['started_at_utc']:%-d %b %Y}",
            f"{row['distance_km']:.1f}",
            clock(row["moving_s"]),
            clock(row["moving_s"] / row["distance_km"]),
            *(words.get((row["run_id"], metric), "") for metric in ("cadence_spm", "contact_time_ms")),
            *(row[name] or "" for name in ("kind", "surface")),
            (row["shoe_id"] or "").capitalize(),  # as the list of shoes names it
        ]
        for row in runs.iter_rows(named=True)
    ]
    assert cells(watched.page, "section[aria-labelledby=all-runs] table") == expected
    for place, row in list(enumerate(runs.iter_rows(named=True)))[::4]:
        watched.page.goto((pages / "athletes/brine/index.html").as_uri())
        watched.page.locator("section[aria-labelledby=all-runs] a").nth(place).click()
        assert f"{row['distance_km']:.2f} km, {clock(row['moving_s'])}" in watched.page.locator(".lead").inner_text()
    watched.close()


def test_the_picture_of_the_club_is_the_table(browser: Browser, demo: Refreshed, pages: Path):
    drifts, runs = demo.table("athlete_drift"), demo.table("runs")
    squads = dict(demo.table("roster").select("athlete_id", "squad").iter_rows())
    last = runs["started_at_utc"].max()
    watched = Watched(browser)
    page = watched.open(pages / "index.html")
    found = {row[0].partition(" complaint since")[0].lower(): row[1:] for row in cells(page, ".people:not(.derived)")}
    assert set(found) == set(runs["athlete_id"])
    own = {(row["athlete_id"], row["metric"]): row for row in drifts.iter_rows(named=True)}
    for athlete_id, texts in found.items():
        started = runs.filter(pl.col("athlete_id") == athlete_id)["started_at_utc"].max()
        squad, days, *changes = texts
        assert squad == (squads[athlete_id] or "")
        assert days == str((last.date() - started.date()).days)  # type: ignore[union-attr]
        for metric, text in zip(FACTS, changes, strict=False):
            row = own.get((athlete_id, metric))
            few = row is not None and row["finding"] == "too_little_data"
            assert text == ("–" if row is None else "too few" if few else shown(row["drift_pct_per_10km"]))
    marks = page.locator(".people:not(.derived) td.m").evaluate_all(
        "(all) => all.map((one) => [one.parentElement.cells[0].dataset.value, one.cellIndex, one.classList[1] ?? '', "
        "one.querySelector('circle')?.getBoundingClientRect().x ?? null])"
    )
    at: dict[int, list[tuple[float, float]]] = {}
    for name, column, finding, x in marks:
        row = own.get((name.lower(), FACTS[column - 3]))
        assert finding == ("" if row is None else row["finding"])
        if x is not None and row is not None:
            at.setdefault(column, []).append((row["drift_pct_per_10km"], x))
    assert len(at) == len(FACTS)
    for places in at.values():  # one scale per column: equal steps are equal percentages
        (least, left), (most, right) = min(places), max(places)
        for value, x in places:
            assert x == pytest.approx(left + (value - least) / (most - least) * (right - left), abs=3)
    watched.close()


def test_the_latest_runs_are_those_of_the_last_seven_days_with_their_comparison(
    browser: Browser, demo: Refreshed, pages: Path
):
    runs = demo.table("runs")
    recent = runs.filter(pl.col("started_at_utc") > pl.col("started_at_utc").max() - pl.duration(days=7))
    words = compared(demo.table("run_against_usual"))
    watched = Watched(browser)
    page = watched.open(pages / "index.html")
    folded = page.locator("details.quiet")
    assert folded.locator("summary").inner_text().startswith("As usual: Brine, Crag, ")
    folded.locator("summary").click()
    found = sorted(tuple(row) for row in cells(page, ".latest"))
    assert sorted(tuple(row) for row in cells(page, "details.quiet .latest")) == [
        row for row in found if all("usual" not in word or word == "as usual" for word in row)
    ]
    expected = sorted(
        (
            row["athlete_id"].capitalize(),
            f"{row['started_at_utc']:%-d %b} {row['distance_km']:.1f} km" + (f", {row['kind']}" if row["kind"] else ""),
            *(words.get((row["run_id"], metric), "") for metric in ("cadence_spm", "contact_time_ms")),
        )
        for row in recent.iter_rows(named=True)
    )
    assert found == expected
    assert len(found) > 5
    watched.close()


# --- Order and choice ------------------------------------------------------------------------------------------------


def test_headings_sort_up_and_down_by_click_and_by_key_and_the_address_keeps_it(
    browser: Browser, demo: Refreshed, pages: Path
):
    drifts = demo.table("athlete_drift").drop_nulls("drift_pct_per_10km")
    watched = Watched(browser)
    page = watched.open(pages / "index.html")
    for metric in ("contact_time_ms", "heart_rate_bpm"):
        of_metric = drifts.filter(metric=metric).iter_rows(named=True)
        own = {row["athlete_id"]: round(row["drift_pct_per_10km"], 1) for row in of_metric}
        button = page.locator(f".people:not(.derived) th[data-key={metric}] button")
        button.focus()
        for way, press in (("descending", button.click), ("ascending", button.click), ("descending", None)):
            press() if press else page.keyboard.press("Enter")
            names = [name.lower() for name in page.locator(".people:not(.derived) tbody th a").all_inner_texts()]
            values = [own[name] for name in names if name in own]
            assert values == sorted(values, reverse=way == "descending"), (metric, way)
            assert set(names[len(values) :]).isdisjoint(own)  # who has no number comes last
            marked = page.locator(".people:not(.derived) th[aria-sort]")
            assert (marked.count(), marked.get_attribute("aria-sort")) == (1, way)
            assert page.url.endswith(f"sort={metric}-{way}")
    before = page.locator(".people:not(.derived) tbody th a").all_inner_texts()
    page.locator(".people tbody th a").first.click()
    page.wait_for_url("**/athletes/**")
    page.go_back()
    page.locator(".people:not(.derived) th[aria-sort]").wait_for()
    assert page.locator(".people:not(.derived) tbody th a").all_inner_texts() == before
    assert watched.heard == []
    watched.close()


def test_filters_show_whom_the_table_names_say_how_many_and_stay_in_the_address(
    browser: Browser, demo: Refreshed, pages: Path
):
    everybody = sorted(demo.table("runs")["athlete_id"].unique())
    findings: dict[str, dict[str, str]] = {name: {} for name in everybody}
    for row in demo.table("athlete_drift").iter_rows(named=True):
        findings[row["athlete_id"]][row["metric"]] = row["finding"]
    watched = Watched(browser)
    page = watched.open(pages / "index.html")
    n_seen = set()
    for name, state, metric in [
        ("", "", ""), ("AR", "", ""), ("nobody of this name", "", ""),
        *(("", state, metric) for state in ("", *_ASKED) for metric in ("", "cadence_spm", "heart_rate_bpm")),
        ("r", "changes", "cadence_spm"),
    ]:  # fmt: skip
        page.locator("[data-filter=name]").fill(name)
        page.locator("[data-filter=state]").select_option(state)
        page.locator("[data-filter=metric]").select_option(metric)
        expected = []
        for one, own in findings.items():
            form = [what for of, what in own.items() if of in FACTS[:-1]]
            asked = [own[metric]] if metric in own else [] if metric else form
            if name.lower() in one and (not state or _ASKED[state](set(asked))) and (asked or not metric):
                expected.append(one.capitalize())
        shown_names = page.locator(".people:not(.derived) tbody th a").filter(visible=True).all_inner_texts()
        assert sorted(shown_names) == expected, (state, metric)
        told = f"{len(expected)} of {len(everybody)} shown" if len(expected) < len(everybody) else ""
        assert page.get_by_role("status").first.inner_text() == told
        n_seen.add(len(expected))
    assert len(n_seen) > 4
    page.locator("[data-filter=name]").fill("")
    shown_names = page.locator(".people:not(.derived) tbody th a").filter(visible=True).all_inner_texts()
    page.reload()
    watched.drawn()
    assert page.locator("[data-filter=state]").input_value() == "changes"
    assert page.locator(".people:not(.derived) tbody th a").filter(visible=True).all_inner_texts() == shown_names
    assert watched.heard == []
    watched.close()


_CHANGES = {"rises", "falls", "changes_late"}
_ASKED = {
    "changes": lambda found: bool(_CHANGES & found),
    "steady": lambda found: "holds" in found and not (_CHANGES | {"unclear"}) & found,
    "open": lambda found: not _CHANGES & found and "unclear" in found,
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
    noted_anew(settings.parent)
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
    letters = page.locator("figure[data-picture=curve] svg text").all_text_contents()
    assert any(text.endswith(f" {speed}") for text in letters)
    [onset] = demo.table("athlete_drift").filter(athlete_id="brine", metric="contact_time_ms")["onset_km"]
    if onset is not None:
        assert f"From about {distance} {onset * per_km:.0f} contact time" in page.locator(".answer").inner_text()
    page.locator(f"{table} a").last.click()
    watched.drawn()
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    splits = demo.table("splits").filter(pl.col("run_id") == runs["run_id"][-1]).sort("km")
    assert f"to {distance}" in headings(page, ".splits")
    for row, texts in zip(splits.iter_rows(named=True), cells(page, ".splits"), strict=True):
        assert texts[1] == f"{(row['km'] - 1 + row['length_m'] / 1000) * per_km:.2f}"
        assert texts[3] == pace_of(row["speed_m_s"])
    letters = page.locator("figure svg text").all_text_contents()
    assert speed in letters
    assert any(text.endswith(f" {distance}") for text in letters)
    assert watched.heard == []
    watched.close()
