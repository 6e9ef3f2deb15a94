"""Every check against values that others have published."""

from __future__ import annotations

import binascii
import json
import zlib
from pathlib import Path
from typing import Any

import pytest
from crccheck.checksum import Checksum8, ChecksumXor8
from crccheck.crc import ALLCRCCLASSES
from hypothesis import given
from hypothesis import strategies as st

from profiles.checksums import catalogue_names, find_check, own_names
from profiles.errors import NotKnown

CATALOGUE = json.loads((Path(__file__).parents[1] / "data" / "crc_catalogue.json").read_text("utf-8"))[
    "entries"
]
"""65 CRCs with their parameters and check values; the file names its source."""

CHECK_INPUT = b"123456789"


def bitwise(data: bytes, row: dict[str, Any]) -> int:
    """A CRC bit by bit, straight from the model's definition: nothing shared with the library."""
    width, poly, register = row["width"], row["poly"], row["init"]
    for byte in data:
        for place in range(8):
            bit = byte >> (place if row["refin"] else 7 - place) & 1
            top = register >> (width - 1) & 1
            register = (register << 1) & ((1 << width) - 1)
            if top ^ bit:
                register ^= poly
    if row["refout"]:
        register = int(f"{register:0{width}b}"[::-1], 2)
    return int(register ^ row["xorout"])


def published(row: dict[str, Any]) -> dict[str, Any]:
    return {key: int(value, 16) if str(value).startswith("0x") else value for key, value in row.items()}


def of_the_library(kind: Any) -> dict[str, Any]:
    """The parameters that crccheck carries for one of its CRCs."""
    return {
        "width": kind.width(),
        "poly": kind.poly(),
        "init": kind.initvalue(),
        "refin": kind.reflect_input(),
        "refout": kind.reflect_output(),
        "xorout": kind.xor_output(),
    }


@pytest.mark.parametrize("row", CATALOGUE, ids=lambda row: str(row["name"]))
def test_check_value_of_the_catalogue(row: dict[str, Any]) -> None:
    wanted = published(row)
    for name in (row["name"], row["name"].lower(), *row["aliases"]):
        check = find_check(name)
        assert check.compute(CHECK_INPUT) == wanted["check"], name
        assert check.size == (wanted["width"] + 7) // 8
        assert check.name == row["name"]
    assert bitwise(CHECK_INPUT, wanted) == wanted["check"]


@pytest.mark.parametrize("kind", ALLCRCCLASSES, ids=lambda kind: str(kind._names[0]))
def test_every_crc_that_a_profile_can_name(kind: Any) -> None:
    # The catalogue's check value as crccheck publishes it, and a bitwise model of our own.
    check = find_check(kind._names[0])
    assert check.compute(CHECK_INPUT) == kind._check_result
    assert check.compute(CHECK_INPUT) == bitwise(CHECK_INPUT, of_the_library(kind))


@given(st.binary(max_size=40), st.sampled_from(ALLCRCCLASSES))
def test_crcs_over_any_bytes(data: bytes, kind: Any) -> None:
    assert find_check(kind._names[0]).compute(data) == bitwise(data, of_the_library(kind))


def test_the_catalogue_is_whole() -> None:
    assert set(catalogue_names()) == {kind._names[0] for kind in ALLCRCCLASSES}
    assert {row["name"] for row in CATALOGUE} <= set(catalogue_names())


@given(st.binary(max_size=60))
def test_crcs_of_the_standard_library(data: bytes) -> None:
    # Python's library documents these: zlib.crc32, and binascii.crc_hqx (CRC-CCITT, polynomial 1021).
    assert find_check("CRC-32/ISO-HDLC").compute(data) == zlib.crc32(data)
    assert find_check("CRC-16/XMODEM").compute(data) == binascii.crc_hqx(data, 0)
    assert find_check("CRC-16/IBM-3740").compute(data) == binascii.crc_hqx(data, 0xFFFF)
    assert find_check("adler-32").compute(data) == zlib.adler32(data)


@given(st.binary(min_size=1, max_size=60))
def test_sum_and_xor_of_the_library(data: bytes) -> None:
    assert find_check("sum-8").compute(data) == Checksum8.calc(data)
    assert find_check("xor-8").compute(data) == ChecksumXor8.calc(data)


# Plain definitions over "123456789": sums and XOR also by crccheck, Adler by zlib.
OWN = {
    "sum-8": 0xDD, "sum-16": 0x01DD, "sum-8-ones": 0x22, "sum-8-twos": 0x23, "sum-8-carry-inverted": 0x21,
    "xor-8": 0x31, "fletcher-16": 0x1EDE, "adler-32": 0x091E01DE, "internet-16": 0xF62A,
}  # fmt: skip


def test_own_checks_over_the_usual_digits() -> None:
    assert {name: find_check(name).compute(CHECK_INPUT) for name in own_names()} == OWN


@pytest.mark.parametrize(
    ("text", "value"),
    # Source: Wikipedia, "Fletcher's checksum", test vectors, as quoted in open libraries' tests (the first
    # from memory).
    [("abcde", 0xC8F0), ("abcdef", 0x2057), ("abcdefgh", 0x0627)],
)
def test_fletcher(text: str, value: int) -> None:
    assert find_check("fletcher-16").compute(text.encode()) == value


def test_adler() -> None:
    # Source, from memory: Wikipedia, "Adler-32", worked example.
    assert find_check("adler-32").compute(b"Wikipedia") == 0x11E60398


def test_internet_checksum() -> None:
    # Source, from memory: RFC 1071, section 3: the sum is DDF2, so its complement 220D.
    assert find_check("internet-16").compute(bytes.fromhex("0001F203F4F5F6F7")) == 0x220D


LIN = [
    # Classic: data alone. Source: LIN 2.2A, 2.8.3, table 2.5 (running sums 4A, 9F, 33, 19; inverted E6).
    ("4A 55 93 E5", 0xE6),
    # Source: test data of an open LIN checksum library.
    ("91 FA", 0x73),
    ("A9 D3 76 3D 4F D9 D3 5B", 0x76),
    # Enhanced: the protected identifier first. Source: test data and documentation of two open LIN packages.
    ("50 4A 55 93 E5", 0x96),
    ("BF 4A 55 93 E5", 0x27),
    ("11 4A 55 93 E5", 0xD5),
    # Go to sleep: bytes of LIN 2.2A, table 2.1; the checksum is arithmetic.
    ("00 FF FF FF FF FF FF FF", 0x00),
]


@pytest.mark.parametrize(("data", "value"), LIN)
def test_lin_checksum(data: str, value: int) -> None:
    covered = bytes.fromhex(data)
    assert find_check("sum-8-carry-inverted").compute(covered) == value


MBUS = [
    # Source: M-Bus documentation, chapters 5 and 6; the sum is of C, A, CI and data.
    ("40 01", 0x41), ("53 FE BD", 0x0E), ("53 FE 50 10", 0xB1),
    ("08 05 73 78 56 34 12 0A 00 E9 7E 01 00 00 00 35 01 00 00", 0x3C),
]  # fmt: skip


@pytest.mark.parametrize(("data", "value"), MBUS)
def test_mbus_sum(data: str, value: int) -> None:
    assert find_check("sum-8").compute(bytes.fromhex(data)) == value


@pytest.mark.parametrize(("data", "value"), [("42 30 03", 0x71), ("50 30 02 28 00 29 03", 0x60)])
def test_meter_block_check(data: str, value: int) -> None:
    # Source: IEC 62056-21 mode C exchanges recorded in public meter readers: XOR after SOH up to ETX.
    assert find_check("xor-8").compute(bytes.fromhex(data)) == value


@pytest.mark.parametrize(
    ("text", "value"),
    # Source: SDI-12 v1.4, 4.4.12.3 and 4.4.8.1, as quoted in open implementations' tests.
    [("0+3.14", 0xFC5A), ("0+3.14+2.718+1.414", 0x9C3A), ("0+3.14+2.718", 0x95CF), ("0", 0x1400)],
)
def test_sdi12_crc(text: str, value: int) -> None:
    assert find_check("CRC-16/ARC").compute(text.encode()) == value


def test_a_rom_code() -> None:
    # Source, from memory: Maxim application note 27, worked example of a family code 02 part.
    rom = bytes.fromhex("021CB801000000")
    assert find_check("CRC-8/MAXIM-DOW").compute(rom) == 0xA2
    assert find_check("CRC-8/MAXIM-DOW").compute(rom + b"\xa2") == 0


@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        ("CRC-16/MODBSU", "CRC-16/MODBUS"),
        ("crc16-modbus", "CRC-16/MODBUS"),
        ("sum8", "sum-8"),
        ("xor", "xor-8"),
    ],
)
def test_a_misspelt_name_is_told_the_nearest(wrong: str, right: str) -> None:
    with pytest.raises(NotKnown) as caught:
        find_check(wrong)
    assert right in caught.value.todo


def test_lrc_is_two_things_and_so_none() -> None:
    with pytest.raises(NotKnown):
        find_check("lrc")
