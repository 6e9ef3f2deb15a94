"""Passing on in a ring: what others say goes on whole, and nothing circulates for ever."""

from __future__ import annotations

import pytest
from hypothesis import given

from controller.relay import RingRelay
from controller.transmission import LineTimes

from .echo_messages import T, payloads

TIMES = LineTimes(T, hops=4, latency=0.001, jitter=0.001)
LAP = 5 * T + TIMES.slack
"""From passing a frame on to having it again: through four units, and through our own adapter."""


ROUNDS = 17
"""How often a frame is passed on that nobody takes off."""


def circulate(relay: RingRelay, value: int, *, lap: float, begin: float = 0.0) -> int:
    """How often a frame that nobody takes off the ring is passed on."""
    passed = 0
    while relay.passes(bytes([value]), begin + passed * lap):
        passed += 1
        assert passed < 1000, "a storm"
    return passed


@given(payloads)
def test_a_burst_goes_on_whole(payload: bytes) -> None:
    relay = RingRelay(TIMES)
    assert b"".join(relay.passes(bytes([v]), place * T) for place, v in enumerate(payload)) == payload


@pytest.mark.parametrize("hops", [2, 4, 8])
def test_a_long_run_at_the_lines_own_rate_goes_on_whole(hops: int) -> None:
    # Equal frames that follow each other sooner than a lap are so many frames.
    relay = RingRelay(LineTimes(T, hops=hops, latency=0.0, jitter=0.0))
    assert b"".join(relay.passes(b"\x00", place * T) for place in range(40)) == bytes(40)


@given(payloads)
def test_a_burst_that_comes_in_one_delivery_goes_on_whole(payload: bytes) -> None:
    assert RingRelay(TIMES).passes(payload, 0.0) == payload


@pytest.mark.parametrize("payload", [bytes.fromhex("A5 00 00 01 01 01 03"), bytes(17)])
def test_a_message_in_lockstep_goes_on_whole(payload: bytes) -> None:
    # Its sender waits for each frame to come back: an equal one follows just when the last would come again.
    relay = RingRelay(TIMES)
    assert b"".join(relay.passes(bytes([v]), place * LAP) for place, v in enumerate(payload)) == payload


def once_in_n_plus_2_frame_times(data: bytes, every: float, hops: int) -> bytes:
    """What a relay would pass on that repeated a value at most once in (N + 2) frame times."""
    out, last = bytearray(), dict.fromkeys(data, float("-inf"))
    for place, value in enumerate(data):
        if place * every - last[value] >= (hops + 2) * T:
            last[value] = place * every
            out.append(value)
    return bytes(out)


@pytest.mark.parametrize("hops", [1, 4, 8])
def test_at_most_one_equal_frame_in_n_plus_2_frame_times_would_break_messages(hops: int) -> None:
    """Why an equal frame may come round: a sender in lockstep says the next one after (N + 1) T.

    Its own frame has passed the other N - 1 units and us by then. A rule by time alone that stops a frame
    which nobody takes off stops the second `00` of such a message as well, and the sender waits in vain.
    """
    message = bytes.fromhex("A5 00 00 01")
    lockstep = (hops + 1) * T
    assert once_in_n_plus_2_frame_times(message, lockstep, hops) == bytes.fromhex("A5 00 01")
    relay = RingRelay(LineTimes(T, hops=hops, latency=0.0, jitter=0.0))
    passed = b"".join(relay.passes(bytes([v]), place * lockstep) for place, v in enumerate(message))
    assert passed == message


@pytest.mark.parametrize("hops", range(9))
@pytest.mark.parametrize("known", [True, False])
def test_a_frame_that_nobody_takes_off_dies(hops: int, known: bool) -> None:
    times = LineTimes(T, hops=hops, latency=0.001, jitter=0.015) if known else LineTimes(T, hops=hops)
    for extra in (0.0, 0.001, 0.016):
        assert circulate(RingRelay(times), 0x55, lap=(hops + 1) * T + extra) == ROUNDS


def test_it_dies_beside_a_message() -> None:
    # Noise goes round while a lead unit speaks in lockstep: the message is whole, the noise ends.
    relay = RingRelay(TIMES)
    noise, heard = 0, bytearray()
    for place, value in enumerate(bytes(range(1, 60))):
        now = place * LAP
        heard += relay.passes(bytes([value]), now)
        if noise == place:
            noise += len(relay.passes(b"\xee", now + 2 * T))
    assert bytes(heard) == bytes(range(1, 60))
    assert noise == ROUNDS


def test_after_it_died_the_same_byte_is_a_new_frame() -> None:
    relay = RingRelay(TIMES)
    rounds = circulate(relay, 0x55, lap=LAP)
    assert relay.passes(b"\x55", (rounds + 1) * LAP) == b"\x55"


def test_nothing_goes_on_while_a_failure_dies() -> None:
    relay = RingRelay(TIMES)
    relay.failed(1.0)
    quiet = 2 * (6 * T + TIMES.slack)
    assert relay.passes(b"\x01\x02", 1.0 + quiet * 0.99) == b""
    assert relay.passes(b"\x01\x02", 1.0 + quiet * 1.01) == b"\x01\x02"


def test_new_times_hold_at_once() -> None:
    relay = RingRelay(LineTimes(T, hops=8, latency=0.0, jitter=0.0))
    relay.set_times(TIMES)
    assert circulate(relay, 0x55, lap=LAP) == ROUNDS
