"""What headers mean, in the languages that runners' programs speak. A header in, a quantity with or without unit out.

A header is a quantity in words, then perhaps its unit: `Distanz (km)`, `Fréquence cardiaque`, `接地时间[毫秒]`. A
quantity without a unit stays open, whatever its values are. Words are from memory, as export files and instruments use
them: English, German, French, Spanish, Italian, Portuguese, Dutch, Swedish, Norwegian and Danish, Finnish, Polish,
Czech, Russian, Japanese, Chinese, Korean.
"""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import NamedTuple

from pipeline.formats.columns import BY_PLAIN_SPELLING, CHOICES_OF, COLUMNS, plain

#: Quantity -> its words. `tempo` is time in Italian and Portuguese, pace or speed in German. Those without an entry in
#: `CHOICES_OF` need no unit.
_WORDS: Mapping[str, str] = {
    "time": (
        "time, timestamp, time stamp, zeit, zeitstempel, temps, horodatage, tiempo, marca de tiempo, tijd, "
        "tijdstempel, tid, tidsstämpel, tidsstempel, aika, aikaleima, czas, znacznik czasu, čas, время, 時間, "
        "タイムスタンプ, 时间, 時間戳, 时间戳, 시간"
    ),
    "tempo": "tempo",
    "start": (
        "start, start time, started, started at, begin, beginn, startzeit, début, heure de début, inicio, "
        "hora de inicio, inizio, ora di inizio, início, hora de início, starttijd, starttid, alkuaika, początek, "
        "czas rozpoczęcia, začátek, начало, 開始時刻, 开始时间, 시작 시간"
    ),
    "date_time": (
        "date time, datetime, datum zeit, datum uhrzeit, datum und uhrzeit, date et heure, date heure, "
        "fecha y hora, fecha hora, data e ora, data ora, data e hora, data hora, datum en tijd, datum tijd, "
        "datum och tid, datum tid, dato og tid, dato tid, päivämäärä ja aika, data i godzina, data godzina, "
        "datum a čas, дата и время, 日時, 日期时间, 날짜 시간, 일시"
    ),
    "date": "date, datum, fecha, data, dato, päivämäärä, päiväys, дата, 日付, 日期, 날짜",
    "time_of_day": (
        "time of day, clock time, local time, uhrzeit, heure, hora, hora del día, ora, orario, tijdstip, "
        "klockslag, klokkeslett, klokkeslæt, kellonaika, godzina, hodina, время суток, 時刻, 时刻, 시각"
    ),
    "elapsed": (
        "elapsed, elapsed time, time elapsed, verstrichene zeit, vergangene zeit, temps écoulé, "
        "tiempo transcurrido, tempo trascorso, tempo decorrido, verstreken tijd, förfluten tid, medgått tid, "
        "forløpt tid, forløbet tid, kulunut aika, czas od startu, uplynulý čas, прошедшее время, 経過時間, "
        "经过时间, 已用时间, 경과 시간"
    ),
    "duration": (
        "duration, lap time, split time, dauer, rundenzeit, zwischenzeit, abschnittszeit, durée, temps au tour, "
        "duración, tiempo de vuelta, durata, tempo giro, tempo sul giro, duração, tempo da volta, duur, "
        "rondetijd, varvtid, varaktighet, rundetid, varighet, varighed, kierrosaika, kesto, czas okrążenia, "
        "czas trwania, doba trvání, čas kola, время круга, ラップタイム, 所要時間, 单圈时间, 圈时, 用时, "
        "랩 타임"
    ),
    "kilometre": (
        "kilometer, kilometre, kilomètre, kilómetro, chilometro, quilómetro, quilômetro, kilometri, kilometr, "
        "километр, キロ, キロメートル, 公里, 킬로미터"
    ),
    "lap": (
        "lap, laps, lap number, lap no, split, interval, runde, runden, abschnitt, tour, tours, vuelta, vueltas, "
        "giro, giri, volta, voltas, ronde, rondes, varv, omgang, kierros, okrążenie, kolo, круг, ラップ, 圈数, "
        "圈, 计圈, 랩"
    ),
    "step": (
        "step number, step no, schritt nummer, schrittnummer, schritt, pas numéro, paso, passo, stap, askel, "
        "krok, шаг, 歩, 步, 步数序号"
    ),
    "foot": (
        "foot, side, leg, fuß, seite, bein, pied, côté, pie, lado, piede, lato, pé, voet, kant, fot, sida, fod, "
        "jalka, stopa, strona, noha, strana, нога, сторона, 足, 左右, 脚, 发"
    ),
    "distance": (
        "distance, dist, total distance, distance covered, cumulative distance, distanz, strecke, entfernung, "
        "gesamtdistanz, distance totale, distancia, distancia total, distanza, distância, distância total, "
        "afstand, distans, sträcka, distanse, matka, etäisyys, dystans, odległość, vzdálenost, дистанция, "
        "расстояние, 距離, 累積距離, 距离, 总距离, 거리"
    ),
    "length": (
        "length, lap distance, split distance, lap length, rundendistanz, rundenlänge, distance au tour, "
        "distancia de vuelta, distanza giro, distância da volta, rondeafstand, varvdistans, rundedistanse, "
        "kierrosmatka, dystans okrążenia, vzdálenost kola, длина круга, ラップ距離, 单圈距离, 랩 거리"
    ),
    "speed": (
        "speed, velocity, geschwindigkeit, vitesse, velocidad, velocità, velocidade, snelheid, hastighet, "
        "hastighed, fart, nopeus, prędkość, rychlost, скорость, 速度, スピード, 속도"
    ),
    "pace": (
        "pace, running pace, lauftempo, allure, ritmo, andatura, passo al km, cadência de ritmo, looptempo, "
        "löptempo, vauhti, tempo biegu, tempo běhu, темп, ペース, 配速, 페이스"
    ),
    "altitude": (
        "altitude, alt, elevation, ele, height, höhe, höhe über meer, meereshöhe, élévation, altitud, elevación, "
        "altitudine, quota, elevação, hoogte, höjd, høyde, højde, korkeus, wysokość, nadmořská výška, výška, "
        "высота, 高度, 標高, 海拔, 고도"
    ),
    "latitude": (
        "latitude, lat, breite, breitengrad, latitud, latitudine, breedtegraad, breddgrad, breddegrad, "
        "leveysaste, szerokość geograficzna, zeměpisná šířka, широта, 緯度, 纬度, 위도"
    ),
    "longitude": (
        "longitude, lon, lng, long, länge, längengrad, longitud, longitudine, lengtegraad, längdgrad, "
        "lengdegrad, længdegrad, pituusaste, długość geograficzna, zeměpisná délka, долгота, 経度, 经度, 경도"
    ),
    "cadence": (
        "cadence, cad, run cadence, running cadence, step rate, step frequency, kadenz, trittfrequenz, "
        "schrittfrequenz, schrittrate, laufkadenz, cadence de course, cadence de pas, fréquence de pas, "
        "cadencia, cadencia de carrera, cadenza, cadência, cadência de corrida, cadans, loopcadans, "
        "stapfrequentie, kadens, stegfrekvens, löpkadens, skrittfrekvens, skridtfrekvens, askeltiheys, kadenssi, "
        "kadencja, rytm kroku, kadence, каденс, частота шагов, ピッチ, ケイデンス, 步频, 跑步步频, 步頻, "
        "케이던스"
    ),
    "step_rate": (
        "spm, steps min, steps minute, schritte min, schritte minute, pas min, pasos min, passi min, passos min, "
        "stappen min, steg min, skritt min, skridt min, kroki min"
    ),
    "stride_rate": "strides min, strides minute, doppelschritte min",
    "contact_time": (
        "contact time, ground contact time, ground contact, stance time, gct, bodenkontaktzeit, bodenkontakt, "
        "kontaktzeit, standzeit, temps de contact, temps de contact au sol, tiempo de contacto, "
        "tiempo de contacto con el suelo, tempo di contatto, tempo di contatto con il suolo, "
        "tempo di contatto al suolo, tempo de contato, tempo de contacto, tempo de contato com o solo, "
        "tempo de contacto com o solo, contacttijd, grondcontacttijd, kontakttid, markkontakttid, markkontakt, "
        "bakkekontakttid, bakkekontakt, jordkontakttid, kosketusaika, maakosketusaika, czas kontaktu, "
        "czas kontaktu z podłożem, czas kontaktu z ziemią, doba kontaktu, doba kontaktu se zemí, время контакта, "
        "время контакта с землей, 接地時間, 触地时间, 着地时间, 接地时间, 지면 접촉 시간"
    ),
    "contact_time_left": (
        "contact time left, left contact time, ground contact time left, left ground contact time, contact left, "
        "bodenkontaktzeit links, kontaktzeit links, temps de contact gauche, tiempo de contacto izquierdo, "
        "tempo di contatto sinistro, tempo de contato esquerdo, contacttijd links, kontakttid vänster, "
        "kontakttid venstre, czas kontaktu lewa, 左接地時間, 接地時間 左, 左脚触地时间, 左触地时间"
    ),
    "contact_time_right": (
        "contact time right, right contact time, ground contact time right, right ground contact time, "
        "contact right, bodenkontaktzeit rechts, kontaktzeit rechts, temps de contact droit, "
        "tiempo de contacto derecho, tempo di contatto destro, tempo de contato direito, contacttijd rechts, "
        "kontakttid höger, kontakttid høyre, kontakttid højre, czas kontaktu prawa, 右接地時間, 接地時間 右, "
        "右脚触地时间, 右触地时间"
    ),
    "flight_time": (
        "flight time, air time, aerial time, flugzeit, flugphase, temps de vol, temps de suspension, "
        "tiempo de vuelo, tempo di volo, tempo de voo, vluchttijd, zweeftijd, flygtid, svevtid, svævetid, "
        "lentoaika, czas lotu, doba letu, время полета, 滞空時間, 腾空时间, 체공 시간"
    ),
    "step_length": (
        "step length, schrittlänge, longueur de pas, longitud de paso, lunghezza del passo, "
        "comprimento do passo, staplengte, steglängd, skrittlengde, skridtlængde, askelpituus, długość kroku, "
        "délka kroku, длина шага, 歩幅, 步长, 步幅, 보폭"
    ),
    "stride_length": (
        "stride length, doppelschrittlänge, longueur de foulée, longitud de zancada, lunghezza della falcata, "
        "comprimento da passada, paslengte, stridelängd, ストライド, ストライド長"
    ),
    "vertical_oscillation": (
        "vertical oscillation, vertikale bewegung, vertikale oszillation, vertikalbewegung, "
        "oscillation verticale, oscilación vertical, oscillazione verticale, oscilação vertical, "
        "verticale oscillatie, vertikal rörelse, vertikal oscillation, vertikal svingning, vertikal bevegelse, "
        "pystysuuntainen liike, oscylacja pionowa, odchylenie pionowe, vertikální oscilace, "
        "вертикальные колебания, 上下動, 垂直振幅, 垂直摆动, 수직 진폭"
    ),
    "contact_balance": (
        "contact balance, contact time balance, ground contact time balance, stance time balance, gct balance, "
        "balance der bodenkontaktzeit, bodenkontaktzeit balance, équilibre du temps de contact au sol, "
        "equilibrio del tiempo de contacto con el suelo, bilanciamento del tempo di contatto, "
        "balans grondcontacttijd, 接地時間バランス, 触地时间平衡"
    ),
    "power": (
        "power, leistung, puissance, potencia, potenza, potência, vermogen, effekt, teho, moc, výkon, мощность, "
        "パワー, 功率"
    ),
    "temperature": (
        "temperature, temperatur, température, temperatura, temperatuur, lämpötila, teplota, температура, 温度, "
        "気温, 온도"
    ),
    "heart_rate": (
        "heart rate, heartrate, hr, pulse, herzfrequenz, puls, hf, fréquence cardiaque, fc, pouls, "
        "frecuencia cardíaca, frecuencia cardiaca, pulso, pulsaciones, frequenza cardiaca, battito, "
        "frequência cardíaca, hartslag, hartfrequentie, hjärtfrekvens, hjertefrekvens, syke, tętno, "
        "tepová frequency, tepová frekvence, srdeční tep, srdeční frekvence, пульс, чсс, 心拍数, 心拍, 心率, "
        "심박수, 심박"
    ),
    "sport": (
        "sport, activity type, sportart, aktivitätsart, type d'activité, deporte, tipo de actividad, "
        "tipo di attività, esporte, desporto, tipo de atividade, activiteitstype, aktivitetstyp, aktivitetstype, "
        "laji, typ aktywności, typ aktivity, вид спорта, スポーツ, 运动类型, 운동 종류"
    ),
    "recording": (
        "recording, recording id, recording number, activity id, activity number, session, session id, session number, "
        "run id, run number, file, file name, filename, aufzeichnung, datei, dateiname, fichier, nom du fichier, "
        "enregistrement, archivo, grabación, registrazione, ficheiro, gravação, bestand, opname, "
        "fil, filnamn, filnavn, tiedosto, plik, nagranie, soubor, záznam, файл, запись, ファイル, 記録, 文件, 记录, "
        "파일, 기록"
    ),
}  # fmt: skip

#: Unit as it may be written -> unit.
_UNIT_WORDS: Mapping[str, str] = {
    "ms": (
        "ms, msec, millisecond, milliseconds, millisekunden, millisecondes, milisegundos, millisecondi, "
        "milissegundos, milliseconden, millisekunder, milisekundy, мс, ミリ秒, 毫秒, 밀리초"
    ),
    "s": (
        "s, sec, secs, second, seconds, sek, sekunden, seconde, secondes, segundos, secondi, seconden, sekunder, "
        "sekuntia, sekundy, sekund, с, сек, 秒, 초"
    ),
    "min": (
        "min, mins, minutes, minuten, minutos, minuti, minuter, minutter, minuuttia, minuty, мин, 分, 分钟, 분"
    ),
    "hms": "hms, h mm ss, hh mm ss, h m s, h min s, mm ss, hh mm, 时分秒",
    "m": (
        "m, meter, meters, metre, metres, mètres, metros, metri, metrów, metrů, metriä, м, メートル, 米, 公尺, "
        "미터, m ü m, m ü nn, m asl, müm"
    ),
    "km": (
        "km, kilometer, kilometers, kilometre, kilometres, kilomètres, kilómetros, chilometri, quilómetros, "
        "quilômetros, kilometriä, kilometry, км, キロメートル, 公里, 千米, 킬로미터"
    ),
    "mi": "mi, mile, miles, meilen, milles, millas, miglia, milhas, mijlen, マイル, 英里",
    "ft": "ft, feet, fuß, pieds, pies, piedi, pés, voet, フィート, 英尺",
    "cm": (
        "cm, centimeter, centimetre, centimeters, centimetres, zentimeter, centimètres, centímetros, センチ, "
        "厘米, см"
    ),
    "mm": (
        "mm, millimeter, millimetre, millimeters, millimetres, millimètres, milímetros, millimetri, ミリ, 毫米, "
        "мм"
    ),
    "m_s": "m s, mps, meters second, m sek, м с, 米 秒, m s 1",
    "km_h": "km h, kmh, kph, km std, km t, km u, km hr, km tim, км ч, 公里 小时, 千米 小时, km 時",
    "mph": "mph, mi h, miles hour",
    "min_km": "min km, mins km, minutes km, minuten km, mm ss km, мин км, 分 km, 分 公里, 分钟 公里, 분 km",
    "s_km": "s km, sec km, sek km, seconds km, 秒 公里, 秒 km",
    "min_mi": "min mi, min mile, minutes mile, mins mile, 分 英里",
    "steps_min": (
        "spm, steps min, step min, steps minute, schritte min, schritte minute, pas min, pas minute, pasos min, "
        "passi min, passos min, stappen min, steg min, skritt min, skridt min, askelta min, kroki min, "
        "kroków min, kroků min, шаг мин, шагов мин, 歩 分, 步 分, 步 分钟, 步 分鐘, 걸음 분"
    ),
    "strides_min": "strides min, stride min, doppelschritte min, one foot min",
    "steps_s": "steps s, step s, steps sec, schritte s, pas s, hz steps",
    "bpm": (
        "bpm, s min, 1 min, beats min, schläge min, bat min, battements min, lpm, ppm, pul min, latidos min, "
        "bat m, slag min, slagen min, lyöntiä min, uderzenia min, uderzeń min, tepů min, уд мин, 拍 分, 次 分, "
        "次 分钟, 回 分"
    ),
    "pct": "pct, percent, prozent, pour cent, por ciento, procent, prosent",
    "deg": "deg, degree, degrees, grad, degrés, grados, gradi, graus, graden, 度",
    "semicircles": "semicircles, semicircle",
    "w": "w, watt, watts",
    "c": "c, deg c, celsius",
    "f": "f, deg f, fahrenheit",
    "left": (
        "left, l, links, gauche, izquierda, sinistra, esquerda, vänster, venstre, lewa, 左, left pct, l pct, "
        "pct left, pct l, links pct"
    ),
    "right": (
        "right, r, rechts, droite, derecha, destra, direita, höger, høyre, højre, prawa, 右, right pct, r pct, "
        "pct right, pct r, rechts pct"
    ),
    "utc": "utc, gmt, z",
    "epoch_s": "epoch, epoch s, unix, unix s, posix, since 1970, s since 1970",
    "epoch_ms": "epoch ms, unix ms, ms since 1970",
    "excel": "excel, excel days, spreadsheet days",
}  # fmt: skip

#: Quantity and unit -> the column. What is missing here stays open.
_COLUMN_OF: Mapping[tuple[str, str], str] = {
    ("time", "utc"): "time_utc", ("date_time", ""): "date_time", ("date_time", "utc"): "time_utc",
    ("time", "epoch_s"): "time_epoch_s", ("time", "epoch_ms"): "time_epoch_ms", ("time", "excel"): "time_excel_days",
    ("date", ""): "date", ("start", ""): "started_at_utc", ("start", "utc"): "started_at_utc",
    ("time_of_day", ""): "time_of_day", ("time_of_day", "hms"): "time_of_day",
    ("elapsed", "s"): "elapsed_s", ("elapsed", "ms"): "elapsed_ms", ("elapsed", "min"): "elapsed_min",
    ("elapsed", "hms"): "elapsed_hms",
    ("duration", "s"): "duration_s", ("duration", "ms"): "duration_ms", ("duration", "min"): "duration_min",
    ("duration", "hms"): "duration_hms",
    ("lap", ""): "lap", ("step", ""): "step", ("foot", ""): "foot", ("sport", ""): "sport",
    ("recording", ""): "recording",
    ("distance", "m"): "distance_m", ("distance", "km"): "distance_km", ("distance", "mi"): "distance_mi",
    ("length", "m"): "length_m", ("length", "km"): "length_km", ("length", "mi"): "length_mi",
    ("speed", "m_s"): "speed_m_s", ("speed", "km_h"): "speed_km_h", ("speed", "mph"): "speed_mph",
    ("pace", "min_km"): "pace_min_per_km", ("pace", "s_km"): "pace_s_per_km", ("pace", "min_mi"): "pace_min_per_mile",
    ("altitude", "m"): "altitude_m", ("altitude", "ft"): "altitude_ft",
    ("latitude", "deg"): "latitude_deg", ("latitude", "semicircles"): "latitude_semicircles",
    ("longitude", "deg"): "longitude_deg", ("longitude", "semicircles"): "longitude_semicircles",
    ("cadence", "steps_min"): "cadence_spm", ("cadence", "strides_min"): "cadence_strides_min",
    ("cadence", "steps_s"): "cadence_steps_s",
    ("step_rate", ""): "cadence_spm", ("stride_rate", ""): "cadence_strides_min",
    ("tempo", "min_km"): "pace_min_per_km", ("tempo", "s_km"): "pace_s_per_km",
    ("tempo", "min_mi"): "pace_min_per_mile",
    ("tempo", "km_h"): "speed_km_h", ("tempo", "m_s"): "speed_m_s", ("tempo", "mph"): "speed_mph",
    ("contact_time", "ms"): "contact_time_ms", ("contact_time", "s"): "contact_time_s",
    ("contact_time_left", "ms"): "contact_time_left_ms", ("contact_time_left", "s"): "contact_time_left_s",
    ("contact_time_right", "ms"): "contact_time_right_ms", ("contact_time_right", "s"): "contact_time_right_s",
    ("flight_time", "ms"): "flight_time_ms", ("flight_time", "s"): "flight_time_s",
    ("step_length", "m"): "step_length_m", ("step_length", "cm"): "step_length_cm",
    ("step_length", "mm"): "step_length_mm",
    ("stride_length", "m"): "stride_length_m", ("stride_length", "cm"): "stride_length_cm",
    ("vertical_oscillation", "mm"): "vertical_oscillation_mm",
    ("vertical_oscillation", "cm"): "vertical_oscillation_cm",
    ("vertical_oscillation", "m"): "vertical_oscillation_m",
    ("contact_balance", "left"): "contact_balance_pct", ("contact_balance", "right"): "contact_balance_right_pct",
    ("power", "w"): "power_w", ("temperature", "c"): "temperature_c", ("temperature", "f"): "temperature_f",
    ("heart_rate", ""): "heart_rate_bpm", ("heart_rate", "bpm"): "heart_rate_bpm",
}  # fmt: skip

#: Words of the mean, which the row of a lap or a kilometre holds; they change neither quantity nor unit.
_MEAN = frozenset((
    "avg", "average", "mean", "durchschnittliche", "durchschnittlicher", "durchschnittliches", "durchschn",
    "durchschnitt", "mittlere", "mittleres", "o", "ø", "moy", "moyen", "moyenne", "media", "medio", "promedio",
    "medie", "gem", "gemiddelde", "snitt", "genomsnittlig", "gjennomsnittlig", "gennemsnitlig",
    "keskimaarainen", "srednia", "srednie", "sr", "prumerna", "prumerny", "средняя", "средний",
))  # fmt: skip
_MEAN_BEFORE = ("平均", "평균")


def folded(header: str) -> str:
    """A header in `plain` spelling, without accents: `Höhe (m)` is `hohe_m`."""
    letters = unicodedata.normalize("NFKD", header.casefold())
    return plain("".join(letter for letter in letters if unicodedata.category(letter) != "Mn"))


def _by_words(words: Mapping[str, str]) -> Mapping[str, str]:
    return MappingProxyType(
        {folded(word): name for name, listed in words.items() for word in listed.split(", ") if word}
    )


_QUANTITIES, _UNITS = _by_words(_WORDS), _by_words(_UNIT_WORDS)


class Meaning(NamedTuple):
    """What a header says: the `column` of `COLUMNS`, or the `choices` that its missing unit leaves, or neither."""

    column: str | None = None
    choices: Mapping[str, str] = MappingProxyType({})


UNKNOWN = Meaning()


@lru_cache(maxsize=4096)
def meaning_of(header: str) -> Meaning:
    """What a header means: by our own names first, then by the words of the languages."""
    spelled = plain(header[:200])
    if name := BY_PLAIN_SPELLING.get(spelled):
        return Meaning(name)
    quantity, unit = _quantity_and_unit(folded(header[:200]))
    if quantity is None:
        return UNKNOWN
    if name := _COLUMN_OF.get((quantity, unit)):
        return Meaning(name)
    choices = CHOICES_OF.get("time" if quantity == "date_time" else quantity, {})
    if unit and unit != "?":
        choices = {name: reason for name, reason in choices.items() if name.endswith(f"_{unit}")} or choices
    is_open = not unit or any(name.endswith(f"_{unit}") for name in choices)
    # What is counted per minute, of one foot or of both, such units do not say.
    is_open = is_open or (quantity == "cadence" and unit in ("?rpm", "bpm", "?min"))
    return Meaning(choices=choices) if choices and is_open else UNKNOWN


def _quantity_and_unit(spelled: str) -> tuple[str | None, str]:
    """The longest words of a quantity that a header begins with, and the unit that follows; "?" and it if unknown."""
    tokens = [token for token in spelled.split("_") if token not in _MEAN] or spelled.split("_")
    for before in _MEAN_BEFORE:
        tokens[0] = tokens[0].removeprefix(before) or tokens[0]
    for n in range(len(tokens), 0, -1):
        if quantity := _QUANTITIES.get("_".join(tokens[:n])):
            rest = "_".join(tokens[n:])
            return quantity, _UNITS.get(rest, f"?{rest}") if rest else ""
    # Chinese and Japanese have no blanks between words.
    first = tokens[0]
    if not first.isascii():
        for n in range(len(first) - 1, 0, -1):
            if quantity := _QUANTITIES.get(first[:n]):
                rest = "_".join((first[n:], *tokens[1:]))
                return quantity, _UNITS.get(rest, f"?{rest}")
    return None, ""


def is_known(header: str) -> bool:
    """Whether a header means something, with or without its unit."""
    return meaning_of(header) != UNKNOWN


def is_unit(cell: str) -> bool:
    """Whether a cell is the name of a unit."""
    return folded(cell[:40]) in _UNITS


def closest(header: str) -> tuple[str, ...]:
    """Up to two names of columns that the end of a header names, such as `pod_stance_time`; else those whose spelling,
    or whose word in some language, is close to it.
    """
    spelled = folded(header[:80])
    if named := _named_at_the_end(spelled):
        return named[:2]
    near = difflib.get_close_matches(spelled, [*BY_PLAIN_SPELLING, *_QUANTITIES], n=3, cutoff=0.75)
    names: list[str] = []
    for word in near:
        quantity = _QUANTITIES.get(word, "")
        choices = CHOICES_OF.get(quantity) or [name for (of, _), name in _COLUMN_OF.items() if of == quantity]
        names += [BY_PLAIN_SPELLING[word]] if word in BY_PLAIN_SPELLING else [*choices][:2]
    return tuple(dict.fromkeys(name for name in names if name in COLUMNS))[:2]


def _named_at_the_end(spelled: str) -> tuple[str, ...]:
    """The measures that a header names behind words of its own; no words such as `data`, which is a date in Italian."""
    tokens = spelled.split("_")
    for n in range(1, len(tokens)):
        meaning = meaning_of("_".join(tokens[n:]))
        names = (*meaning.choices, *([meaning.column] if meaning.column else []))
        if measures := tuple(name for name in names if COLUMNS[name].written_as != "word"):
            return measures
    return ()
