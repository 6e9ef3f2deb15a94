"""A run as one JSON document."""

from __future__ import annotations

import datetime as dt
from dataclasses import asdict
from typing import Any

from controller.qualifying.statistics import ActionFigures, Figures, Spread
from controller.qualifying.trials import Trial, Trials
from controller.qualifying.verdict import Verdict

__all__ = ["CAUTION", "FORMAT", "run_document"]

FORMAT = 1
"""The version of the document's shape."""
CAUTION = (
    "A qualification shows what the line did while it ran. It is no safety test: the unit that is remotely "
    "switched is not safe to open, and this is no emergency stop."
)


def run_document(
    run: Trials, figures: Figures, verdict: Verdict, waveforms: list[dict[str, object]] | None = None
) -> dict[str, Any]:
    """The document: what was tested, what was done, figures, verdict, and every command.

    Times in the names' units; instants as ISO 8601 in UTC.

    Args:
        run: the run.
        figures: its figures.
        verdict: what it comes to.
        waveforms: the comparisons' documents; None where none was made.
    """
    plan, subject = run.plan, run.subject
    return {
        "linewarden_qualification": FORMAT,
        "verdict": verdict.result.value,
        "text": verdict.text,
        "complete": not run.incomplete,
        "incomplete": run.incomplete or None,
        "began": _instant(run.began),
        "ended": _instant(run.ended),
        "site": subject.site,
        "unit": {"id": subject.unit, "title": subject.unit_title, "bus": subject.bus},
        "profile": {
            "name": subject.profile,
            "title": subject.profile_title,
            "sha256": subject.profile_hash,
            "revision": subject.profile_revision,
            "line": subject.line,
            "confirm": subject.method,
            "timeout_ms": subject.timeout_ms,
        },
        "adapter": {
            "port": subject.port,
            "simulated": subject.simulated,
            "latency_ms": subject.latency_ms,
            "jitter_ms": subject.jitter_ms,
            "hop_bits": subject.hop_bits,
            "topology": subject.topology,
            "units_expected": subject.units_expected,
        },
        "program": {"name": "linewarden", "version": subject.version},
        "plan": {
            "on": {
                "action": plan.on,
                "parameters": dict(plan.on_parameters),
                "bytes": subject.on_bytes.hex(" ").upper(),
            },
            "off": {
                "action": plan.off,
                "parameters": dict(plan.off_parameters),
                "bytes": subject.off_bytes.hex(" ").upper(),
            },
            "cycles": plan.cycles,
            "completed": run.completed,
            "on_for_s": plan.on_for,
            "off_for_s": plan.off_for,
            "because": list(plan.why_times),
            "also_switched": list(plan.also),
            "ready": plan.ready,
            "tap": plan.tap,
        },
        "found": run.state.found,
        "left": run.state.left,
        "figures": _figures(figures),
        "limits": [
            {
                "name": check.limit.name,
                "words": check.limit.words,
                "unit": check.limit.unit,
                "limit": check.limit.value,
                "least": check.limit.least,
                "source": check.limit.source,
                "figure": check.figure,
                "met": check.met,
                "why": check.why or None,
            }
            for check in verdict.checks
        ],
        "waveforms": waveforms or [],
        "commands": [_trial(trial) for trial in run.trials],
        "missed_records": run.missed,
        "notes": list(run.notes),
        "caution": CAUTION,
    }


def _instant(at: float) -> str:
    return dt.datetime.fromtimestamp(at, dt.UTC).isoformat(timespec="milliseconds")


def _spread(spread: Spread | None) -> dict[str, float] | None:
    return None if spread is None else {name: round(value, 6) for name, value in asdict(spread).items()}


def _action(figures: ActionFigures) -> dict[str, Any]:
    return {
        "action": figures.action,
        "count": figures.count,
        "good": figures.good,
        "by_result": dict(figures.by_result),
        "retried": figures.retried,
        "took_ms": _spread(figures.took_ms),
        "wire_ms": figures.wire_ms,
        "lag_ms": _spread(figures.lag_ms),
    }


def _figures(figures: Figures) -> dict[str, Any]:
    return {
        "commands": figures.commands,
        "good": figures.good,
        "shown": figures.shown,
        "failed": figures.failed,
        "retried": figures.retried,
        "failures": [
            {
                "kind": failure.kind,
                "count": failure.count,
                "actions": dict(failure.actions),
                "cycles": list(failure.cycles),
                "text": failure.text,
                "look_at": failure.look_at,
            }
            for failure in figures.failures
        ],
        "on": _action(figures.on),
        "off": _action(figures.off),
        "lag_ms": _spread(figures.lag_ms),
        "units_answering": [{"units": units, "commands": count} for units, count in figures.units_answering],
        "power_up_s": _spread(figures.power_up_s),
        "tapped": None if figures.tapped is None else {"whole": figures.tapped[0], "of": figures.tapped[1]},
    }


def _trial(trial: Trial) -> dict[str, Any]:
    outcome = trial.outcome
    return {
        "phase": trial.phase.value,
        "cycle": trial.cycle,
        "action": trial.action,
        "id": trial.command_id,
        "at": _instant(trial.at),
        "outcome": outcome.result.value,
        "reason": outcome.reason.value if outcome.reason else None,
        "text": outcome.text,
        "attempts": outcome.attempts,
        "took_ms": outcome.took_ms,
        "units_answering": outcome.units_answering,
        "lags_ms": [round(lag * 1000, 3) for lag in trial.lags],
        "up_after_s": None if trial.up_after is None else round(trial.up_after, 3),
        "tapped": trial.tapped,
    }
