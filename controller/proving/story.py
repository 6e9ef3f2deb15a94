"""Stories: what is done to a box, and what has to come of it; from its description, not from its source."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from profiles.firmware.manifest import Box, Tells
from profiles.firmware.request import AtStart

__all__ = ["Due", "Event", "Ring", "Story"]

_SETTLED = 0.05
"""Seconds of patience after all is over."""


@dataclass(frozen=True, slots=True)
class Event:
    """Something done to the box."""

    at: float
    """Seconds from its start."""
    what: str
    """``trigger 1``, ``echo 0`` (levels of the pin), ``reset power``, ``hang``."""


@dataclass(frozen=True, slots=True)
class Ring:
    """The units behind the box; without one its echo input is at rest."""

    units: int = 1
    late: float = 0.0
    """Bit times from the middle of a frame's stop bit to the start of its repetition."""
    fault: str = "whole"
    """``whole``; ``first``: so many frames come back; ``wrong``: that frame comes back wrong."""
    number: int = 0
    rate: float = 1.0
    """The units' bit rate as a part of the nominal one."""


@dataclass(frozen=True, slots=True)
class Due:
    """A message that has to be heard."""

    on: bool
    at: float
    """When its first frame begins, in seconds, where nothing holds it up."""
    frames: int | None = None
    """How many of its frames are heard; None for all."""
    held: float = 0.0
    """The least time since the end of the message before it, in seconds."""
    cut: float | None = None
    """When a reset cuts it off, in seconds."""


@dataclass
class Story:
    """Something that happens to a box, told from its power coming up.

    Args:
        name: short, for JSON.
        title: in words.
        box: what the box is to do.
        ring: the units behind it.
        there: whether the trigger is there at the start.
    """

    name: str
    title: str
    box: Box
    ring: Ring | None = None
    there: bool = False
    stuck: bool = False
    """Whether the echo input is never at rest."""
    events: list[Event] = field(default_factory=list)
    due: list[Due] = field(default_factory=list)
    resets: list[str] = field(default_factory=list)
    blinks: int = 0
    """What the lamp has to blink at the end, again and again; 0 for a dark lamp."""
    now: float = 0.0
    said: bool = False
    """What the box takes for told: the trigger's level as it was last obeyed."""

    _begun: float = 0.0
    """When the chip was last started."""
    _spoken: bool = False
    """Whether it has said something since."""

    def __post_init__(self) -> None:
        if self.stuck:
            self.events.append(Event(0.0, f"echo {int(self.box.line.idle != 'high')}"))
        self._level(self.there, 0.0)
        self._reset("power")

    # ---- What is done.

    def trigger(self, there: bool, *, frames: int | None = None) -> Story:
        """The trigger comes or goes; the box has the time to say all of it.

        Args:
            there: whether it is there now.
            frames: how many frames are heard of what it asks for, where not all.
        """
        self._level(there, self.now)
        self._asked(there, self.now, frames)
        return self

    def bounce(self, there: bool, pulses: int = 8) -> Story:
        """The trigger comes or goes as a worn contact does it: back and forth within the debounce."""
        step = self.box.debounce_s / 3
        for number in range(2 * pulses):
            self._level(there if number % 2 == 0 else not there, self.now)
            self.now += step
        return self.trigger(there)

    def pulse(self) -> Story:
        """The trigger changes for less than the debounce, and nothing may come of it."""
        self.free()
        self._level(not self.there, self.now)
        self._level(not self.there, self.now + self.box.debounce_s * 0.8)
        self.now += 2 * self.box.debounce_s + self._delay(on=True) + self._delay(on=False) + _SETTLED
        return self

    def taken_back(self) -> Story:
        """The trigger changes for less than the delay, and nothing may come of it."""
        self.free()
        on = not self.there
        self._level(on, self.now)
        # Half of the delay, counted from where the level is steady.
        self.now += self.box.debounce_s + self._delay(on=on) / 2
        self._level(not on, self.now)
        self.now += self.box.debounce_s + self._delay(on=True) + self._delay(on=False) + _SETTLED
        return self

    def gone_while_spoken(self) -> Story:
        """The trigger comes, and goes again while the box says on; off is said after that."""
        self.free()
        self._level(True, self.now)
        begins = self._begins(True, self.now)
        length = self.length(self.box.on)
        self._level(False, begins + 3 * self.box.tick_s + length / 4)
        self._spoken, self.said, self.blinks = True, False, 0
        # When off begins depends on when the box has done and looks again.
        self.due += [Due(True, begins), Due(False, math.nan)]
        self.now = begins + length + self.box.on.hold_off_s + self.box.debounce_s + self._delay(on=False)
        return self.wait(self.box.rest_s + self.length(self.box.off) + self.box.echo_timeout_s + _SETTLED)

    def reset(self, cause: str) -> Story:
        """The chip is reset: power, external, brown-out, or by its watchdog (after four seconds at most)."""
        if cause == "watchdog":
            self.events.append(Event(self.now, "hang"))
            self.resets.append("hang")
            self.now += 4.3
            self.resets.append("watchdog")
            self.blinks = 1
            self._started()
        else:
            self._reset(cause)
        return self

    def reset_while_speaking(self, cause: str) -> Story:
        """The trigger comes, and the chip is reset while it says what that asks for."""
        self._level(True, self.now)
        begins = self._held_begin(self._begins(True, self.now))
        frame = self.box.line.format.time(self.box.line.baud)
        # Ticks of doubt about when it begins, and then some way into the second frame where frames are slow.
        self.now = begins + 3 * self.box.tick_s
        self.now += 1.25 * frame * (1 + (self._hops() if self.box.echo else 0))
        self.due.append(Due(True, begins, cut=self.now))
        self._reset(cause)
        return self

    def free(self) -> Story:
        """Let the time pass in which the box holds back what it is asked for."""
        return self.wait(self._longest_hold())

    def wait(self, seconds: float) -> Story:
        """Let time pass."""
        self.now += seconds
        return self

    # ---- What has to come of it.

    def length(self, tells: Tells) -> float:
        """The most that a message takes, in seconds."""
        line = self.box.line
        frame = line.format.time(line.baud)
        each = frame * (1 + self._hops() * 1.1) + 3 / line.baud + line.dead_time_s
        most = each * len(tells.data) + sum(pause.seconds for pause in tells.pauses)
        return most * 1.02 + 0.01

    def _hops(self) -> int:
        return self.ring.units if self.ring else 1

    def _delay(self, *, on: bool) -> float:
        return self.box.delay_on_s if on else self.box.delay_off_s

    def _tells(self, on: bool) -> Tells:
        return self.box.on if on else self.box.off

    def _level(self, there: bool, at: float) -> None:
        self.events.append(Event(at, f"trigger {int(there == self.box.trigger_high)}"))
        self.there = there

    def _begins(self, on: bool, at: float) -> float:
        first = sum(pause.seconds for pause in self._tells(on).pauses if pause.before == 0)
        return at + self.box.debounce_s + self._delay(on=on) + self.box.rest_s + first

    def _asked(self, on: bool, at: float, frames: int | None) -> None:
        """The trigger has asked for a message, unless that is what was told already."""
        begins = self._begins(on, at)
        self.now = begins + _SETTLED
        if on == self.said:
            return
        self.said, self.blinks = on, 0
        if self._spoken:
            before = self._tells(self.due[-1].on).hold_off_s
        else:
            before, begins = 0.0, self._held_begin(begins)
        self._spoken = True
        self.due.append(Due(on, begins, frames, before))
        self.now = begins + _SETTLED + before + self.length(self._tells(on)) + self.box.echo_timeout_s
        if self.stuck:
            self.now += 3 * self.box.patience_s

    def _reset(self, cause: str) -> None:
        self.events.append(Event(self.now, f"reset {cause}"))
        self.resets.append(cause)
        self.blinks = 0
        self._started()

    def _held_begin(self, begins: float) -> float:
        """When the first message after a start begins.

        The box does not know what was said before, and waits as for the longer one of the two.
        """
        return max(begins, self._begun + self._longest_hold() + self.box.rest_s)

    def _longest_hold(self) -> float:
        return max(self.box.on.hold_off_s, self.box.off.hold_off_s)

    def _started(self) -> None:
        self._begun, self._spoken = self.now, False
        match self.box.at_start:
            case AtStart.NOTHING:
                self.said = self.there
            case AtStart.OFF:
                self.said = True
            case AtStart.FOLLOW:
                self.said = not self.there
        if self.resets[-1] == "watchdog":
            return self._after_watchdog()
        return self._asked(self.there, self.now, None)

    def _after_watchdog(self) -> None:
        """What a restart by the watchdog leads to; when it comes is its own affair, so nothing is timed."""
        self.now += self._longest_hold()
        if self.there != self.said:
            self.blinks = 0
            self._spoken = True
            self.due.append(Due(self.there, math.nan))
            self.said = self.there
            self.now += self.length(self._tells(self.there)) + self.box.echo_timeout_s
        self.now += self.box.debounce_s + self._delay(on=self.there) + self.box.rest_s + _SETTLED
