"""The verdict: each figure held against its limit, which is stated with where it is from. Pure."""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from controller.qualifying.statistics import Figures
from controller.qualifying.trials import Subject, Trials
from profiles.errors import BadValue

__all__ = ["LIMITS", "Check", "Limit", "Result", "Verdict", "judge", "read_limits"]


class Result(enum.StrEnum):
    """What a run comes to."""

    PASS = "pass"  # noqa: S105 -- a verdict, no secret
    FAIL = "fail"
    INCOMPLETE = "incomplete"
    """It ended before its time, and what was done kept its limits."""
    NOT_SHOWN = "not-shown"
    """Nothing on this line can show that the unit was told."""


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit."""

    name: str
    words: str
    """What is limited."""
    unit: str
    value: float | None
    """None: there is none unless a person gives one."""
    source: str
    least: bool = False
    """Whether the figure must not be below it instead of above."""


_OURS = "our own choice"
LIMITS: tuple[Limit, ...] = (
    Limit("failures", "commands that failed", "%", 0.0, f"{_OURS}: none may fail"),
    Limit("shown", "commands confirmed or answered", "%", 100.0, f"{_OURS}: each must be shown", least=True),
    Limit("retried", "commands that needed a retry", "%", 5.0, f"{_OURS}: one in twenty"),
    Limit("lag", "echo lag, at most", "ms", None, "half of the profile's time-out: a margin of two"),
    Limit("took", "time of a command, 95 of 100", "ms", None, "none unless given"),
    Limit(
        "units-missing",
        "commands that not all units answered",
        "%",
        0.0,
        f"{_OURS}: all, where it can be told",
    ),
    Limit("power-up", "power-up time, at most", "s", None, "none unless given"),
    Limit("tapped", "messages that the tap heard whole", "%", 100.0, f"{_OURS}: all of them", least=True),
    Limit(
        "waveforms", "waveforms that differ", "count", 0.0, "what a receiver tolerates; see each comparison"
    ),
)
_NAMES = {limit.name: limit for limit in LIMITS}
_MOST = 1e9


@dataclass(frozen=True, slots=True)
class Check:
    """A figure and its limit."""

    limit: Limit
    figure: float | None
    """None: it could not be had."""
    met: bool | None
    """None: it can't be told, or nothing limits it."""
    why: str = ""
    """Why it can't be told."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a run comes to, and why."""

    result: Result
    text: str
    checks: tuple[Check, ...] = field(default=())

    @property
    def passed(self) -> bool:
        """Whether it ended as it should."""
        return self.result is Result.PASS


def read_limits(words: Sequence[str]) -> dict[str, float]:
    """``name=number`` words.

    Raises:
        BadValue: a word is none, its name is no limit's, or its number can't be.
    """
    given: dict[str, float] = {}
    for word in words:
        name, equals, text = word.partition("=")
        if not equals or name not in _NAMES:
            raise BadValue(
                f"{word!r} is no limit", todo=f"write name=number; the names are {', '.join(_NAMES)}"
            )
        try:
            value = float(text.rstrip("%"))
        except ValueError:
            value = math.nan
        if not 0 <= value <= _MOST:
            raise BadValue(f"{name} must be a number from 0 up, not {text!r}")
        given[name] = value
    return given


def judge(
    run: Trials, figures: Figures, given: Mapping[str, float], *, waveforms_differ: int | None = None
) -> Verdict:
    """Hold a run against its limits.

    Args:
        run: what was done.
        figures: its figures.
        given: limits that a person gave, by name.
        waveforms_differ: how many compared waveforms differ; None where none was compared.
    """
    checks = tuple(
        _check(_limit(limit, run.subject, given), figures, run, waveforms_differ) for limit in LIMITS
    )
    missed = [check for check in checks if check.met is False]
    if missed:
        names = ", ".join(check.limit.words for check in missed)
        result, text = Result.FAIL, f"past its limit: {names}"
    elif run.incomplete:
        result, text = (
            Result.INCOMPLETE,
            f"ended after {run.completed} of {run.plan.cycles} cycles: {run.incomplete}",
        )
    elif figures.commands and not figures.shown and waveforms_differ is None and figures.tapped is None:
        result, text = Result.NOT_SHOWN, "all was sent, and nothing on this line can show that it arrived"
    else:
        result, text = (
            Result.PASS,
            f"all {figures.commands} commands of {run.completed} cycles keep the limits",
        )
    if result is Result.FAIL and run.incomplete:
        text += f"; ended after {run.completed} of {run.plan.cycles} cycles: {run.incomplete}"
    return Verdict(result, text, checks)


def _limit(limit: Limit, subject: Subject, given: Mapping[str, float]) -> Limit:
    value, source = limit.value, limit.source
    if limit.name in given:
        value, source = given[limit.name], "as given"
    elif limit.name == "lag" and subject.method in ("loop", "local"):
        value = subject.timeout_ms / 2
    return Limit(limit.name, limit.words, limit.unit, value, source, limit.least)


def _check(limit: Limit, figures: Figures, run: Trials, waveforms_differ: int | None) -> Check:
    figure, why = _figure(limit.name, figures, run, waveforms_differ)
    if figure is None or limit.value is None:
        return Check(limit, figure, None, why)
    kept = figure >= limit.value - _HAIR if limit.least else figure <= limit.value + _HAIR
    return Check(limit, figure, kept)


_HAIR = 1e-9


def _figure(
    name: str, figures: Figures, run: Trials, waveforms_differ: int | None
) -> tuple[float | None, str]:
    """A limit's figure, or why there is none."""
    count = figures.commands
    if not count and name != "waveforms":
        return None, "no command of a cycle was carried out"
    match name:
        case "failures":
            return 100 * figures.failed / count, ""
        case "shown":
            if figures.good and not figures.shown:
                return None, "nothing comes back on this line"
            return 100 * figures.shown / count, ""
        case "retried":
            return 100 * figures.retried / count, ""
        case "lag":
            return (figures.lag_ms.most, "") if figures.lag_ms else (None, "there were no echoes")
        case "took":
            spreads = [each.took_ms for each in (figures.on, figures.off) if each.took_ms is not None]
            return (max(each.p95 for each in spreads), "") if spreads else (None, "none came about")
        case "units-missing":
            return _units_missing(figures, run.subject)
        case "power-up":
            if figures.power_up_s is None:
                return None, "no observation showed it"
            return figures.power_up_s.most, ""
        case "tapped":
            if figures.tapped is None:
                return None, "no tap listened"
            return 100 * figures.tapped[0] / figures.tapped[1], ""
    if waveforms_differ is None:
        return None, "no capture was given"
    return float(waveforms_differ), ""


def _units_missing(figures: Figures, subject: Subject) -> tuple[float | None, str]:
    told = [(units, count) for units, count in figures.units_answering if units is not None]
    if subject.units_expected is None or not told:
        return None, "the number of units can't be told on this line, or through this adapter"
    wrong = sum(count for units, count in told if units != subject.units_expected)
    return 100 * wrong / sum(count for _, count in told), ""
