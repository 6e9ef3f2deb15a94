"""The figures of a run: how many of what, how long, how late. Pure."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from controller.qualifying.course import Phase
from controller.qualifying.trials import Trial, Trials
from controller.records import Result

__all__ = ["ActionFigures", "Failure", "Figures", "Spread", "figures_of", "spread_of"]

_TESTED = (Phase.ON, Phase.OFF)


@dataclass(frozen=True, slots=True)
class Spread:
    """How values are spread; all in the values' own unit."""

    count: int
    least: float
    median: float
    mean: float
    p95: float
    """The value that 95 of 100 do not exceed, by nearest rank."""
    most: float
    deviation: float
    """Standard deviation of the sample; 0 of a single value."""


def spread_of(values: Iterable[float]) -> Spread | None:
    """The spread of values; None where there are none."""
    row = sorted(values)
    if not row:
        return None
    return Spread(
        len(row),
        row[0],
        statistics.median(row),
        statistics.fmean(row),
        row[max(0, math.ceil(0.95 * len(row)) - 1)],
        row[-1],
        statistics.stdev(row) if len(row) > 1 else 0.0,
    )


@dataclass(frozen=True, slots=True)
class Failure:
    """Failures of one kind."""

    kind: str
    """Result and reason: ``failed (no-echo)``."""
    count: int
    actions: tuple[tuple[str, int], ...]
    """By action."""
    cycles: tuple[int, ...]
    """In which cycles."""
    text: str
    """What the first of them said."""
    look_at: str


@dataclass(frozen=True, slots=True)
class ActionFigures:
    """The figures of one action."""

    action: str
    count: int
    good: int
    by_result: tuple[tuple[str, int], ...]
    retried: int
    """Those that needed more than one attempt."""
    took_ms: Spread | None
    wire_ms: float | None
    """The least that physics allows, where it is known."""
    lag_ms: Spread | None
    """Echo lags of every frame."""


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures of a run."""

    commands: int
    good: int
    shown: int
    """Confirmed by echoes or answered: more than sent."""
    failed: int
    retried: int
    failures: tuple[Failure, ...]
    """By kind, the most frequent first."""
    on: ActionFigures
    off: ActionFigures
    lag_ms: Spread | None
    units_answering: tuple[tuple[int | None, int], ...]
    """How many commands were answered by so many units; None: could not be told."""
    power_up_s: Spread | None
    tapped: tuple[int, int] | None
    """Messages that the tap heard whole, and all of them; None without a tap."""


def figures_of(run: Trials) -> Figures:
    """Work a run's figures out; what is done before and after the cycles does not count."""
    tested = [trial for trial in run.trials if trial.phase in _TESTED]
    bad = [trial for trial in tested if not trial.outcome.result.good]
    tapped = [trial.tapped for trial in tested if trial.tapped is not None]
    answering = Counter(trial.outcome.units_answering for trial in tested if trial.outcome.attempts)
    return Figures(
        len(tested),
        len(tested) - len(bad),
        sum(trial.outcome.result in (Result.CONFIRMED, Result.ANSWERED) for trial in tested),
        len(bad),
        sum(trial.outcome.attempts > 1 for trial in tested),
        _failures(bad),
        _of_action(run.plan.on, [trial for trial in tested if trial.phase is Phase.ON]),
        _of_action(run.plan.off, [trial for trial in tested if trial.phase is Phase.OFF]),
        spread_of(_lags(tested)),
        tuple(sorted(answering.items(), key=lambda pair: (pair[0] is None, pair[0] or 0))),
        spread_of(trial.up_after for trial in tested if trial.up_after is not None),
        (sum(tapped), len(tapped)) if tapped else None,
    )


def _lags(trials: Sequence[Trial]) -> list[float]:
    """Milliseconds: of every frame where the traffic told them, else what the outcomes say."""
    found = []
    for trial in trials:
        if trial.lags:
            found += [lag * 1000 for lag in trial.lags]
        elif trial.outcome.lag_ms is not None:
            lag = trial.outcome.lag_ms
            found += [lag.least, lag.median, lag.most]
    return found


def _of_action(action: str, trials: Sequence[Trial]) -> ActionFigures:
    good = [trial for trial in trials if trial.outcome.result.good]
    results = Counter(trial.outcome.result.value for trial in trials)
    wire = [trial.outcome.wire_ms for trial in good if trial.outcome.wire_ms is not None]
    return ActionFigures(
        action,
        len(trials),
        len(good),
        tuple(results.most_common()),
        sum(trial.outcome.attempts > 1 for trial in trials),
        spread_of(trial.outcome.took_ms for trial in good if trial.outcome.took_ms is not None),
        min(wire, default=None),
        spread_of(_lags(trials)),
    )


def _failures(bad: Sequence[Trial]) -> tuple[Failure, ...]:
    kinds: dict[str, list[Trial]] = {}
    for trial in bad:
        outcome = trial.outcome
        kind = f"{outcome.result.value} ({outcome.reason.value})" if outcome.reason else outcome.result.value
        kinds.setdefault(kind, []).append(trial)
    told = [
        Failure(
            kind,
            len(trials),
            tuple(Counter(trial.action for trial in trials).most_common()),
            tuple(trial.cycle for trial in trials),
            trials[0].outcome.text,
            trials[0].outcome.look_at,
        )
        for kind, trials in kinds.items()
    ]
    return tuple(sorted(told, key=lambda failure: -failure.count))
