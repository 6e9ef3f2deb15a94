"""``linewarden send``: raw bytes or a captured burst, before a profile exists."""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from controller.api import ControllerApi
from controller.records import Command, Outcome
from profiles.errors import InputError, NotKnown
from tui.commands.act import print_outcome
from tui.session import me, run_with_api
from tui.telling import exit_code, hexadecimal


def run(arguments: argparse.Namespace) -> int:
    """Send them, if that is allowed."""
    if not arguments.allow_raw:
        raise InputError(
            "raw bytes may do anything to the gear, so nothing was sent",
            todo="add --allow-raw if you mean it",
        )
    words = arguments.bytes
    capture = len(words) == 1 and ("." in words[0] or Path(words[0]).exists())
    data = _captured(Path(words[0]), arguments) if capture else _hexadecimal(" ".join(words))
    command = Command(arguments.bus, "", origin=me(), at=time.time(), agreed=True, raw=data)

    async def work(api: ControllerApi) -> Outcome:
        return await api.submit(command)

    outcome = run_with_api(arguments, work)
    print_outcome(command, outcome, json=arguments.json)
    return exit_code([outcome])


def _hexadecimal(text: str) -> bytes:
    try:
        data = bytes.fromhex(text)
    except ValueError:
        raise InputError(f"{text!r} is no hexadecimal", todo="write digit pairs, such as A5 01") from None
    if not data:
        raise InputError("there are no bytes to send", todo="write digit pairs, such as A5 01")
    return data


def _captured(path: Path, arguments: argparse.Namespace) -> bytes:
    """The bytes of one burst of a capture.

    Raises:
        NotKnown: it has no such channel or burst.
        InputError: the burst has a frame that was not received whole.
    """
    from profiles.bench.decoding import decode_capture

    decoding = decode_capture(path)
    channels = [channel for channel in decoding.channels if channel.segments and channel.main.bursts]
    if arguments.channel:
        channels = [channel for channel in channels if channel.name == arguments.channel]
    if not channels:
        raise NotKnown("has no bytes on such a channel", where=str(path))
    part = channels[0].main
    if not 1 <= arguments.burst <= len(part.bursts):
        raise NotKnown(f"has no burst {arguments.burst}", where=str(path), todo=f"it has {len(part.bursts)}")
    burst = part.bursts[arguments.burst - 1]
    data = part.data(burst)
    if len(data) != burst[1] - burst[0] or max(part.values[burst[0] : burst[1]]) > 0xFF:
        raise InputError(
            f"burst {arguments.burst} has frames that were not received whole",
            where=str(path),
            todo="capture it again, or write the bytes by hand",
        )
    if not arguments.json:
        print(f"burst {arguments.burst} of {path.name}, {channels[0].name}: {hexadecimal(data)}")
    return data
