"""Every reason has a sentence and something to look at, and wrong bytes are told apart by their looks."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.line_marks import Mark, mark_of
from controller.reasons import explain
from controller.records import Reason, Result
from controller.transmission import Report
from profiles.compiled import CompiledReply
from profiles.frames import BitOrder, FrameFormat
from profiles.model import Method, Reply
from profiles.parts import ConstantPart
from profiles.template import ByteTemplate, Reading

F8N1 = FrameFormat()
FAILED = Report("t", Result.FAILED, frames=4, attempts=1, began=0.0, ended=0.1)

CARRIED = {
    Method.LOOP: {
        Reason.NO_ECHO,
        Reason.ECHO_STOPPED,
        Reason.ECHO_WRONG,
        Reason.ECHO_LATE,
        Reason.ECHO_EARLY,
        Reason.ECHO_DOUBLED,
        Reason.STRAY,
    },
    Method.LOCAL: {
        Reason.NO_ECHO,
        Reason.ECHO_STOPPED,
        Reason.ECHO_LATE,
        Reason.ECHO_EARLY,
        Reason.ECHO_DOUBLED,
        Reason.STRAY,
        Reason.COLLISION,
    },
    Method.REPLY: {
        Reason.NO_ECHO,
        Reason.ECHO_STOPPED,
        Reason.ECHO_LATE,
        Reason.ECHO_EARLY,
        Reason.COLLISION,
        Reason.NO_REPLY,
        Reason.BAD_REPLY,
        Reason.REFUSED_BY_UNIT,
    },
    Method.NONE: set(),
}
"""The reasons that a report can carry, by confirmation: the echo machine's."""

ALWAYS = {Reason.LINE_BUSY, Reason.LINK_LOST, Reason.CANCELLED, Reason.LISTEN_ONLY, Reason.INTERNAL}
"""Those that it can carry whatever the confirmation: the echo machine's and the link's."""


def read(bits: list[int], *, data_bits: int, bit: int, idle: int = 1) -> int:
    """What a UART with a bit time of ``bit`` samples reads in a line of samples.

    Its own arithmetic, bit by bit on samples; only the frame's definition is shared with what is tested.
    """
    line = [idle] * 4 * bit + bits + [idle] * 40 * bit
    start = next(i for i in range(1, len(line)) if line[i - 1] == 1 and line[i] == 0)
    return sum(line[start + bit + bit // 2 + place * bit] << place for place in range(data_bits))


def sent(value: int, *, data_bits: int = 8, parity: str = "N", bit: int = 16) -> list[int]:
    """A frame's samples: start bit, data from the least bit on, parity, stop bit."""
    data = [value >> place & 1 for place in range(data_bits)]
    more = {"N": [], "E": [sum(data) % 2], "O": [1 - sum(data) % 2]}[parity]
    return [level for level in (0, *data, *more, 1) for _ in range(bit)]


@pytest.mark.parametrize("method", list(Method))
def test_every_reason_has_a_sentence_and_something_to_look_at(method: Method) -> None:
    sentences = {}
    for reason in CARRIED[method] | ALWAYS:
        report = dataclasses.replace(
            FAILED, reason=reason, failed_at=1, echoed=1, expected=0xA5, got=0x25, stray=b"\x25", late=0.3
        )
        text, look_at = explain(report, method, F8N1)
        assert text, reason
        assert look_at, reason
        assert "{" not in text + look_at, reason
        assert "None" not in text + look_at, reason
        assert not text.endswith("."), "a part of a longer line"
        sentences[text] = reason
    assert len(sentences) == len(CARRIED[method] | ALWAYS), "two reasons must not read alike"


@pytest.mark.parametrize("method", list(Method))
@pytest.mark.parametrize("reason", list(Reason))
def test_a_report_that_knows_nothing_else_still_reads_well(method: Method, reason: Reason) -> None:
    text, _ = explain(Report("t", Result.FAILED, reason), method, F8N1)
    assert text
    assert "None" not in text
    assert "{" not in text


def test_what_is_said_of_a_cut_ring() -> None:
    report = dataclasses.replace(FAILED, reason=Reason.NO_ECHO, failed_at=0, expected=0xA5)
    text, look_at = explain(report, Method.LOOP, F8N1)
    assert text == "nothing came back: the ring is open somewhere, or a unit in it has no mains"
    assert "cables" in look_at


def test_what_is_said_of_a_unit_that_stopped() -> None:
    report = dataclasses.replace(FAILED, reason=Reason.ECHO_STOPPED, failed_at=1, echoed=1)
    text, look_at = explain(report, Method.LOOP, F8N1)
    assert text == "1 of 4 frames came back, then the echo stopped: frame 2 of 4 got lost on the way"
    assert "switched off or unplugged" in look_at


def test_a_late_echo_is_told_with_its_time() -> None:
    report = dataclasses.replace(FAILED, reason=Reason.ECHO_LATE, failed_at=2, late=0.3124)
    assert "frame 3 of 4 came back, but only 312 ms after" in explain(report, Method.LOOP, F8N1)[0]
    report = dataclasses.replace(report, late=None)
    assert "next attempt" in explain(report, Method.LOOP, F8N1)[0]


def test_strays_are_shown_and_cut_short() -> None:
    report = dataclasses.replace(FAILED, reason=Reason.STRAY, stray=bytes(range(1, 10)))
    assert "(01 02 03 04 05 06 07 08 ...)" in explain(report, Method.LOOP, F8N1)[0]
    report = dataclasses.replace(report, stray=b"\xfe")
    assert "(FE)" in explain(report, Method.LOOP, F8N1)[0]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"began": None}, "the adapter is not there, so nothing was sent"),
        ({"failed_at": 2}, "the adapter went away at frame 3 of 4"),
        ({}, "the adapter went away when all was sent, before that was known to be right"),
    ],
)
def test_what_is_said_of_a_lost_link(changes: dict[str, int], said: str) -> None:
    report = dataclasses.replace(FAILED, reason=Reason.LINK_LOST)
    text, look_at = explain(dataclasses.replace(report, **changes), Method.LOOP, F8N1)  # type: ignore[arg-type]  # -- fields by name
    assert text == said
    assert "plug" in look_at


def test_what_is_said_of_a_command_that_was_taken_back() -> None:
    report = Report("t", Result.CANCELLED, Reason.CANCELLED, frames=4)
    assert explain(report, Method.LOOP, F8N1)[0] == "taken back before anything was sent"
    text, look_at = explain(dataclasses.replace(report, failed_at=3), Method.LOOP, F8N1)
    assert text == "taken back when 3 of 4 frames were out"
    assert "the part that it was sent" in look_at
    after = dataclasses.replace(FAILED, result=Result.CANCELLED, reason=Reason.NO_ECHO)
    assert explain(after, Method.LOOP, F8N1)[0].startswith(
        "taken back after an attempt had failed: nothing came back"
    )


@pytest.mark.parametrize(
    ("result", "method", "changes", "said"),
    [
        (Result.CONFIRMED, Method.LOOP, {"echoed": 4}, "all 4 frames came back round the ring"),
        (
            Result.CONFIRMED,
            Method.LOOP,
            {"attempts": 2},
            "all 4 frames came back round the ring, at attempt 2",
        ),
        (Result.CONFIRMED, Method.LOOP, {"frames": 1}, "the one frame came back round the ring"),
        (Result.CONFIRMED, Method.LOCAL, {}, "all 4 frames heard on the line as sent"),
        (Result.ANSWERED, Method.REPLY, {}, "the unit answered"),
        (Result.SENT, Method.NONE, {}, "4 frames sent; nothing on this line can confirm them"),
        (Result.SENT, Method.NONE, {"frames": 1}, "1 frame sent; nothing on this line can confirm them"),
        (
            Result.SENT,
            Method.LOOP,
            {"echoed": 3},
            "4 frames sent, and 3 came back right; the profile does without the others",
        ),
    ],
)
def test_what_is_said_when_it_came_about(
    result: Result, method: Method, changes: dict[str, int], said: str
) -> None:
    report = dataclasses.replace(FAILED, result=result, **changes)  # type: ignore[arg-type]  # -- fields by name
    text, look_at = explain(report, method, F8N1)
    assert text == said
    # Where the profile waits something over, it is worth a look.
    assert bool(look_at) is (result is Result.SENT and method is Method.LOOP)


def test_a_refusal_says_why() -> None:
    template = ByteTemplate([ConstantPart(b"\x15")])
    spec = Reply.model_validate({"expect": [{"hex": "15"}], "means": "refused", "why": "it is in {mode}"})
    report = dataclasses.replace(
        FAILED,
        reason=Reason.REFUSED_BY_UNIT,
        reply=CompiledReply(spec, template),
        reading=Reading({"mode": "standby"}),
    )
    assert explain(report, Method.REPLY, F8N1)[0] == "the unit refused: it is in standby"
    silent = CompiledReply(spec.model_copy(update={"why": ""}), template)
    report = dataclasses.replace(report, reply=silent, reading=None)
    assert explain(report, Method.REPLY, F8N1)[0] == "the unit refused: it gave no reason"
    report = dataclasses.replace(report, reply=CompiledReply(spec, template))
    assert explain(report, Method.REPLY, F8N1)[0] == "the unit refused: it is in {mode}"


# Wrong bytes, each made by reading a frame's samples in the wrong way

VALUES = [0xA5, 0x01, 0x5A, 0x7E, 0x10, 0xC3]


@pytest.mark.parametrize("value", VALUES)
@pytest.mark.parametrize("ratio", [2, 4])
def test_a_frame_read_at_a_lower_or_higher_rate(value: int, ratio: int) -> None:
    # The other side takes our 16 samples a bit for its own `bit` samples.
    slower = read(sent(value, bit=16), data_bits=8, bit=16 * ratio)
    faster = read(sent(value, bit=16), data_bits=8, bit=16 // ratio)
    for got, rate in ((slower, "lower"), (faster, "higher")):
        if got == value:
            continue
        text, look_at = explain(wrong(value, got), Method.LOOP, F8N1)
        assert f"at a {rate} rate" in text or "wrong line settings" in text
        assert "[line]" in look_at


def test_half_and_double_the_rate_are_told_apart() -> None:
    told = {Mark.SLOWER: 0, Mark.FASTER: 0}
    asked = 0
    for value in range(256):
        for got, mark in (
            (read(sent(value, bit=16), data_bits=8, bit=32), Mark.SLOWER),
            (read(sent(value, bit=16), data_bits=8, bit=8), Mark.FASTER),
        ):
            if got != value:
                asked += 1
                seen = mark_of(value, got, F8N1, BitOrder.LSB, settled=False)
                told[mark] += seen is mark
                assert seen in (mark, Mark.SETTINGS)
    # The others are bytes that more than one wrong setting can make: of those no more is said than is known.
    assert sum(told.values()) > 0.5 * asked
    assert min(told.values()) > 0.4 * asked / 2


@pytest.mark.parametrize("value", [0x31, 0x43, 0x07, 0x2C])
@pytest.mark.parametrize(("parity", "settled"), [("E", True), ("E", False), ("O", True), ("O", False)])
def test_seven_data_bits_and_parity_on_the_other_side(value: int, parity: str, settled: bool) -> None:
    # 7E1 read as 8N1 gives each byte with its parity as bit 7 (reference: `31` at 7E1 is 0 1000110 1 1).
    got = read(sent(value, data_bits=7, parity=parity), data_bits=8, bit=16)
    if got == value:
        assert sum(int(bit) for bit in f"{value:b}") % 2 == (parity == "O")
        return
    assert got == value | 0x80
    text, look_at = explain(wrong(value, got, echoed=int(settled)), Method.LOOP, F8N1)
    assert "data bits or parity" in text
    assert "`frame`" in look_at


@pytest.mark.parametrize("value", VALUES)
def test_an_inverted_line(value: int) -> None:
    turned = [1 - level for level in sent(value)]
    for got in {~value & 0xFF, read(turned, data_bits=8, bit=16, idle=0)} - {value}:
        text, look_at = explain(wrong(value, got), Method.LOOP, F8N1)
        assert "inverted" in text or "wrong line settings" in text
        assert "[line]" in look_at


@given(st.integers(0, 255), st.integers(0, 6))
def test_one_bit_flipped_after_frames_that_came_back_right_is_noise(value: int, bit: int) -> None:
    text, look_at = explain(wrong(value, value ^ 1 << bit, echoed=1), Method.LOOP, F8N1)
    assert "noise" in text
    assert "screens" in look_at


@given(st.integers(0, 255), st.integers(0, 255))
def test_two_senders_at_once_after_frames_that_came_back_right(value: int, other: int) -> None:
    # Where a 0 pulls the line, two frames at once read as the AND of both; where a 1 does, as the OR.
    for got, winner in ((value & other, "0"), (value | other, "1")):
        if (got ^ value).bit_count() > 1:
            text, look_at = explain(wrong(value, got, echoed=1), Method.LOOP, F8N1)
            assert f"every {winner} had won" in text
            assert "who else" in look_at


def test_bits_that_differ_both_ways() -> None:
    text, _ = explain(wrong(0x0F, 0xF3, echoed=3), Method.LOOP, F8N1)
    assert "noise, or somebody else" in text


def test_the_first_wrong_frame_may_be_the_line_settings_a_later_one_not() -> None:
    got = read(sent(0xA5, bit=16), data_bits=8, bit=32)
    assert mark_of(0xA5, got, F8N1, BitOrder.LSB, settled=False) is Mark.SLOWER
    assert mark_of(0xA5, got, F8N1, BitOrder.LSB, settled=True) is not Mark.SLOWER


@pytest.mark.parametrize("value", VALUES)
def test_a_line_that_sends_the_most_significant_bit_first(value: int) -> None:
    def turn(byte: int) -> int:
        return int(f"{byte:08b}"[::-1], 2)

    got = turn(read(sent(turn(value), bit=16), data_bits=8, bit=32))
    if got != value:
        lsb = mark_of(turn(value), turn(got), F8N1, BitOrder.LSB, settled=False)
        assert mark_of(value, got, F8N1, BitOrder.MSB, settled=False) is lsb


@given(st.integers(0, 511), st.integers(0, 511), st.booleans(), st.sampled_from(list(BitOrder)))
def test_any_two_bytes_can_be_told_of(value: int, other: int, settled: bool, order: BitOrder) -> None:
    for text in ("5N1", "7E1", "8E2", "9N1"):
        frame = FrameFormat.parse(text)
        most = (1 << frame.data_bits) - 1
        if value & most != other & most:
            assert mark_of(value & most, other & most, frame, order, settled=settled) in Mark


def wrong(expected: int, got: int, *, echoed: int = 0) -> Report:
    """A report of a frame that came back wrong."""
    return dataclasses.replace(
        FAILED, reason=Reason.ECHO_WRONG, failed_at=echoed, echoed=echoed, expected=expected, got=got
    )
