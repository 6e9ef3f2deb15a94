"""ByteTemplate on formats of open standards: Intel HEX, NMEA 0183, LIN, M-Bus, IEC 62056-21."""

from __future__ import annotations

import io
from typing import Any

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st
from intelhex import IntelHex

from profiles.model import AnyItem, CheckItem, FieldItem, HexItem, Parameter, TextItem, ValueType
from profiles.template import ByteTemplate


def check(name: str, first: int, last: int | None = None, **more: Any) -> CheckItem:
    return CheckItem.model_validate({"check": name, "from": first, "to": last, **more})


# ---- Intel HEX: a colon, then hexadecimal digits; the check is the two's complement of the sum.


def intel_hex(count: int) -> ByteTemplate:
    def digits(name: str, size: int) -> FieldItem:
        return FieldItem(field=name, size=size, coding="hex-text")

    data = [digits(f"d{index}", 2) for index in range(count)]
    ending = check("sum-8-twos", 1, over="hex-text", coding="hex-text")
    return ByteTemplate.compile(
        [TextItem(text=":"), digits("count", 2), digits("address", 4), digits("kind", 2), *data, ending]
    )


RECORDS = [
    # Source: Wikipedia, "Intel HEX": its example record, quoted in many readers (the others from memory).
    ":0300300002337A1E",
    ":00000001FF", ":10010000214601360121470136007EFE09D2190140", ":020000021200EA",
    ":0400000300003800C1", ":02000004FFFFFC", ":04000005000000CD2A",
]  # fmt: skip


@pytest.mark.parametrize("record", RECORDS)
def test_intel_hex_records(record: str) -> None:
    raw = bytes.fromhex(record[1:])
    template = intel_hex(raw[0])
    reading = template.read(record.encode())
    assert reading is not None
    assert reading.values["count"] == raw[0]
    assert reading.values["address"] == int.from_bytes(raw[1:3], "big")
    assert reading.values["kind"] == raw[3]
    assert template.build(reading.values).data == record.encode()
    wrong = record[:-1] + ("0" if record[-1] != "0" else "1")
    assert template.read(wrong.encode()) is None


@given(st.binary(min_size=1, max_size=64), st.integers(0, 0xFF00))
def test_records_that_intelhex_writes(data: bytes, address: int) -> None:
    image, file = IntelHex(), io.StringIO()
    image.frombytes(data, address)
    image.write_hex_file(file)
    read = bytearray()
    for line in file.getvalue().split():
        count = int(line[1:3], 16)
        reading = intel_hex(count).read(line.encode())
        assert reading is not None
        if reading.values["kind"] == 0:
            read += bytes(int(reading.values[f"d{index}"]) for index in range(count))
    assert bytes(read) == data


@given(st.binary(max_size=32), st.integers(0, 0xFFFF - 32))
def test_records_that_intelhex_reads(data: bytes, address: int) -> None:
    values: dict[str, Any] = {"count": len(data), "address": address, "kind": 0}
    values |= {f"d{index}": byte for index, byte in enumerate(data)}
    record = intel_hex(len(data)).build(values).data.decode()
    image = IntelHex(io.StringIO(f"{record}\n:00000001FF\n"))
    assert bytes(image.tobinarray(start=address, size=len(data))) == data


# ---- NMEA 0183: the XOR of the characters between $ and *, in two hexadecimal digits.


def nmea(body: str) -> ByteTemplate:
    return ByteTemplate.compile(
        [
            TextItem(text="$"),
            TextItem(text=body),
            TextItem(text="*"),
            check("xor-8", 1, len(body), coding="hex-text"),
        ]
    )


SENTENCES = [
    # Source: published checksum examples for NMEA 0183 (the last from memory).
    "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
    "$GPGLL,5300.97914,N,00259.98174,E,125926,A*28",
    "$GPGGA,212354.657,,,,,0,00,50.0,,M,0.0,M,,0000*4A",
    "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
]


@pytest.mark.parametrize("sentence", SENTENCES)
def test_nmea_sentences(sentence: str) -> None:
    template = nmea(sentence[1:-3])
    assert template.build().data.decode() == sentence
    assert template.read(sentence.encode()) is not None
    assert str(pynmea2.parse(sentence, check=True)) == sentence


def test_a_bad_nmea_sentence() -> None:
    # Source: a published checksum example with its check one too high.
    assert nmea(SENTENCES[1][1:-3]).read(SENTENCES[1][:-2].encode() + b"29") is None


@given(
    st.text(alphabet=st.characters(min_codepoint=32, max_codepoint=126, exclude_characters="$*"), min_size=1)
)
def test_the_check_of_pynmea2(body: str) -> None:
    assert nmea(body).build().data[-2:].decode() == f"{pynmea2.NMEASentence.checksum(body):02X}"


# ---- LIN: the protected identifier is a table, the checksum the inverted sum with carry.

# Source: LIN 2.2A, table 2.4 (00 to 3B read as a list, 3C and 3D as values; 3E and 3F by the equations).
PROTECTED = bytes.fromhex(
    "80 C1 42 03 C4 85 06 47 08 49 CA 8B 4C 0D 8E CF 50 11 92 D3 14 55 D6 97 D8 99 1A 5B 9C DD 5E 1F"
    "20 61 E2 A3 64 25 A6 E7 A8 E9 6A 2B EC AD 2E 6F F0 B1 32 73 B4 F5 76 37 78 39 BA FB 3C 7D FE BF"
)
IDENTIFIER = {"id": Parameter(type=ValueType.INTEGER, range=(0, 63))}


def protected(number: int) -> int:
    """The equations of figure 2.7: P0 = ID0^ID1^ID2^ID4, P1 = not (ID1^ID3^ID4^ID5)."""
    bit = [number >> place & 1 for place in range(6)]
    even, odd = bit[0] ^ bit[1] ^ bit[2] ^ bit[4], 1 ^ bit[1] ^ bit[3] ^ bit[4] ^ bit[5]
    return number | even << 6 | odd << 7


def test_lin_protected_identifiers_as_a_table() -> None:
    template = ByteTemplate.compile([FieldItem(field="id", table=list(PROTECTED))], types=IDENTIFIER)
    for number, byte in enumerate(PROTECTED):
        assert byte == protected(number)
        assert template.build({"id": number}).data == bytes([byte])
        reading = template.read(bytes([byte]))
        assert reading is not None
        assert reading.values == {"id": number}
    strange = set(range(256)) - set(PROTECTED)
    assert len(strange) == 192
    assert all(template.read(bytes([byte])) is None for byte in strange)


def test_a_lin_frame() -> None:
    # Source: documentation of an open LIN package: 55 11 4A 55 93 E5 D5, enhanced checksum.
    frame = bytes.fromhex("55 11 4A 55 93 E5 D5")
    items = [HexItem(hex="55"), FieldItem(field="id", table=list(PROTECTED)), AnyItem(any=4)]
    template = ByteTemplate.compile([*items, check("sum-8-carry-inverted", 1)], types=IDENTIFIER)
    reading = template.read(frame)
    assert reading is not None
    assert reading.values == {"id": 0x11}
    assert template.read(frame[:-1] + b"\xd6") is None


# ---- M-Bus and IEC 62056-21.


@pytest.mark.parametrize(
    "frame",
    # Source: M-Bus documentation, chapters 5 and 6: sum of C, A, CI and data before the stop byte 16.
    ["10 40 01 41 16", "10 5B 01 5C 16", "68 03 03 68 53 FE BD 0E 16", "68 04 04 68 53 FE 50 10 B1 16"],
)
def test_mbus_telegrams(frame: str) -> None:
    *body, _, stop = frame.split()
    first = 4 if body[0] == "68" else 1
    template = ByteTemplate.compile([HexItem(hex=" ".join(body)), check("sum-8", first), HexItem(hex=stop)])
    assert template.build().data == bytes.fromhex(frame)


@pytest.mark.parametrize("frame", ["01 42 30 03 71", "01 50 30 02 28 00 29 03 60"])
def test_meter_messages(frame: str) -> None:
    # Source: IEC 62056-21 mode C exchanges recorded in public meter readers: XOR after SOH up to ETX.
    *body, _ = frame.split()
    template = ByteTemplate.compile([HexItem(hex=" ".join(body)), check("xor-8", 1)])
    assert template.build().data == bytes.fromhex(frame)
