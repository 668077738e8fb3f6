"""GPX files: which tracks and points are read, where pauses lie, and how a damaged or hostile file is met."""

from __future__ import annotations

import random

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.core.errors import Refused
from pipeline.core.reasons import Reason, because
from pipeline.formats import READINGS, Recording
from pipeline.formats.gpx import decode

RICH_POINT = """
    <trkpt lat="10.5" lon="-20.5">
      <ele>100.5</ele><time>1970-01-01T00:00:10Z</time>
      <extensions><x:TrackPointExtension><x:hr>150</x:hr><x:cad>85</x:cad></x:TrackPointExtension></extensions>
    </trkpt>
"""
BARE_POINT = '<trkpt lat="10.6" lon="-20.6"><time>1970-01-01T00:00:11.5</time></trkpt>'


def point(second: int) -> str:
    return f'<trkpt lat="1" lon="2"><time>1970-01-01T00:00:{second:02}Z</time></trkpt>'


def segment(*points: str) -> str:
    return f"<trkseg>{''.join(points)}</trkseg>"


def track(*segments: str, kind: str = "<type>running</type>") -> str:
    return f"<trk><name>Morning</name>{kind}{''.join(segments)}</trk>"


def file(*parts: str) -> bytes:
    root = '<gpx version="1.1" creator="Some program" xmlns="urn:track" xmlns:x="urn:extension">'
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{root}{"".join(parts)}</gpx>'.encode()


RICH = file(track(segment(RICH_POINT, BARE_POINT)))


def rows(recording: Recording, *columns: str) -> list[tuple[object, ...]]:
    return recording.readings.select(columns).rows()


def refusal(content: bytes) -> str:
    with pytest.raises(Refused) as caught:
        decode(content)
    return str(caught.value)


def test_a_track_point_gives_every_reading_and_strides_become_steps():
    [recording] = decode(RICH)
    assert rows(
        recording, "time_s", "altitude_m", "latitude_deg", "longitude_deg", "cadence_spm", "heart_rate_bpm"
    ) == [
        (10.0, 100.5, 10.5, -20.5, 170.0, 150.0),
        (11.5, None, 10.6, -20.6, None, None),
    ]  # fmt: skip
    assert (recording.grain, recording.has_clock) == ("sample", True)
    assert (recording.sport, recording.pauses, recording.damage) == ("running", (), None)


@pytest.mark.parametrize(
    ("kind", "sport", "cadence_spm"),
    [
        ("<type>running</type>", "running", 170.0),
        ("<type>Trail Run</type>", "running", 170.0),
        ("", None, 170.0),
        ("<type> </type>", None, 170.0),
        ("<type>9</type>", "running", 170.0),
        ("<type>Jogging</type>", "running", 170.0),
        ("<type> Laufen </type>", "running", 170.0),
        ("<type>course à pied</type>", "running", 170.0),
        ("<type>ランニング</type>", "running", 170.0),
        ("<type>Workout</type>", None, 170.0),
        ("<type>Cycling</type>", "cycling", 170.0),
        ("<type>Langlauf</type>", "langlauf", 170.0),
        ("<link><type>text/html</type></link>", None, 170.0),
    ],
)
def test_the_type_of_a_track_says_the_sport(kind: str, sport: str | None, cadence_spm: float | None):
    [recording] = decode(file(track(segment(RICH_POINT, BARE_POINT), kind=kind)))
    assert recording.sport == sport
    assert recording.readings["cadence_spm"][0] == cadence_spm


def test_between_two_segments_lies_a_pause():
    [recording] = decode(
        file(track(segment(point(10), point(11)), segment(point(30), point(31)), segment(point(40))))
    )  # fmt: skip
    assert recording.readings["time_s"].to_list() == [10.0, 11.0, 30.0, 31.0, 40.0]
    assert recording.pauses == ((11.0, 30.0), (31.0, 40.0))


def test_segments_without_points_or_out_of_order_make_no_pause():
    [recording] = decode(file(track(segment(point(10), point(20)), segment(), segment(point(15)))))
    assert recording.pauses == ()


def test_each_track_is_a_recording():
    first, second = decode(file(track(segment(point(10), point(11))), track(segment(point(30), point(31)))))
    assert first.readings["time_s"].to_list() == [10.0, 11.0]
    assert second.readings["time_s"].to_list() == [30.0, 31.0]


def test_a_point_without_time_is_left_out():
    [recording] = decode(file(track(segment('<trkpt lat="9" lon="9"/>', RICH_POINT, BARE_POINT))))
    assert recording.readings["latitude_deg"].to_list() == [10.5, 10.6]


def test_a_reading_that_is_no_number_or_infinite_is_null():
    [recording] = decode(RICH.replace(b"100.5", b"high").replace(b">150<", b">inf<"))
    assert rows(recording, "altitude_m", "heart_rate_bpm") == [(None, None), (None, None)]


def test_a_file_without_times_is_a_route_and_refused():
    text = refusal(RICH.replace(b"time>", b"when>"))
    assert "The points of the GPX file have no times: it is a planned route" in text
    assert "Export the recording of the activity, not its route." in text


def test_a_file_that_breaks_off_keeps_the_points_before_and_says_where():
    content = file(track(segment(*(point(second) for second in range(10, 20)))))
    [recording] = decode(content[: content.rindex(b"<time>")])
    assert recording.readings["time_s"].to_list() == [float(second) for second in range(10, 19)]
    assert recording.sport == "running"
    assert recording.damage is not None
    broken_off = because(Reason.XML_BREAKS_OFF, line=2, column=recording.damage["damage"]["column"])
    assert recording.damage == because(Reason.POINTS_BEFORE, damage=broken_off, n_points=9)


def test_a_track_that_ended_before_the_damage_is_sound():
    content = file(track(segment(point(10), point(11))), track(segment(point(30), point(31))))
    first, second = decode(content[: content.rindex(b"</trkseg>")])
    assert first.damage is None
    assert second.damage is not None


@pytest.mark.parametrize(
    "declaration",
    [
        '<!DOCTYPE a [<!ENTITY b "c">]>',
        '<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/hostname">]>',
        '<!DOCTYPE a SYSTEM "http://example.invalid/a.dtd">',
    ],
)
def test_a_file_that_declares_entities_is_refused(declaration: str):
    text = refusal(RICH.replace(b"<gpx", declaration.encode() + b"<gpx"))
    assert "The XML file declares a document type or entities" in text


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (file(), "The file holds no GPX track with at least 2 points."),
        (file('<rte><rtept lat="1" lon="2"/><rtept lat="1" lon="2"/></rte>'), "The file holds no GPX track"),
        (file(track(segment(point(10)))), "The file holds no GPX track with at least 2 points."),
        (b"", "(the XML breaks off or is malformed in line 1, column 1)"),
        (b"not XML", "(the XML breaks off or is malformed in line 1, column 1)"),
    ],
)
def test_a_file_without_a_recording_says_what_was_expected(content: bytes, expected: str):
    assert expected in refusal(content)


@settings(max_examples=100, deadline=None)
@given(start=st.sampled_from([b"", b"<gpx>", b"<gpx><trk><trkseg>"]), rest=st.binary(max_size=80))
def test_bytes_of_any_kind_are_read_or_refused(start: bytes, rest: bytes):
    refuse_or_hold(start + rest)


@settings(max_examples=100, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_a_file_with_bytes_changed_is_read_or_refused(seed: int):
    source = random.Random(seed)
    changed = bytearray(file(track(segment(RICH_POINT, BARE_POINT), segment(point(20), point(30))), track(segment())))
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
        assert all(stopped_s < resumed_s for stopped_s, resumed_s in recording.pauses)
        finite = recording.readings.select(pl.all().is_finite().fill_null(value=True).all())
        assert finite.row(0) == (True,) * len(READINGS)
