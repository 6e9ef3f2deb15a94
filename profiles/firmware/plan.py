"""A request worked out: chip, bit time, ticks and messages; all that the source and its proof need."""

from __future__ import annotations

import math
from dataclasses import dataclass

from profiles.errors import BadValue
from profiles.firmware.chips import Chip, find_chip
from profiles.firmware.messages import Said, said
from profiles.firmware.request import FirmwareRequest
from profiles.firmware.timing import WARNED, BitTiming, Tick, bit_timing, pick_tick
from profiles.frames import FrameFormat, Parity
from profiles.model import Effect, LineSettings, Method

__all__ = ["CODE", "Plan", "plan"]

CODE = 2048
"""Bytes of flash that the program without its tables never passes."""
_PAUSE = 6
"""Bytes of a pause in the tables."""
_MOST_DELAY = 1800.0
_MOST_PATIENCE = 5.0
_DEBOUNCE = (0.001, 10.0)
_SHORT_DEAD = 0.01
"""Dead times up to this many seconds are counted in cycles, longer ones in tenths of a millisecond."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What will be written."""

    request: FirmwareRequest
    chip: Chip
    timing: BitTiming
    tick: Tick
    echo: bool
    on: Said
    off: Said
    warnings: tuple[str, ...]

    @property
    def line(self) -> LineSettings:
        """The line's settings."""
        return self.request.profile.line

    @property
    def frame(self) -> FrameFormat:
        """The frame's format."""
        return self.line.format

    @property
    def cells(self) -> int:
        """Cells of a frame before its stop bit."""
        return 1 + self.frame.data_bits + (self.frame.parity is not Parity.NONE)

    @property
    def stop_cycles(self) -> int:
        """Cycles of the stop bits."""
        return math.ceil(self.frame.stop_bits * self.timing.cycles)

    @property
    def dead_cycles(self) -> int:
        """Cycles of a short dead time."""
        dead = self.line.dead_time
        return math.ceil(dead * self.timing.clock) if dead <= _SHORT_DEAD else 0

    @property
    def dead_tenths(self) -> int:
        """Tenths of a millisecond of a longer dead time."""
        dead = self.line.dead_time
        return math.ceil(dead * 10_000 - 1e-9) if dead > _SHORT_DEAD else 0

    @property
    def rest_ticks(self) -> int:
        """Ticks for which the echo input must be at rest before a message: two frames, and the tick begun."""
        return self.tick.count(2 * self.line.frame_time, least=1) + 1

    @property
    def patience(self) -> float:
        """Seconds of waiting for a line that others keep busy."""
        return max(0.001, min(_MOST_PATIENCE, self.request.profile.confirm.busy_timeout_ms / 1000))

    @property
    def tables(self) -> int:
        """Bytes of flash for the messages."""
        return sum(len(each.data) + _PAUSE * len(each.pauses) for each in (self.on, self.off))


def plan(request: FirmwareRequest) -> Plan:
    """Work a request out.

    Raises:
        BadValue: it can't be done, and why.
        NotKnown: there is no such action or chip.
    """
    profile = request.profile
    _delays_fit(request)
    chip = find_chip(request.chip, request.clock, request.clock_source)
    by_loop = profile.confirm.method is Method.LOOP
    echo = by_loop if request.echo is None else request.echo
    if echo and not by_loop:
        raise BadValue(
            f"{profile.profile.name} confirms by {profile.confirm.method}, and an echo input is for a "
            "ring, in which each frame comes back",
            todo="leave --echo out",
        )
    timing = bit_timing(profile.line, request.clock, request.clock_source, echo=echo)
    on = said(profile, request.on, request.address, request.text)
    off = said(profile, request.off, request.address, request.text)
    made = Plan(
        request,
        chip,
        timing,
        pick_tick(request.clock),
        echo,
        on,
        off,
        tuple(_warnings(request, timing, on, off, by_loop=by_loop, echo=echo)),
    )
    if made.tables + CODE > chip.flash:
        raise BadValue(
            f"the messages take {made.tables} bytes, and the {chip.title} has {chip.flash - CODE} beside the "
            "program",
            todo="choose a larger chip, or actions with fewer bytes",
        )
    return made


def _delays_fit(request: FirmwareRequest) -> None:
    low, high = _DEBOUNCE
    if not low <= request.debounce <= high:
        raise BadValue(
            f"a debounce of {request.debounce:g} s is not possible",
            todo=f"give from {low * 1000:g} ms to {high:g} s",
        )
    for name, delay in (("on", request.delay_on), ("off", request.delay_off)):
        if not 0 <= delay <= _MOST_DELAY:
            raise BadValue(
                f"a delay before {name} of {delay:g} s is not possible",
                todo=f"give at most {_MOST_DELAY:g} s",
            )


def _warnings(
    request: FirmwareRequest, timing: BitTiming, on: Said, off: Said, *, by_loop: bool, echo: bool
) -> list[str]:
    profile = request.profile
    warnings = []
    if timing.worst > WARNED:
        warnings.append(
            f"the bit rate may be {timing.worst:.2%} off ({timing.error:+.2%} counted, the clock "
            f"{timing.tolerance:.2%}): a receiver may need better; a crystal that the rate divides gives it"
        )
    if by_loop and not echo:
        warnings.append("the profile confirms by the loop: without an echo input nobody knows what arrived")
    for what, each, odd in (("on", on, Effect.DE_ENERGISE), ("off", off, Effect.ENERGISE)):
        if profile.actions[each.action].spec.effect is odd:
            warnings.append(f"--{what} says {each.action}, which the profile says is to {odd.value}")
    if on.data == off.data:
        warnings.append("on and off say the same bytes: the box can't make sure of a state")
    if request.at_start.value == "follow":
        warnings.append("the box says on by itself when power returns and the trigger is there")
    return warnings
