"""Traffic is joined into few records: no byte is lost, and those of one direction keep their order."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from controller.link_gathering import Gatherer, LineEvent
from controller.records import Direction, Reason

pieces = st.lists(
    st.tuples(
        st.sampled_from(Direction),
        st.binary(min_size=1, max_size=4),
        st.sampled_from([None, "one", "two"]),
        st.sampled_from([None, Reason.STRAY]),
    ),
    max_size=40,
)


def gathered(parts: list[tuple[Direction, bytes, str | None, Reason | None]]) -> list[LineEvent]:
    gatherer = Gatherer()
    for index, (direction, data, transmission, fault) in enumerate(parts):
        lags = (float(index),) * len(data) if direction is Direction.ECHOED else None
        gatherer.add(direction, data, float(index), transmission, lags=lags, fault=fault)
    return gatherer.take()


@given(pieces)
def test_no_byte_is_lost_and_each_keeps_its_marks(
    parts: list[tuple[Direction, bytes, str | None, Reason | None]],
) -> None:
    events = gathered(parts)
    for direction in Direction:
        before = [(byte, t, f) for d, data, t, f in parts if d is direction for byte in data]
        after = [
            (byte, e.transmission, e.fault) for e in events if e.direction is direction for byte in e.data
        ]
        assert after == before
    assert len(events) <= len(parts)
    for event in events:
        assert event.lags is None or len(event.lags) == len(event.data)
        assert (event.lags is not None) == (event.direction is Direction.ECHOED)


@given(pieces)
def test_neighbours_in_the_result_could_not_have_been_joined(
    parts: list[tuple[Direction, bytes, str | None, Reason | None]],
) -> None:
    events = gathered(parts)
    for earlier, later in itertools.pairwise(events):
        alike = (earlier.direction, earlier.transmission, earlier.fault) == (
            later.direction,
            later.transmission,
            later.fault,
        )
        assert not alike


def test_in_lockstep_each_direction_is_one_record() -> None:
    gatherer = Gatherer()
    for index, value in enumerate(b"\x01\x02\x03"):
        gatherer.add(Direction.SENT, bytes((value,)), index, "one")
        gatherer.add(Direction.ECHOED, bytes((value,)), index + 0.5, "one", lags=(0.5,))
    began: float | None = gatherer.since
    assert began == 0
    assert gatherer.take() == [
        LineEvent(Direction.SENT, b"\x01\x02\x03", 2, None, None, "one"),
        LineEvent(Direction.ECHOED, b"\x01\x02\x03", 2.5, (0.5, 0.5, 0.5), None, "one"),
    ]
    assert gatherer.since is None
    assert gatherer.take() == []


def test_frames_that_are_passed_on_are_one_record_beside_those_that_were_heard() -> None:
    gatherer = Gatherer()
    for value in b"\x01\x02\x03":
        gatherer.add(Direction.HEARD, bytes((value,)), value)
        gatherer.add(Direction.PASSED_ON, bytes((value,)), value)
    assert [(event.direction, event.data) for event in gatherer.take()] == [
        (Direction.HEARD, b"\x01\x02\x03"),
        (Direction.PASSED_ON, b"\x01\x02\x03"),
    ]


def test_what_was_heard_between_stands_between() -> None:
    gatherer = Gatherer()
    gatherer.add(Direction.SENT, b"\x01", 1.0, "one")
    gatherer.add(Direction.HEARD, b"\x99", 2.0, "one", fault=Reason.STRAY)
    gatherer.add(Direction.SENT, b"\x02", 3.0, "one")
    assert [event.data for event in gatherer.take()] == [b"\x01", b"\x99", b"\x02"]
