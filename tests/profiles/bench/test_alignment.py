"""Messages of one button: what is constant, what counts, toggles, changes, or checks."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from profiles.bench.alignment import ColumnKind, align, presses
from profiles.bench.check_search import find_checks


def _kinds(messages: list[bytes]) -> list[str]:
    return [column.kind.value for column in align(messages).columns]


def test_constant_counting_toggling_and_changing_bytes() -> None:
    messages = [
        bytes((0xA5, 7 + n, (0x40, 0xC0)[n % 2], value)) for n, value in enumerate((5, 60, 5, 9, 31, 2))
    ]
    assert _kinds(messages) == ["constant", "counting", "toggling", "changing"]
    spans = align(messages).spans
    assert [span.numbers for span in spans][1:] == [
        (7, 8, 9, 10, 11, 12),
        (0x40, 0xC0) * 3,
        (5, 60, 5, 9, 31, 2),
    ]


def test_a_counter_that_begins_anew_tells_its_wrap() -> None:
    aligned = align([bytes((1, n % 8)) for n in range(5, 15)])
    assert (aligned.columns[1].kind, aligned.spans[1].wrap) == (ColumnKind.COUNTING, 8)
    whole = align([bytes((1, n % 256)) for n in range(250, 262)])
    assert (whole.columns[1].kind, whole.spans[1].wrap) == (ColumnKind.COUNTING, None)


def test_a_message_said_twice_does_not_stop_a_counter() -> None:
    assert _kinds([bytes((n,)) for n in (3, 3, 4, 5, 5, 6)]) == ["counting"]


def test_two_messages_show_no_counter() -> None:
    assert _kinds([b"\x01", b"\x02"]) == ["changing"]
    assert _kinds([b"\x01", b"\x02", b"\x01"]) == ["changing"]


def test_a_counter_of_two_bytes_in_either_order() -> None:
    for order in ("big", "little"):
        messages = [b"\xa5" + n.to_bytes(2, "big" if order == "big" else "little") for n in range(253, 260)]
        span = align(messages).spans[1]
        assert (span.start, span.size, span.kind, span.order) == (1, 2, ColumnKind.COUNTING, order)


def test_digits_are_a_number_only_in_text() -> None:
    text = align([b"VOL05\r", b"VOL17\r", b"VOL63\r"])
    assert [(span.start, span.size, span.decimal_text) for span in text.spans][1] == (3, 2, True)
    assert text.spans[1].numbers == (5, 17, 63)
    binary = align([b"\xa5\x01\x20\x30", b"\xa5\x01\x20\x35", b"\xa5\x01\x20\x31"])
    assert not binary.spans[1].decimal_text
    assert binary.spans[1].numbers == (0x30, 0x35, 0x31)


def test_check_bytes_are_no_values() -> None:
    # Frames of open Modbus tests: function, register, count, CRC-16/MODBUS with its low byte first.
    messages = [bytes.fromhex(x) for x in ("01 03 00 00 00 0A C5 CD", "01 03 00 00 00 02 C4 0B")]
    aligned = align(messages, find_checks(messages))
    assert [span.kind.value for span in aligned.spans] == ["constant", "changing", "check"]


def test_bursts_of_another_length_are_kept_apart() -> None:
    aligned = align([b"\x01\x02", b"\x01\x03", b"\x01"])
    assert aligned.messages == (b"\x01\x02", b"\x01\x03")
    assert aligned.odd == (b"\x01",)


def test_equal_bursts_in_quick_succession_are_one_press() -> None:
    said = [(b"A", 0.0, 0.1), (b"A", 0.14, 0.24), (b"A", 0.27, 0.37), (b"A", 2.0, 2.1), (b"B", 2.11, 2.2)]
    found = presses(said)
    assert [(press.data, press.times) for press in found] == [(b"A", 3), (b"A", 1), (b"B", 1)]
    assert abs(found[0].pause - 0.03) < 1e-9


@given(st.lists(st.binary(min_size=4, max_size=6), min_size=1, max_size=8))
def test_every_byte_is_in_exactly_one_span(messages: list[bytes]) -> None:
    aligned = align(messages)
    assert len(aligned.messages) + len(aligned.odd) == len(messages)
    places = [place for span in aligned.spans for place in range(span.start, span.start + span.size)]
    assert places == list(range(aligned.length))
    for span in aligned.spans:
        if span.kind is ColumnKind.CONSTANT:
            pieces = {message[span.start : span.start + span.size] for message in aligned.messages}
            assert len(pieces) == 1
        else:
            assert len(span.numbers) == len(aligned.messages)
