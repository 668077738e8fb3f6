"""TCX files as text."""

from __future__ import annotations

POINTS = """
    <Trackpoint>
      <Time>1970-01-01T00:00:10Z</Time>
      <Position><LatitudeDegrees>10.5</LatitudeDegrees><LongitudeDegrees>-20.5</LongitudeDegrees></Position>
      <AltitudeMeters>100.5</AltitudeMeters>
      <DistanceMeters>0</DistanceMeters>
      <HeartRateBpm><Value>150</Value></HeartRateBpm>
      <Extensions><x:TPX><x:Speed>3.5</x:Speed><x:RunCadence>85</x:RunCadence></x:TPX></Extensions>
    </Trackpoint>
    <Trackpoint><Time>1970-01-01T00:00:11.5</Time><DistanceMeters>5.25</DistanceMeters></Trackpoint>
"""


def activity(points: str = POINTS, sport: str = 'Sport="Running"', after: str = "") -> str:
    return f"<Activity {sport}><Id>1970</Id><Lap><Track>{points}</Track></Lap>{after}</Activity>"


def file(*activities: str) -> bytes:
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<TrainingCenterDatabase xmlns="urn:points" xmlns:x="urn:extension"><Activities>'
        + "".join(activities)
        + "</Activities><Author><Name>Some program</Name></Author></TrainingCenterDatabase>"
    ).encode()
