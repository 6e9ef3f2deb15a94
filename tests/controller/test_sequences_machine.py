"""A sequence's run as lists of inputs: what goes out, when, and what becomes of it when a step fails."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.sequences_machine import SequenceMachine, TakeBack, Tell
from controller.sequences_plan import Direction, Do, Pause, Plan, Step, Until
from controller.sequences_records import Phase, StepResult
from profiles.model import Effect, Value
from tests.controller.sequence_halls import AMP_ON, ON, plan, planner, sequence


class Run:
    """A machine with its clock and states; keeps every command that went out."""

    def __init__(self, given_plan: Plan, **states: dict[str, Value]) -> None:
        self.now = 100.0
        self.states: dict[str, dict[str, Value]] = states
        self.machine = SequenceMachine(given_plan, planner().undoing, self._holds)
        self.told: list[str] = []
        self.out: int | None = None
        self.taken_back: list[int] = []
        self._take(self.machine.begin(self.now))

    def _holds(self, unit: str, wanted: Mapping[str, Value]) -> bool | None:
        known = self.states.get(unit, {})
        if any(state in known and known[state] != value for state, value in wanted.items()):
            return False
        return None if any(state not in known for state in wanted) else True

    def _take(self, effects: list[Any]) -> None:
        for effect in effects:
            if isinstance(effect, Tell):
                assert self.out is None, "two commands at once"
                self.out = effect.number
                self.told.append(f"{effect.step.unit} {effect.step.action}")
            else:
                assert isinstance(effect, TakeBack)
                self.taken_back.append(effect.number)

    def ends(self, *, good: bool = True, maybe: bool = False) -> None:
        """The command under way has its outcome."""
        assert self.out is not None
        number, self.out = self.out, None
        self._take(
            self.machine.told(number, self.now, good=good, text="" if good else "no-echo", maybe=maybe)
        )

    def passes(self, seconds: float) -> None:
        self.now += seconds
        self._take(self.machine.look(self.now))

    def becomes(self, unit: str, **states: Value) -> None:
        self.states.setdefault(unit, {}).update(states)
        self._take(self.machine.look(self.now))

    def cancel(self) -> None:
        self._take(self.machine.cancel("Ada said so"))

    @property
    def results(self) -> list[str]:
        return [step.result.value for step in self.machine.steps]


def test_steps_follow_each_other_and_each_waits_for_the_one_before() -> None:
    run = Run(plan(sequence(ON, {"wait_s": 2}, AMP_ON)))
    assert run.told == ["mixer power-on"]
    run.passes(50)
    assert run.results == ["running", "to-come", "to-come"]
    run.ends()
    assert run.machine.deadline == 152.0
    run.passes(1.9)
    assert run.told == ["mixer power-on"]
    run.passes(0.2)
    assert run.told == ["mixer power-on", "hall-amp power-on"]
    run.ends()
    assert run.machine.phase is Phase.DONE
    assert run.results == ["done", "done", "done"]
    assert run.machine.deadline is None


def test_a_state_is_waited_for_and_only_as_long_as_it_may_take() -> None:
    steps = (ON, {"until": {"mixer": {"power": True}}, "within_s": 10}, AMP_ON)
    run = Run(plan(sequence(*steps)), mixer={"power": False})
    run.ends()
    run.passes(9)
    assert run.results == ["done", "running", "to-come"]
    run.becomes("mixer", power=True)
    assert run.told[-1] == "hall-amp power-on"

    late = Run(plan(sequence(*steps)))
    late.ends()
    late.passes(10)
    assert late.machine.phase is Phase.FAILED
    assert "it was not so within 10 s: mixer's power is true" in late.machine.text
    assert late.told == ["mixer power-on"]


def test_a_condition_leaves_a_step_out_and_what_is_not_known_is_no_guess() -> None:
    steps = ({**ON, "only_if": {"mixer": {"power": False}}}, AMP_ON)
    run = Run(plan(sequence(*steps)), mixer={"power": True})
    assert run.results == ["left-out", "running"]
    assert run.told == ["hall-amp power-on"]
    unknown = Run(plan(sequence(*steps)))
    assert unknown.told == []
    assert unknown.machine.phase is Phase.FAILED
    assert "it is not known whether mixer's power is false" in unknown.machine.text


MUTE = {"unit": "mixer", "action": "mute-off"}


@pytest.mark.parametrize(
    ("policy", "told", "phase"),
    [
        ("stop", ["mixer power-on", "mixer mute-off"], Phase.FAILED),
        ("go-on", ["mixer power-on", "mixer mute-off", "hall-amp power-on"], Phase.DONE_IN_PART),
        ("undo", ["mixer power-on", "mixer mute-off", "mixer standby"], Phase.UNDONE),
    ],
)
def test_a_failed_step(policy: str, told: list[str], phase: Phase) -> None:
    run = Run(plan(sequence(ON, MUTE, AMP_ON, on_failure=policy)))
    run.ends()
    run.ends(good=False)
    while run.out is not None:
        run.ends()
    assert run.told == told
    assert run.machine.phase is phase
    assert run.machine.text == "mixer mute-off: no-echo"


def test_what_failed_and_may_have_been_obeyed_is_undone_as_well() -> None:
    run = Run(plan(sequence(ON, AMP_ON, on_failure="undo")))
    run.ends()
    run.ends(good=False, maybe=True)
    run.ends()
    run.ends(good=False)
    assert run.told == ["mixer power-on", "hall-amp power-on", "hall-amp standby", "mixer standby"]
    assert run.results == ["failed", "undone"]
    assert run.machine.steps[0].text == "not undone: no-echo"
    assert run.machine.phase is Phase.UNDONE


def test_a_run_is_cancelled_in_a_command_in_a_wait_and_while_it_undoes() -> None:
    run = Run(plan(sequence(ON, AMP_ON)))
    run.cancel()
    assert run.taken_back == [1]
    assert run.machine.phase is Phase.CANCELLING
    run.cancel()
    run.ends(good=False)
    assert (run.machine.phase, run.machine.text) == (Phase.CANCELLED, "Ada said so")
    assert run.results == ["cancelled", "to-come"]
    assert run.taken_back == [1]

    waits = Run(plan(sequence({"wait_s": 5}, ON)))
    waits.cancel()
    waits.passes(10)
    assert (waits.told, waits.machine.phase) == ([], Phase.CANCELLED)

    undoes = Run(plan(sequence(ON, MUTE, AMP_ON, on_failure="undo")))
    undoes.ends()
    undoes.ends()
    undoes.ends(good=False)
    assert undoes.told[-1] == "mixer mute-on"
    undoes.cancel()
    undoes.ends()
    assert (undoes.told[-1], undoes.machine.phase) == ("mixer mute-on", Phase.CANCELLED)


def test_a_command_that_is_taken_back_too_late_is_done_all_the_same() -> None:
    run = Run(plan(sequence(ON, AMP_ON)))
    run.cancel()
    run.ends()
    assert run.results == ["done", "to-come"]
    assert run.machine.phase is Phase.CANCELLED


# Whatever happens, in whatever order

UNITS = ("mixer", "hall-amp", "foyer-amp")
ACTIONS = {
    "power-on": (Effect.ENERGISE, "standby"),
    "mute-off": (Effect.NEUTRAL, "mute-on"),
    "volume-up": (Effect.NEUTRAL, None),
}


@st.composite
def steps(draw: st.DrawFn) -> Step:
    kind = draw(st.sampled_from(("do", "do", "do", "pause", "until")))
    unit = draw(st.sampled_from(UNITS))
    if kind == "pause":
        return Pause(draw(st.floats(0.1, 5)))
    if kind == "until":
        return Until({unit: {"power": True}}, draw(st.floats(0.1, 5)))
    action = draw(st.sampled_from(list(ACTIONS)))
    effect, undone_by = ACTIONS[action]
    only_if: dict[str, dict[str, Value]] = draw(st.sampled_from(({}, {unit: {"power": False}})))
    return Do(unit, action, {}, only_if, effect, undone_by)


HAPPENS = st.one_of(
    st.tuples(st.just("end"), st.booleans(), st.booleans()),
    st.tuples(st.just("pass"), st.floats(0, 6)),
    st.tuples(st.just("become"), st.sampled_from(UNITS), st.booleans()),
    st.tuples(st.just("cancel")),
)


@given(
    st.lists(steps(), max_size=8),
    st.sampled_from(("stop", "go-on", "undo")),
    st.lists(HAPPENS, max_size=30),
)
def test_whatever_happens_it_ends_and_never_energises_after_its_end(
    todo: list[Step], policy: str, happens: list[Any]
) -> None:
    run = Run(Plan("evening", Direction.UP, tuple(todo), policy))
    planned = [f"{step.unit} {step.action}" for step in todo if isinstance(step, Do)]
    cancelled_at: int | None = None
    failed_at: int | None = None
    for each in happens:
        failures = sum(result == "failed" for result in run.results)
        match each:
            case ("end", good, maybe) if run.out is not None:
                run.ends(good=good, maybe=maybe)
            case ("pass", seconds):
                run.passes(seconds)
            case ("become", unit, power):
                run.becomes(unit, power=power)
            case ("cancel",):
                run.cancel()
                cancelled_at = len(run.told) if cancelled_at is None else cancelled_at
        if failed_at is None and sum(result == "failed" for result in run.results) > failures:
            failed_at = len(run.told)
    for _ in range(3 * len(todo) + 3):
        if run.out is not None:
            run.ends()
        run.passes(10)
    machine = run.machine
    assert machine.over
    assert run.out is None
    assert machine.deadline is None
    assert StepResult.RUNNING not in {step.result for step in machine.steps}
    # What was told is what was planned, in its order; only undoing comes after it.
    forward = [told for told in run.told if told in planned]
    rest = iter(planned)
    assert all(told in rest for told in forward)
    if cancelled_at is not None:
        assert run.told[cancelled_at:] == []
    if failed_at is not None and policy != "go-on":
        later = run.told[failed_at:]
        assert all(told.endswith(("standby", "mute-on")) for told in later)
        assert not later or policy == "undo"
    before = list(run.told)
    run.passes(1000)
    run.cancel()
    assert run.told == before
