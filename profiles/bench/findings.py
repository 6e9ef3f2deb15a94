"""What captures of buttons show, action by action: messages, checks, values, repeats."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Self

from profiles.bench.alignment import ONE_PRESS, Aligned, ColumnKind, Span, align
from profiles.bench.check_search import FoundCheck, find_checks
from profiles.bench.pressing import Addressing, find_addressing, together, usual_gaps
from profiles.bench.samples import LearnedLine, Sample

__all__ = ["ActionFinding", "Findings", "Value", "examine"]


@dataclass(frozen=True, slots=True)
class Value:
    """A parameter, counter or toggle that an action's messages have."""

    name: str
    span: Span
    wrap: int | None = None
    """Of a counter, where it begins anew, as far as any action shows it."""


@dataclass(frozen=True, slots=True)
class ActionFinding:
    """What was found of one action."""

    name: str
    aligned: Aligned
    samples: tuple[Sample, ...]
    check: FoundCheck | None
    values: tuple[Value, ...]
    """One for each span that is no constant and no check; what says the same has the same name."""
    repeat: int
    repeat_pause: float
    """Seconds."""
    notes: tuple[str, ...]
    gaps: tuple[float, ...] = ()
    """Seconds of idle line before each further burst of a press."""

    def value(self, span: Span) -> Value:
        """The value that a span carries."""
        return next(value for value in self.values if value.span is span)


@dataclass(frozen=True, slots=True)
class Findings:
    """All that was learned."""

    line: LearnedLine
    actions: tuple[ActionFinding, ...]
    checks: tuple[FoundCheck, ...]
    """The check that all messages have; where there is none, those of the messages of one length."""
    addressing: Addressing | None = None
    """Which bytes say which unit is meant, where captures of several units show it."""


def examine(
    line: LearnedLine, samples: Sequence[Sample], progress: Callable[[int, int], None] | None = None
) -> Findings:
    """Find what the messages of each action have in common.

    Args:
        line: the line that they were on.
        samples: the captures, in the order in which they were taken.
        progress: told how far the search for checks is.
    """
    by_action: dict[str, list[Sample]] = {}
    for sample in samples:
        by_action.setdefault(sample.source.action, []).append(sample)
    by_action = {action: _by_press(group) for action, group in by_action.items()}
    said = {action: _Said.of(group) for action, group in by_action.items()}
    usual = [burst for each in said.values() for message in each.messages for burst in each.bursts(message)]
    bits = line.frame.data_bits
    common = _sendable(find_checks(usual, progress), bits)
    by_length: dict[int, FoundCheck] = {}
    if common is None:
        for length in sorted({len(message) for message in usual}):
            alone = _sendable(find_checks([message for message in usual if len(message) == length]), bits)
            if alone is not None:
                by_length[length] = alone
    checks = {
        action: [common or by_length.get(length) for length in each.lengths] for action, each in said.items()
    }
    addressing = find_addressing(
        {action: list(zip(each.units, each.messages, strict=True)) for action, each in said.items()},
        {action: each.places(checks[action]) for action, each in said.items()},
    )
    found = tuple(
        _action(action, group, said[action], checks[action], addressing)
        for action, group in by_action.items()
    )
    found = _counters_shared(found, bits)
    known = (common,) if common is not None else tuple(by_length.values())
    return Findings(line, found, known, addressing)


def _by_press(group: Sequence[Sample]) -> list[Sample]:
    """Captures of one action with bursts that always come together taken for one press."""
    joined = together([sample.presses for sample in group])
    if joined is None:
        return list(group)
    return [replace(sample, presses=tuple(presses)) for sample, presses in zip(group, joined, strict=True)]


@dataclass(frozen=True, slots=True)
class _Said:
    """What was said for one action."""

    every: tuple[bytes, ...]
    """All messages."""
    messages: tuple[bytes, ...]
    """Those of the usual length."""
    units: tuple[str, ...]
    """Which unit each of those is to."""
    cuts: tuple[int, ...]

    @classmethod
    def of(cls, group: Sequence[Sample]) -> Self:
        every = [(press, sample.source.unit) for sample in group for press in sample.presses]
        usual = _usual([press.data for press, _ in every])
        kept = [(press, unit) for press, unit in every if len(press.data) == usual]
        return cls(
            tuple(press.data for press, _ in every),
            tuple(press.data for press, _ in kept),
            tuple(unit for _, unit in kept),
            kept[0][0].cuts,
        )

    @property
    def limits(self) -> tuple[tuple[int, int], ...]:
        """Where each burst of a message begins and ends."""
        return tuple(itertools.pairwise((0, *self.cuts, len(self.messages[0]))))

    @property
    def lengths(self) -> tuple[int, ...]:
        return tuple(stop - first for first, stop in self.limits)

    def bursts(self, message: bytes) -> list[bytes]:
        return [message[first:stop] for first, stop in self.limits]

    def places(self, checks: Sequence[FoundCheck | None]) -> set[int]:
        """The bytes of a message that are checks."""
        return {
            place
            for (first, stop), check in zip(self.limits, checks, strict=True)
            if check is not None and all(check.holds(message[first:stop]) for message in self.messages)
            for place in range(
                first + check.position(stop - first), first + check.position(stop - first) + check.size
            )
        }


def _sendable(check: FoundCheck | None, bits: int) -> FoundCheck | None:
    """A check that frames of so many data bits can carry whatever it comes to."""
    return check if check is None or bits >= 8 or (bits == 7 and check.hex_text) else None


def _counters_shared(actions: tuple[ActionFinding, ...], bits: int) -> tuple[ActionFinding, ...]:
    """A bus has one counter for all its messages, so where one action shows its wrap, it is that of all.

    Counters that can't be one get names of their own.
    """
    counters: dict[str, list[Span]] = {}
    for action in actions:
        for value in action.values:
            if value.span.kind is ColumnKind.COUNTING:
                counters.setdefault(value.name, []).append(value.span)
    wraps: dict[str, int | None] = {}
    for name, spans in counters.items():
        seen = {span.wrap for span in spans if span.wrap is not None}
        # A frame of fewer data bits can't say more.
        wrap = next(iter(seen), None if bits >= 8 else 1 << bits)
        if len(seen) <= 1 and all(wrap is None or max(span.numbers) < wrap for span in spans):
            wraps[name] = wrap
    return tuple(
        replace(action, values=tuple(_shared(value, action.name, wraps) for value in action.values))
        for action in actions
    )


def _shared(value: Value, action: str, wraps: Mapping[str, int | None]) -> Value:
    if value.span.kind is not ColumnKind.COUNTING:
        return value
    if value.name in wraps:
        return replace(value, wrap=wraps[value.name])
    return replace(value, name=f"{value.name}-{action}"[:64].rstrip("-"), wrap=value.span.wrap)


def _usual(messages: Sequence[bytes]) -> int:
    return Counter(map(len, messages)).most_common(1)[0][0]


def _action(
    name: str,
    samples: Sequence[Sample],
    said: _Said,
    checks: Sequence[FoundCheck | None],
    addressing: Addressing | None,
) -> ActionFinding:
    addresses = addressing.places[name] if addressing is not None else ()
    aligned = align(said.every, cuts=said.cuts, checks=checks, addresses=addresses)
    told = [f"{sample.source.path.name}: {note}" for sample in samples for note in sample.notes]
    if aligned.odd:
        shown = ", ".join(message.hex(" ").upper() for message in dict.fromkeys(aligned.odd))
        told.append(f"bursts of another length were left out: {shown}")
    if len(samples) == 1 and any(press.before <= ONE_PRESS for press in samples[0].presses):
        told.append(
            f"bursts come less than {ONE_PRESS:g} s apart: capture it again to see whether they are one press"
        )
    known = [press for sample in samples for press in sample.presses if len(press.data) == aligned.length]
    repeat = min(press.times for press in known)
    if max(press.times for press in known) != repeat:
        told.append(f"said {repeat} to {max(press.times for press in known)} times a press; was a key held?")
    pauses = [press.pause for press in known if press.times > 1]
    return ActionFinding(
        name,
        aligned,
        tuple(samples),
        next((check for check in aligned.checks if check is not None), None),
        _values(aligned),
        min(repeat, 20),
        min(pauses) if repeat > 1 and pauses else 0.0,
        tuple(told),
        usual_gaps(known),
    )


def _values(aligned: Aligned) -> tuple[Value, ...]:
    """Names for what varies; equal numbers in two places are one value said twice."""
    values: list[Value] = []
    names = {ColumnKind.COUNTING: "count", ColumnKind.TOGGLING: "toggle", ColumnKind.CHANGING: "value"}
    for span in aligned.spans:
        if span.kind not in names:
            continue
        same = next((value for value in values if _alike(value.span, span)), None)
        if same is not None:
            values.append(Value(same.name, span, span.wrap))
            continue
        stem = names[span.kind]
        count = sum(name == stem or name.startswith(f"{stem}-") for name in {v.name for v in values})
        values.append(Value(f"{stem}-{count + 1}" if count else stem, span, span.wrap))
    return tuple(values)


def _alike(one: Span, other: Span) -> bool:
    return (one.kind, one.numbers, one.wrap) == (other.kind, other.numbers, other.wrap)
