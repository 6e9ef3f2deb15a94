"""Profiles for boxes, and the requests for them."""

from __future__ import annotations

from typing import Any

from profiles.checking import load_profile
from profiles.firmware.export import FirmwareExport, export_firmware
from profiles.firmware.request import FirmwareRequest, Telling

ON, OFF = "A5 01 7F", "A5 00 00 FF"
FORTY_ON = " ".join(f"{(7 * n + 1) % 256:02X}" for n in range(40))
FORTY_OFF = " ".join(f"{(11 * n + 3) % 256:02X}" for n in range(40))


def profile_text(
    *,
    line: str = "baud = 9600",
    confirm: str = 'method = "loop"',
    on: str = ON,
    off: str = OFF,
    more: str = "",
) -> str:
    """A profile with two actions.

    Args:
        line: the keys of its line.
        confirm: the keys of how it confirms.
        on: bytes of the action on in hexadecimal, or items.
        off: the same of off.
        more: more keys of the action on.
    """
    items = [text if "{" in text else f'{{ hex = "{text}" }}' for text in (on, off)]
    return f"""schema = 1
name = "shelf"
title = "Gear on a shelf"

[line]
{line}

[confirm]
{confirm}

# Its relay clicks twice.
[actions.on]
title = "On"
effect = "energise"
send = [{items[0]}]
{more}

# What follows is quiet.
[actions.off]
effect = "de-energise"
send = [{items[1]}]
"""


def request(text: str, **changes: Any) -> FirmwareRequest:
    """What is asked for, of a profile's text."""
    return FirmwareRequest(load_profile(text, "shelf.toml"), Telling("on"), Telling("off"), text, **changes)


def exported(text: str | None = None, **changes: Any) -> FirmwareExport:
    """A box's source."""
    return export_firmware(request(text or profile_text(), **changes))
