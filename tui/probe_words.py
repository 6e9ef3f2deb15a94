"""Who answers on a bus, in words. Pure."""

from __future__ import annotations

from controller.api import ProbeReport, SiteView
from controller.records import Reason
from controller.tty_driver import LINE_ERRORS
from tui.telling import plain

__all__ = ["leads_to_break", "probe_lines"]

_CUT = (Reason.NO_ECHO, Reason.ECHO_STOPPED)


def probe_lines(report: ProbeReport) -> list[str]:
    """What a probe found, the most important first."""
    lines = [plain(f"{report.bus}: {report.text}")]
    if report.look_at:
        lines.append(plain(f"  look at   {report.look_at}"))
    outcome = report.outcome
    if report.units_answering is not None:
        of = "" if report.units_expected is None else f" of {report.units_expected}"
        lines.append(f"  units     {report.units_answering}{of}")
    if outcome is not None and outcome.lag_ms is not None:
        lag = outcome.lag_ms
        lines.append(f"  echo lag  least {lag.least:.2f}, median {lag.median:.2f}, most {lag.most:.2f} ms")
    if report.lags_ms:
        lines.append("  each echo " + ", ".join(f"{each:.2f}" for each in report.lags_ms) + " ms")
    if report.hop_bits is not None:
        lines.append(f"  one hop   {report.hop_bits:.2f} bit times")
    if report.latency_ms is not None and report.jitter_ms is not None:
        lines.append(f"  adapter   adds {report.latency_ms:.2f} ms, and up to {report.jitter_ms:.2f} ms more")
    lines += [plain(f"  {unit}: {word}") for unit, word in report.answered.items()]
    errors = {name: count for name, count in report.counters.items() if name in LINE_ERRORS}
    if errors:
        lines.append(f"  line      {_counted(errors)}")
    rest = {name: count for name, count in report.counters.items() if name not in LINE_ERRORS}
    return [*lines, f"  counters  {_counted(rest)}"]


def leads_to_break(report: ProbeReport, site: SiteView) -> str | None:
    """Where the place of a break can be looked for, the line that says with what; else None."""
    bus = next((each for each in site.buses if each.id == report.bus), None)
    cut = report.outcome is not None and report.outcome.reason in _CUT
    if bus is None or not cut or bus.topology != "ring" or bus.units_expected is None:
        return None
    return f"  next      `linewarden probe {bus.id} --find-break` leads to the place, step by step"


def _counted(counters: dict[str, int]) -> str:
    return ", ".join(f"{name.replace('_', ' ')} {count}" for name, count in counters.items())
