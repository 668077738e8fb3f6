"""Bytes as text: encodings that the file shows by itself, and those that columns.toml names."""

from __future__ import annotations

import pytest

from pipeline.core.errors import Refused
from pipeline.formats.cells import read_table
from pipeline.formats.text import ENCODINGS, decoded

JAPANESE = "経過時間(秒),距離(m),ピッチ(歩/分)\n0,0,170\n1,3,170\n"
CHINESE = "经过时间(秒),距离(米),步频(步/分)\n0,0,170\n1,3,170\n"
GERMAN = "Verstrichene Zeit (s),Höhe (m),Strecke (m)\n0,0,0\n1,3,3\n"
POLISH = "Czas od startu (s),Wysokość (m),Tętno\n0,0,0\n1,3,3\n"
RUSSIAN = "Прошедшее время (с),Дистанция (м),Пульс\n0,0,140\n1,3,140\n"
KOREAN = "경과 시간(초),거리(m),심박수\n0,0,140\n1,3,140\n"


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        (GERMAN, "utf-8"), (GERMAN, "windows-1252"), (GERMAN, "utf-16-le"), (GERMAN, "utf-16-be"), (GERMAN, "utf-16"),
        (POLISH, "windows-1250"), (RUSSIAN, "windows-1251"), (JAPANESE, "shift_jis"), (JAPANESE, "euc_jp"),
        (JAPANESE, "utf-16-le"), (CHINESE, "gb18030"), (CHINESE, "utf-16-be"), (KOREAN, "euc_kr"),
    ],
)  # fmt: skip
def test_the_encoding_is_that_under_which_the_headers_mean_something(text: str, encoding: str):
    table = read_table(text.encode(encoding))
    assert table.headers == text.partition("\n")[0].split(",")
    assert table.encoding == encoding


@pytest.mark.parametrize("encoding", ENCODINGS)
def test_an_encoding_that_columns_toml_names_is_used(encoding: str):
    assert decoded("a,b\n".encode(encoding), encoding, len) == ("a,b\n", encoding)


def test_a_file_that_is_not_in_the_named_encoding_is_refused():
    with pytest.raises(Refused, match=r"columns\.toml says that the file is in utf-8, but byte 2 of it is not"):
        decoded(b"ab\xff", "utf-8", len)


def test_where_the_headers_say_nothing_it_is_the_most_common_of_the_older_encodings():
    assert decoded("übrig,nichts\n".encode("cp1252"), None, lambda _: 0) == ("übrig,nichts\n", "windows-1252")
