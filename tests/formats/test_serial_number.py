"""Devices are compared by keyed digests of their serial numbers; the numbers go no further."""

from __future__ import annotations

import gzip
import io
import zipfile

from pipeline.formats.serial_number import device_digests
from tests.support.fit_runs import fit_run
from tests.support.nights import drifting_run

KEY = b"a key for this test"


def tcx(unit_id: str) -> bytes:
    return (
        "<TrainingCenterDatabase><Activities><Activity Sport='Running'><Creator><Name>Lamp</Name>"
        f"<UnitId>{unit_id}</UnitId><ProductID>7</ProductID></Creator></Activity></Activities></TrainingCenterDatabase>"
    ).encode()


def test_two_runs_of_one_device_have_one_digest_and_another_device_has_another():
    one, again = (device_digests("a.fit", drifting_run(day, serial_number=4711), key=KEY) for day in (0, 1))
    other = device_digests("b.fit", drifting_run(serial_number=4712), key=KEY)
    assert len(one) == 1
    assert one == again != other


def test_the_digest_holds_no_number_and_changes_with_the_key():
    one = device_digests("a.fit", drifting_run(serial_number=4711), key=KEY)
    assert one != device_digests("a.fit", drifting_run(serial_number=4711), key=b"another key")
    assert (4711).to_bytes(4, "little") not in next(iter(one))


def test_packed_files_name_the_device_of_what_is_in_them():
    content = drifting_run(serial_number=4711)
    plain = device_digests("a.fit", content, key=KEY)
    assert device_digests("a.fit.gz", gzip.compress(content), key=KEY) == plain
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w") as opened:
        opened.writestr("a.fit", content)
        opened.writestr("b.fit", drifting_run(serial_number=4712))
    assert len(device_digests("both.zip", archive.getvalue(), key=KEY)) == 2


def test_tcx_names_its_unit_and_zero_is_no_number():
    assert device_digests("a.tcx", tcx("100"), key=KEY) != device_digests("a.tcx", tcx("1"), key=KEY)
    assert len(device_digests("a.tcx", tcx("3999"), key=KEY)) == 1
    assert device_digests("a.tcx", tcx("0"), key=KEY) == frozenset()


def test_files_without_a_number_and_broken_ones_name_no_device():
    cases = {"a.fit": fit_run(km=0.1), "b.fit": b"broken", "c.tcx": b"<a", "d.gpx": b"<gpx/>", "e.zip": b"PK\x03\x04"}
    assert {name: device_digests(name, content, key=KEY) for name, content in cases.items()} == dict.fromkeys(
        cases, frozenset()
    )
