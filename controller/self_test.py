"""Self-test of an adapter with a loop-back plug: what rates it can do, and what time it adds.

The plug joins transmit to receive, so every frame should be back one frame time after it was written. What
comes later is the adapter's latency: the least of it, and its jitter, decide whether units in a ring can be
counted (neither may be more than a third of a frame time).
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from controller.ports import Port, PortSettings, open_port
from controller.waiting import Clock, Waiter, monotonic
from profiles.errors import PortUnavailable
from profiles.frames import FrameFormat
from profiles.model import LineSettings

__all__ = ["RATES_TRIED", "AdapterReport", "FormatResult", "RateResult", "try_adapter"]

RATES_TRIED = (1200.0, 2400.0, 4800.0, 9600.0, 19200.0, 31250.0, 38400.0, 57600.0, 115200.0)
_FORMATS = ("8N1", "8N2", "8E1", "8O1", "7E1", "7N2", "8M1", "8S1", "5N1")
_PATTERN = bytes((0x55, 0x00, 0xFF, 0xA5, 0x5A, 0x01, 0x80, 0x7F, 0x0F, 0xF0, 0x33, 0xCC)) * 4
_SINGLES = 12
_PATIENCE = 0.25
"""Seconds that an adapter may add before a frame counts as lost."""


@dataclass(frozen=True, slots=True)
class RateResult:
    """What one rate gave."""

    baud: float
    works: bool
    problem: str = ""
    latency_ms: float | None = None
    """The least that was added to the frame's own time."""
    jitter_ms: float | None = None
    """How much more was added at most."""
    rate_error_percent: float | None = None
    """The true rate against the nominal one; None where the adapter's own time hides it."""
    counts_units: bool = False
    """Whether units in a ring can be counted at this rate."""


@dataclass(frozen=True, slots=True)
class FormatResult:
    """Whether one frame format works."""

    frame: str
    works: bool
    problem: str = ""


@dataclass(frozen=True, slots=True)
class AdapterReport:
    """What an adapter can do."""

    port: str
    rates: tuple[RateResult, ...]
    formats: tuple[FormatResult, ...]
    latency_ms: float | None
    """The least over all rates that work."""
    jitter_ms: float | None
    text: str
    look_at: str = ""

    @property
    def works(self) -> bool:
        """Whether any rate works."""
        return any(rate.works for rate in self.rates)


def try_adapter(
    port: str,
    rates: Sequence[float] = RATES_TRIED,
    *,
    clock: Clock = monotonic,
    progress: Callable[[str], None] = lambda _: None,
    opener: Callable[[PortSettings], Port] = open_port,
) -> AdapterReport:
    """Test an adapter; takes a few seconds.

    Args:
        port: a path, ``usb:VID:PID[:SERIAL]``, or a pyserial URL.
        rates: bits a second.
        clock: monotonic seconds.
        progress: is told what is tested next.
        opener: opens ports.

    Raises:
        PortUnavailable: the port can't be opened at all.
        LinkLost: it went away during the test.
    """
    opener(PortSettings(port, LineSettings(baud=9600.0))).close()
    waiter = Waiter()
    try:
        results = []
        for baud in rates:
            progress(f"{baud:g} baud")
            results.append(_test_rate(port, baud, waiter, clock, opener))
        formats = []
        working = [result.baud for result in results if result.works]
        if working:
            baud = min(working, key=lambda rate: abs(rate - 9600.0))
            for frame in _FORMATS:
                progress(f"{frame} at {baud:g} baud")
                formats.append(_test_format(port, baud, frame, waiter, clock, opener))
    finally:
        waiter.close()
    good = [result for result in results if result.works]
    latency = min((r.latency_ms for r in good if r.latency_ms is not None), default=None)
    jitter = max((r.jitter_ms for r in good if r.jitter_ms is not None), default=None)
    text, look_at = _conclusion(results)
    return AdapterReport(port, tuple(results), tuple(formats), latency, jitter, text, look_at)


def _test_rate(
    port: str, baud: float, waiter: Waiter, clock: Clock, opener: Callable[[PortSettings], Port]
) -> RateResult:
    line = LineSettings(baud=baud)
    try:
        device = opener(PortSettings(port, line))
    except PortUnavailable as error:
        return RateResult(baud, works=False, problem=error.what)
    try:
        added = []
        for value in _PATTERN[:_SINGLES]:
            began = clock()
            device.write(bytes((value,)))
            back = _read(device, 1, began + line.frame_time + _PATIENCE, waiter, clock)
            if back != bytes((value,)):
                return RateResult(baud, works=False, problem=_problem(bytes((value,)), back))
            added.append(clock() - began - line.frame_time)
        began = clock()
        device.write(_PATTERN)
        back = _read(
            device, len(_PATTERN), began + len(_PATTERN) * line.frame_time + _PATIENCE, waiter, clock
        )
        took = clock() - began
        if back != _PATTERN:
            return RateResult(baud, works=False, problem=_problem(_PATTERN, back))
    finally:
        device.close()
    least, most = min(added), max(added)
    block = len(_PATTERN) * line.frame_time
    if statistics.median(added) < -0.5 * line.frame_time or took < 0.5 * block:
        problem = "came back sooner than a line can carry it: this port has no line behind it"
        return RateResult(baud, works=False, problem=problem)
    latency, jitter = max(0.0, least), most - least
    off = (block / (took - latency) - 1) * 100 if took > latency else 0.0
    told = jitter < 0.01 * block
    counts = max(latency, jitter) <= line.frame_time / 3
    return RateResult(
        baud, True, "", latency * 1000, jitter * 1000, round(off, 2) if told else None, counts_units=counts
    )


def _test_format(
    port: str, baud: float, frame: str, waiter: Waiter, clock: Clock, opener: Callable[[PortSettings], Port]
) -> FormatResult:
    line = LineSettings(baud=baud, frame=frame)
    mask = (1 << FrameFormat.parse(frame).data_bits) - 1
    sent = bytes(value & mask for value in _PATTERN[:_SINGLES])
    try:
        device = opener(PortSettings(port, line))
    except PortUnavailable as error:
        return FormatResult(frame, works=False, problem=error.what)
    try:
        began = clock()
        device.write(sent)
        back = _read(device, len(sent), began + len(sent) * line.frame_time + _PATIENCE, waiter, clock)
    finally:
        device.close()
    return FormatResult(frame, back == sent, "" if back == sent else _problem(sent, back))


def _read(port: Port, count: int, until: float, waiter: Waiter, clock: Clock) -> bytes:
    data = b""
    while len(data) < count and clock() < until:
        if waiter.wait(port, until - clock(), busy=True):
            data += port.read()
    return data


def _problem(sent: bytes, back: bytes) -> str:
    if not back:
        return "nothing came back"
    if back == bytes(~value & 0xFF for value in sent):
        return "came back with all bits turned round: one direction inverts and the other does not"
    if len(back) < len(sent):
        return f"{len(back)} of {len(sent)} bytes came back"
    wrong = sum(a != b for a, b in zip(sent, back, strict=False))
    return f"{wrong} of {len(sent)} bytes came back wrong"


def _conclusion(results: Sequence[RateResult]) -> tuple[str, str]:
    good = [result for result in results if result.works]
    if not good:
        if all(result.problem == "nothing came back" for result in results):
            return "nothing came back", "the loop-back plug: transmit and receive must be joined"
        return f"no rate works: {results[0].problem if results else 'none was asked for'}", "the plug"
    bad = [f"{result.baud:g}" for result in results if not result.works]
    text = f"{len(good)} of {len(results)} rates work" + (f", not {', '.join(bad)}" if bad else "")
    counting = [result.baud for result in good if result.counts_units]
    if counting:
        return f"{text}; units in a ring can be counted up to {max(counting):g} baud", ""
    return (
        f"{text}; its latency is too long to count units in a ring at any of them",
        "an adapter with a shorter latency timer, or a lower rate",
    )
