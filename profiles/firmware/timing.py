"""Bit times in cycles of the chip's clock, and delays in ticks of its timer."""

from __future__ import annotations

import math
from dataclasses import dataclass

from profiles.errors import BadValue
from profiles.firmware.chips import ClockSource
from profiles.model import LineSettings

__all__ = [
    "LEAST_CYCLES",
    "LEAST_ECHO_CYCLES",
    "MOST_CYCLES",
    "REFUSED",
    "WARNED",
    "BitTiming",
    "Tick",
    "bit_timing",
    "pick_tick",
]

LEAST_CYCLES = 12
"""The shortest bit time that the sending loop can make: 8 cycles, and one turn of 4 in which it waits."""
MOST_CYCLES = 4 * 65535 + 8
"""The longest: its turns are counted in 16 bits."""
LEAST_ECHO_CYCLES = 80
"""The shortest bit time at which an echo is read well inside its cells: it is seen up to 9 cycles late."""

REFUSED, WARNED = 0.015, 0.01
"""Parts of the bit rate, the clock's own tolerance included."""

_PRESCALERS = {2: 8, 3: 64, 4: 256, 5: 1024}
"""By what selects them in the register; no clock that the chips have needs a prescaler of 1."""
_TICK = 0.001


@dataclass(frozen=True, slots=True)
class BitTiming:
    """A bit time, counted in cycles."""

    clock: float
    """Hz."""
    baud: float
    cycles: int
    tolerance: float
    """Of the clock, as a part of it."""

    @property
    def achieved(self) -> float:
        """The rate in bits a second."""
        return self.clock / self.cycles

    @property
    def error(self) -> float:
        """How far the rate is off, as a part of it: achieved / wanted - 1, as the data sheets have it."""
        return self.achieved / self.baud - 1

    @property
    def worst(self) -> float:
        """The same with the clock's own tolerance, without a sign."""
        return abs(self.error) + self.tolerance

    @property
    def bit_time(self) -> float:
        """Seconds."""
        return self.cycles / self.clock


def bit_timing(line: LineSettings, clock: float, source: ClockSource, *, echo: bool) -> BitTiming:
    """The bit time for a line at a clock.

    Args:
        line: the line's settings.
        clock: Hz.
        source: what gives the clock.
        echo: whether an echo is to be read.

    Raises:
        BadValue: the clock can't make the rate, or only with too great an error.
    """
    cycles = max(1, math.floor(clock / line.baud + 0.5))
    what = f"{line.baud:g} baud from {clock / 1e6:g} MHz"
    least = LEAST_ECHO_CYCLES if echo else LEAST_CYCLES
    if cycles < least:
        why = "to read an echo" if echo else "to send"
        raise BadValue(
            f"{what} is {cycles} cycles a bit, and {least} are needed {why}", todo="use a faster clock"
        )
    if cycles > MOST_CYCLES:
        raise BadValue(
            f"{what} is {cycles} cycles a bit, and {MOST_CYCLES} is the most", todo="use a slower clock"
        )
    timing = BitTiming(clock, line.baud, cycles, source.tolerance)
    if timing.worst > REFUSED:
        raise BadValue(
            f"{what} would be {timing.achieved:.1f} baud, {timing.error:+.2%} off, and the clock itself may "
            f"be {timing.tolerance:.2%} off: more than {REFUSED:.1%}",
            todo="use another clock, such as a crystal that the rate divides",
        )
    return timing


@dataclass(frozen=True, slots=True)
class Tick:
    """The timer's period: what delays are counted in."""

    select: int
    """What selects the prescaler in the timer's register."""
    compare: int
    """The counter's greatest value."""
    seconds: float

    def count(self, seconds: float, *, least: int = 0) -> int:
        """The number of ticks that takes at least so long."""
        # A hair less, so that 20 ms are 20 ticks of 1 ms and not 21.
        return max(least, math.ceil(seconds / self.seconds - 1e-9))


def pick_tick(clock: float) -> Tick:
    """The prescaler and compare value that come nearest to a millisecond; of equals the smaller count."""
    found = []
    for select, divisor in _PRESCALERS.items():
        count = min(256, max(2, round(_TICK * clock / divisor)))
        seconds = count * divisor / clock
        found.append((round(abs(seconds - _TICK), 9), count, Tick(select, count - 1, seconds)))
    return min(found, key=lambda each: each[:2])[2]
