"""One simulated unit: it hears bytes, obeys the profile's actions, and answers. No line, no clock."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from controller.simulator.faults import Refuse
from controller.simulator.orders import read_value
from controller.simulator.speech import fill, first_value, fits, initial_value, tells, write
from profiles.compiled import CompiledAction, CompiledProfile, CompiledReply, resolve
from profiles.errors import BadValue, NotKnown
from profiles.fields import FieldPart
from profiles.model import Value
from profiles.stream import Found, StreamMatcher
from profiles.template import Reading

__all__ = ["Heard", "Pressed", "SimulatedUnit"]


@dataclass(frozen=True, slots=True)
class Heard:
    """A unit has understood an action that was meant for it."""

    action: str
    obeyed: bool
    """False where a fault made it refuse."""
    answer: bytes | None
    """What it answers, or None where it says nothing."""


@dataclass(frozen=True, slots=True)
class Pressed:
    """A key was pressed on a unit's front panel."""

    changed: dict[str, Value]
    messages: tuple[bytes, ...]
    """What it says of that, message by message."""


def never(_action: str) -> Refuse | None:
    """A unit that refuses nothing."""
    return None


class SimulatedUnit:
    """A unit of a simulated bus.

    Args:
        number: its place on the line, counted from 1.
        address: its address, or None where the profile has none.
        profile: what kind of bus it is on.
        spokesman: whether it answers requests that carry no address; on one line only one unit can.
        refusal: asked before it obeys: the fault by which it refuses that action, or None.
    """

    def __init__(
        self,
        number: int,
        address: int | None,
        profile: CompiledProfile,
        *,
        spokesman: bool = True,
        refusal: Callable[[str], Refuse | None] = never,
    ) -> None:
        self.number = number
        self.address = address
        self._profile = profile
        self._spokesman = spokesman
        self._refusal = refusal
        self._templates = [(action, action.send) for action in profile.actions.values()]
        self._repeats: tuple[bytes, int] = (b"", 0)
        self.states: dict[str, Value] = {}
        """Its states, by name."""
        self.mains_on()

    def mains_on(self) -> None:
        """Begin anew: nothing half heard, every state as it is after the mains came on."""
        self._matcher: StreamMatcher[CompiledAction] = StreamMatcher(
            self._templates, burst_gap=self._profile.line.burst_gap
        )
        self._repeats = (b"", 0)
        self.states = {name: initial_value(spec) for name, spec in self._profile.profile.states.items()}

    @property
    def deadline(self) -> float | None:
        """When ``tick`` should be called; None while nothing is half heard."""
        return self._matcher.deadline

    def hear(self, data: bytes, now: float) -> list[Heard]:
        """Take bytes as the profile writes them."""
        return self._all(self._matcher.feed(data, now))

    def tick(self, now: float) -> list[Heard]:
        """Take it that the line was idle up to ``now``."""
        return self._all(self._matcher.tick(now))

    def _all(self, found: list[Found[CompiledAction]]) -> list[Heard]:
        out = []
        for piece in found:
            if piece.key is None or piece.reading is None:
                continue
            heard = self._understand(piece.key, piece.data, piece.reading)
            if heard:
                out.append(heard)
        return out

    def is_meant(self, reading: Reading) -> bool:
        """Whether a message is for this unit: its address, that of all, or none in it."""
        spec = self._profile.profile.address
        everybody = spec.all if spec else None
        return reading.address is None or reading.address in (self.address, everybody)

    def _understand(self, action: CompiledAction, data: bytes, reading: Reading) -> Heard | None:
        if not self.is_meant(reading):
            self._repeats = (b"", 0)
            return None
        before, times = self._repeats
        times = times + 1 if data == before else 1
        if times < action.spec.repeat:
            self._repeats = (data, times)
            return None
        self._repeats = (b"", 0)
        action = self._fitting(action)
        refusal = self._refusal(action.name)
        if refusal is None:
            self._apply(action, reading.values)
        speaks = self._spokesman if reading.address is None else reading.address == self.address
        if not speaks:
            return Heard(action.name, refusal is None, None)
        answer = self._answer(action, reading) if refusal is None else self._refuse(action, reading, refusal)
        return Heard(action.name, refusal is None, answer)

    def _fitting(self, action: CompiledAction) -> CompiledAction:
        """Of the actions that say these bytes, the one whose condition is met (a toggle under two names)."""
        for name in (action.name, *action.twins):
            if self._condition_met(self._profile.actions[name]):
                return self._profile.actions[name]
        return action

    def _condition_met(self, action: CompiledAction) -> bool:
        return all(self.states.get(state) == value for state, value in action.spec.only_if.items())

    def _apply(self, action: CompiledAction, values: Mapping[str, Value]) -> dict[str, Value]:
        """Obey; returns the states that changed, with their new values.

        Gear that can only toggle toggles, whatever the sender believed: where the condition is not met,
        a boolean that the action would set is turned over instead.
        """
        new = resolve(action.spec.sets, values)
        if not self._condition_met(action):
            new = {
                state: not self.states[state] if isinstance(self.states.get(state), bool) else value
                for state, value in new.items()
            }
        changed = {state: value for state, value in new.items() if self.states.get(state) != value}
        self.states.update(new)
        return changed

    def _answer(self, action: CompiledAction, reading: Reading) -> bytes | None:
        done = [reply for reply in action.replies if reply.spec.means == "done"]
        if not done:
            return None
        reply = next((r for r in done if fits(r.spec.sets, r.expect, self.states)), done[0])
        return self._build(reply, fill(reply.expect, reply.spec.sets, self.states, reading.values), reading)

    def _refuse(self, action: CompiledAction, reading: Reading, refusal: Refuse) -> bytes | None:
        reply = next((reply for reply in action.replies if reply.spec.means == "refused"), None)
        if reply is None:
            return None
        values = dict(reading.values)
        wanted = dict(refusal.values)
        for part in reply.expect.fields:
            if part.name in wanted:
                values[part.name] = _field_value(part, wanted[part.name])
            elif part.name not in values:
                values[part.name] = first_value(part, skip=1)  # a reason of 0 seldom means anything
        return self._build(reply, fill(reply.expect, {}, self.states, values), reading)

    def _build(self, reply: CompiledReply, values: Mapping[str, Value], reading: Reading) -> bytes:
        return reply.expect.build(values, address=self.address, counters=reading.counters).data

    def check_refusal(self, refusal: Refuse) -> None:
        """See that a refusal can be said.

        Raises:
            NotKnown: there is no such action, or no refusal has such a field.
            BadValue: a field can't have that value.
        """
        actions = [self._profile.action(refusal.action)] if refusal.action else self._profile.actions.values()
        refusals = [r for action in actions for r in action.replies if r.spec.means == "refused"]
        for name, text in refusal.values:
            parts = [part for reply in refusals for part in reply.expect.fields if part.name == name]
            if not parts:
                raise NotKnown(f"no refusal of {self._profile.profile.name} has a field {name!r}")
            _field_value(parts[0], text)

    def press(self, name: str, values: Mapping[str, str]) -> Pressed:
        """A key on its front panel: it does what the action does, and says what changed.

        Raises:
            NotKnown: there is no such action.
            BadValue: a parameter is missing, unknown or out of range.
        """
        action, given = self.action(name, values)
        changed = self._apply(self._fitting(action), given)
        messages = [
            observation.match.build(
                fill(observation.match, observation.spec.sets, self.states, given), address=self.address
            ).data
            for observation in tells(self._profile, set(changed), self.states)
        ]
        return Pressed(changed, tuple(messages))

    def lead(self, action: CompiledAction, values: Mapping[str, Value], address: int | None) -> None:
        """It sends an action itself: where that is meant for it too, it does what the action says."""
        if self.is_meant(Reading(address=address)):
            self._apply(self._fitting(action), values)

    def action(self, name: str, values: Mapping[str, str]) -> tuple[CompiledAction, dict[str, Value]]:
        """An action and its parameters as they are typed in an order.

        Raises:
            NotKnown: there is no such action.
            BadValue: a parameter is missing, unknown or out of range.
        """
        action = self._profile.action(name)
        known = action.spec.parameters
        typed: dict[str, Value] = {
            key: read_value(key, text, known[key]) if key in known else text for key, text in values.items()
        }
        return action, action.parameters(typed)


def _field_value(part: FieldPart, text: str) -> Value:
    """A field's value as it is typed: one of its table's names, the number that stands for one, or a number.

    Raises:
        BadValue: it can't have it.
    """
    candidates: list[Value] = [text]
    with contextlib.suppress(ValueError):  # then it can only be a name
        number = int(text, 0)
        candidates.append(part.by_raw.get(number, number) if part.by_raw else number)
    for candidate in candidates:
        try:
            write(part, candidate)
        except BadValue as error:
            problem = error
        else:
            return candidate
    raise problem
