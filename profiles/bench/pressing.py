"""Presses that are several bursts, and bytes that say which unit is meant: told from several captures."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from profiles.bench.alignment import ONE_PRESS, Press

__all__ = ["Addressing", "find_addressing", "together", "usual_gaps"]


def together(captures: Sequence[Sequence[Press]]) -> list[list[Press]] | None:
    """Take bursts that come together at every press for one press.

    A knob that is turned fast gives several bursts as well. So the bursts of a press have to be as many each
    time, and each place among them has to be told from each other place by its length or by a byte that is
    always the same there and another one elsewhere.

    Args:
        captures: the bursts of one action, in each of its captures.

    Returns:
        The presses of each capture, or None where each burst is a press of its own.
    """
    grouped = [_groups(capture) for capture in captures]
    every = [group for groups in grouped for group in groups]
    shapes = {tuple(len(burst.data) for burst in group) for group in every}
    if len(every) < 2 or len(shapes) != 1 or len(every[0]) < 2:
        return None
    places = list(zip(*every, strict=True))
    if not all(_differ(one, other) for one, other in itertools.combinations(places, 2)):
        return None
    return [[_one(group) for group in groups] for groups in grouped]


def _groups(capture: Sequence[Press]) -> list[list[Press]]:
    """Bursts in quick succession, those that were said again one by one."""
    groups: list[list[Press]] = []
    for press in capture:
        for said in range(press.times):
            burst = Press(press.data, before=press.pause if said else press.before)
            if groups and burst.before <= ONE_PRESS:
                groups[-1].append(burst)
            else:
                groups.append([burst])
    return [group[: _period(group)] for group in groups]


def _period(group: Sequence[Press]) -> int:
    """After how many bursts a press says the same again; all of them where it does not."""
    said = [burst.data for burst in group]
    return next(
        n for n in range(1, len(said) + 1) if len(said) % n == 0 and said == said[:n] * (len(said) // n)
    )


def _differ(one: Sequence[Press], other: Sequence[Press]) -> bool:
    """Whether the bursts at two places of a press are of two kinds."""
    if len(one[0].data) != len(other[0].data):
        return True
    columns = zip(
        zip(*(burst.data for burst in one), strict=True),
        zip(*(burst.data for burst in other), strict=True),
        strict=True,
    )
    return any(len({*here}) == 1 and len({*there}) == 1 and here[0] != there[0] for here, there in columns)


def _one(group: Sequence[Press]) -> Press:
    sizes = [len(burst.data) for burst in group]
    return Press(
        b"".join(burst.data for burst in group),
        before=group[0].before,
        cuts=tuple(itertools.accumulate(sizes))[:-1],
        gaps=tuple(burst.before for burst in group[1:]),
    )


def usual_gaps(presses: Sequence[Press]) -> tuple[float, ...]:
    """The seconds of idle line before each further burst of a press: the median."""
    return tuple(median(gaps) for gaps in zip(*(press.gaps for press in presses), strict=True))


@dataclass(frozen=True, slots=True)
class Addressing:
    """Which bytes say which unit is meant."""

    numbers: Mapping[str, int]
    """The byte that each unit is addressed with."""
    places: Mapping[str, tuple[int, ...]]
    """For each action, the bytes of its message that are it."""

    @property
    def offset(self) -> int:
        """What is added to a unit's own number where units are named by numbers; else 0."""
        if not all(unit.isdecimal() for unit in self.numbers):
            return 0
        apart = {number - int(unit) for unit, number in self.numbers.items()}
        return next(iter(apart)) if len(apart) == 1 else 0

    def address(self, unit: str) -> int:
        """A unit's address, as the profile counts it."""
        return self.numbers[unit] - self.offset


def find_addressing(
    said: Mapping[str, Sequence[tuple[str, bytes]]], checks: Mapping[str, Collection[int]]
) -> Addressing | None:
    """Find the bytes that say which unit is meant.

    They are the same in all messages to one unit, differ from unit to unit, and do so in the same way in all
    actions; a sum over them does not, since each order has another one.

    Args:
        said: for each action its messages, of one length, each with the unit that it is to ("" where that is
            not known).
        checks: for each action the bytes of its message that are a check.

    Returns:
        Where they are, or None where these messages don't tell.
    """
    constant = {
        action: {at: seen for at, seen in _constant_a_unit(messages).items() if at not in checks[action]}
        for action, messages in said.items()
    }
    # Those that differ from unit to unit, in each action that several units were told.
    found = {
        action: {at: seen for at, seen in each.items() if len(set(seen.values())) == len(seen)}
        for action, each in constant.items()
        if len({unit for unit, _ in said[action] if unit}) >= 2
    }
    numbers = _in_common(list(found.values()))
    if numbers is None:
        return None
    places = {
        action: tuple(at for at, seen in each.items() if _agree(seen, numbers))
        for action, each in constant.items()
    }
    usual = {at for action in found for at in places[action]}
    # An action that only one unit was told has its address where the others have it.
    return Addressing(
        numbers, {action: tuple(at for at in each if at in usual) for action, each in places.items()}
    )


def _constant_a_unit(messages: Sequence[tuple[str, bytes]]) -> dict[int, dict[str, int]]:
    """For each byte that is the same in all messages to one unit: what it is for each unit."""
    found = {}
    for at in range(min((len(data) for _, data in messages), default=0)):
        seen: dict[str, set[int]] = {}
        for unit, data in messages:
            seen.setdefault(unit, set()).add(data[at])
        if "" not in seen and all(len(values) == 1 for values in seen.values()):
            found[at] = {unit: next(iter(values)) for unit, values in seen.items()}
    return found


def _in_common(actions: Sequence[Mapping[int, Mapping[str, int]]]) -> dict[str, int] | None:
    """The numbers of the units that all actions agree on; of several, those that are the units' own names."""
    if not actions:
        return None
    candidates: list[dict[str, int]] = []
    for seen in actions[0].values():
        numbers = dict(seen)
        for other in actions[1:]:
            fitting = next((each for each in other.values() if _agree(each, numbers)), None)
            if fitting is None:
                break
            numbers |= fitting
        else:
            if numbers not in candidates:
                candidates.append(numbers)
    named = [numbers for numbers in candidates if all(unit == str(at) for unit, at in numbers.items())]
    if len(named) == 1:
        return named[0]
    return candidates[0] if len(candidates) == 1 else None


def _agree(one: Mapping[str, int], other: Mapping[str, int]) -> bool:
    return all(other.get(unit, number) == number for unit, number in one.items()) and bool(
        one.keys() & other.keys()
    )
