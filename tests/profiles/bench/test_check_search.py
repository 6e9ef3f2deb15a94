"""The search for check bytes, against checks made elsewhere; and what it must not find."""

from __future__ import annotations

import random

import pynmea2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU
from pymodbus.framer.ascii import FramerAscii
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, WriteSingleRegisterRequest

from profiles.bench.check_search import FoundCheck, find_checks
from profiles.bench.check_values import check_names, range_values
from profiles.checksums import find_check


def _found(messages: list[bytes]) -> FoundCheck:
    found = find_checks(messages)
    assert found is not None
    assert all(map(found.holds, messages))
    return found


@given(message=st.binary(min_size=1, max_size=14), firsts=st.integers(1, 14))
@settings(max_examples=25)
def test_every_check_over_every_range_is_what_it_is_alone(message: bytes, firsts: int) -> None:
    narrow, wide = check_names()
    for values in range_values(message, firsts=firsts):
        assert len(values.narrow) == min(values.last + 1, firsts)
        for first in range(len(values.narrow)):
            covered = message[first : values.last + 1]
            assert values.narrow[first].tolist() == [find_check(name).compute(covered) for name in narrow]
            assert values.wide[first].tolist() == [find_check(name).compute(covered) for name in wide]


def test_all_catalogue_checks_of_these_widths_are_looked_for() -> None:
    # tests/data/crc_catalogue.json has 20 of width 8 and 31 of width 16 (catalogue of parametrised CRCs).
    narrow, wide = check_names()
    assert sum(name.startswith("CRC-8/") for name in narrow) == 20
    assert sum(name.startswith("CRC-16/") for name in wide) == 31


def test_modbus_rtu_frames_from_pymodbus() -> None:
    framer = FramerRTU(DecodePDU(is_server=True))
    requests = [
        ReadHoldingRegistersRequest(address=0x6B, count=3, dev_id=0x11),
        WriteSingleRegisterRequest(address=1, registers=[3], dev_id=0x11),
        ReadHoldingRegistersRequest(address=0, count=10, dev_id=1),
    ]
    frames = [framer.buildFrame(request) for request in requests]
    found = _found(frames)
    assert (found.name, found.order) == ("CRC-16/MODBUS", "little")
    assert (found.covered(8), found.position(8)) == ((0, 5), 6)


def test_modbus_frames_of_several_lengths() -> None:
    # Frames of open tests (same polynomial, several functions, a reply among them).
    frames = ["11 01 00 13 00 25 0E 84", "11 03 06 AE 41 56 52 43 40 49 AD", "11 04 00 08 00 01 B2 98"]
    found = _found([bytes.fromhex(frame) for frame in frames])
    assert (found.name, found.order, found.covered(11)) == ("CRC-16/MODBUS", "little", (0, 8))


def test_modbus_ascii_frames_from_pymodbus() -> None:
    framer = FramerAscii(DecodePDU(is_server=True))
    requests = [
        ReadHoldingRegistersRequest(address=0x6B, count=3, dev_id=0x11),
        ReadHoldingRegistersRequest(address=0x10F2, count=9, dev_id=0x23),
        WriteSingleRegisterRequest(address=1, registers=[0x7B03], dev_id=0x11),
        ReadHoldingRegistersRequest(address=0x0199, count=1, dev_id=0xF7),
    ]
    frames = [framer.buildFrame(request) for request in requests]
    # The check is over what the characters say, between the colon and itself: two digits before CR LF.
    found = _found(frames)
    assert (found.name, found.hex_text, found.over_text) == ("sum-8-twos", True, True)
    assert (found.covered(17), found.position(17)) == ((1, 12), 13)
    assert not found.holds(frames[0].replace(b"6B", b"6C"))


def test_lin_classic() -> None:
    # Data and checksum: the first is LIN 2.2A, 2.8.3, table 2.5; the others test data of an open library.
    messages = ["4A 55 93 E5 E6", "91 FA 73", "A9 D3 76 3D 4F D9 D3 5B 76"]
    found = _found([bytes.fromhex(message) for message in messages])
    assert (found.name, found.covered(5), found.position(5)) == ("sum-8-carry-inverted", (0, 3), 4)


def test_lin_enhanced() -> None:
    # Protected identifier, data, checksum: test data and documentation of two open LIN packages.
    published = [bytes.fromhex(m) for m in ("50 4A 55 93 E5 96", "BF 4A 55 93 E5 27", "11 4A 55 93 E5 D5")]
    # In these only one covered byte varies, so the last may as well just run against the first.
    assert find_checks(published) is None
    # More of the same kind; their checksum is arithmetic (LIN 2.x, 2.8.3: inverted sum with carry).
    more = []
    for covered in (bytes.fromhex("50 01 F2 33 44"), bytes.fromhex("11 FF 80 7E 9C")):
        total = sum(covered)
        while total > 0xFF:
            total = (total & 0xFF) + (total >> 8)
        more.append(covered + bytes([0xFF - total]))
    found = _found(published + more)
    assert (found.name, found.covered(6), found.position(6)) == ("sum-8-carry-inverted", (0, 4), 5)


def test_nmea_xor_as_pynmea2_has_it() -> None:
    # Sentences read in published checksum articles and open tests.
    sentences = [
        "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
        "$GPGLL,5300.97914,N,00259.98174,E,125926,A*28",
        "$GPGGA,212354.657,,,,,0,00,50.0,,M,0.0,M,,0000*4A",
    ]
    found = _found([f"{sentence}\r\n".encode() for sentence in sentences])
    assert (found.name, found.hex_text, found.place.first) == ("xor-8", True, 1)
    for sentence in sentences:
        data = f"{sentence}\r\n".encode()
        covered = found.covered(len(data))
        assert covered is not None
        text = data[covered[0] : covered[1] + 1].decode()
        assert pynmea2.NMEASentence.checksum(text) == int(sentence[-2:], 16)
    # The published bad one: 29 instead of 28.
    assert not found.holds(f"{sentences[1][:-2]}29\r\n".encode())


@pytest.mark.parametrize("name", [name for group in check_names() for name in group])
@pytest.mark.parametrize("order", ["big", "little"])
def test_each_check_is_found_in_random_messages(name: str, order: str) -> None:
    rng = random.Random(name)
    check = find_check(name)
    messages = []
    for _ in range(6):
        body = rng.randbytes(rng.choice((5, 9)))
        value = check.compute(body[1:])
        messages.append(body + value.to_bytes(check.size, "little" if order == "little" else "big"))
    found = _found(messages)
    assert found.name == name
    assert found.covered(len(messages[0])) == (1, len(messages[0]) - 1 - check.size)


def test_equal_messages_are_one() -> None:
    message = bytes.fromhex("A5 01 01 02")
    assert find_checks([message] * 5) is None
    assert find_checks([message] * 50) is None


def test_two_orders_that_differ_in_one_byte_show_no_sum() -> None:
    # The last byte may as well be the order and one more.
    assert find_checks([bytes.fromhex("A5 01 01 02"), bytes.fromhex("A5 01 02 03")]) is None


def test_what_fits_as_well_is_told() -> None:
    # A byte that is always 00: whether it is covered can't be told.
    rng = random.Random(3)
    messages = []
    for _ in range(6):
        body = b"\0" + rng.randbytes(4)
        messages.append(body + bytes([sum(body) & 0xFF]))
    found = _found(messages)
    assert found.name == "sum-8"
    assert any(other.startswith("sum-8") for other in found.others)


def test_where_there_is_no_check_none_is_found() -> None:
    rng = random.Random(11)
    wrong = []
    for _ in range(250):
        lengths = rng.choice(((6,), (5, 8), (4, 4, 9)))
        head = rng.randbytes(rng.choice((0, 2)))
        messages = [head + rng.randbytes(rng.choice(lengths)) for _ in range(rng.randint(1, 8))]
        if (found := find_checks(messages)) is not None:
            wrong.append(found)
    # At most one search in a hundred may (`DOUBT`): of 250, more than 7 would be worse at 1 in 100.
    assert len(wrong) <= 7, wrong


def test_progress_is_told() -> None:
    told: list[tuple[int, int]] = []
    messages = [bytes([n, 2 * n, 3, 4]) for n in range(5)]
    find_checks(messages, lambda done, of: told.append((done, of)))
    assert told == [(n, 5) for n in range(1, 6)]
