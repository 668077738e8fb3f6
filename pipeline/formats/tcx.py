"""TCX files. One file in, a recording for each Activity out; a row is a Trackpoint.

Read from the schema of version 2 and the activity extension that adds speed and running cadence to a point. Elements
are known by their local names. The element `Cadence` of the schema itself, of type `CadenceValue_t`, counts revolutions
of a crank; where there is no running cadence, it is taken for the strides of one leg, and the recording says so.
"""

from __future__ import annotations

from itertools import pairwise
from xml.etree.ElementTree import Element

import polars as pl

from pipeline.core.errors import Refused
from pipeline.core.reasons import Because, Reason, because
from pipeline.formats import DEFAULTS, ReadOptions, Recording, readings_frame, require_few_sessions
from pipeline.formats.markup import Elements, Point, child_text, local_name, numbers, text_of, times_s
from pipeline.formats.sports import sport_named

MIN_POINTS = 2

#: Local name below a Trackpoint -> reading, and what its number is multiplied with. `Value` is the heart rate's.
_FIELDS = {
    "DistanceMeters": ("distance_m", 1.0),
    "Speed": ("speed_m_s", 1.0),
    "AltitudeMeters": ("altitude_m", 1.0),
    "LatitudeDegrees": ("latitude_deg", 1.0),
    "LongitudeDegrees": ("longitude_deg", 1.0),
    "RunCadence": ("cadence_spm", 2.0),  # strides of one leg per minute
    "Value": ("heart_rate_bpm", 1.0),
    "Watts": ("power_w", 1.0),
}
_CADENCE_OF_SCHEMA, _STEPS_PER_STRIDE = "Cadence", 2.0


def decode(content: bytes, _options: ReadOptions = DEFAULTS) -> list[Recording]:
    """Read one TCX file.

    Returns:
        One recording for each Activity that has at least `MIN_POINTS` points with a time. An Activity that is open
        where the file breaks off is kept up to there and says so in `damage`.

    Raises:
        Refused: no such Activity, or XML that declares entities.
    """
    elements = Elements(content)
    activities: list[tuple[Element, list[Point], list[Point]]] = []
    root = None
    is_open = False
    for event, name, element in elements:
        root = root or name
        if name == "Activity":
            is_open = event == "start"
            if is_open:
                activities.append((element, [], []))
                require_few_sessions(len(activities))
        elif event == "start" and name == "Lap" and is_open:
            activities[-1][2].append({"StartTime": element.get("StartTime")})
        elif event == "end" and name == "Trackpoint" and is_open:
            activities[-1][1].append({local_name(part.tag): text_of(part) for part in element.iter()})
            element.clear()
    recordings = [
        _recording(activity, points, laps, elements.damage if is_open and activity is activities[-1][0] else None)
        for activity, points, laps in activities
    ]
    usable = [recording for recording in recordings if len(recording.readings) >= MIN_POINTS]
    if not usable:
        root = "" if root == "TrainingCenterDatabase" else root
        raise Refused(Reason.NO_ACTIVITY, least=MIN_POINTS, damage=elements.damage, root=root)
    return usable


def _recording(activity: Element, points: list[Point], laps: list[Point], damage: Because | None) -> Recording:
    columns = {reading: numbers(points, field) * factor for field, (reading, factor) in _FIELDS.items()}
    remarks: tuple[Because, ...] = ()
    cadence = numbers(points, _CADENCE_OF_SCHEMA)
    if columns["cadence_spm"].null_count() == len(points) and cadence.null_count() < len(points):
        columns["cadence_spm"] = cadence * _STEPS_PER_STRIDE
        remarks = (because(Reason.CADENCE_OF_STRIDES),)
    readings = readings_frame({"time_s": times_s(points, "Time"), **columns}).filter(pl.col("time_s").is_not_null())
    creator = next((child for child in activity if local_name(child.tag) == "Creator"), None)
    return Recording(
        readings=readings,
        sport=sport_named(activity.get("Sport")),
        laps=_laps(times_s(laps, "StartTime"), readings["time_s"]),
        device=None if creator is None else child_text(creator, "Name"),
        damage=damage and because(Reason.POINTS_BEFORE, damage=damage, n_points=len(readings)),
        remarks=remarks,
    )


def _laps(begins_s: pl.Series, time_s: pl.Series) -> tuple[tuple[float, float], ...]:
    """Each lap ends where the next begins, the last one with the last point. A lap without a start counts to the one
    before it.
    """
    edges = [*begins_s.drop_nulls().sort(), time_s.max()]
    return tuple((begin, end) for begin, end in pairwise(edges) if end is not None and end > begin)
