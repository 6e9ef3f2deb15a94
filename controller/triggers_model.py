"""Triggers as they stand in a site's file. What needs the rest of it to be judged is in triggers_rules.py."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from controller.site_topics import MqttTopic
from profiles.items import GivenValue, Name, Strict

__all__ = ["DAYS", "ThenSpec", "TriggerSpec", "WhenSpec"]

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DAYS: tuple[Day, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def _time(text: str) -> str:
    hours, _, rest = text.partition(":")
    minutes, _, seconds = rest.partition(":")
    parts = (hours, minutes, seconds) if rest.count(":") else (hours, minutes, "00")
    if not all(len(part) == 2 and part.isascii() and part.isdigit() for part in parts):
        raise ValueError(f'{text!r} is no time of day; write it as "19:30" or "19:30:00"')
    if int(parts[0]) > 23 or int(parts[1]) > 59 or int(parts[2]) > 59:
        raise ValueError(f'{text!r} is no time of day; use "00:00" to "23:59"')
    return ":".join(parts)


class WhenSpec(Strict):
    """What is waited for: a line, a state, an order, an event, a message, a time, or an adapter."""

    line: Literal["cts", "dsr", "dcd", "ri"] | None = None
    """A control line of ``bus``'s adapter."""
    active: Literal["on", "off"] = "on"
    """Which level of the line counts: its polarity."""
    bus: Name | None = None
    state: Name | None = None
    """A state of ``unit`` that has to become ``value``."""
    unit: Name | None = None
    value: GivenValue | None = None
    heard: Name | None = None
    """An action that somebody else tells ``unit`` on its bus: its lead unit, a remote."""
    event: Name | None = None
    """An event that an observation of the profile raises, of ``bus`` or ``unit``."""
    topic: MqttTopic | None = None
    """Where a message with ``payload`` has to come; retained ones count for nothing."""
    payload: str | None = Field(default=None, max_length=4096)
    off_payload: str | None = Field(default=None, max_length=4096)
    at: Annotated[str, AfterValidator(_time)] | None = None
    """A time of day, on ``days`` in ``zone``."""
    days: tuple[Day, ...] = Field(default=DAYS, min_length=1, strict=False)
    zone: str | None = None
    """A time zone by its name in the IANA database; by default this computer's own."""
    adapter: Name | None = None
    """A bus whose adapter has to appear."""


class ThenSpec(Strict):
    """What is started: an action of a unit, a sequence, or off."""

    unit: Name | None = None
    action: Name | None = None
    parameters: dict[Name, GivenValue] = Field(default_factory=dict)
    sequence: Name | None = None
    go: Literal["up", "down"] = "up"
    off: Name | None = None
    """A unit, a group or a bus that is switched off; ``all`` for everything."""


class TriggerSpec(Strict):
    """Something that starts something."""

    title: str = ""
    when: WhenSpec = Field(examples=['{ bus = "lights", line = "cts" }'])
    on: ThenSpec = Field(examples=['{ sequence = "evening", go = "up" }'])
    """What is done when it becomes so."""
    off: ThenSpec | None = None
    """What is done when it is so no more."""
    mode: Literal["level", "pulse"] | None = None
    """``pulse``: only that it becomes so counts. By default ``level`` where there is one."""
    debounce_ms: float | None = Field(default=None, ge=0, le=60_000)
    """How long an input has to be steady before it counts."""
    delay_on_s: float | None = Field(default=None, ge=0, le=86_400)
    """How long it has to be so before ``on``."""
    delay_off_s: float = Field(default=0.0, ge=0, le=86_400)
    hold_s: float = Field(default=0.0, ge=0, le=86_400)
    """Least seconds from ``on`` to ``off``; of a pulse, exactly so many."""
    at_start: Literal["report", "follow"] = "report"
    """What becomes of how the input stands when it is first known: nothing, or it is followed."""
    start_delay_s: float = Field(default=5.0, ge=0, le=3_600)
    """Seconds after which it is followed (common practice, no source: gear needs some to come up)."""
