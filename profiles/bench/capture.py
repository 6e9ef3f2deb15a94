"""A capture: what was recorded at the bench, one channel each, whatever kind of file it came from.

A channel is a voltage, a logic level, or (from our own recordings) bytes that an adapter has read already.
All of them can be asked for what the decoder needs: edges, or frames.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from profiles.bench.edges import Edges, FloatArray
from profiles.bench.levels import Levels, Samples, analog_crossings, find_levels, smoothed
from profiles.errors import NotKnown

__all__ = ["Capture", "Channel", "ChannelKind", "Heard", "RecordedLine", "TimeBase"]


class ChannelKind(enum.Enum):
    """What a channel was taken for."""

    VOLTAGE = "voltage"
    """Samples of a voltage."""
    LOGIC = "logic"
    """A level that is high or low."""
    BYTES = "bytes"
    """Bytes with times, from a recording of an adapter's traffic."""


@dataclass(frozen=True, slots=True)
class TimeBase:
    """When the samples of a capture were taken, in seconds from the first one."""

    interval: float
    """Seconds between samples; where they are not evenly spaced, the median."""
    count: int
    """Samples."""
    knots: tuple[tuple[int, float], ...] = ()
    """Where time jumps: (index of a sample, its time). Between two knots samples are ``interval`` apart."""
    times: FloatArray | None = None
    """The time of each sample, where they keep to no interval."""

    @property
    def even(self) -> bool:
        """Whether samples are evenly spaced from the first to the last."""
        return self.times is None and not self.knots

    @property
    def end(self) -> float:
        """The time of the last sample."""
        return float(self.at(np.array([self.count - 1.0]))[0]) if self.count else 0.0

    def at(self, index: npt.NDArray[Any]) -> FloatArray:
        """The time of samples, or of places between them, by index."""
        place = np.asarray(index, np.float64)
        if self.times is not None:
            return np.asarray(np.interp(place, np.arange(len(self.times)), self.times), np.float64)
        if not self.knots:
            return place * self.interval
        starts = np.array([knot[0] for knot in self.knots], np.float64)
        begins = np.array([knot[1] for knot in self.knots], np.float64)
        # A place between the last sample before a jump and the first after it belongs to the one after.
        piece = np.maximum(np.searchsorted(starts, np.ceil(place), side="right") - 1, 0)
        times: FloatArray = begins[piece] + (place - starts[piece]) * self.interval
        return times

    def gaps(self) -> tuple[tuple[float, float], ...]:
        """Stretches in which nothing was recorded, in seconds."""
        return tuple((float(self.at(np.array([index - 1.0]))[0]), begin) for index, begin in self.knots[1:])


@dataclass(frozen=True, slots=True)
class Heard:
    """Bytes of a recording that came or went together."""

    at: float
    """Seconds from the recording's first record to the last byte's end."""
    data: bytes
    lags: tuple[float | None, ...] = ()
    """For echoed bytes, seconds from each one's writing to its whole echo."""


@dataclass(frozen=True, slots=True)
class RecordedLine:
    """The line settings that an adapter was read with."""

    baud: float
    frame: str
    bit_order: str
    idle: str


@dataclass(frozen=True, slots=True)
class Channel:
    """One line of a capture."""

    name: str
    kind: ChannelKind
    taken_for: str
    """What it was taken for and where it stood, as a sentence."""
    time: TimeBase | None = None
    samples: Samples | None = None
    """The voltage, for one."""
    logic: Edges | None = None
    """The edges, for a logic level."""
    heard: tuple[Heard, ...] = ()
    """The bytes, of a recording."""
    line: RecordedLine | None = None
    unit: str = "V"
    notes: tuple[str, ...] = ()

    def levels(self, threshold: float | None = None, hysteresis: float | None = None) -> Levels | None:
        """The two levels of a voltage; None for a channel that is none."""
        if self.samples is None:
            return None
        return find_levels(self.samples, threshold, hysteresis)

    def edges(self, levels: Levels | None = None) -> tuple[Edges, tuple[str, ...]]:
        """When the line changed, and what was done to find out.

        Args:
            levels: of a voltage, with the threshold to use; by default found.
        """
        if self.logic is not None:
            return self.logic, ()
        if self.samples is None or self.time is None:
            return Edges(np.empty(0), 0, 1.0, 0.0), ()
        levels = levels or find_levels(self.samples)
        if not levels.alive:
            middle = int((levels.low + levels.high) / 2 > 0.3)
            return Edges(np.empty(0), middle, 1.0, self.time.end), (
                f"no two levels: at {levels.low:.3g} {self.unit}, noise {levels.noise:.2g} {self.unit}",
            )
        samples, width = smoothed(self.samples, levels)
        notes: tuple[str, ...] = ()
        if width > 1:
            notes = (f"noise of {levels.noise / levels.swing:.0%} of the swing: {width} samples averaged",)
            levels = replace(levels, hysteresis=max(levels.hysteresis / width**0.5, 0.15 * levels.swing))
        places, first = analog_crossings(samples, levels)
        places += (width - 1) / 2
        blur = max(0.02, min(1.0, levels.noise / levels.swing * 4)) if levels.swing else 1.0
        if self.time.even:
            return Edges(places, first, self.time.interval, self.time.count - 1.0, blur), notes
        resolution = blur * self.time.interval
        return Edges(self.time.at(places), first, 1.0, self.time.end, resolution, self.time.gaps()), notes


@dataclass(frozen=True, slots=True)
class Capture:
    """A file that was recorded at the bench."""

    file: str
    kind: str
    """What kind of file it is, in words."""
    channels: tuple[Channel, ...]
    notes: tuple[str, ...] = ()
    """What was noticed on reading: columns ignored, samples missing, rows dropped."""
    started: str = ""
    """When it was recorded, UTC, where the file says so."""
    details: dict[str, str] = field(default_factory=dict)

    def channel(self, name: str) -> Channel:
        """The channel of that name.

        Raises:
            NotKnown: there is none.
        """
        for channel in self.channels:
            if channel.name == name:
                return channel
        names = ", ".join(channel.name for channel in self.channels)
        raise NotKnown(f"there is no channel {name!r}", where=self.file, todo=f"it has {names}")
