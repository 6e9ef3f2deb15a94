"""``linewarden probe``: who answers, and where the ring is cut."""

from __future__ import annotations

import argparse

from controller.api import ControllerApi, ProbeReport
from controller.records import to_json
from tui.session import run_with_api
from tui.telling import as_json, plain


def run(arguments: argparse.Namespace) -> int:
    """Ask; 1 where the bus is not as it should be."""

    async def work(api: ControllerApi) -> ProbeReport:
        return await api.probe(arguments.bus)

    report = run_with_api(arguments, work)
    if arguments.json:
        print(as_json(to_json(report)))
    else:
        _print(report)
    return 0 if _well(report) else 1


def _well(report: ProbeReport) -> bool:
    if report.outcome is None or not report.outcome.result.good:
        return False
    known = report.units_answering is not None and report.units_expected is not None
    return not known or report.units_answering == report.units_expected


def _print(report: ProbeReport) -> None:
    print(plain(f"{report.bus}: {report.text}"))
    if report.look_at:
        print(plain(f"  look at   {report.look_at}"))
    outcome = report.outcome
    if outcome is not None and outcome.lag_ms is not None:
        lag = outcome.lag_ms
        print(f"  echo lag  least {lag.least:.2f}, median {lag.median:.2f}, most {lag.most:.2f} ms")
    if report.hop_bits is not None:
        print(f"  one hop   {report.hop_bits:.2f} bit times")
    if report.latency_ms is not None and report.jitter_ms is not None:
        print(f"  adapter   adds {report.latency_ms:.2f} ms, and up to {report.jitter_ms:.2f} ms more")
    for unit, word in report.answered.items():
        print(f"  {unit}: {word}")
    print("  counters  " + ", ".join(f"{name} {count}" for name, count in report.counters.items()))
