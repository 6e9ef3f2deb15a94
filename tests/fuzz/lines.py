"""What comes from the wire: bytes and times into the stream reader, what they mean, and the echo machine."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

from hypothesis import given, settings

from controller.understanding import Understanding
from profiles.checking import load_profile
from profiles.compiled import CompiledProfile, Meaning
from profiles.stream import Found, StreamMatcher
from tests.controller.halls import shipped
from tests.controller.test_echo_garbage import Chaos, chaos, verify_whatever_comes
from tests.fuzz.files import SHIPPED
from tests.fuzz.target import Target, Trial

__all__ = ["TARGETS"]

_MARK = 0xFE
"""In an input the byte after this one says how long the line is idle, and is none of the line's."""


@cache
def _profiles() -> tuple[CompiledProfile, ...]:
    return tuple(load_profile(shipped(name), f"{name}.toml") for name in SHIPPED)


def _deliveries(data: bytes) -> Iterable[tuple[float, bytes]]:
    """What is read, and after how many idle seconds."""
    idle, held, place = 0.0, bytearray(), 0
    while place < len(data):
        if data[place] == _MARK and place + 1 < len(data):
            if held:
                yield idle, bytes(held)
            idle, held = (data[place + 1] / 100) ** 2, bytearray()
            place += 2
            continue
        held.append(data[place])
        place += 1
    if held:
        yield idle, bytes(held)


@contextmanager
def _stream(folder: Path) -> Iterator[Trial]:
    def trial(data: bytes) -> None:
        if not data:
            return
        profile = _profiles()[data[0] % len(_profiles())]
        check_stream(profile.matcher(), list(_deliveries(data[1:])))
        units = {1: "mixer", 2: "hall-amp", None: "lamp"}
        understanding = Understanding(profile, units)
        now, told = 0.0, b""
        for idle, piece in _deliveries(data[1:]):
            now += idle
            for _, said in [*understanding.tick(now), *understanding.heard(piece, now)]:
                told += said.data
                assert said.text is None or said.text
        for _, said in understanding.tick(now + 1e6):
            told += said.data
        assert told == b"".join(piece for _, piece in _deliveries(data[1:]))

    yield trial


def check_stream(matcher: StreamMatcher[Meaning], deliveries: list[tuple[float, bytes]]) -> None:
    """Every byte is told once, in its order and with its place."""
    now, found = 0.0, list[Found[Meaning]]()
    for idle, piece in deliveries:
        now += idle
        found += matcher.tick(now)
        found += matcher.feed(piece, now)
        deadline = matcher.deadline
        assert (deadline is None) == (matcher.held == 0)
    found += matcher.tick(now + 1e6)
    assert matcher.held == 0
    place = 0
    for each in found:
        assert each.start == place
        place += len(each.data)
    assert b"".join(each.data for each in found) == b"".join(piece for _, piece in deliveries)


def _bytes(folder: Path) -> Iterable[bytes]:
    for number, profile in enumerate(_profiles()):
        said = bytearray([number])
        for place, action in enumerate(profile.actions.values()):
            try:
                values = action.parameters({})
            except ValueError:
                continue
            message = action.message(values, address=1).data
            said += message + bytes([_MARK, 3 * place % 90]) + message[:2] + b"\x00" + message[2:]
        yield bytes(said)


@contextmanager
def _echo(folder: Path) -> Iterator[Trial]:
    @settings(database=None)
    @given(chaos())
    def anything(case: Chaos) -> None:
        verify_whatever_comes(case)

    # Hypothesis hangs this on a test; its types don't say so.
    taken: Callable[[bytes], object] = getattr(anything, "hypothesis").fuzz_one_input  # noqa: B009 -- see above

    def trial(data: bytes) -> None:
        taken(data)

    yield trial


def _cases(folder: Path) -> Iterable[bytes]:
    for number in range(24):
        yield bytes(
            (number * 37 + place * place * 11 + place * number) % 256 for place in range(40 + 40 * number)
        )


TARGETS = (
    Target(
        "stream",
        _stream,
        _bytes,
        "\xa5\x01\x01\x02 \xa6 \xfe\x00 \xfe\x40 \xfe\xff",
        longest=4096,
    ),
    Target("echo", _echo, _cases, longest=4096),
)
