"""Lines of published standards, made as their texts say and decoded without a word about their settings."""

from __future__ import annotations

import numpy as np
import pytest

from profiles.bench.bit_order import find_bit_order
from profiles.bench.capture import Capture, Channel, ChannelKind
from profiles.bench.decoding import DecodedSegment, DecodeOptions, decode
from profiles.bench.edges import Edges
from profiles.bench.uart import FrameError
from profiles.checksums import find_check
from profiles.frames import BitOrder, FrameFormat, reverse_bits
from tests.profiles.bench.lines import line


def decoded(edges: Edges, options: DecodeOptions | None = None) -> DecodedSegment:
    capture = Capture("line", "test", (Channel("rx", ChannelKind.LOGIC, "a line", logic=edges),))
    return decode(capture, options).channels[0].main


def with_break(edges: Edges, bit: float, low: float, high: float) -> Edges:
    """A break of ``low`` bit times, idle again for ``high``, then the line."""
    begin = np.array([20 * bit, (20 + low) * bit])
    later = edges.ticks - edges.ticks[0] + (20 + low + high) * bit
    return Edges(np.concatenate([begin, later]), 1, 1.0, float(later[-1]) + 40 * bit, edges.resolution)


def test_midi() -> None:
    # MIDI 1.0, "Hardware" (IEC 63035:2017, 4.1): 31.25 kbaud +-1 %, one start bit, eight data bits, one
    # stop bit.
    notes = bytes.fromhex("90 3C 40 80 3C 40 F8 90 40 7F 80 40 00 C0 05 B0 07 7F F0 7E 7F 06 01 F7 E0 00 40")
    for clock in (0.99, 1.0, 1.01):
        found = decoded(line(notes, "8N1", 31250 * clock, sample=1 / 32))
        assert (found.fit.baud, str(found.fit.frame), found.fit.idle) == (31250, "8N1", 1)
        assert bytes(found.values) == notes


def test_dmx512() -> None:
    # ANSI E1.11 (DMX512-A) as lighting makers' notes give it: 250 kbit/s, 8N2, break of 92 us or more, mark
    # after break
    # of 12 us or more, then start code 00 and the slots.
    rng = np.random.default_rng(6)
    slots = [0, *(int(level) for level in rng.integers(0, 256, 40))]
    bit = 4e-6
    found = decoded(with_break(line(slots, "8N2", 250000), bit, 92 / 4, 12 / 4))
    assert (found.fit.baud, str(found.fit.frame), found.fit.idle) == (250000, "8N2", 1)
    frames = found.segment.frames
    assert frames.errors[0] == FrameError.BREAK
    assert frames.break_lengths[0] == pytest.approx(92e-6)
    assert frames.dead_times[1] == pytest.approx(12e-6)
    assert list(found.values[1:]) == slots
    assert not frames.errors[1:].any()


def test_lin() -> None:
    # LIN 2.2A: break of 13 bits or more and a delimiter, sync 55, protected identifier (table 2.4: 10 ->
    # 50), data and
    # checksum. The data 4A 55 93 E5 with PID 50 have the enhanced checksum 96 (published test data of LIN
    # libraries).
    frame = bytes.fromhex("55 50 4A 55 93 E5 96")
    bit = 1 / 19200
    found = decoded(with_break(line(frame, "8N1", 19200, dead=[0, 0, 1.3, 0, 0.4, 0, 0]), bit, 13, 1))
    assert (found.fit.baud, str(found.fit.frame), found.fit.idle) == (19200, "8N1", 1)
    assert found.segment.frames.errors[0] == FrameError.BREAK
    assert bytes(found.values[1:]) == frame
    identifier = frame[1] & 0x3F
    bits = [identifier >> place & 1 for place in range(6)]
    parity = (bits[0] ^ bits[1] ^ bits[2] ^ bits[4]) | (1 - (bits[1] ^ bits[3] ^ bits[4] ^ bits[5])) << 1
    assert frame[1] == identifier | parity << 6
    assert find_check("sum-8-carry-inverted").compute(found.data((0, 8))[1:-1]) == 0x96


def test_modbus_rtu() -> None:
    # MODBUS over Serial Line V1.02: 8E1 by default; messages are 3.5 characters of silence apart (2.5.1.1,
    # page 13).
    # Messages from open tests of several implementations.
    messages = [
        bytes.fromhex("11 01 00 13 00 25 0E 84"),
        bytes.fromhex("11 03 00 6B 00 03 76 87"),
        bytes.fromhex("11 03 06 AE 41 56 52 43 40 49 AD"),
    ]
    words = [byte for message in messages for byte in message]
    dead = [0.0] * len(words)
    dead[8] = dead[16] = 3.5 * 11 + 0.5
    found = decoded(line(words, "8E1", 9600, dead=dead, sample=1 / 20))
    assert (found.fit.baud, str(found.fit.frame)) == (9600, "8E1")
    assert [found.data(burst) for burst in found.bursts] == messages
    for message in messages:
        check = find_check("CRC-16/MODBUS").compute(message[:-2])
        assert check.to_bytes(2, "little") == message[-2:]


def test_nmea_0183() -> None:
    # NMEA 0183: 4800 8N1 (from memory), sentence from published checksum articles.
    sentence = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
    found = decoded(line(sentence, "8N1", 4800, sample=1 / 50))
    assert (found.fit.baud, str(found.fit.frame)) == (4800, "8N1")
    assert bytes(found.values) == sentence
    assert found.order.order is BitOrder.LSB
    assert find_check("xor-8").compute(sentence[1:-5]) == 0x47


def test_sdi_12() -> None:
    # SDI-12 v1.4: 1200 baud, 7E1, inverted logic (marking is the low level); an answer to a measurement
    # command.
    answer = b"0D0!0+3.14+2.718+1.414-40.02\r\n"
    found = decoded(line(answer, "7E1", 1200, idle=0, sample=1 / 24))
    assert (found.fit.baud, str(found.fit.frame), found.fit.idle) == (1200, "7E1", 0)
    assert bytes(found.values) == answer


def test_text_decides_the_order_of_bits() -> None:
    text = b"POWER ON UNIT 3, LARKFIELD HALL\r\n"
    turned = reverse_bits(text)
    assert find_bit_order([text], 8).order is BitOrder.LSB
    assert find_bit_order([turned], 8).order is BitOrder.MSB
    found = decoded(line(turned, "8N1", 4800))
    assert found.order.word == "msb"
    assert bytes(found.values) == text
    given = decoded(line(turned, "8N1", 4800), DecodeOptions(bit_order=BitOrder.LSB))
    assert bytes(given.values) == turned


def test_a_sum_decides_it_where_there_is_no_text() -> None:
    rng = np.random.default_rng(9)
    messages = []
    for _ in range(4):
        body = bytes([0xA5, *rng.integers(0, 256, 4).tolist()])
        messages.append(body + bytes([sum(body) & 0xFF]))
    assert find_bit_order(messages, 8).order is BitOrder.LSB
    turned = [reverse_bits(message) for message in messages]
    finding = find_bit_order(turned, 8)
    assert finding.order is BitOrder.MSB
    assert "sum-8" in finding.evidence


def test_xor_and_random_bytes_decide_nothing() -> None:
    rng = np.random.default_rng(10)
    bodies = [bytes(rng.integers(128, 256, 5).tolist()) for _ in range(5)]
    checked = [body + bytes([find_check("xor-8").compute(body)]) for body in bodies]
    assert find_bit_order(checked, 8).order is None
    assert find_bit_order(bodies, 8).word == "unknown"
    assert find_bit_order([b"\x41"], 9).order is None


def test_every_frame_format_has_its_name() -> None:
    assert str(FrameFormat.parse("8n1")) == "8N1"
