"""``linewarden probe``: who answers, and where the ring is cut."""

from __future__ import annotations

import argparse

from controller.api import ControllerApi, ProbeReport
from controller.records import to_json
from tui.probe_words import probe_lines
from tui.session import run_with_api
from tui.telling import as_json


def run(arguments: argparse.Namespace) -> int:
    """Ask; 1 where the bus is not as it should be."""

    async def work(api: ControllerApi) -> ProbeReport:
        return await api.probe(arguments.bus)

    report = run_with_api(arguments, work)
    if arguments.json:
        print(as_json(to_json(report)))
    else:
        print("\n".join(probe_lines(report)))
    return 0 if _well(report) else 1


def _well(report: ProbeReport) -> bool:
    if report.outcome is None or not report.outcome.result.good:
        return False
    known = report.units_answering is not None and report.units_expected is not None
    return not known or report.units_answering == report.units_expected
