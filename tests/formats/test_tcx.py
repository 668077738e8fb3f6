"""TCX files: which activities and points are read, and how a damaged or hostile file is met."""

from __future__ import annotations

import random

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.core.errors import Refused
from pipeline.core.reasons import Reason, because
from pipeline.formats import READINGS, Recording
from pipeline.formats.tcx import decode
from tests.support.tcx_files import POINTS, activity, file


def rows(recording: Recording, *columns: str) -> list[tuple[object, ...]]:
    return recording.readings.select(columns).rows()


def refusal(content: bytes) -> str:
    with pytest.raises(Refused) as caught:
        decode(content)
    return str(caught.value)


def test_a_track_point_gives_every_reading_and_strides_become_steps():
    [recording] = decode(file(activity()))
    assert rows(
        recording, "time_s", "distance_m", "speed_m_s", "altitude_m", "latitude_deg", "longitude_deg", "cadence_spm",
        "heart_rate_bpm",
    ) == [
        (10.0, 0.0, 3.5, 100.5, 10.5, -20.5, 170.0, 150.0),
        (11.5, 5.25, None, None, None, None, None, None),
    ]  # fmt: skip
    assert (recording.grain, recording.has_clock) == ("sample", True)
    assert recording.damage is None


def test_the_laps_of_an_activity_are_one_recording():
    early, late = (
        f"<Trackpoint><Time>1970-01-01T00:00:{second}Z</Time></Trackpoint>" * 2 for second in ("10", "20")
    )  # fmt: skip
    [recording] = decode(
        file(f"<Activity><Lap><Track>{early}</Track></Lap><Lap><Track>{late}</Track></Lap></Activity>")
    )
    assert recording.readings["time_s"].to_list() == [10.0, 10.0, 20.0, 20.0]


def lap(start: str | None, *seconds: int) -> str:
    points = "".join(f"<Trackpoint><Time>1970-01-01T00:00:{second}Z</Time></Trackpoint>" for second in seconds)
    attribute = "" if start is None else f' StartTime="1970-01-01T00:00:{start}Z"'
    return f"<Lap{attribute}><Track>{points}</Track></Lap>"


@pytest.mark.parametrize(
    ("laps", "expected"),
    [
        ([lap("10", 10, 20), lap("20.5", 21, 30)], ((10, 20.5), (20.5, 30))),
        ([lap("10", 10, 20), lap(None, 21, 30), lap("40", 41, 50)], ((10, 40), (40, 50))),
        ([lap(None, 10, 20), lap(None, 21, 30)], ()),
        ([lap("10", 10, 20), lap("30", 20, 30)], ((10, 30),)),
    ],
    ids=["follow on one another", "one without a start", "none has a start", "the last has no length"],
)
def test_a_lap_ends_where_the_next_begins_and_the_last_with_the_last_point(
    laps: list[str], expected: tuple[tuple[float, float], ...]
):
    [recording] = decode(file(f"<Activity>{''.join(laps)}</Activity>"))
    assert recording.laps == expected


def test_power_is_in_watts():
    point = "<Trackpoint><Time>1970-01-01T00:00:10Z</Time><Extensions><x:TPX><x:Watts>250</x:Watts></x:TPX></Extensions></Trackpoint>"  # noqa: E501
    [recording] = decode(file(activity(2 * point)))
    assert recording.readings["power_w"].to_list() == [250, 250]


def test_each_activity_is_a_recording_with_its_own_sport():
    recordings = decode(file(activity(), activity(sport='Sport="Biking"'), activity(sport="")))
    assert [recording.sport for recording in recordings] == ["running", "biking", None]


def test_the_device_is_the_name_of_the_creator_and_never_its_number():
    creator = "<Creator><Name> Wrist unit 7 </Name><UnitId>123456789</UnitId></Creator>"
    [recording] = decode(file(activity(after=creator)))
    assert recording.device == "Wrist unit 7"


def test_without_a_creator_the_device_is_unknown():
    [recording] = decode(file(activity()))
    assert recording.device is None


def test_a_point_without_time_is_left_out():
    [recording] = decode(file(activity(f"<Trackpoint><DistanceMeters>9</DistanceMeters></Trackpoint>{POINTS}")))
    assert recording.readings["distance_m"].to_list() == [0.0, 5.25]


def test_a_reading_that_is_no_number_or_infinite_is_null():
    points = POINTS.replace("100.5", "high").replace("3.5", "INF")
    [recording] = decode(file(activity(points)))
    assert rows(recording, "altitude_m", "speed_m_s") == [(None, None), (None, None)]


def test_an_activity_without_points_is_left_out():
    [recording] = decode(file(activity(points=""), activity()))
    assert len(recording.readings) == 2


def test_a_file_that_breaks_off_keeps_the_points_before_and_says_where():
    content = file(activity(POINTS + POINTS + POINTS))
    broken = content[: content.rindex(b"<DistanceMeters>")]
    [recording] = decode(broken)
    assert len(recording.readings) == 5
    assert recording.sport == "running"
    n_lines = broken.count(b"\n") + 1
    assert recording.damage is not None
    broken_off = because(Reason.XML_BREAKS_OFF, line=n_lines, column=recording.damage["damage"]["column"])
    assert recording.damage == because(Reason.POINTS_BEFORE, damage=broken_off, n_points=5)


def test_an_activity_that_ended_before_the_damage_is_sound():
    content = file(activity(), activity())
    first, second = decode(content[: content.rindex(b"</Track>")])
    assert first.damage is None
    assert second.damage is not None


@pytest.mark.parametrize(
    "declaration",
    [
        '<!DOCTYPE a [<!ENTITY b "c">]>',
        '<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/hostname">]>',
        '<!DOCTYPE a SYSTEM "http://example.invalid/a.dtd">',
        '<!DOCTYPE a [<!ENTITY b "bb"><!ENTITY c "&b;&b;&b;&b;">]>',
    ],
)
def test_a_file_that_declares_entities_is_refused(declaration: str):
    text = refusal(
        file(activity()).replace(b"<TrainingCenterDatabase", declaration.encode() + b"<TrainingCenterDatabase")
    )
    assert "The XML file declares a document type or entities" in text
    assert "Export the recording again" in text


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (file(), "The file holds no Activity with at least 2 track points that have a time."),
        (file(activity(POINTS.replace("Time>", "When>"))), "no Activity with at least 2 track points"),
        (b"<gpx><trk/></gpx>", "that have a time; it is XML of the kind gpx."),
        (b"", "(the XML breaks off or is malformed in line 1, column 1)"),
        (b"elapsed_s,distance_m\n0,0\n", "(the XML breaks off or is malformed in line 1, column 1)"),
        (b'<?xml version="1.0" encoding="cuneiform"?><a/>', "(the XML"),
    ],
)
def test_a_file_without_a_recording_says_what_was_expected(content: bytes, expected: str):
    assert expected in refusal(content)


@settings(max_examples=100, deadline=None)
@given(start=st.sampled_from([b"", b"<", b'<?xml version="1.0" encoding="', b"\xff\xfe<"]), rest=st.binary(max_size=80))
def test_bytes_of_any_kind_are_read_or_refused(start: bytes, rest: bytes):
    refuse_or_hold(start + rest)


@settings(max_examples=100, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_a_file_with_bytes_changed_is_read_or_refused(seed: int):
    source = random.Random(seed)
    changed = bytearray(file(activity(), activity()))
    for _ in range(source.randint(1, 4)):
        place = source.randrange(len(changed))
        piece = source.choice([b"", b"<", b">", b"&", b'"', b"\x00", b"\xff", b"9" * 30, b"<a>", b"]]>", b"<!--", b"-"])
        changed[place : place + source.randint(0, 3)] = piece
    refuse_or_hold(bytes(changed))


def refuse_or_hold(content: bytes) -> None:
    """Whatever is read keeps the promises of a recording; whatever is not is refused."""
    try:
        recordings = decode(content)
    except Refused:
        return
    for recording in recordings:
        assert recording.readings.schema == dict.fromkeys(READINGS, pl.Float64())
        assert len(recording.readings) >= 2
        assert recording.readings["time_s"].null_count() == 0
        finite = recording.readings.select(pl.all().is_finite().fill_null(value=True).all())
        assert finite.row(0) == (True,) * len(READINGS)


def test_blanks_before_the_xml_are_no_fault():
    [recording] = decode(b"\r\n  " + file(activity()))
    assert len(recording.readings) == 2


def test_the_sport_may_have_blanks_and_be_a_word_of_another_language():
    recordings = decode(file(activity(sport='Sport=" Laufen "'), activity(sport='Sport="Other"')))
    assert [recording.sport for recording in recordings] == ["running", "other"]


CADENCE = "".join(
    f"<Trackpoint><Time>1970-01-01T00:00:{second}Z</Time><DistanceMeters>{second}</DistanceMeters>"
    "<Cadence>85</Cadence>{}</Trackpoint>"
    for second in (10, 11)
)


def test_the_cadence_of_the_schema_is_counted_as_strides_and_that_is_remarked():
    [recording] = decode(file(activity(CADENCE.format("", ""))))
    assert recording.readings["cadence_spm"].to_list() == [170.0, 170.0]
    assert recording.remarks == (because(Reason.CADENCE_OF_STRIDES),)


def test_a_running_cadence_goes_before_that_of_the_schema():
    own = "<Extensions><TPX><RunCadence>84</RunCadence></TPX></Extensions>"
    [recording] = decode(file(activity(CADENCE.format(own, own))))
    assert recording.readings["cadence_spm"].to_list() == [168.0, 168.0]
    assert recording.remarks == ()
