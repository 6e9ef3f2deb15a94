"""Messages found in a stream: however it is cut, whatever is between them, and never an exception."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles.model import AnyItem, CheckItem, HexItem
from profiles.stream import Found, StreamMatcher
from profiles.template import ByteTemplate
from tests.profiles.cases import Case, cases

GAP = 0.04
Said = tuple[int, int, bytes]


def made(*texts: str, check: str = "") -> ByteTemplate:
    items = [AnyItem(any=1) if b == "?" else HexItem(hex=b) for b in " ".join(texts).split()]
    return ByteTemplate.compile([*items, *([CheckItem(check=check)] if check else [])])


def run(templates: Iterable[ByteTemplate], pieces: Iterable[bytes]) -> list[Found[int]]:
    """Everything that is told of a stream given in pieces, the idle line after it included."""
    matcher = StreamMatcher(list(enumerate(templates)), burst_gap=GAP)
    found: list[Found[int]] = []
    now = 0.0
    for piece in pieces:
        found += matcher.feed(piece, now)
        now += GAP / 8
        found += matcher.tick(now)
    return found + drained(matcher)


def drained(matcher: StreamMatcher[int]) -> list[Found[int]]:
    """What idle line settles, ticked when the matcher asks for it."""
    found: list[Found[int]] = []
    while (deadline := matcher.deadline) is not None:
        told = matcher.tick(deadline)
        assert told, "its deadline came, and nothing was settled"
        found += told
    assert matcher.held == 0
    return found


def messages(found: Iterable[Found[int]]) -> list[Said]:
    return [(entry.key, entry.start, entry.data) for entry in found if entry.key is not None]


def check_whole(found: list[Found[int]], stream: bytes) -> None:
    """Every byte is told once, in order, at its place."""
    assert b"".join(entry.data for entry in found) == stream
    starts = [0, *(entry.start + len(entry.data) for entry in found)]
    assert [entry.start for entry in found] == starts[:-1]


def cut(stream: bytes, places: Iterable[int]) -> list[bytes]:
    ends = [0, *sorted(place % (len(stream) + 1) for place in places), len(stream)]
    return [stream[start:end] for start, end in pairwise(ends)]


@st.composite
def streams(draw: st.DrawFn) -> tuple[list[Case], bytes]:
    """Templates, and a stream of their messages with noise of all kinds, pieces of messages included."""
    made_of = draw(st.lists(cases(), min_size=1, max_size=4))
    said = [case.message().data for case in made_of]
    pieces = draw(
        st.lists(
            st.one_of(
                st.sampled_from(said),
                st.binary(max_size=4),
                st.tuples(st.sampled_from(said), st.integers(1, 8)).map(lambda pair: pair[0][: pair[1]]),
            ),
            max_size=8,
        )
    )
    return made_of, b"".join(pieces)


@given(streams(), st.lists(st.integers(0, 400), max_size=12))
def test_the_same_messages_however_the_stream_is_cut(
    drawn: tuple[list[Case], bytes], places: list[int]
) -> None:
    templates, stream = [case.template for case in drawn[0]], drawn[1]
    whole = run(templates, [stream])
    check_whole(whole, stream)
    for pieces in ([bytes([byte]) for byte in stream], cut(stream, places)):
        found = run(templates, pieces)
        check_whole(found, stream)
        assert messages(found) == messages(whole)


@given(st.data())
def test_every_message_is_found_among_noise(data: st.DataObject) -> None:
    # Each template begins with a byte that the noise has not, so that what is to be found is beyond doubt.
    sync = [b"\xf0", b"\xf1", b"\xf2"]
    told = [data.draw(cases(sync=first)) for first in sync]
    noise = st.binary(max_size=6).map(lambda noise: noise.translate(None, b"".join(sync)))
    order = data.draw(st.lists(st.integers(0, 2), min_size=1, max_size=6))
    stream, wanted = data.draw(noise), []
    for key in order:
        said = told[key].message().data
        wanted.append((key, len(stream), said))
        stream += said + data.draw(noise)
    places = data.draw(st.lists(st.integers(0, 400), max_size=12))
    for pieces in ([stream], [bytes([byte]) for byte in stream], cut(stream, places)):
        found = run([case.template for case in told], pieces)
        assert messages(found) == wanted
        for entry in found:
            if entry.key is not None:
                assert entry.reading is not None
                assert entry.reading.values == told[entry.key].values
                assert entry.reading.address == told[entry.key].address


@given(st.lists(cases(), max_size=4), st.lists(st.binary(max_size=30), max_size=6))
def test_garbage_is_told_as_what_it_is(told: list[Case], pieces: list[bytes]) -> None:
    found = run([case.template for case in told], pieces)
    check_whole(found, b"".join(pieces))
    for entry in found:
        assert entry.data
        assert (entry.key is None) == (entry.reading is None)


def test_the_narrower_template_wins() -> None:
    templates = [made("A5 ? 02"), made("A5 01 02"), made("A5 ? ?")]
    for stream, key in ((b"\xa5\x01\x02", 1), (b"\xa5\x07\x02", 0), (b"\xa5\x07\x07", 2)):
        assert messages(run(templates, [stream])) == [(key, 0, stream)]


def test_the_longer_template_wins_where_both_are_there() -> None:
    templates = [made("A5 01"), made("A5 01 02")]
    assert messages(run(templates, [b"\xa5\x01\x02"])) == [(1, 0, b"\xa5\x01\x02")]
    assert messages(run(templates, [b"\xa5\x01\x03"])) == [(0, 0, b"\xa5\x01")]


def test_a_short_message_waits_for_the_longer_one_only_as_long_as_the_burst_gap() -> None:
    matcher = StreamMatcher([(0, made("A5 01")), (1, made("A5 01 02"))], burst_gap=GAP)
    assert matcher.feed(b"\xa5\x01", 1.0) == []
    assert matcher.deadline == 1.0 + GAP
    assert matcher.tick(1.0 + GAP / 2) == []
    assert messages(matcher.tick(1.0 + GAP)) == [(0, 0, b"\xa5\x01")]


def test_half_a_message_is_given_up_after_a_longer_silence() -> None:
    matcher = StreamMatcher([(0, made("A5 01 02"))], burst_gap=GAP, give_up=0.3)
    assert matcher.feed(b"\xa5\x01", 1.0) == []
    assert matcher.tick(1.0 + GAP) == []  # frames of one message can lie further apart than the gap
    assert matcher.held == 2
    assert [entry.key for entry in matcher.tick(1.3)] == [None]
    assert matcher.deadline is None


def test_a_message_with_a_wrong_check_does_not_hide_the_next() -> None:
    templates = [made("A5 ? ?", check="CRC-8/SMBUS")]
    good = made("A5 01 02", check="CRC-8/SMBUS").build().data
    stream = b"\xa5\x01" + good + b"\xa5\x01\x02\x00" + good
    assert messages(run(templates, [stream])) == [(0, 2, good), (0, 10, good)]


def test_nothing_known() -> None:
    assert [entry.data for entry in run([], [b"abc", b"d"])] == [b"abc", b"d"]


@pytest.mark.parametrize("size", [101, 102, 300, 1024])
def test_long_messages(size: int) -> None:
    template = ByteTemplate.compile([HexItem(hex=bytes(index % 251 for index in range(size)).hex())])
    said = template.build().data
    stream = said[:50] + said + said[: size - 1] + said
    for step in (1, 37, len(stream)):
        pieces = [stream[start : start + step] for start in range(0, len(stream), step)]
        assert messages(run([template], pieces)) == [(0, 50, said), (0, 49 + 2 * size, said)]
