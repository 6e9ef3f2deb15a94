"""Captures packed with gzip: read as what is in them, and refused with a reason where that can't be."""

from __future__ import annotations

import struct
import tempfile
import zlib
from dataclasses import replace
from pathlib import Path

import pytest

from profiles.bench.decoding import decode_capture
from profiles.bench.readers import opening
from profiles.bench.readers.opening import read_capture
from profiles.bench.readers.packed import name_unpacked
from profiles.bench.report import as_json
from profiles.errors import FileUnreadable
from tests.profiles.bench.captures import write_logic

SHIPPED = Path(__file__).parents[2] / "data" / "captures" / "power-on_1.csv"
VCD = b"$timescale 1 us $end $var wire 1 ! tx $end $enddefinitions $end #0 1! #1000 0! #1208 1! #9000 1!\n"
MESSAGE = b"\xa5\x01\x01\x02"


def member(data: bytes, *, name: bytes = b"") -> bytes:
    """One member as RFC 1952 describes it: 2.3 header, name, deflated data, CRC-32, length."""
    squeezed = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    head = b"\x1f\x8b\x08" + bytes([8 if name else 0]) + struct.pack("<I", 0) + b"\x02\xff"
    head += name + b"\0" if name else b""
    body = squeezed.compress(data) + squeezed.flush()
    return head + body + struct.pack("<II", zlib.crc32(data), len(data) & 0xFFFFFFFF)


@pytest.fixture
def scratch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where content is unpacked to."""
    folder = tmp_path / "scratch"
    folder.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    return folder


@pytest.mark.parametrize("name", [b"", b"power-on_1.csv"])
def test_a_packed_table_says_what_the_plain_one_says(tmp_path: Path, scratch: Path, name: bytes) -> None:
    path = tmp_path / "power-on_1.csv.gz"
    path.write_bytes(member(SHIPPED.read_bytes(), name=name))
    plain, found = decode_capture(SHIPPED), decode_capture(path)
    assert as_json(found) == as_json(replace(plain, capture=found.capture))
    assert found.capture.file == str(path)
    assert found.capture.kind == f"{plain.capture.kind}, packed"
    assert list(scratch.iterdir()) == []


def test_what_is_in_it_is_told_by_its_content(tmp_path: Path) -> None:
    path = tmp_path / "line.any"
    path.write_bytes(member(VCD))
    assert [channel.name for channel in read_capture(path).channels] == ["tx"]


@pytest.mark.parametrize("name", [".gz", "..gz", "...gz", "....gz", "a.GZ", "a..gz"])
def test_a_name_that_is_little_but_its_ending_is_a_name(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(member(VCD))
    assert [channel.name for channel in read_capture(path).channels] == ["tx"]
    assert name_unpacked(path).parent == tmp_path
    assert name_unpacked(path).stem.strip()


def test_members_follow_each_other(tmp_path: Path) -> None:
    # RFC 1952, 2.2: a file is a series of members; what is in them is put together.
    data = write_logic(tmp_path / "a.csv", [MESSAGE]).read_bytes()
    cut = data.index(b"\n", 100) + 1
    path = tmp_path / "a.csv.gz"
    path.write_bytes(member(data[:cut]) + member(data[cut:]))
    (channel,) = decode_capture(path).channels
    assert bytes(channel.main.values) == MESSAGE


WHOLE = member(SHIPPED.read_bytes())


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (WHOLE[:-3], "cut off"),
        (WHOLE[:2000], "cut off"),
        (WHOLE[:5], "cut off"),
        (WHOLE[:-8] + b"\0\0\0\0" + WHOLE[-4:], "damaged"),
        (WHOLE[:40] + bytes(200) + WHOLE[240:], "damaged"),
        (WHOLE + b"more", "damaged"),
        (member(b""), "empty"),
        (member(b"no numbers here\nnor here\n"), "no rows of numbers"),
        (member(WHOLE), "packed twice"),
        (member(bytes(range(256)) * 20), "no text"),
    ],
)
def test_what_is_no_packed_capture(tmp_path: Path, scratch: Path, content: bytes, reason: str) -> None:
    path = tmp_path / "capture.csv.gz"
    path.write_bytes(content)
    with pytest.raises(FileUnreadable, match=reason) as caught:
        read_capture(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert str(scratch) not in str(caught.value)
    assert list(scratch.iterdir()) == []


def test_a_small_file_that_holds_too_much(
    tmp_path: Path, scratch: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(opening, "MOST_BYTES", 3 << 20)
    path = tmp_path / "capture.csv.gz"
    path.write_bytes(member(b"0,1\n" * (1 << 20)))
    with pytest.raises(FileUnreadable, match="holds more than"):
        read_capture(path)
    assert path.stat().st_size < 20_000
    assert list(scratch.iterdir()) == []


def test_without_a_place_for_its_content(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "capture.csv.gz"
    path.write_bytes(WHOLE)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "nowhere"))
    with pytest.raises(FileUnreadable, match=r"can't be unpacked \(No such file or directory\); see that"):
        read_capture(path)


def test_unpacking_is_told_and_can_be_ended(tmp_path: Path, scratch: Path) -> None:
    path = tmp_path / "capture.csv.gz"
    path.write_bytes(WHOLE)
    told: list[tuple[int, int]] = []
    read_capture(path, progress=lambda done, of: told.append((done, of)))
    assert told[0] == (len(WHOLE), len(WHOLE))

    def end(_done: int, _of: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        read_capture(path, progress=end)
    assert list(scratch.iterdir()) == []
