"""``linewarden adapter``: self-test of an adapter with a loop-back plug."""

from __future__ import annotations

import argparse
import asyncio
import sys
import time

from controller.journal import Journal
from controller.journal_store import Learned
from controller.records import to_json
from controller.self_test import RATES_TRIED, AdapterReport, try_adapter
from controller.site import load_site
from controller.state_folder import Claim, private_folder
from profiles.errors import BadValue, NotKnown, PortUnavailable
from tui.session import find_site, state_folder
from tui.telling import as_json, plain, table


def run(arguments: argparse.Namespace) -> int:
    """Test it; 1 where no rate works."""
    for baud in arguments.baud or ():
        if not 0 < baud <= 50e6:
            raise BadValue(f"--baud must be above 0 and at most 50000000, not {baud:g}")
    shown = sys.stderr.isatty() and not arguments.json

    def progress(what: str) -> None:
        if shown:
            print(f"\r\033[K{what} ...", end="", file=sys.stderr, flush=True)

    try:
        report = try_adapter(arguments.port, arguments.baud or RATES_TRIED, progress=progress)
    except PortUnavailable as error:
        error.exit_code = 2  # the port was named in the call
        raise
    finally:
        if shown:
            print("\r\033[K", end="", file=sys.stderr)
    if arguments.json:
        print(as_json(to_json(report)))
    else:
        _print(report)
    if arguments.keep_for and report.works:
        _keep(arguments, report)
    return 0 if report.works else 1


def _print(report: AdapterReport) -> None:
    print(plain(f"{report.port}: {report.text}"))
    if report.look_at:
        print(plain(f"  look at {report.look_at}"))
    rows = [
        (
            f"{rate.baud:g}",
            "works" if rate.works else "no",
            _number(rate.latency_ms),
            _number(rate.jitter_ms),
            "-" if rate.rate_error_percent is None else f"{rate.rate_error_percent:+.2f} %",
            ("yes" if rate.counts_units else "no") if rate.works else "-",
            plain(rate.problem),
        )
        for rate in report.rates
    ]
    heads = ("BAUD", "", "ADDS AT LEAST (ms)", "AND UP TO (ms)", "RATE", "COUNTS UNITS", "")
    print("\n".join(table(rows, heads)))
    if report.formats:
        fine = [each.frame for each in report.formats if each.works]
        print(f"frames that work: {', '.join(fine) or 'none'}")
        for each in report.formats:
            if not each.works:
                print(plain(f"  not {each.frame}: {each.problem}"))


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


def _keep(arguments: argparse.Namespace, report: AdapterReport) -> None:
    """Let the bus know its adapter from now on."""
    loaded = load_site(find_site(arguments))
    bus = arguments.keep_for
    if bus not in loaded.site.buses:
        raise NotKnown(f"no bus is called {bus!r}", todo=f"known are {', '.join(loaded.site.buses)}")
    baud = loaded.profiles[bus].line.baud
    nearest = min((rate for rate in report.rates if rate.works), key=lambda rate: abs(rate.baud - baud))
    folder = state_folder(arguments, loaded)
    private_folder(folder)

    async def keep() -> None:
        journal = await Journal.open(folder / "journal.sqlite", clock=time.time)
        try:
            old = journal.learned(bus)
            hop = old.hop_bits if old is not None else None
            learned = Learned(
                time.time(), (nearest.latency_ms or 0) / 1000, (nearest.jitter_ms or 0) / 1000, hop
            )
            await journal.learn(bus, learned)
        finally:
            await journal.close()

    with Claim(folder):
        asyncio.run(keep())
    print(f"kept for bus {bus}", file=sys.stderr if arguments.json else sys.stdout)
