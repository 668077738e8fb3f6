"""CSV files as they occur, each of a run that is known: what programs, spreadsheets and instruments write.

Shares no code with `pipeline`. A case holds the bytes, what has to be answered once, and the truth.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

#: The third of April: which of 3 and 4 is the day, no date of the run says. The fourteenth of March says it.
OPEN_DAY = datetime(2026, 4, 3, 7, 30, tzinfo=UTC)
CLEAR_DAY = datetime(2026, 3, 14, 7, 30, tzinfo=UTC)
STEP_S = 5
N_ROWS = 721  # one hour
BERLIN, NEW_YORK, TOKYO = (ZoneInfo(name) for name in ("Europe/Berlin", "America/New_York", "Asia/Tokyo"))


@dataclass(frozen=True)
class Row:
    """A moment of the run, every quantity in SI or the practical unit of its name."""

    at: datetime
    elapsed_s: int
    distance_m: float
    speed_m_s: float
    cadence_spm: float
    contact_ms: float
    heart_bpm: int


def run(started: datetime, n_rows: int = N_ROWS, first_speed: float = 3.2) -> list[Row]:
    """An hour that slows down slowly, in rows of five seconds."""
    rows, distance = [], 0.0
    for n in range(n_rows):
        speed = first_speed - 0.4 * n / n_rows
        distance += speed * STEP_S if n else 0.0
        elapsed = n * STEP_S
        rows.append(
            Row(
                started + timedelta(seconds=elapsed),
                elapsed,
                round(distance, 1),
                round(speed, 3),
                170 - n % 3,
                240 + n % 5,
                140 + n // 60,
            )
        )
    return rows


@dataclass(frozen=True)
class Case:
    """A file and what is true of it.

    Attributes:
        says: what `check` must say before anything is settled; None where the file is read as it is.
        answers: beginnings of the proposed lines that are right, of those that are left open; a `time_zone` is
            replaced.
        started: when the run began; None where the file cannot say it and sessions.csv does.
        column: a reading and its true values in the first and the last row that has one.
    """

    name: str
    content: bytes
    says: str | None = None
    answers: Sequence[str] = ()
    started: datetime | None = OPEN_DAY
    distance_m: float = 0.0
    elapsed_s: float = (N_ROWS - 1) * STEP_S
    grain: str = "sample"
    column: tuple[str, float, float] = ("cadence_spm", 170.0, 170.0)
    file_name: str = "long run.csv"
    extra: dict[str, tuple[float, float]] = field(default_factory=dict)


def written(
    headers: Sequence[str],
    rows: Iterable[Sequence[object]],
    separator: str = ",",
    *,
    above: Sequence[str] = (),
    encoding: str = "utf-8",
    ends: str = "\r\n",
    quoting: int = csv.QUOTE_MINIMAL,
) -> bytes:
    buffer = io.StringIO()
    for line in above:
        buffer.write(line + ends)
    writer = csv.writer(buffer, delimiter=separator, lineterminator=ends, quoting=quoting)  # type: ignore[arg-type]
    writer.writerow(headers)
    writer.writerows(rows)
    return buffer.getvalue().encode(encoding)


def comma(value: float, decimals: int = 1) -> str:
    return f"{value:.{decimals}f}".replace(".", ",")


def grouped(value: float, thousands: str, decimal: str) -> str:
    return f"{value:,.1f}".replace(",", "\0").replace(".", decimal).replace("\0", thousands)


def local(at: datetime, zone: ZoneInfo, pattern: str) -> str:
    return at.astimezone(zone).strftime(pattern)


def serial(at: datetime, zone: ZoneInfo) -> str:
    """Days since 1899-12-30 of the local clock, as a spreadsheet shows them."""
    naive = at.astimezone(zone).replace(tzinfo=None)
    return f"{(naive - datetime(1899, 12, 30)) / timedelta(days=1):.8f}"


ROWS = run(OPEN_DAY)
CLEAR = run(CLEAR_DAY)
TOTAL_M = ROWS[-1].distance_m


def german() -> Case:
    rows = [
        (local(r.at, BERLIN, "%d.%m.%Y %H:%M:%S"), comma(r.distance_m / 1000, 4), comma(r.cadence_spm, 0), r.heart_bpm)
        for r in ROWS
    ]
    return Case(
        "German date, semicolons, decimal commas",
        written(("Zeit", "Distanz (km)", "Schrittfrequenz (Schritte/min)", "Herzfrequenz"), rows, ";"),
        says="a date whose day and month cannot be told apart",
        answers=('date_order = "day-month-year"', 'time_zone = "Europe/Berlin"'),
        distance_m=TOTAL_M,
    )


def german_clear() -> Case:
    rows = [(local(r.at, BERLIN, "%d.%m.%Y %H:%M:%S"), comma(r.distance_m), r.cadence_spm) for r in CLEAR]
    return Case(
        "German date that only one order fits",
        written(("Datum/Uhrzeit", "Strecke [m]", "Schrittfrequenz [spm]"), rows, ";", encoding="cp1252"),
        says="does not say in which zone",
        answers=('time_zone = "Europe/Berlin"',),
        started=CLEAR_DAY,
        distance_m=TOTAL_M,
    )


def us_twelve_hours() -> Case:
    rows = [
        (local(r.at, NEW_YORK, "%m/%d/%Y %I:%M:%S %p"), f"{r.distance_m / 1609.344:.5f}", r.cadence_spm / 2)
        for r in CLEAR
    ]
    return Case(
        "US date, 12-hour clock, miles, strides",
        written(("Timestamp", "Distance (mi)", "Cadence (strides/min)"), rows),
        says="does not say in which zone",
        answers=('time_zone = "America/New_York"',),
        started=CLEAR_DAY,
        distance_m=TOTAL_M,
    )


def us_open() -> Case:
    rows = [(local(r.at, NEW_YORK, "%m/%d/%y %I:%M:%S %p"), r.distance_m, r.cadence_spm / 2) for r in ROWS]
    return Case(
        "US date of two digits, order open, units open",
        written(("Time", "Distance", "Cadence"), rows),
        says="cannot be told apart",
        answers=('date_order = "month-day-year"', 'time_zone = "America/New_York"', 'Cadence = "cadence_strides_min"',
                 'Distance = "distance_m"'),
        distance_m=TOTAL_M,
    )  # fmt: skip


def excel_serials() -> Case:
    rows = [(serial(r.at, BERLIN), r.distance_m, r.cadence_spm) for r in ROWS]
    return Case(
        "Excel serial dates",
        written(("Time", "Distance (m)", "Cadence (spm)"), rows),
        says="time_excel_days",
        answers=('Time = "time_excel_days"', 'time_zone = "Europe/Berlin"'),
        distance_m=TOTAL_M,
    )


def epoch(unit: str, factor: int) -> Callable[[], Case]:
    def make() -> Case:
        rows = [(int(r.at.timestamp() * factor), r.distance_m, r.cadence_spm) for r in ROWS]
        return Case(
            f"seconds since 1970 in {unit}",
            written(("timestamp", "distance_m", "cadence_spm"), rows),
            says='The column "timestamp" does not say its unit',
            answers=(f'timestamp = "time_epoch_{unit}"',),
            distance_m=TOTAL_M,
        )

    return make


def quoted_commas() -> Case:
    rows = [(r.elapsed_s, comma(r.distance_m), comma(r.cadence_spm)) for r in ROWS]
    return Case(
        "decimal commas in quotation marks between commas",
        written(("elapsed_s", "distance_m", "cadence_spm"), rows, quoting=csv.QUOTE_ALL),
        started=None,
        distance_m=TOTAL_M,
    )


def thousands(mark: str, decimal: str, separator: str, name: str) -> Callable[[], Case]:
    def make() -> Case:
        rows = [(r.elapsed_s, grouped(r.distance_m, mark, decimal), comma(r.cadence_spm, 0)) for r in ROWS]
        return Case(
            name, written(("elapsed_s", "distance_m", "cadence_spm"), rows, separator), started=None, distance_m=TOTAL_M
        )

    return make


def open_thousands() -> Case:
    # 1,204 alone may be one and a bit, or a thousand and some: every distance here has three digits behind its comma.
    rows = [(r.elapsed_s, f"{1 + r.distance_m / 1000:.3f}".replace(".", ",")) for r in ROWS]
    return Case(
        "three digits behind each comma",
        written(("elapsed_s", "distance_km"), rows, quoting=csv.QUOTE_ALL),
        says="whether it is the decimal sign or the mark between thousands",
        answers=('decimal = ","',),
        started=None,
        distance_m=TOTAL_M,
        column=("distance_m", 1000.0, round(1000 + TOTAL_M)),
    )


def preamble() -> Case:
    above = ["Device export v2", "Athlete;Ari;Team;Harbour", f"Start;{OPEN_DAY:%Y-%m-%dT%H:%M:%SZ}", "", "Samples"]
    rows = [(f"{r.at:%Y-%m-%dT%H:%M:%SZ}", comma(r.distance_m), comma(r.speed_m_s, 3), r.cadence_spm) for r in ROWS]
    headers = ("time_utc", "Distance (m)", "Speed (m/s)", "Cadence (spm)")
    return Case("lines above the headers", written(headers, rows, ";", above=above), distance_m=TOTAL_M)


def units_row() -> Case:
    rows = [("s", "m", "spm", "ms"), *((r.elapsed_s, r.distance_m, r.cadence_spm, r.contact_ms) for r in ROWS)]
    return Case(
        "a row of units below the headers",
        written(("Elapsed", "Distance", "Cadence", "Contact time"), rows, "\t"),
        started=None,
        distance_m=TOTAL_M,
    )


def shift_jis() -> Case:
    rows = [
        (local(r.at, TOKYO, "%Y/%m/%d %H:%M:%S"), r.distance_m, r.cadence_spm, r.contact_ms, r.heart_bpm) for r in ROWS
    ]
    return Case(
        "Japanese in Shift-JIS",
        written(("日時", "距離(m)", "ピッチ(歩/分)", "接地時間(ミリ秒)", "心拍数"), rows, encoding="shift_jis"),
        says="does not say in which zone",
        answers=('time_zone = "Asia/Tokyo"',),
        distance_m=TOTAL_M,
        extra={"contact_time_ms": (240.0, 240.0), "heart_rate_bpm": (140.0, 152.0)},
    )


def utf16(order: str) -> Callable[[], Case]:
    def make() -> Case:
        rows = [(r.elapsed_s, r.distance_m, r.cadence_spm) for r in ROWS]
        return Case(
            f"UTF-16 without mark, {order}",
            written(("已用时间(秒)", "距离(米)", "步频(步/分)"), rows, "\t", encoding=f"utf-16-{order}"),
            started=None,
            distance_m=TOTAL_M,
        )

    return make


def other_language(language: str, headers: Sequence[str]) -> Callable[[], Case]:
    def make() -> Case:
        rows = [(r.elapsed_s, comma(r.distance_m), r.cadence_spm, r.contact_ms, r.heart_bpm) for r in ROWS]
        return Case(
            f"headers in {language}",
            written(headers, rows, ";"),
            started=None,
            distance_m=TOTAL_M,
            extra={"contact_time_ms": (240.0, 240.0), "heart_rate_bpm": (140.0, 152.0)},
        )

    return make


def two_columns_of_time() -> Case:
    rows = [
        (local(r.at, BERLIN, "%d/%m/%Y"), local(r.at, BERLIN, "%H:%M:%S"), r.distance_m, r.cadence_spm) for r in CLEAR
    ]
    return Case(
        "date and time of day in two columns",
        written(("Date", "Heure", "Distance (m)", "Cadence (pas/min)"), rows),
        says="does not say in which zone",
        answers=('time_zone = "Europe/Berlin"',),
        started=CLEAR_DAY,
        distance_m=TOTAL_M,
    )


def end_of_summer_time() -> Case:
    started = datetime(
        2026, 10, 25, 0, 30, tzinfo=UTC
    )  # 02:30 in Berlin, half an hour before the clock goes back to 02:00
    rows = [(local(r.at, BERLIN, "%Y-%m-%d %H:%M:%S"), r.distance_m, r.cadence_spm) for r in run(started)]
    return Case(
        "local clock across the end of summer time",
        written(("date_time", "distance_m", "cadence_spm"), rows),
        says="does not say in which zone",
        answers=('time_zone = "Europe/Berlin"',),
        started=started,
        distance_m=TOTAL_M,
    )


LAPS = ((1000.0, 300.5, 172.0), (1000.0, 305.0, 171.0), (1500.0, 470.0, 170.0), (420.0, 130.5, 169.0))


def laps() -> Case:
    at, rows = CLEAR_DAY, []
    for number, (length, duration, cadence) in enumerate(LAPS, start=1):
        face = f"{int(duration // 60)}:{duration % 60:04.1f}"
        rows.append((number, f"{at:%Y-%m-%dT%H:%M:%SZ}", face, length / 1000, cadence))
        at += timedelta(seconds=duration)
    total = sum(duration for _, duration, _ in LAPS)
    rows.append(("Total", "", f"{int(total // 60)}:{total % 60:04.1f}", 3.92, 170.6))
    return Case(
        "laps, each with its length and time, and a total",
        written(("Lap", "Start (UTC)", "Lap time", "Distance (km)", "Avg cadence (spm)"), rows),
        says='The column "Lap time" does not say its unit',
        answers=('"Lap time" = "duration_hms"',),
        started=CLEAR_DAY,
        distance_m=3920.0,
        elapsed_s=1206.0,
        grain="lap",
        column=("cadence_spm", 172.0, 169.0),
    )


def laps_since_start() -> Case:
    rows, distance, elapsed = [], 0.0, 0.0
    for number, (length, duration, cadence) in enumerate(LAPS, start=1):
        distance, elapsed = distance + length, elapsed + duration
        rows.append((number, duration, distance, cadence))
    return Case(
        "laps with distance since the start",
        written(("lap", "duration_s", "distance_m", "cadence_spm"), rows),
        started=None,
        distance_m=3920.0,
        elapsed_s=1206.0,
        grain="lap",
        column=("cadence_spm", 172.0, 169.0),
    )


def kilometres_and_a_rest() -> Case:
    rows = [(1, "5:00", 172), (2, "5:06", 171), (3, "5:10", 170), ("3,42", "2:12", 169)]
    return Case(
        "kilometres, the last one not whole",
        written(("km", "Duration (mm:ss)", "Cadence (spm)"), rows, ";"),
        started=None,
        distance_m=3420.0,
        elapsed_s=300 + 306 + 310 + 132,
        grain="kilometre",
        column=("cadence_spm", 172.0, 169.0),
    )


def steps(words: tuple[str, str], *, by_foot: bool) -> Callable[[], Case]:
    """Steps of an insole: left on the ground for 250 ms, right for 240, a step every third of a second."""

    def make() -> Case:
        n = 3600
        rows = [(words[i % 2], f"{i / 3:.4f}", 250 if i % 2 == 0 else 240, 1.05 if i else 0.0) for i in range(n)]
        if by_foot:
            rows = [*rows[0::2], *rows[1::2]]
        return Case(
            f"steps, left and right as {words[0]} and {words[1]}" + (", each foot by itself" if by_foot else ""),
            written(("foot", "elapsed_s", "contact_time_ms", "step_length_m"), rows),
            started=None,
            distance_m=(n - 1) * 1.05,
            elapsed_s=(n - 1) / 3,
            grain="step",
            column=("cadence_spm", 180.0, 180.0),
            extra={"contact_balance_pct": (100 * 250 / 490, 100 * 250 / 490)},
        )

    return make


def columns_of_both_feet() -> Case:
    rows = [(r.elapsed_s, r.distance_m, r.cadence_spm, 250, 240) for r in ROWS]
    headers = ("elapsed_s", "distance_m", "cadence_spm", "Contact time left (ms)", "Contact time right (ms)")
    return Case(
        "a column of contact time for each foot",
        written(headers, rows),
        started=None,
        distance_m=TOTAL_M,
        extra={"contact_time_ms": (245.0, 245.0), "contact_balance_pct": (100 * 250 / 490, 100 * 250 / 490)},
    )


LANGUAGES = {
    "German": (
        "Verstrichene Zeit (s)", "Distanz (m)", "Schrittfrequenz (Schritte/min)",
        "Bodenkontaktzeit (ms)", "Puls",
    ),
    "French": (
        "Temps écoulé (s)", "Distance (m)", "Cadence (pas/min)",
        "Temps de contact au sol (ms)", "Fréquence cardiaque",
    ),
    "Spanish": (
        "Tiempo transcurrido (s)", "Distancia (m)", "Cadencia (pasos/min)",
        "Tiempo de contacto (ms)", "Pulso",
    ),
    "Italian": (
        "Tempo trascorso (s)", "Distanza (m)", "Cadenza (passi/min)",
        "Tempo di contatto (ms)", "Frequenza cardiaca",
    ),
    "Portuguese": (
        "Tempo decorrido (s)", "Distância (m)", "Cadência (passos/min)",
        "Tempo de contato (ms)", "Frequência cardíaca",
    ),
    "Dutch": ("Verstreken tijd (s)", "Afstand (m)", "Cadans (stappen/min)", "Grondcontacttijd (ms)", "Hartslag"),
    "Swedish": ("Förfluten tid (s)", "Sträcka (m)", "Stegfrekvens (steg/min)", "Markkontakttid (ms)", "Puls"),
    "Norwegian": (
        "Medgått tid (s)", "Distanse (m)", "Skrittfrekvens (skritt/min)",
        "Bakkekontakttid (ms)", "Hjertefrekvens",
    ),
    "Finnish": ("Kulunut aika (s)", "Matka (m)", "Askeltiheys (askelta/min)", "Kosketusaika (ms)", "Syke"),
    "Polish": ("Czas od startu (s)", "Dystans (m)", "Kadencja (kroki/min)", "Czas kontaktu z podłożem (ms)", "Tętno"),
    "Czech": ("Uplynulý čas (s)", "Vzdálenost (m)", "Kadence (kroků/min)", "Doba kontaktu (ms)", "Srdeční tep"),
    "Russian": ("Прошедшее время (с)", "Дистанция (м)", "Каденс (шагов/мин)", "Время контакта (мс)", "Пульс"),
    "Japanese": ("経過時間(秒)", "距離(m)", "ピッチ(歩/分)", "接地時間(ミリ秒)", "心拍数"),
    "Chinese": ("经过时间(秒)", "距离(米)", "步频(步/分钟)", "触地时间(毫秒)", "心率"),
    "Korean": ("경과 시간(초)", "거리(m)", "케이던스(걸음/분)", "지면 접촉 시간(ms)", "심박수"),
}  # fmt: skip


def cases() -> list[Case]:
    """Every odd file."""
    makers = [
        german, german_clear, us_twelve_hours, us_open, excel_serials, epoch("s", 1), epoch("ms", 1000), quoted_commas,
        thousands(".", ",", ";", "points between thousands"), thousands("'", ".", ";", "apostrophes between thousands"),
        thousands("\N{NO-BREAK SPACE}", ",", ";", "blanks between thousands"), open_thousands, preamble, units_row,
        shift_jis, utf16("le"), utf16("be"), two_columns_of_time, end_of_summer_time, laps, laps_since_start,
        kilometres_and_a_rest, steps(("left", "right"), by_foot=False), steps(("L", "R"), by_foot=True),
        steps(("links", "rechts"), by_foot=False), columns_of_both_feet,
        *(other_language(language, headers) for language, headers in LANGUAGES.items()),
    ]  # fmt: skip
    return [make() for make in makers]


@dataclass(frozen=True)
class Several:
    """A file with several recordings, and what is true of each.

    Attributes:
        starts: when each began.
        distances_m: what each covered.
        says: where it cannot be told apart: what must be said; then it has no recordings.
    """

    name: str
    content: bytes
    starts: Sequence[datetime] = ()
    distances_m: Sequence[float] = ()
    says: str | None = None


def several() -> list[Several]:
    """Three runs on three days in one table, as a season is exported, and what may be one run or several."""
    runs = [run(OPEN_DAY + timedelta(days=2 * n), 200 + 40 * n, 3.0 + 0.1 * n) for n in range(3)]
    named = [(f"r{n}", row) for n, rows in enumerate(runs) for row in rows]
    starts, lengths = [rows[0].at for rows in runs], [rows[-1].distance_m for rows in runs]
    lines = "lines 202, 442"  # the headers and 200 rows; 240 more

    def table(name: str, headers: Sequence[str], *parts: Callable[[Row], object], says: str | None = None) -> Several:
        rows = [
            [label for _ in headers[: len(headers) - len(parts)]] + [part(row) for part in parts]
            for label, row in named
        ]
        return Several(name, written(headers, rows), () if says else starts, () if says else lengths, says)

    def at(row: Row) -> str:
        return f"{row.at:%Y-%m-%dT%H:%M:%SZ}"

    back_in_time = [row for n in (1, 0, 2) for row in runs[n]]
    laps = [(row.elapsed_s % 500, row.distance_m, 170) for row in runs[2]]
    thirds = [("abc"[min(n // 70, 2)], at(row), row.distance_m) for n, row in enumerate(runs[0])]
    pieces = [
        ("ab"[n > 100] if label == "r0" else label, at(row), row.distance_m) for n, (label, row) in enumerate(named)
    ]
    faces = (300, 310, 305, 320, 315)
    kilometres = [
        (f"r{n}", f"{starts[n]:%Y-%m-%dT%H:%M:%SZ}", km, 300 + 5 * km) for n in range(3) for km in range(1, 4 + n)
    ]
    return [
        table("named, with the time", ("activity id", "time_utc", "distance_m"), at, lambda row: row.distance_m),
        table("one after the other", ("time_utc", "distance_m"), at, lambda row: row.distance_m),
        Several(
            "not in the order of time",
            written(("time_utc", "distance_m"), [(at(row), row.distance_m) for row in back_in_time]),
            [starts[1], starts[0], starts[2]],
            [lengths[1], lengths[0], lengths[2]],
        ),
        table("days apart, with speed alone", ("time_utc", "speed_m_s"), at, lambda row: row.speed_m_s),
        Several(
            "kilometres",
            written(("Datei", "started_at_utc", "km", "duration_s"), kilometres),
            starts,
            [3000.0, 4000.0, 5000.0],
        ),
        Several(
            "laps, with the times that FIT counts",
            written(
                ("file", "lap", "time_fit_s", "duration_s", "length_m"),
                [
                    (f"r{n}", lap, starts[n].timestamp() - 631_065_600 + sum(faces[:lap]), faces[lap], 1000)
                    for n in range(3)
                    for lap in range(3 + n)
                ],
            ),
            starts,
            [3000.0, 4000.0, 5000.0],
        ),
        Several(
            "a column that names stretches of one run",
            written(("session", "time_utc", "distance_m"), thirds),
            starts[:1],
            lengths[:1],
        ),
        table(
            "named, without a clock", ("file", "elapsed_s", "distance_m"), lambda row: row.elapsed_s,
            lambda row: row.distance_m,
            says=f'The file holds 3 recordings: the column "file" changes in {lines}. It does not say when each of '
            "them began. Add a column time_utc or started_at_utc, or save the rows",
        ),
        table(
            "one after the other, without a clock", ("elapsed_s", "distance_m"), lambda row: row.elapsed_s,
            lambda row: row.distance_m,
            says=f'The file holds 3 recordings: the column "elapsed_s" starts over in {lines}.',
        ),
        Several(
            "a time that starts over with each lap",
            written(("elapsed_s", "distance_m", "cadence_spm"), laps),
            says='The column "elapsed_s" runs back from 495 s to 0 s in line 102, while the distance goes on',
        ),
        Several(
            "a column that names recordings and stretches",
            written(("session", "time_utc", "distance_m"), pieces),
            says='The column "session" changes in line 103, where the readings go on, and in line 202, where they '
            "start over: it is not clear which rows are one recording.",
        ),
        Several(
            "a row without the name of its recording",
            written(
                ("recording", "time_utc", "distance_m"),
                [("" if n == 50 else label, at(row), row.distance_m) for n, (label, row) in enumerate(named)],
            ),
            says='The column "recording" names the recording of each row, and names none in line 52. Fill it in',
        ),
    ]  # fmt: skip
