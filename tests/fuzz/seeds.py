"""Small sound files of every format, from which mutations start."""

from __future__ import annotations

import gzip
import io
import zipfile
from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np
import openpyxl

from data.generator.fit_writer import DeveloperColumn, Part, activity_file, run_file

STARTED = 1_773_480_000  # 2026-03-14


def instant(second: int) -> str:
    return f"2026-03-14T09:{second // 60:02}:{second % 60:02}Z"


def fit(n: int = 60) -> bytes:
    elapsed_s = np.arange(float(n))
    return run_file(
        STARTED,
        elapsed_s,
        3.0 * elapsed_s,
        speed_m_s=np.full(n, 3.0),
        cadence_strides_min=np.full(n, 85.0),
        contact_time_ms=np.full(n, 240.0),
        heart_rate_bpm=np.full(n, 150.0),
    )


def multisport() -> bytes:
    """A ride and a run with laps, pauses and positions, wide fields, big numbers first and the short header."""
    elapsed_s = np.arange(20.0)
    places = {"latitude_deg": 1 + elapsed_s / 40_000, "longitude_deg": np.full(20, -2.0), "has_enhanced_fields": True}
    ride = Part(started_unix_s=STARTED, elapsed_s=elapsed_s, distance_m=8 * elapsed_s, sport="cycling")
    run = Part(
        started_unix_s=STARTED + 60, elapsed_s=elapsed_s, distance_m=3 * elapsed_s, speed_m_s=np.full(20, 3.0),
        altitude_m=np.full(20, 50.5), pauses=[(7, 9)], laps_s=[5, 10, 15], **places,
    )  # fmt: skip
    return activity_file([ride, run], device="Some watch", serial_number=7, endian="big", header_size=12)


def described() -> bytes:
    """A field of its own, and times as five bits."""
    elapsed_s = np.arange(20.0)
    own = DeveloperColumn("Stance", "ms", np.full(20, 250.0), native_field=41)
    return run_file(STARTED, elapsed_s, 3 * elapsed_s, developer=[own], compressed_timestamps=True)


def csv(n: int = 30) -> bytes:
    rows = (f"{instant(i)},{3 * i},{3.0},{50 + i / 10},170,240.5,150" for i in range(n))
    return "\n".join(
        ["time_utc,distance_m,speed_m_s,altitude_m,cadence_spm,contact_time_ms,heart_rate_bpm", *rows]
    ).encode()


def kilometres() -> bytes:
    return b"km;duration_hms;cadence_spm;note\n1;5:30;170,5;\n2;5:31;170,1;warm\n3;0:05:40;169;\n"


def steps() -> bytes:
    return b"foot\tcontact_time_ms\tflight_time_ms\tspeed_km_h\nleft\t240\t110\t10.8\nright\t242\t108\t10.9\n"


def laps() -> bytes:
    rows = b"1;2026-03-14T09:30:00Z;300,5;1,0\n2;2026-03-14T09:35:00Z;310;0,9\n"
    return b"Export 2\nLap;Start (UTC);Rundenzeit (s);Distanz (km)\n" + rows


def several() -> bytes:
    begins = {"a": STARTED, "b": STARTED + 86_400}
    rows = (f"{name},{began + n},{3 * n},170\n" for name, began in begins.items() for n in range(12))
    return b"recording,time_epoch_s,distance_m,cadence_spm\n" + "".join(rows).encode()


def over_again() -> bytes:
    rows = (f"2026-03-1{day}T09:00:00Z,{n},{3 * n}\n" for day in range(2) for n in range(12))
    return b"started_at_utc,elapsed_s,distance_m\n" + "".join(rows).encode()


def insole() -> bytes:
    return b"foot,elapsed_s,contact_time_ms,step_length_m\nL,0,250,1\nL,0.7,250,1\nR,0.35,240,1.1\n"


def tcx(n: int = 12) -> bytes:
    points = "".join(
        f"<Trackpoint><Time>{instant(i)}</Time><Position><LatitudeDegrees>{1 + i / 40_000}</LatitudeDegrees>"
        f"<LongitudeDegrees>2</LongitudeDegrees></Position><AltitudeMeters>50.5</AltitudeMeters><DistanceMeters>{3 * i}"
        "</DistanceMeters><HeartRateBpm><Value>150</Value></HeartRateBpm><Extensions><x:TPX><x:Speed>3.0</x:Speed>"
        "<x:RunCadence>85</x:RunCadence></x:TPX></Extensions></Trackpoint>"
        for i in range(n)
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<TrainingCenterDatabase xmlns="urn:points" xmlns:x="urn:extension">'
        f'<Activities><Activity Sport="Running"><Id>a</Id><Lap><Track>{points}</Track></Lap>'
        "<Creator><Name>Some watch</Name></Creator></Activity></Activities></TrainingCenterDatabase>"
    ).encode()


def gpx(n: int = 12) -> bytes:
    points = [
        f'<trkpt lat="{1 + i / 40_000}" lon="2"><ele>50.5</ele><time>{instant(i)}</time><extensions>'
        "<x:TrackPointExtension><x:hr>150</x:hr><x:cad>85</x:cad></x:TrackPointExtension></extensions></trkpt>"
        for i in range(n)
    ]
    half = n // 2
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" xmlns="urn:track" xmlns:x="urn:extension"><trk>'
        f"<name>Morning</name><type>running</type><trkseg>{''.join(points[:half])}</trkseg>"
        f"<trkseg>{''.join(points[half:])}</trkseg></trk></gpx>"
    ).encode()


def zipped(files: Mapping[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", method) as archive:
        for name, content in files.items():
            # An entry made by hand keeps its name as it is, and its time is the same in every run.
            archive.writestr(zipfile.ZipInfo(name), content, method)
    return buffer.getvalue()


def written() -> list[bytes]:
    """Settings with a metric of one's own, columns, corrections and a study, in TOML."""
    settings = (
        'min_runs = 3\nspeed_error_pct = 1.5\nsensor_preference = ["native", "self-described"]\n[described_fields]\n'
        '"Step contact" = "contact_time_ms"\n[metrics.tibial_peak_g]\ncolumn = "Peak (g)"\nunit = "g"\n'
        'smallest_change_pct = 5\nlowest = 0.5\ndecimals = 2\ncounts_as = "effort"\n'
    )
    columns = 'decimal = ","\nskip_lines = 2\n[columns]\n"Kadenz" = "cadence_spm"\n[files."run.csv"]\ngrain = "lap"\n'
    corrections = (
        '[[correction]]\nfile = "ari/a.fit"\nclock_shift_h = 1.5\ncadence_factor = 2\nonly_if_cadence_below = 100\n'
        'tags = { weather = "heat" }\n[[correction]]\nathlete_id = "bo"\nfrom_date = 2026-03-14\nleave_out = "walked"\n'
    )
    study = (
        'title = "a"\nquestion = "b"\nleast_cell = 5\n[cohort]\nmin_distance_km = 14\n[[analysis]]\n'
        'design = "paired_windows"\nmetrics = ["contact_time_ms"]\nwindows = "quarters"\n'
    )
    return [text.encode() for text in (settings, columns, corrections, study)]


def workbook(*rows: Sequence[object]) -> bytes:
    book, buffer = openpyxl.Workbook(), io.BytesIO()
    for row in rows:
        book.active.append(row)
    book.save(buffer)
    return buffer.getvalue()


def lists() -> list[bytes]:
    """Each list of an inbox, a list to sort files by, a pattern of their names, and a workbook."""
    texts = (
        "athlete_id;display_name;mass_kg;born_year;experience_years\nari;Ari;62,5;1990;3\nAsa;x;7;1;\n",
        "file,started_at_utc,athlete_id,kind,surface,shoe_id\nari/a.fit,,,race,Road,\n,2026-03-14 09:30,ari,test,,r\n",
        "shoe_id\tname\theel_toe_drop_mm\tmass_g\nr\tFast one\t8\t220\nr\t\t\t\n",
        "athlete_id,date,distance_km,foot,strike,angle_deg,n_runners,rater\nari,2026-03-14,3,left,heel,,,r\n"
        'ari,2026-03-14,3,right,,"1.5",,r\nclub,14.03.2026,10,,forefoot,,40,\nclub,14.03.2026,20,,midfoot,,40,\n',
        'sep=;\nathlete_id;from_date;to_date;site;note\nari;2026-03-14;2026-03-20;knee;"two\nlines"\n',
        "athlete_id|date|kind\nari|3/14/2026|drill\nbo|2026年3月14日|Shoe\n",
        "file,athlete_id\na.fit,Åsa\nb\\a.fit,ari\n",
        "*/{athlete_id}_{date}.fit",
    )
    rows = ("athlete_id", "date", "kind"), ("ari", date(2026, 3, 14), "shoe"), ("bo", 46_000.5, "drill")
    return [*(text.encode() for text in texts), texts[0].encode("utf-16"), workbook(*rows)]


def seeds() -> dict[str, list[tuple[str, bytes]]]:
    """Format → files that its fuzzing starts from, each with a name whose ending chooses the reader."""
    return {
        "fit": [
            ("run.fit", fit()),
            ("chained.fit", fit(8) + fit(9)),
            ("multisport.fit", multisport()),
            ("described.fit", described()),
            ("longer than the checksum's period.fit", fit(2100)),
        ],
        "csv": [
            ("run.csv", csv()),
            ("kilometres.csv", kilometres()),
            ("steps.csv", steps()),
            ("laps.csv", laps()),
            ("insole.csv", insole()),
            ("several.csv", several()),
            ("over again.csv", over_again()),
        ],
        "tcx": [("run.tcx", tcx())],
        "gpx": [("run.gpx", gpx())],
        "archive": [
            ("club.zip", zipped({"a.fit": fit(8), "spring/b.csv.gz": gzip.compress(csv(8), mtime=0), "c.gpx": gpx(4)})),
            ("stored.zip", zipped({"a.csv": kilometres(), "d/": b"", ".hidden": b"x"}, zipfile.ZIP_STORED)),
            ("run.tcx.gz", gzip.compress(tcx(4), mtime=0)),
        ],
    }
