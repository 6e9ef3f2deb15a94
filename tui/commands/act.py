"""``linewarden act``: one action, confirmed."""

from __future__ import annotations

import argparse
import sys
import time

from controller.api import ControllerApi
from controller.records import Command, Outcome, new_id
from profiles.errors import BadValue
from tui.asking import agreed
from tui.parameters import find_unit, read_parameters
from tui.session import me, run_with_api
from tui.telling import as_json, exit_code, outcome_document, outcome_words

__all__ = ["print_outcome", "run"]


def run(arguments: argparse.Namespace) -> int:
    """Do it; 0 where it came about, 1 where not, 2 where there is no such action or parameter."""
    now = time.time()
    within = arguments.within
    if within is not None and not 0 < within < 1e9:
        raise BadValue(f"--within must be a number of seconds above 0, not {within:g}")

    if arguments.broker is not None:
        return _over_mqtt(arguments, now)

    yes = agreed(arguments, lambda _: [(arguments.unit, arguments.action)])
    if yes is None:
        return 1

    async def work(api: ControllerApi) -> tuple[Command, Outcome]:
        unit = find_unit(await api.site(), arguments.unit)
        command = Command(
            arguments.unit,
            arguments.action,
            read_parameters(arguments.parameters, unit, arguments.action),
            me(),
            arguments.id or new_id(),
            now,
            None if within is None else now + within,
            agreed=yes,
        )
        return command, await api.submit(command)

    command, outcome = run_with_api(arguments, work)
    print_outcome(command, outcome, json=arguments.json)
    return exit_code([outcome])


def _over_mqtt(arguments: argparse.Namespace, now: float) -> int:
    """The same through a broker: UNIT is a device's id there, SITE-UNIT."""
    import asyncio

    from tui.remote.acting import act
    from tui.remote.broker import broker_settings

    deadline = None if arguments.within is None else now + arguments.within
    blank = Command(
        "", "", origin=me(), id=arguments.id or new_id(), at=now, deadline=deadline, agreed=arguments.yes
    )
    command, outcome = asyncio.run(act(broker_settings(arguments), arguments, blank))
    print_outcome(command, outcome, json=arguments.json)
    return exit_code([outcome])


def print_outcome(command: Command, outcome: Outcome, *, json: bool) -> None:
    """Tell what became of a command: in words, failures on standard error; or as JSON."""
    if json:
        print(as_json(outcome_document(command, outcome)))
    elif outcome.result.good:
        print(outcome_words(command, outcome))
    else:
        print(f"linewarden: {outcome_words(command, outcome)}", file=sys.stderr)
