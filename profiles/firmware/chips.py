"""The chips that the source can be written for: their pins, memories and fuses.

Pin numbers are of the DIP cases; fuses and limits are from memory of the two data sheets (Atmel 7810 for the
ATmega328P, 8006 for the ATtiny84). The tests hold memory sizes and the places of the fuse bits against
avr-libc's headers.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

from profiles.errors import BadValue, NotKnown
from profiles.wording import near

__all__ = ["CHIPS", "Chip", "ClockSource", "Fuses", "Pin", "find_chip"]


class ClockSource(enum.StrEnum):
    """What gives the chip its clock."""

    CRYSTAL = "crystal"
    """A quartz crystal or a ceramic resonator at the chip's two pins for it."""
    EXTERNAL = "external"
    """A finished clock signal at one pin."""
    CALIBRATED = "calibrated"
    """The chip's own RC oscillator, calibrated by a person; as it leaves the factory it may be 10 % off."""

    @property
    def tolerance(self) -> float:
        """How far the clock may be off, as a part of it.

        Crystals: 100 ppm with temperature and age, common practice, no source. Calibrated by the user: 1 %,
        from memory of the data sheets' table of the calibrated RC oscillator's accuracy.
        """
        return 0.01 if self is ClockSource.CALIBRATED else 0.0001


@dataclass(frozen=True, slots=True)
class Pin:
    """A pin of the chip."""

    port: str
    bit: int
    number: int
    """On the DIP case."""

    @property
    def name(self) -> str:
        """As the data sheet calls it."""
        return f"P{self.port}{self.bit}"


@dataclass(frozen=True, slots=True)
class Fuses:
    """Fuse bytes as a programmer wants them: a bit that is 0 is programmed."""

    low: int
    high: int
    extended: int


@dataclass(frozen=True, slots=True)
class Chip:
    """What has to be known of a chip."""

    name: str
    """As compilers and programmers call it."""
    title: str
    pins: int
    """Of the DIP case."""
    line: Pin
    echo: Pin
    trigger: Pin
    lamp: Pin
    crystal: tuple[Pin, Pin]
    """Where a crystal goes; an external clock goes to the first."""
    supply: tuple[tuple[int, ...], tuple[int, ...]]
    """The DIP pins of the supply and of ground."""
    flash: int
    """Bytes."""
    ram: int
    high_fuse: int
    """With no brown-out level in it."""
    brown_out_in: str
    """Which fuse byte has the brown-out level in its lowest three bits: high or extended."""
    watchdog: int
    """Where the watchdog's register stands in memory, for the proof."""
    watchdog_bit: int = 6
    """The bit in it that lets the watchdog interrupt instead of resetting."""
    least_clock: float = 1e6
    most_clock: float = 20e6
    clock_at_low_supply: float = 10e6
    """The fastest clock at 2.7 V; faster ones need 4.5 V."""
    own_clock: float = 8e6
    """Of its own oscillator."""

    def fuses(self, clock: float, source: ClockSource) -> Fuses:
        """The fuses for a clock: not divided by 8, slow start, brown-out detector on."""
        match source:
            case ClockSource.EXTERNAL:
                low = 0xE0
            case ClockSource.CALIBRATED:
                low = 0xE2
            case ClockSource.CRYSTAL:
                low = 0xFB if clock < 3e6 else 0xFD if clock < 8e6 else 0xFF
        # 4.3 V for clocks that need 4.5 V, otherwise 2.7 V.
        level = 0b100 if clock > self.clock_at_low_supply else 0b101
        if self.brown_out_in == "high":
            return Fuses(low, self.high_fuse & ~0b111 | level, 0xFF)
        return Fuses(low, self.high_fuse, 0xF8 | level)


CHIPS: tuple[Chip, ...] = (
    Chip(
        name="atmega328p",
        title="ATmega328P",
        pins=28,
        line=Pin("D", 1, 3),
        echo=Pin("D", 0, 2),
        trigger=Pin("D", 4, 6),
        lamp=Pin("B", 5, 19),
        crystal=(Pin("B", 6, 9), Pin("B", 7, 10)),
        supply=((7, 20), (8, 22)),
        flash=32 * 1024,
        ram=2048,
        high_fuse=0xD9,
        brown_out_in="extended",
        watchdog=0x60,
    ),
    Chip(
        name="attiny84",
        title="ATtiny84",
        pins=14,
        line=Pin("A", 1, 12),
        echo=Pin("A", 0, 13),
        trigger=Pin("A", 2, 11),
        lamp=Pin("A", 7, 6),
        crystal=(Pin("B", 0, 2), Pin("B", 1, 3)),
        supply=((1,), (14,)),
        flash=8 * 1024,
        ram=512,
        high_fuse=0xDF,
        brown_out_in="high",
        watchdog=0x41,
    ),
)


def find_chip(name: str, clock: float, source: ClockSource) -> Chip:
    """The chip of that name, where it can have that clock.

    Args:
        name: as in ``Chip.name``.
        clock: Hz.
        source: what gives the clock.

    Raises:
        NotKnown: there is no source for such a chip.
        BadValue: it can't have that clock.
    """
    chip = next((chip for chip in CHIPS if chip.name == name), None)
    if chip is None:
        names = [chip.name for chip in CHIPS]
        raise NotKnown(f"there is no source for a chip {name!r}", todo=near(name, names))
    if not chip.least_clock <= clock <= chip.most_clock or clock != round(clock):
        raise BadValue(
            f"the {chip.title} can't run at {clock:g} Hz",
            todo=f"give it whole hertz from {chip.least_clock / 1e6:g} to {chip.most_clock / 1e6:g} MHz",
        )
    if source is ClockSource.CALIBRATED and clock != chip.own_clock:
        raise BadValue(
            f"the {chip.title}'s own oscillator has {chip.own_clock / 1e6:g} MHz, not {clock / 1e6:g}",
            todo=f"use a crystal, or --clock {chip.own_clock / 1e6:g}MHz",
        )
    return chip
