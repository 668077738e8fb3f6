"""The page of a night: what came in, whose finding changed, what was rejected; text from rows."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from pipeline.core.errors import Damaged, Fault, NothingDone, Refused
from pipeline.core.metrics import METRICS
from pipeline.core.reasons import Reason, because, words
from pipeline.nightly.night_page import (
    MOST_LINES,
    Failure,
    NightPage,
    done,
    failed,
    inert,
    path_shown,
    reason,
    sentences,
    skipped,
    with_faults,
)

BEGAN = datetime(2026, 11, 26, 3, 0, tzinfo=ZoneInfo("Europe/Berlin"))
NOTHING: dict[str, Any] = {"generation": "000007", "began_at_utc": "2026-11-26T02:00:00+00:00", "seconds": 1.2}


def refreshed(**differing: Any) -> dict[str, Any]:
    """The record of a refresh: one file of ari came in."""
    record = {
        **NOTHING, "seconds": 42.4, "n_new": 1, "n_changed": 0, "n_gone": 0,
        "new": ["ari/a.fit"], "changed": [], "gone": [], "n_refused": 0, "refused": [],
        "athletes": ["ari"], "findings": [],
    }  # fmt: skip
    return record | differing


def ledger(*rows: tuple[str, str, str, str | None]) -> pl.DataFrame:
    given = rows or (("ari/a.fit", "accepted", "", None),)
    columns = {"path": pl.String, "status": pl.String, "reason": pl.String, "fix": pl.String}
    return pl.DataFrame(list(given), schema=columns, orient="row").with_columns(
        file=pl.col("path").str.split("!").list.first()
    )


def drifts(*rows: tuple[str, str, float | None]) -> pl.DataFrame:
    columns = ("athlete_id", "metric", "drift_pct_per_10km", "drift_low", "drift_high")
    given = [(athlete, metric, x, x and x - 1, x and x + 1) for athlete, metric, x in rows]
    types = {name: pl.Float64 if "drift" in name else pl.String for name in columns}
    return pl.DataFrame(given, schema=types, orient="row")


def finding(athlete_id: str, metric: str, before: str | None, after: str | None) -> dict[str, str | None]:
    return {"athlete_id": athlete_id, "metric": metric, "before": before, "after": after}


def page(
    record: dict[str, Any], rows: pl.DataFrame | None = None, *, ends: pl.DataFrame | None = None, **more: Any
) -> NightPage:
    return done(
        record,
        began_at=BEGAN,
        ledger=ledger() if rows is None else rows,
        drifts=drifts() if ends is None else ends,
        **more,
    )


def section(page: NightPage, heading: str) -> list[str]:
    body = page.text.partition(f"## {heading}\n\n")[2].partition("\n\n## ")[0]
    return [line for line in body.splitlines() if line]


# --- A night that went well ------------------------------------------------------------------------------------------


def test_the_heading_summarises_the_night_and_the_next_line_says_when_and_how_long():
    night = page(refreshed())
    assert night.title == "Night of 2026-11-26: 1 file came in, no finding changed"
    assert "The night began at 03:00 (Europe/Berlin) and took 42 s. The store is up to date." in night.text


@pytest.mark.parametrize(
    ("seconds", "words"), [(0.2, "1 s"), (59.4, "59 s"), (60, "1 min 0 s"), (3599.6, "1 h 0 min"), (7384, "2 h 3 min")]
)
def test_the_duration_is_written_in_the_usual_units(seconds: float, words: str):
    assert f" and took {words}. " in page(refreshed(seconds=seconds)).text


def test_new_files_are_counted_by_status_and_athlete():
    rows = ledger(
        ("ari/a.fit", "accepted", "", None),
        ("bo/b.zip!1.fit", "accepted", "", None),
        ("bo/b.zip!2.fit", "duplicate", "", None),
        ("bo/old.fit", "accepted", "", None),
    )
    record = refreshed(n_new=1, n_changed=1, n_gone=3, changed=["bo/b.zip"], athletes=["ari", "bo"])
    first, second = section(page(record, rows, names={"bo": "Bo of the Hill", "ari": "Ari"}), "What came in")
    assert first.startswith("Files: 1 new, 1 read again, 3 gone.")
    assert first.endswith("Athletes concerned: ari, Bo of the Hill (bo).")
    assert second == "Of those files, 2 are runs that can be used; 1 is a run that was there already."


def test_files_that_are_gone_are_in_the_heading_and_many_of_them_give_a_warning():
    few, many = page(refreshed(n_gone=1, gone=["bo/1.fit"])), page(refreshed(n_gone=2, gone=["bo/1.fit", "bo/2.fit"]))
    assert few.title == "Night of 2026-11-26: 1 file came in, 1 gone, no finding changed"
    assert "More files are gone than are left" not in few.text
    assert "**More files are gone than are left.** If that was not meant, a disk or a share may be missing" in many.text


def test_files_that_were_used_in_part_are_named_with_what_is_wrong():
    rows = ledger(
        ("ari/a.fit", "salvaged", "The file ends early.", "Copy it again."), ("bo/b.fit", "salvaged", "Cut.", None)
    )
    assert (
        section(page(refreshed(), rows), "What was used in part")[0]
        == "- `ari/a.fit`: The file ends early. Copy it again."
    )
    assert "bo/b.fit" not in page(refreshed(), rows).text


def test_a_record_that_names_only_part_of_the_files_is_not_counted():
    assert len(section(page(refreshed(n_new=900)), "What came in")) == 1


def test_where_only_a_setting_changed_it_says_so():
    night = page(refreshed(n_new=0, new=[], athletes=[]))
    assert "No file was read; a list, a setting or splitdrift itself changed" in night.text


def test_a_changed_finding_is_shown_before_and_after_with_drift_and_interval():
    changed = [finding("ari", "contact_time_ms", "holds", "rises"), finding("bo", "cadence_spm", "unclear", "holds")]
    ends = drifts(("ari", "contact_time_ms", 3.04), ("bo", "cadence_spm", -0.04))
    night = page(refreshed(findings=changed), ends=ends)
    assert section(night, "Whose finding changed")[:2] == [
        "- **ari**, contact time: was *steady*, now *rises* +3.0 % (+2.0 to +4.0).",
        "- **bo**, cadence: was *cannot tell yet*, now *steady* 0.0 % (−1.0 to +1.0).",
    ]
    assert "percent per 10 km at equal speed and slope, with the 95 % interval in brackets" in night.text
    assert night.title.endswith("2 findings changed")


def test_a_finding_with_too_few_runs_has_no_number_and_one_without_runs_is_gone():
    changed = [
        finding("ari", "cadence_spm", "holds", "too_little_data"),
        finding("bo", "cadence_spm", "holds", None),
        finding("bo", "heart_rate_bpm", "rises", None),
        finding("cy", "cadence_spm", "holds", None),
        finding("cy", "heart_rate_bpm", None, "rises"),
    ]
    ends = drifts(("ari", "cadence_spm", None), ("cy", "heart_rate_bpm", 2.0))
    assert section(page(refreshed(findings=changed), ends=ends), "Whose finding changed")[:4] == [
        "- **bo**: no run is left; 2 findings before.",
        "- **ari**, cadence: was *steady*, now *too few runs*.",
        "- **cy**, cadence: was *steady*, is no longer found: no run with it is left.",
        "- **cy**, heart rate: for the first time *rises* +2.0 % (+1.0 to +3.0).",
    ]


def test_the_first_findings_of_an_athlete_share_a_line_and_are_no_change():
    metrics = ("cadence_spm", "contact_time_ms", "step_length_m", "heart_rate_bpm")
    afters = ("holds", "rises", "holds", "too_little_data")
    changed = [finding("ari", metric, None, after) for metric, after in zip(metrics, afters, strict=True)]
    night = page(refreshed(findings=changed), ends=drifts(*((("ari", metric, 2.0)) for metric in metrics)))
    assert section(night, "Whose finding changed")[0] == (
        "- **ari**, for the first time: *rises*: contact time +2.0 % (+1.0 to +3.0); "
        "*steady*: cadence, step length; *too few runs*: heart rate."
    )
    assert night.title.endswith("no finding changed, first findings of 1 athlete")


def test_what_was_refused_is_listed_with_reason_and_fix():
    rows = ledger(
        ("ari/a.fit", "rejected", "It holds no records.", "Export it again."), ("bo/x.fit", "rejected", "", None)
    )
    record = refreshed(n_refused=1, refused=[{"path": "ari/a.fit", "reason": "It holds no records."}])
    night = page(record, rows)
    assert night.title == "Night of 2026-11-26: 1 file came in, 1 rejected, no finding changed"
    assert section(night, "What was rejected")[:2] == [
        "- `ari/a.fit`: It holds no records. Export it again.",
        "1 file of earlier nights stays rejected; `splitdrift check` says why.",
    ]


def test_it_stays_one_page_and_says_how_much_more_there_is():
    refused = [{"path": f"ari/{n}.fit", "reason": "broken"} for n in range(200)]
    changed = [finding(f"a{n}", metric.column, "holds", "rises") for n in range(60) for metric in METRICS]
    night = page(refreshed(n_refused=500, refused=refused, n_new=500, findings=changed))
    assert section(night, "What was rejected")[MOST_LINES] == f"- and {500 - MOST_LINES} more: `splitdrift check`"
    assert (
        section(night, "Whose finding changed")[MOST_LINES]
        == f"- and {len(changed) - MOST_LINES} more: `splitdrift show`"
    )
    assert len(night.text.splitlines()) < 120


def test_a_night_with_nothing_new_says_so_in_a_few_lines():
    night = page(NOTHING | {"nothing_new": True}, ledger(("bo/x.fit", "rejected", "broken", None)))
    assert night.title == "Night of 2026-11-26: nothing new"
    assert "Nothing was new: no file of the inbox was added, changed or removed" in night.text
    assert "1 file of earlier nights stays rejected" in night.text
    assert "##" not in night.text


def test_a_night_with_nothing_new_fits_a_screen_whatever_else_there_is_to_say():
    minutes = range(0, 60, 2)
    night = page(
        NOTHING | {"nothing_new": True},
        ledger(*((f"bo/{n}.fit", "rejected", "broken", None) for n in range(500))),
        notices=[f"sessions.csv, line {n}: no file." for n in range(100)],
        failures=[Failure(BEGAN.replace(hour=2, minute=minute), "The inbox is not there.") for minute in minutes],
        damage=Damaged(Path("store/generations/000007"), {f"tables/{n}.parquet": Fault.MISSING for n in range(99)}),
    )
    assert len(with_faults(night, ["The command mail ended with exit code 1."] * 2).text.splitlines()) <= 40
    assert "- and 90 more: `splitdrift check`" in section(night, "To look at")


def test_tries_that_failed_for_the_same_reason_share_a_line():
    tries = [Failure(BEGAN.replace(minute=minute), "gone" if minute < 40 else "full") for minute in (0, 10, 20, 40)]
    text = page(refreshed(), failures=tries).text
    assert "4 tries failed:\n\n- 03:00 to 03:20, 3 times: gone\n- 03:40: full\n" in text


def test_every_page_of_numbers_says_that_it_is_no_advice():
    assert (
        "are no advice. Pain, or a change after an injury, belongs with a physiotherapist or doctor."
        in page(refreshed()).text
    )


def test_notices_of_the_inbox_are_listed():
    assert (
        section(page(refreshed(), notices=["sessions.csv, line 4: no file."]), "To look at")[0]
        == "- sessions.csv, line 4: no file."
    )


def test_a_night_that_went_well_at_last_says_what_failed_before():
    night = page(refreshed(), failures=[Failure(BEGAN.replace(hour=2, minute=50), "No space left on device")])
    assert "1 try failed:\n\n- 02:50: No space left on device\n" in night.text


# --- Other nights ----------------------------------------------------------------------------------------------------


def test_the_page_of_a_skipped_night_names_the_other_process():
    night = skipped(BEGAN, "store is being changed by process 12 on host, since now.")
    assert night.title == "Night of 2026-11-26: left out"
    assert "was left out: another process is changing the store" in night.text
    assert "store is being changed by process 12 on host, since now." in night.text
    assert "Nothing is lost" in night.text


def test_the_page_of_a_failed_night_says_why_and_when_it_is_tried_again():
    night = failed([Failure(BEGAN, "The inbox is empty.")], again_at=BEGAN.replace(minute=10))
    assert night.title == "Night of 2026-11-26: failed so far"
    assert "Nothing in the store was changed." in night.text
    assert "- 03:00: The inbox is empty." in night.text
    assert "It is tried again at 03:10." in night.text


def test_the_page_after_the_last_try_says_that_the_next_night_takes_it_up():
    night = failed([Failure(BEGAN, "one"), Failure(BEGAN.replace(minute=10), "two")], again_at=None)
    assert night.title == "Night of 2026-11-26: failed"
    assert "2 tries failed:\n\n- 03:00: one\n- 03:10: two\n" in night.text
    assert "The next night, or `splitdrift refresh`, takes up everything." in night.text


def test_an_error_is_shown_in_its_own_words_unless_it_is_internal():
    assert reason(NothingDone("The inbox is empty.")) == "The inbox is empty."
    assert reason(Refused(Reason.NO_UTF16)) == " ".join(words([because(Reason.NO_UTF16)]))
    assert reason(OSError(28, "No space left on device", "x.duckdb")) == (
        "No space left on device: x.duckdb. Make room on that disk; nothing is lost."
    )
    assert reason(OSError(28, "No space left on device")) == (
        "No space left on device. Make room on that disk; nothing is lost."
    )
    assert reason(ValueError("latitude 52.51631")) == "an internal error (ValueError)"


def test_failed_deliveries_are_listed_at_the_end():
    night = page(refreshed())
    assert with_faults(night, []) == night
    assert with_faults(night, ["The web server x answered 500."]).text == (
        f"{night.text}\n## Not delivered\n\n- The web server x answered 500.\n"
    )


# --- Text from outside -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("word", "shown"),
    [
        ("plain-name 2026-03-14.fit", "plain-name 2026-03-14.fit"),
        ("*bold* _thin_ `code`", r"\*bold\* \_thin\_ \`code\`"),
        ("[click](http://evil)", r"\[click\](http\://evil)"),
        ("<script>&lt;", r"\<script\>\&lt;"),
        ("a | b", r"a \| b"),
        ("one\n# two\r\n- three", r"one \# two - three"),
        ("@everyone www.evil", r"\@everyone www\.evil"),
        ("a\u202eb\u200bc\x00d\x1b[31m", r"abcd\[31m"),
        ("back\\slash", r"back\\slash"),
        ("brine_2026-06-01 a__b _a b_", r"brine_2026-06-01 a\_\_b \_a b\_"),
        ("x.zip!a.fit ![alt](b)", r"x.zip!a.fit \!\[alt\](b)"),
    ],
)
def test_markup_in_names_is_escaped_and_invisible_characters_are_removed(word: str, shown: str):
    assert inert(word) == shown


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("`splitdrift sort --by '{a}_{b}'` or *it*", r"`splitdrift sort --by '{a}_{b}'` or \*it\*"),
        ("one ` and `two`", r"one \` and `two`"),
        ("`one` and `two", r"`one` and \`two"),
        ("``a`` `<b>` `a & b` `@all`", r"\`\`a\`\` \`\<b\>\` \`a \& b\` \`\@all\`"),
    ],
)
def test_commands_in_sentences_can_be_copied_and_nothing_else_in_them_is_markup(text: str, shown: str):
    assert sentences(text) == shown


@pytest.mark.parametrize(
    ("path", "shown"),
    [
        ("brine/brine_2026-06-01.fit.gz", "`brine/brine_2026-06-01.fit.gz`"),
        ("a/[b] *c*\n#.zip!d.fit", "`a/[b] *c* #.zip!d.fit`"),
        ("a/`b_.fit", r"a/\`b\_.fit"),
        ("<b>.fit", r"\<b\>.fit"),
    ],
)
def test_a_path_can_be_copied(path: str, shown: str):
    assert path_shown(path) == shown


def test_names_paths_reasons_and_notices_are_always_escaped():
    bad = "<b>*x*</b>\n# y"
    record = refreshed(
        athletes=[bad], n_refused=1, refused=[{"path": bad, "reason": bad}],
        findings=[finding(bad, "cadence_spm", "holds", "rises")],
    )  # fmt: skip
    night = page(
        record,
        ledger((bad, "rejected", bad, bad)),
        names={bad: bad + " name"},
        notices=[bad],
        failures=[Failure(BEGAN, bad)],
    )
    assert "<b>" not in night.text
    assert "\n# y" not in night.text
    assert night.text.count(r"\<b\>\*x\*\</b\> \# y") >= 7
