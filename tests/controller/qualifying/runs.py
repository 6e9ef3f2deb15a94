"""Runs made by hand: outcomes and trials, as a controller would leave them."""

from __future__ import annotations

from controller.qualifying.course import Course, Done, Phase, Send, Step, Wait
from controller.qualifying.plan import QualifyPlan
from controller.qualifying.trials import Found, Subject, Trial, Trials
from controller.records import LagFigures, Outcome, Reason, Result


def a_plan(cycles: int = 3, *, on_for: float = 2.0, off_for: float = 5.0) -> QualifyPlan:
    return QualifyPlan(
        "foyer-amp", "hall", "Foyer amplifier", "power-on", "standby", cycles, on_for, off_for, state="power"
    )


def a_subject(*, units: int | None = 2, method: str = "loop") -> Subject:
    return Subject(
        "Larkfield Hall", "foyer-amp", "Foyer amplifier", "hall", "pellgate-chain", "Pellgate chain bus",
        "ab" * 32, "ab" * 8, "4800 8N1, lsb first, idle high", "ring", units, "/dev/ttyUSB0", False, method,
        250.0, 1.0, 0.2, 10.0, b"\xa5\x01\x01\x02", b"\xa5\x01\x02\x03", "0.1.0",
    )  # fmt: skip


def good(*, took: float = 25.0, lag: float = 6.3, units: int | None = 2, attempts: int = 1) -> Outcome:
    return Outcome(
        "id", Result.CONFIRMED, text="all 4 frames came back", frames=4, echoed=4, attempts=attempts,
        took_ms=took, wire_ms=25.0, lag_ms=LagFigures(lag, lag, lag), units_answering=units,
    )  # fmt: skip


def bad(reason: Reason = Reason.NO_ECHO, result: Result = Result.FAILED) -> Outcome:
    attempts = 0 if result is Result.REFUSED else 3
    return Outcome("id", result, reason, f"it was {reason.value}", "the cables", attempts=attempts)


def a_run(outcomes: list[tuple[Outcome, Outcome]], *, units: int | None = 2, method: str = "loop") -> Trials:
    """A run whose cycles had these outcomes, on and off."""
    plan = a_plan(len(outcomes))
    run = Trials(plan, a_subject(units=units, method=method), 1_800_000_000.0, 1_800_000_100.0)
    for cycle, pair in enumerate(outcomes, 1):
        for phase, action, outcome in zip((Phase.ON, Phase.OFF), (plan.on, plan.off), pair, strict=True):
            run.trials.append(Trial(phase, cycle, action, f"{phase}-{cycle}", run.began + cycle, outcome))
    run.completed = len(outcomes)
    run.state = Found("false (confirmed)", "false (confirmed)")
    return run


def walked(
    course: Course, outcomes: list[Outcome], *, end_at: int | None = None, takes: float = 0.05
) -> list[tuple[float, Step]]:
    """Every step of a course with its instant; outcomes one after the other, then good ones.

    ``end_at``: before which send it is ended by hand, counted from 0.
    """
    now, sends, steps = 0.0, 0, []
    left = list(outcomes)
    for _ in range(10_000):
        if end_at is not None and sends == end_at:
            course.end("it was stopped")
        step = course.next(now)
        steps.append((now, step))
        match step:
            case Done():
                return steps
            case Wait():
                assert step.until > now
                now = step.until
            case Send():
                sends += 1
                now += takes
                course.took(left.pop(0) if left else good(), now)
    raise AssertionError("it never ended")
