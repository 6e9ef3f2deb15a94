"""A profile made ready for work: its templates compiled, its parameters checked, its meanings found."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, replace

from profiles.errors import BadValue, NotKnown, TemplateError
from profiles.model import Action, Observation, Parameter, Profile, Reply, Value
from profiles.parts import Typed
from profiles.stream import StreamMatcher
from profiles.template import ByteTemplate, Message, Pause

__all__ = [
    "CompiledAction",
    "CompiledObservation",
    "CompiledProfile",
    "CompiledReply",
    "Meaning",
    "field_types",
    "resolve",
]


def resolve(sets: Mapping[str, Value], values: Mapping[str, Value]) -> dict[str, Value]:
    """The states that ``sets`` gives: a text that names a field stands for that field's value."""
    return {
        state: values[value] if isinstance(value, str) and value in values else value
        for state, value in sets.items()
    }


def field_types(profile: Profile, sets: Mapping[str, Value]) -> dict[str, Typed]:
    """What the fields of an observation or reply are, by the states that they set."""
    return {
        value: profile.states[state]
        for state, value in sets.items()
        if isinstance(value, str) and state in profile.states
    }


@dataclass(frozen=True, slots=True)
class CompiledReply:
    """One possible answer."""

    spec: Reply
    expect: ByteTemplate


@dataclass(frozen=True, slots=True)
class CompiledAction:
    """An action, ready to be sent and to be recognised."""

    name: str
    spec: Action
    send: ByteTemplate
    replies: tuple[CompiledReply, ...]
    """The answers it can get: its own, and after them those that any action can get."""
    twins: tuple[str, ...] = ()
    """Other actions that say the same bytes, such as a toggle under two names."""
    kin: tuple[str, ...] = ()
    """Other actions that say the same bytes at some values, such as one that takes any coil's number."""

    @property
    def title(self) -> str:
        """The title, or the name where it has none."""
        return self.spec.title or self.name

    def parameters(self, given: Mapping[str, Value]) -> dict[str, Value]:
        """The parameters with defaults filled in, each as the wire can say it: the nearest.

        Raises:
            BadValue: one is missing, unknown, out of range or of the wrong type.
        """
        known = self.spec.parameters
        for name in given:
            if name not in known:
                near = difflib.get_close_matches(name, known, n=1)
                takes = f"it takes {', '.join(known)}" if known else "it takes none"
                raise BadValue(
                    f"{self.name} has no parameter {name!r}",
                    todo=f"did you mean {near[0]!r}?" if near else takes,
                )
        values: dict[str, Value] = {}
        for name, spec in known.items():
            value = given.get(name, spec.default)
            if value is None:
                raise BadValue(f"{self.name} needs {name}", todo=f"give it as {name}={example(spec)}")
            problem = spec.problem(value)
            if problem:
                raise BadValue(f"{name} {problem}, not {value!r}")
            values[name] = self.send.carried(name, value)
        return values

    def message(
        self,
        values: Mapping[str, Value],
        *,
        address: int | None = None,
        counters: Mapping[str, int] | None = None,
    ) -> Message:
        """Everything that is to be sent, repeats included. ``values`` come from ``parameters``.

        Raises:
            BadValue: a value can't be written, or the unit has no address and needs one.
        """
        once = self.send.build(values, address=address, counters=counters)
        if self.spec.repeat == 1:
            return once
        data, pauses = b"", []
        for number in range(self.spec.repeat):
            if number and self.spec.repeat_pause_ms:
                pauses.append(Pause(len(data), self.spec.repeat_pause_ms / 1000))
            pauses += [replace(pause, before=pause.before + len(data)) for pause in once.pauses]
            data += once.data
        return Message(data, tuple(pauses))


def example(spec: Parameter) -> str:
    """A value that the parameter could have, for a message to a person."""
    if spec.values:
        return spec.values[0]
    if spec.range:
        return f"{spec.range[0]:g}"
    return {"boolean": "true", "text": "TEXT"}.get(spec.type.value, "NUMBER")


@dataclass(frozen=True, slots=True)
class CompiledObservation:
    """An observation, ready to be recognised."""

    index: int
    spec: Observation
    match: ByteTemplate

    @property
    def title(self) -> str:
        """The title, or the next best name."""
        return self.spec.title or self.spec.name or self.spec.event or f"observation {self.index + 1}"


Meaning = CompiledAction | CompiledObservation
"""What a stretch of traffic can be."""


class CompiledProfile:
    """A profile ready for work.

    Args:
        profile: a profile that passed profiles/checking.py.

    Raises:
        TemplateError: one of its templates can't be built.
    """

    def __init__(self, profile: Profile) -> None:
        self.profile = profile
        self.line = profile.line
        self.confirm = profile.confirm
        common = tuple(self._reply(reply, {}) for reply in profile.reply)
        self.actions: dict[str, CompiledAction] = {}
        for name, spec in profile.actions.items():
            self.actions[name] = self._action(name, spec, common)
        for action in self.actions.values():
            twins = tuple(
                other.name
                for other in self.actions.values()
                if other is not action and other.send.sets == action.send.sets and not action.send.fields
            )
            kin = tuple(
                other.name
                for other in self.actions.values()
                if other is not action and other.name not in twins and other.send.overlaps(action.send)
            )
            if twins or kin:
                self.actions[action.name] = replace(action, twins=twins, kin=kin)
        self.observations = tuple(
            CompiledObservation(
                index,
                spec,
                ByteTemplate.compile(
                    spec.match, types=field_types(profile, spec.sets), address=profile.address
                ),
            )
            for index, spec in enumerate(profile.observations)
        )

    def _action(self, name: str, spec: Action, common: tuple[CompiledReply, ...]) -> CompiledAction:
        try:
            send = ByteTemplate.compile(
                spec.send, types=spec.parameters, address=self.profile.address, sending=True
            )
            own = tuple(self._reply(reply, spec.parameters) for reply in spec.reply)
        except TemplateError as error:
            raise TemplateError(f"action {name}: {error.what}", index=error.index, todo=error.todo) from error
        return CompiledAction(name, spec, send, own + tuple(r for r in common if r.spec.answers(name)))

    def _reply(self, spec: Reply, parameters: Mapping[str, Parameter]) -> CompiledReply:
        types: dict[str, Typed] = {**field_types(self.profile, spec.sets), **parameters}
        return CompiledReply(
            spec, ByteTemplate.compile(spec.expect, types=types, address=self.profile.address)
        )

    def action(self, name: str) -> CompiledAction:
        """The action of that name.

        Raises:
            NotKnown: there is none; the message offers the nearest names.
        """
        found = self.actions.get(name)
        if found is None:
            near = difflib.get_close_matches(name, self.actions, n=3)
            known = " or ".join(near) if near else ", ".join(self.actions)
            raise NotKnown(f"{self.profile.name} has no action {name!r}", todo=f"try {known}")
        return found

    def says(
        self, action: CompiledAction, values: Mapping[str, Value], address: int | None
    ) -> tuple[dict[str, Value], tuple[str, ...]]:
        """What an action tells of the states at these values: what they become, and which may be anything.

        The same bytes do the same: where another action says what this one says at these values, what that
        one sets is so as well.
        """
        sets = resolve(action.spec.sets, values)
        loose = dict.fromkeys(action.spec.unsettles)
        others = [] if action.send.counters else [self.actions[name] for name in action.kin]
        data = action.send.build(values, address=address).data if others else b""
        for other in others:
            reading = other.send.read(data)
            if reading is not None:
                sets = resolve(other.spec.sets, reading.values) | sets
                loose |= dict.fromkeys(other.spec.unsettles)
        return sets, tuple(state for state in loose if state not in sets)

    def matcher(self) -> StreamMatcher[Meaning]:
        """A fresh matcher that tells this profile's observations, and its actions when others send them."""
        templates: list[tuple[Meaning, ByteTemplate]] = [(o, o.match) for o in self.observations]
        templates += [(action, action.send) for action in self.actions.values()]
        return StreamMatcher(templates, burst_gap=self.line.burst_gap)
