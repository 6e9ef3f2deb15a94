"""The table of ways between the states: every one of them is gone, and no other can be."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

import controller.echo
from controller.echo import EchoMachine
from controller.echo_states import TRANSITIONS, State, Step, WrongStep, follow
from controller.records import Reason, Result
from controller.transmission import Effect, Finished, LineTimes, Transmission
from profiles.model import Method
from profiles.template import Pause

from .echo_line import Fault, Line, Order, Ring, Shared, Stray, drive
from .echo_messages import T, answering, rules, sending

WAYS = list(TRANSITIONS)
NO_WAYS = [(state, step) for state in State for step in Step if (state, step) not in TRANSITIONS]
PAUSED = (Pause(1, 0.2),)


def names(pair: tuple[State, Step]) -> str:
    return f"{pair[0].value}-{pair[1].value}"


@pytest.mark.parametrize("pair", NO_WAYS, ids=names)
def test_a_step_that_the_table_does_not_have_changes_nothing(pair: tuple[State, Step]) -> None:
    machine = EchoMachine(LineTimes(T))
    machine.state = pair[0]
    with pytest.raises(WrongStep, match=f"{pair[1].value}.*{pair[0].value}") as caught:
        machine._step(None, pair[1], 0.0)  # type: ignore[arg-type]  # -- never looked at: the step is refused
    assert (caught.value.state, caught.value.step) == pair
    assert machine.state is pair[0]
    assert machine.deadline is None


def test_a_second_transmission_is_refused_and_the_first_goes_on() -> None:
    ring = Ring(T, 1)

    def again(machine: EchoMachine, now: float) -> list[Effect]:
        with pytest.raises(WrongStep):
            machine.begin(sending(b"\x09"), now)
        return []

    run = drive(EchoMachine(LineTimes(T, hops=1)), ring, sending(b"\x01\x02"), orders=[(T, again)])
    assert run.report.result is Result.CONFIRMED
    assert run.writes == [b"\x01", b"\x02"]


def ring(*, cut: bool = False, fault: Fault | None = None) -> Line:
    made = Ring(T, 1, fault=fault)
    if cut:
        made.adapter.latency = 1e6
    return made


def shared(*, deaf: bool = False, answer: bytes = b"") -> Line:
    return Shared(T, hears_itself=not deaf, answer=lambda _: (T, answer) if answer else None)


def asking(**more: Any) -> Transmission:
    confirm = rules(Method.REPLY, retries=0)
    return sending(b"\x01\x02", Method.REPLY, confirm=confirm, **answering(done=(b"\x06",)), **more)


def lost(at: float) -> Order:
    return at, EchoMachine.link_lost


def back(at: float) -> Order:
    return at, EchoMachine.cancel


Scenario = tuple[Callable[[], Line], Callable[[], Transmission], list[Order]]

ONCE: dict[str, Any] = {"retries": 0}
SCENARIOS: dict[str, Scenario] = {
    "round": (ring, lambda: sending(b"\x01\x02"), []),
    "cut": (lambda: ring(cut=True), lambda: sending(b"\x01\x02", confirm=rules(retries=1)), []),
    "line busy": (ring, lambda: sending(b"\x01", confirm=rules(busy_timeout_ms=10)), []),
    "taken back while it waits": (ring, lambda: sending(b"\x01"), [back(0.01)]),
    "taken back in a pause": (ring, lambda: sending(b"\x01\x02", pauses=PAUSED), [back(0.1)]),
    "stray in a pause": (
        ring,
        lambda: sending(b"\x01\x02", pauses=PAUSED, confirm=rules(**ONCE)),
        [(0.1, b"\x77")],
    ),
    "stray at the end": (
        lambda: ring(fault=Stray(0, b"\x77", after=3 * T)),
        lambda: sending(b"\x01", confirm=rules(**ONCE)),
        [],
    ),
    "heard": (shared, lambda: sending(b"\x01\x02", Method.LOCAL, pauses=PAUSED), []),
    "not heard": (
        lambda: shared(deaf=True),
        lambda: sending(b"\x01", Method.LOCAL, confirm=rules(Method.LOCAL, **ONCE)),
        [],
    ),
    "open": (
        lambda: shared(deaf=True),
        lambda: sending(b"\x01\x02", Method.NONE, pauses=PAUSED),
        [],
    ),
    "answered": (lambda: shared(deaf=True, answer=b"\x06"), asking, []),
    "heard and answered": (lambda: shared(answer=b"\x06"), lambda: asking(hears_itself=True), []),
    "not answered": (lambda: shared(deaf=True), asking, []),
    "lost while it waits": (ring, lambda: sending(b"\x01"), [lost(0.01)]),
    "lost in a pause": (ring, lambda: sending(b"\x01\x02", pauses=PAUSED), [lost(0.1)]),
    "lost in the ring": (ring, lambda: sending(b"\x01\x02"), [lost(T)]),
    "lost while it hears itself": (shared, lambda: sending(b"\x01\x02", Method.LOCAL), [lost(T)]),
    "lost while it leaves": (
        lambda: shared(deaf=True),
        lambda: sending(b"\x01\x02", Method.NONE),
        [lost(T)],
    ),
    "lost while an answer is due": (lambda: shared(deaf=True), asking, [lost(0.1)]),
    "lost in the settle time": (ring, lambda: sending(b"\x01"), [lost(3 * T)]),
    "lost in the quiet window": (lambda: ring(cut=True), lambda: sending(b"\x01"), [lost(0.3)]),
}
WAITS_FIRST = {"line busy", "taken back while it waits", "lost while it waits"}


def test_every_way_of_the_table_is_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    gone: set[tuple[State, Step]] = set()

    def note(state: State, step: Step) -> State:
        following = follow(state, step)
        gone.add((state, step))
        return following

    monkeypatch.setattr(controller.echo, "follow", note)
    for name, (line, transmission, orders) in SCENARIOS.items():
        machine = EchoMachine(LineTimes(T, hops=1 if name == "round" else 0))
        if name in WAITS_FIRST:
            machine.received(b"\x55", -0.001)
        run = drive(machine, line(), transmission(), orders=orders)
        assert machine.state is State.IDLE, name
        assert isinstance(run.effects[-1][1], Finished) or run.told, name
    assert gone == set(TRANSITIONS)


@pytest.mark.parametrize(
    ("name", "result", "reason"),
    [
        ("round", Result.CONFIRMED, None),
        ("cut", Result.FAILED, Reason.NO_ECHO),
        ("line busy", Result.FAILED, Reason.LINE_BUSY),
        ("taken back while it waits", Result.CANCELLED, Reason.CANCELLED),
        ("taken back in a pause", Result.CANCELLED, Reason.CANCELLED),
        ("stray in a pause", Result.FAILED, Reason.STRAY),
        ("stray at the end", Result.FAILED, Reason.STRAY),
        ("heard", Result.CONFIRMED, None),
        ("not heard", Result.FAILED, Reason.NO_ECHO),
        ("open", Result.SENT, None),
        ("answered", Result.ANSWERED, None),
        ("heard and answered", Result.ANSWERED, None),
        ("not answered", Result.FAILED, Reason.NO_REPLY),
        ("lost in the settle time", Result.FAILED, Reason.LINK_LOST),
    ],
)
def test_how_the_ways_end(name: str, result: Result, reason: Reason | None) -> None:
    line, transmission, orders = SCENARIOS[name]
    machine = EchoMachine(LineTimes(T))
    if name in WAITS_FIRST:
        machine.received(b"\x55", -0.001)
    run = drive(machine, line(), transmission(), orders=orders)
    assert (run.report.result, run.report.reason) == (result, reason)


def test_every_state_but_idle_can_lose_its_link_and_only_idle_can_begin() -> None:
    for state in State:
        assert ((state, Step.LINK_LOST) in TRANSITIONS) is (state is not State.IDLE)
        assert ((state, Step.BEGIN) in TRANSITIONS) is (state is State.IDLE)


def test_every_state_can_be_reached_and_left() -> None:
    assert {state for state, _ in WAYS} == set(State)
    assert set(TRANSITIONS.values()) == set(State)
    assert {step for _, step in WAYS} == set(Step)


def test_a_state_and_a_step_are_told_by_their_own_name() -> None:
    """As the message on a fault of this program tells them."""
    for each in (*State, *Step):
        assert each.value.replace(",", "") == each.name.lower().replace("_", " ")


def test_a_phase_for_an_answer_that_nobody_described_is_a_fault_of_this_program() -> None:
    from controller.echo_answer import AwaitingReply
    from controller.echo_course import Course, Line

    course = Course(sending(b"\x01", Method.NONE), LineTimes(T), Line(), [])
    with pytest.raises(RuntimeError, match="nobody said which"):
        AwaitingReply(course, 0.0)
