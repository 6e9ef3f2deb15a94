"""What a person asks for when a box's source is written."""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field

from profiles.compiled import CompiledProfile
from profiles.firmware.chips import ClockSource
from profiles.model import Value

__all__ = ["AtStart", "FirmwareRequest", "Telling"]


class AtStart(enum.StrEnum):
    """What the box says of its own accord after a reset, whatever has caused it."""

    NOTHING = "nothing"
    """Nothing, until the trigger changes: the level that it finds is taken as it is."""
    OFF = "off"
    """Off, where the trigger is not there."""
    FOLLOW = "follow"
    """On or off, as the trigger asks. This switches gear on when power returns."""


@dataclass(frozen=True, slots=True)
class Telling:
    """An action and the values that it is always told with."""

    action: str
    parameters: Mapping[str, Value] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class FirmwareRequest:
    """All that is fixed when the source is written."""

    profile: CompiledProfile
    on: Telling
    """What is told when the trigger comes."""
    off: Telling
    """What is told when it goes."""
    text: str = ""
    """The profile's TOML text, for its own words beside the bytes; empty where it can't be had."""
    address: int | None = None
    """The unit's address, or the profile's address for all."""
    chip: str = "atmega328p"
    clock: float = 8e6
    """Hz."""
    clock_source: ClockSource = ClockSource.CRYSTAL
    trigger_high: bool = False
    """The pin's level while the trigger is there: low for an opto-isolator that pulls the pin down."""
    debounce: float = 0.02
    """Seconds for which the trigger has to be steady."""
    delay_on: float = 0.0
    """Seconds from the steady trigger to the message."""
    delay_off: float = 0.0
    at_start: AtStart = AtStart.NOTHING
    echo: bool | None = None
    """Whether each frame waits for the echo of the one before; None: as the profile confirms."""
