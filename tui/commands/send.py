"""``linewarden send``: raw bytes, before a profile exists."""

from __future__ import annotations

import argparse
import time

from controller.api import ControllerApi
from controller.records import Command, Outcome
from profiles.errors import InputError
from tui.commands.act import print_outcome
from tui.session import me, run_with_api
from tui.telling import exit_code


def run(arguments: argparse.Namespace) -> int:
    """Send them, if that is allowed."""
    if not arguments.allow_raw:
        raise InputError(
            "raw bytes may do anything to the gear, so nothing was sent",
            todo="add --allow-raw if you mean it",
        )
    text = " ".join(arguments.bytes)
    try:
        data = bytes.fromhex(text)
    except ValueError:
        raise InputError(f"{text!r} is no hexadecimal", todo="write digit pairs, such as A5 01") from None
    if not data:
        raise InputError("there are no bytes to send", todo="write digit pairs, such as A5 01")
    command = Command(arguments.bus, "", origin=me(), at=time.time(), raw=data)

    async def work(api: ControllerApi) -> Outcome:
        return await api.submit(command)

    outcome = run_with_api(arguments, work)
    print_outcome(command, outcome, json=arguments.json)
    return exit_code([outcome])
