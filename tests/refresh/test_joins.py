"""Recordings of one run are joined the same however often that is begun anew."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import count
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.refresh.athlete import analyse
from pipeline.refresh.context import Athlete, BuildContext
from pipeline.store.bundles import Bundle
from tests.line.test_unbroken import dying_after
from tests.support.nights import Killed, Nights, drifting_run


@pytest.fixture
def club(tmp_path: Path) -> Nights:
    """A run with two recordings, each of which measured what the other did not, and a run with one."""
    club = Nights(tmp_path, outputs=False)
    club.put("ari/watch.fit", drifting_run(seed=1, contact_time_ms=np.nan, heart_rate_bpm=150.0, altitude_m=50.0))
    club.put("ari/insole.fit", drifting_run(seed=1))
    club.put("ari/other.fit", drifting_run(1, seed=2))
    return club


def stopped_after_each_change(context: BuildContext, athletes: Sequence[Athlete]) -> Iterator[Bundle]:
    """The step `analyse`, stopped after one change on the disk, then two, and so on; in the end done twice."""
    for athlete in athletes:
        for n_changes in count(1):
            try:
                with dying_after(n_changes):
                    analyse(context, athlete)
                break
            except Killed:
                pass
        assert n_changes > 5, "it was to be stopped"
        yield analyse(context, athlete)


def test_stopped_at_any_instant_and_begun_anew_the_same_is_joined(club: Nights):
    ledger = club.refresh(changed={"analyse": stopped_after_each_change}).ledger
    joined = ledger.filter(pl.col("status") == "duplicate")
    assert joined.select("path", "joined_quantities").rows() == [("ari/insole.fit", "contact time")]
    club.assert_as_if_done_anew()


def test_a_recording_that_comes_later_is_joined_the_same_too(club: Nights):
    insole = (club.inbox / "ari" / "insole.fit").read_bytes()
    (club.inbox / "ari" / "insole.fit").unlink()
    club.refresh()
    club.put("ari/insole.fit", insole)
    assert club.refresh(changed={"analyse": stopped_after_each_change}).read == ["ari/insole.fit"]
    club.assert_as_if_done_anew()
