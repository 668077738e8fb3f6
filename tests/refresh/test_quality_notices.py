"""What a person is told of the quality of recordings: a line per run, few of them, with what to do."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.core.metrics import BUILT_IN
from pipeline.core.quality_rules import QUANTITIES, SUSPICIONS
from pipeline.refresh.quality_notices import MOST_RUNS, labels_of, quality_notices
from pipeline.tables import empty


def suspected(*rows: dict[str, object]) -> pl.DataFrame:
    """Rows of `quality`."""
    return pl.DataFrame([{"athlete_id": "ari", **row} for row in rows], schema=empty("quality").schema)


def ledger(*run_ids: str, status: str = "accepted", session: int = 1) -> pl.DataFrame:
    rows = [{"run_id": run_id, "path": f"ari/{run_id}.fit", "session": session, "status": status} for run_id in run_ids]
    return pl.DataFrame(rows, schema={name: empty("recordings").schema[name] for name in rows[0]})


ONE_FOOT = {"run_id": "r", "quantity": "cadence_spm", "suspicion": "one_foot_counted", "halved_share": 1.0}
STUCK = {"run_id": "r", "quantity": "contact_time_ms", "suspicion": "stuck", "stuck_share": 0.004}


def test_a_run_has_one_line_with_shares_words_and_fixes():
    assert quality_notices(suspected(ONE_FOOT, STUCK), ledger("r")) == [
        "ari/r.fit: cadence: 100 % excluded, looks like one foot counted; put `cadence_factor = 2` for it into "
        "corrections.toml if so. contact time: under 1 % excluded, stuck at one value; check the sensor: its battery "
        "and its connection."
    ]


def test_what_is_only_marked_has_no_share_but_a_place():
    step = {"run_id": "r", "quantity": "contact_time_ms", "suspicion": "sudden_step", "from_km": 6.04}
    fast = {"run_id": "r", "quantity": "speed_m_s", "suspicion": "faster_than_records", "from_km": 3.0, "to_km": 4.2}
    (line,) = quality_notices(suspected(step, fast), ledger("r"))
    assert "contact time: shifts suddenly, without a change of speed, km 6.0; look" in line
    assert (
        "; nothing to do unless the whole run is wrong; then correct it, or leave it out, by corrections.toml." in line
    )
    assert "left out of the regressions, km 3.0 to 4.2; nothing to do" in line
    assert line.index("speed:") < line.index("contact time:")  # the run first, then its readings


def test_a_second_session_is_named():
    (line,) = quality_notices(suspected(ONE_FOOT), ledger("r", session=2))
    assert line.startswith("ari/r.fit (session 2): ")


@pytest.mark.parametrize("status", ["duplicate", "rejected", "not_running"])
def test_what_is_not_used_is_not_told_of(status: str):
    assert quality_notices(suspected(ONE_FOOT), ledger("r", status=status)) == []


def test_nothing_suspected_is_nothing_said():
    assert quality_notices(suspected({"run_id": "r", "quantity": "clock"}), ledger("r")) == []


@pytest.mark.parametrize("n_runs", [MOST_RUNS, MOST_RUNS + 1, 40])
def test_of_many_runs_the_first_are_listed_and_the_rest_counted(n_runs: int):
    names = [f"r{place:02d}" for place in range(n_runs)]
    lines = quality_notices(suspected(*({**ONE_FOOT, "run_id": name} for name in names)), ledger(*names))
    assert [line.partition(".")[0] for line in lines[:MOST_RUNS]] == [f"ari/{name}" for name in names[:MOST_RUNS]]
    rest = n_runs - MOST_RUNS
    assert lines[MOST_RUNS:] == (
        [
            f"{rest} more run{'s' if rest > 1 else ''}: cadence looks like one foot counted ({rest}). "
            "`splitdrift show quality` has a row for each."
        ]
        if rest
        else []
    )


def test_every_quantity_has_a_name_and_every_suspicion_can_be_said():
    assert set(labels_of(BUILT_IN)) == set(QUANTITIES)
    for suspicion in SUSPICIONS:
        row = {"run_id": "r", "quantity": "cadence_spm", "suspicion": suspicion}
        (line,) = quality_notices(suspected(row), ledger("r"))
        assert "_" not in line.replace("cadence_factor", "").replace("distance_factor", "")
