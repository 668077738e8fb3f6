"""GPX files. One file in, a recording for each track (`trk`) out; a row is a track point (`trkpt`).

Read from the schema of version 1.1 (1.0 has the same elements) and the point extensions for heart rate (`hr`) and
cadence (`cad`). Elements are known by their local names. The segments of a track are one recording; between two of
them there is a pause.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from xml.etree.ElementTree import Element

import polars as pl

from pipeline.core.errors import Refused
from pipeline.core.reasons import Because, Reason, because
from pipeline.formats import DEFAULTS, ReadOptions, Recording, readings_frame, require_few_sessions
from pipeline.formats.markup import Elements, Point, child_text, local_name, numbers, text_of, times_s
from pipeline.formats.sports import sport_named

MIN_POINTS = 2
STEPS_PER_STRIDE = 2  # `cad` counts the strides of one leg; of another sport something else, which nothing looks at


@dataclass
class _Track:
    element: Element
    points: list[Point] = field(default_factory=list)
    segments: list[int] = field(default_factory=list)  # number of the segment of each point
    n_segments: int = 0
    is_open: bool = True


def decode(content: bytes, _options: ReadOptions = DEFAULTS) -> list[Recording]:
    """Read one GPX file.

    Returns:
        One recording for each track that has at least `MIN_POINTS` points with a time. A track that is open where the
        file breaks off is kept up to there and says so in `damage`.

    Raises:
        Refused: no times (a planned route), no track at all, or XML that declares entities.
    """
    elements = Elements(content)
    tracks = _tracks(elements)
    recordings = [_recording(track, elements.damage if track.is_open else None) for track in tracks]
    usable = [recording for recording in recordings if len(recording.readings) >= MIN_POINTS]
    if usable:
        return usable
    if any(len(track.points) >= MIN_POINTS for track in tracks):
        raise Refused(Reason.PLANNED_ROUTE)
    raise Refused(Reason.NO_TRACK, least=MIN_POINTS, damage=elements.damage)


def _tracks(elements: Elements) -> list[_Track]:
    tracks: list[_Track] = []
    for event, name, element in elements:
        if name == "trk" and event == "start":
            tracks.append(_Track(element))
            require_few_sessions(len(tracks))
        elif not tracks or not tracks[-1].is_open:
            continue
        elif name == "trk":
            tracks[-1].is_open = False
        elif name == "trkseg" and event == "start":
            tracks[-1].n_segments += 1
        elif name == "trkpt" and event == "end":
            texts = {local_name(part.tag): text_of(part) for part in element.iter()}
            tracks[-1].points.append({**texts, "lat": element.get("lat"), "lon": element.get("lon")})
            tracks[-1].segments.append(tracks[-1].n_segments)
            element.clear()
    return tracks


def _recording(track: _Track, damage: Because | None) -> Recording:
    columns = {
        "time_s": times_s(track.points, "time"),
        "altitude_m": numbers(track.points, "ele"),
        "latitude_deg": numbers(track.points, "lat"),
        "longitude_deg": numbers(track.points, "lon"),
        "heart_rate_bpm": numbers(track.points, "hr"),
        "cadence_spm": numbers(track.points, "cad") * STEPS_PER_STRIDE,
    }
    timed = readings_frame(columns).with_columns(segment=pl.Series(track.segments, dtype=pl.Int64()))
    timed = timed.filter(pl.col("time_s").is_not_null())
    return Recording(
        readings=timed.drop("segment"),
        sport=sport_named(child_text(track.element, "type")),
        pauses=_pauses(timed),
        damage=damage and because(Reason.POINTS_BEFORE, damage=damage, n_points=len(timed)),
    )


def _pauses(timed: pl.DataFrame) -> tuple[tuple[float, float], ...]:
    """From the last point of each segment to the first of the next, in time."""
    ends = timed.group_by("segment", maintain_order=True).agg(
        first_s=pl.col("time_s").first(), last_s=pl.col("time_s").last()
    )
    between = pairwise(ends.select("first_s", "last_s").rows())
    return tuple((stopped_s, resumed_s) for (_, stopped_s), (resumed_s, _) in between if resumed_s > stopped_s)
