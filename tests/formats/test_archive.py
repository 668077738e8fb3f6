"""Archives: what comes out of them, and what is refused before it can do harm."""

from __future__ import annotations

import bz2
import gzip
import io
import random
import struct
import tracemalloc
import zipfile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.core.errors import Refused
from pipeline.formats.archive import Member, unpack

RUN = b"elapsed_s,distance_m\n0,0\n1,3\n"


def zipped(files: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", method) as archive:
        for name, content in files.items():
            # An entry made by hand keeps its name as it is, and its time is the same in every run.
            archive.writestr(zipfile.ZipInfo(name), content, method)
    return buffer.getvalue()


def unpacked(name: str, content: bytes, *, max_unpacked_bytes: int = 1000, max_members: int = 3) -> list[Member]:
    return unpack(name, content, max_unpacked_bytes=max_unpacked_bytes, max_members=max_members)


def refusal(name: str, content: bytes, *, max_unpacked_bytes: int = 1000, max_members: int = 3) -> str:
    with pytest.raises(Refused) as caught:
        unpacked(name, content, max_unpacked_bytes=max_unpacked_bytes, max_members=max_members)
    return str(caught.value)


def test_a_plain_file_is_its_own_member():
    assert unpacked("run.csv", RUN) == [Member("run.csv", RUN)]


def test_a_plain_file_may_be_larger_than_the_limit_on_unpacking():
    assert unpacked("run.csv", RUN, max_unpacked_bytes=1) == [Member("run.csv", RUN)]


@pytest.mark.parametrize(
    ("name", "expected"), [("run.fit.gz", "run.fit"), ("RUN.CSV.GZ", "RUN.CSV"), ("run.fit", "run.fit")]
)
def test_gzip_is_unpacked_whatever_the_file_is_called(name: str, expected: str):
    assert unpacked(name, gzip.compress(RUN, mtime=0)) == [Member(expected, RUN)]


def test_a_gzip_file_of_several_parts_is_joined():
    assert unpacked("run.csv.gz", gzip.compress(RUN[:10]) + gzip.compress(RUN[10:])) == [Member("run.csv", RUN)]


def test_a_zip_gives_its_files_in_order_with_their_folders():
    content = zipped({"spring/b.csv": RUN, "a.csv": b"x"})
    assert unpacked("club.zip", content) == [Member("spring/b.csv", RUN), Member("a.csv", b"x")]


def test_a_gzip_file_inside_a_zip_is_unpacked_too():
    content = zipped({"a.fit.gz": gzip.compress(b"fit"), "b.fit": gzip.compress(b"really gzip")})
    assert unpacked("club.zip", content) == [Member("a.fit", b"fit"), Member("b.fit", b"really gzip")]


def test_folders_and_hidden_files_are_skipped_and_not_counted():
    content = zipped(
        {"runs/": b"", "__MACOSX/._a.csv": b"x", ".DS_Store": b"x", ".git/config": b"x", "runs/a.csv": RUN}
    )
    assert unpacked("club.zip", content, max_members=1) == [Member("runs/a.csv", RUN)]


@pytest.mark.parametrize(
    "path",
    ["../a.csv", "runs/../../a.csv", "/etc/a.csv", "C:\\a.csv", "c:a.csv", "..\\a.csv", "\\\\host\\share\\a.csv"],
)
def test_a_path_that_leads_out_of_the_archive_is_refused(path: str):
    text = refusal("club.zip", zipped({"good.csv": RUN, path: RUN}))
    assert f'The archive holds "{path}", a path that leads out of its own folder.' in text


def test_an_encrypted_archive_is_refused_with_what_to_do():
    content = bytearray(zipped({"a.csv": RUN}))
    central = content.index(b"PK\x01\x02")
    content[central + 8] |= 1  # the flag that a password is needed
    text = refusal("club.zip", bytes(content))
    assert "The archive is encrypted: a.csv needs a password." in text
    assert "Unpack it with the password" in text


def test_an_archive_in_an_archive_in_an_archive_is_refused():
    inner = zipped({"a.csv": RUN})
    for name, content in {
        "club.zip": zipped({"inner.zip": inner}),
        "inner.zip.gz": gzip.compress(inner),
        "a.csv.gz.gz": gzip.compress(gzip.compress(RUN, mtime=0), mtime=0),
        "twice.zip": zipped({"a.csv.gz.gz": gzip.compress(gzip.compress(RUN, mtime=0), mtime=0)}),
    }.items():
        text = refusal(name, content)
        assert "The archive holds another archive" in text
        assert "only a .gz inside a .zip is unpacked" in text


@pytest.mark.parametrize(("max_unpacked_bytes", "is_refused"), [(100, False), (99, True)])
def test_the_limit_on_the_unpacked_size_is_exact(max_unpacked_bytes: int, is_refused: bool):
    for name, content in {
        "a.csv.gz": gzip.compress(b"x" * 100),
        "a.zip": zipped({"a.csv": b"x" * 60, "b.csv": b"x" * 40}),
    }.items():
        if is_refused:
            assert "unpacks to more than 99 bytes" in refusal(name, content, max_unpacked_bytes=max_unpacked_bytes)
        else:
            members = unpacked(name, content, max_unpacked_bytes=max_unpacked_bytes)
            assert sum(len(member.content) for member in members) == 100


def test_a_bomb_is_refused_before_it_fills_the_memory():
    bomb = gzip.compress(bytes(50_000_000))
    for name, content in {
        "a.csv.gz": bomb,
        "a.zip": zipped({"a.csv": bytes(50_000_000)}),
        "b.zip": zipped({"a": bomb}),
    }.items():
        tracemalloc.start()
        try:
            assert "unpacks to more than 100,000 bytes" in refusal(name, content, max_unpacked_bytes=100_000)
            assert tracemalloc.get_traced_memory()[1] < 5_000_000
        finally:
            tracemalloc.stop()


def test_a_declared_size_is_not_trusted():
    content = bytearray(zipped({"a.csv": b"x" * 500}))
    central = content.index(b"PK\x01\x02")
    content[central + 24 : central + 28] = struct.pack("<I", 5)  # says that it unpacks to 5 bytes
    assert "The archive is damaged" in refusal("club.zip", bytes(content), max_unpacked_bytes=100)


def test_a_packing_that_can_expand_without_bound_is_refused():
    content = zipped({"a.csv": RUN}, zipfile.ZIP_BZIP2)
    assert bz2.compress(RUN) in content
    assert "expected the ordinary ZIP (deflate)" in refusal("club.zip", content)


def test_the_limit_on_the_number_of_files_is_exact():
    three = {f"{n}.csv": b"x" for n in range(3)}
    assert len(unpacked("club.zip", zipped(three))) == 3
    assert "The archive holds 4 files, expected at most 3." in refusal("club.zip", zipped({**three, "3.csv": b"x"}))


@pytest.mark.parametrize(
    ("name", "content", "expected"),
    [
        ("a.csv.gz", gzip.compress(RUN, mtime=0)[:-9], "a.csv.gz is damaged"),
        ("a.csv.gz", gzip.compress(RUN, mtime=0)[:-8] + bytes(8), "a.csv.gz is damaged"),
        ("a.zip", zipped({"a.csv": RUN})[:-30], "The archive is damaged"),
        ("a.zip", zipped({"a.csv": RUN}, zipfile.ZIP_STORED).replace(RUN, RUN[::-1]), "The archive is damaged"),
        ("a.zip", b"not a zip", "The file is named .zip but does not begin like one."),
        ("a.csv.gz", b"", "The file is named .gz but does not begin like one."),
        ("a.zip", zipped({}), "The archive holds no file."),
        ("a.zip", zipped({"runs/": b"", ".hidden": b"x"}), "The archive holds no file."),
    ],
)
def test_an_archive_that_cannot_be_read_says_why(name: str, content: bytes, expected: str):
    assert expected in refusal(name, content)


VALID = [
    zipped({"a.csv": RUN, "b/c.csv.gz": gzip.compress(RUN, mtime=0)}),
    zipped({"a.csv": RUN, "d/": b""}, zipfile.ZIP_STORED),
    gzip.compress(RUN, mtime=0),
]


@settings(max_examples=150, deadline=None)
@given(start=st.sampled_from([b"", b"PK\x03\x04", b"PK\x05\x06", b"\x1f\x8b\x08"]), rest=st.binary(max_size=200))
def test_bytes_of_any_kind_are_unpacked_or_refused(start: bytes, rest: bytes):
    refuse_or_hold(start + rest)


@settings(max_examples=400, deadline=None)
@given(content=st.sampled_from(VALID), seed=st.integers(0, 2**32))
def test_an_archive_with_bytes_changed_is_unpacked_or_refused(content: bytes, seed: int):
    source = random.Random(seed)
    changed = bytearray(content)
    for _ in range(source.randint(1, 5)):
        changed[source.randrange(len(changed))] = source.choice([0, 1, 0xFF, source.randrange(256)])
    refuse_or_hold(bytes(changed[: source.choice([len(changed), source.randint(4, len(changed))])]))


def refuse_or_hold(content: bytes) -> None:
    try:
        members = unpacked("a.fit", content, max_unpacked_bytes=500)
    except Refused:
        return
    assert 1 <= len(members) <= 3
    assert all(".." not in member.name.split("/") for member in members)
    assert sum(len(member.content) for member in members) <= 500
