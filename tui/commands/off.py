"""``linewarden off``: everything de-energised, now."""

from __future__ import annotations

import argparse
import sys

from controller.api import ControllerApi, JournalEntry, JournalQuery
from controller.records import Outcome
from tui.commands.act import print_outcome
from tui.session import me, run_with_api
from tui.telling import as_json, exit_code, outcome_document


def run(arguments: argparse.Namespace) -> int:
    """Do it; 1 where a unit could not be told, or none can be de-energised at all."""

    async def work(api: ControllerApi) -> list[tuple[JournalEntry, Outcome]]:
        outcomes = await api.all_off(arguments.scope, me())
        told = []
        for outcome in outcomes:
            entries = await api.journal(JournalQuery(command_id=outcome.command_id, limit=1))
            told += [(entry, outcome) for entry in entries]
        return told

    told = run_with_api(arguments, work)
    if arguments.json:
        print(as_json([outcome_document(entry.command, outcome) for entry, outcome in told]))
    else:
        for entry, outcome in told:
            print_outcome(entry.command, outcome, json=False)
    if not told:
        print("linewarden: no unit here has an action that de-energises it", file=sys.stderr)
        return 1
    return exit_code([outcome for _, outcome in told])
