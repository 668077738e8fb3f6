"""Headers in the languages of runners' programs: a quantity, its unit, and what stays open without one."""

from __future__ import annotations

import pytest

from pipeline.formats.columns import BY_PLAIN_SPELLING, COLUMNS
from pipeline.formats.headers import closest, is_known, is_unit, meaning_of


@pytest.mark.parametrize(
    ("header", "column"),
    [
        ("Distanz (km)", "distance_km"),
        ("DISTANCE [m]", "distance_m"),
        ("Höhe (m ü. M.)", "altitude_m"),
        ("Hohe m", "altitude_m"),
        ("Fréquence cardiaque", "heart_rate_bpm"),
        ("frequence cardiaque (bpm)", "heart_rate_bpm"),
        ("Ø Pace (min/km)", "pace_min_per_km"),
        ("Tempo (min/km)", "pace_min_per_km"),
        ("Allure moyenne (min/km)", "pace_min_per_km"),
        ("Bodenkontaktzeit links (ms)", "contact_time_left_ms"),
        ("Cadenza [passi/min]", "cadence_spm"),
        ("Schritte pro Minute (spm)", None),
        ("Steps per minute", "cadence_spm"),
        ("Doppelschritte/min", "cadence_strides_min"),
        ("平均心拍数(bpm)", "heart_rate_bpm"),
        ("步频(步/分)", "cadence_spm"),
        ("距离（米）", "distance_m"),
        ("接地時間［ms］", "contact_time_ms"),
        ("지면 접촉 시간(ms)", "contact_time_ms"),
        ("Время контакта (мс)", "contact_time_ms"),
        ("Fecha y hora", "date_time"),
        ("Hora (UTC)", None),
        ("Rundenzeit (h:mm:ss)", "duration_hms"),
        ("Heart rate zone", None),
        ("hr max", None),
        ("Stance time percent", None),
        ("Distance units", None),
        ("", None),
        ("°", None),
    ],
)
def test_a_header_with_its_unit_is_a_column(header: str, column: str | None):
    assert meaning_of(header).column == column


@pytest.mark.parametrize(
    ("header", "choices"),
    [
        ("Schrittfrequenz", ["cadence_spm", "cadence_strides_min", "cadence_steps_s"]),
        ("Cadence (rpm)", ["cadence_spm", "cadence_strides_min", "cadence_steps_s"]),
        ("Cadencia (ppm)", ["cadence_spm", "cadence_strides_min", "cadence_steps_s"]),
        ("Distância", ["distance_m", "distance_km", "distance_mi"]),
        ("Kilometer", ["km", "distance_km"]),
        ("高度", ["altitude_m", "altitude_ft"]),
        ("GCT Balance %", ["contact_balance_pct", "contact_balance_right_pct"]),
        ("Zeit (s)", ["time_epoch_s", "elapsed_s", "duration_s"]),
        ("Timestamp (ms)", ["time_epoch_ms", "elapsed_ms"]),
        ("Stride length", ["stride_length_m", "stride_length_cm", "step_length_m", "step_length_cm"]),
    ],
)
def test_a_header_without_its_unit_stays_open(header: str, choices: list[str]):
    assert list(meaning_of(header).choices) == choices
    assert meaning_of(header).column is None


def test_our_own_names_mean_themselves():
    for spelled, name in BY_PLAIN_SPELLING.items():
        assert meaning_of(spelled).column == name
    assert set(BY_PLAIN_SPELLING.values()) == set(COLUMNS)


@pytest.mark.parametrize(
    ("header", "near"),
    [
        ("cadense_spm", ("cadence_spm",)),
        ("Herzfrequens", ("heart_rate_bpm",)),
        ("Bodenkontaktzei", ("contact_time_ms", "contact_time_s")),
        ("sensor_a_stance_time", ("contact_time_ms", "contact_time_s")),
        ("enhanced_speed", ("speed_m_s", "speed_km_h")),
        ("have_sensor_data", ()),  # "data" is a date in Italian
        ("remark", ()),
    ],
)
def test_the_closest_names_of_a_header_that_means_nothing(header: str, near: tuple[str, ...]):
    assert not is_known(header)
    assert closest(header) == near


@pytest.mark.parametrize(
    ("cell", "is_one"), [("ms", True), ("m/s", True), ("步/分", True), ("Ari", False), ("", False)]
)
def test_units_by_themselves_are_known(cell: str, is_one: bool):
    assert is_unit(cell) is is_one
