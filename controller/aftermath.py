"""What follows from a transmission's report: states, and alerts about the line and its units."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from controller.guard import Cleared
from controller.records import Known, Outcome, Reason, Result, StateChange
from controller.states import StateBook, known_by
from controller.transmission import Report
from profiles.compiled import resolve
from profiles.model import Method, Value

__all__ = ["BusAlerts", "states_after"]

_SILENT = (Reason.NO_REPLY, Reason.BAD_REPLY)
_NOT_THE_LINE = (Reason.LINK_LOST, Reason.REFUSED_BY_UNIT, Reason.INTERNAL)
"""Reasons that have an alert of their own, or need none."""


def states_after(
    cleared: Cleared, report: Report, book: StateBook, spoken: Callable[[str, str], bool], utc: float
) -> list[StateChange]:
    """Put into the book what a report says of the units' states, and return what changed.

    Args:
        cleared: what was sent.
        report: what became of it.
        book: the states.
        spoken: whether a unit has told a state since the last frame went round: then it knows better.
        utc: UTC seconds.
    """
    identity = cleared.command.id
    changes: list[StateChange] = []
    for unit in cleared.units:
        if cleared.action is None:
            if report.began is not None:
                # Raw bytes may have done anything.
                names = [name for name in book.names(unit) if not spoken(unit, name)]
                changes += book.doubt(unit, names, utc, identity)
            continue
        sets, loose = _says(cleared)
        loose = [name for name in loose if not spoken(unit, name)]
        if report.result is Result.ANSWERED:
            told = _told(cleared, report)
            changes += book.doubt(unit, [name for name in loose if name not in told], utc, identity)
            changes += book.put(unit, sets | told, Known.OBSERVED, utc, identity)
            continue
        sets = {name: value for name, value in sets.items() if not spoken(unit, name)}
        if report.result.good:
            changes += book.doubt(unit, loose, utc, identity)
            changes += book.put(unit, sets, known_by(report.result), utc, identity)
            continue
        refused = report.reason is Reason.REFUSED_BY_UNIT
        if report.all_out and not (refused and report.attempts <= 1):
            # The whole message was out: the unit may have obeyed, whatever came back.
            changes += book.doubt(unit, {**dict.fromkeys(loose), **sets}, utc, identity)
        if refused:
            changes += book.put(unit, _told(cleared, report), Known.OBSERVED, utc, identity)
    return changes


def _says(cleared: Cleared) -> tuple[dict[str, Value], Sequence[str]]:
    """What its action says of the states, and which of them may be anything after it."""
    action = cleared.action
    if action is None:
        return {}, ()
    if cleared.profile is None:
        return resolve(action.spec.sets, cleared.values), action.spec.unsettles
    return cleared.profile.says(action, cleared.values, cleared.address)


def _told(cleared: Cleared, report: Report) -> dict[str, Value]:
    """The states that the answer itself tells."""
    if report.reply is None or report.reading is None:
        return {}
    return resolve(report.reply.spec.sets, {**cleared.values, **report.reading.values})


class BusAlerts:
    """The alerts about one bus's line and units: a command that fails raises them, a good one clears them.

    Args:
        bus: the bus's id.
        ring: whether it is a ring: then only what came round it shows that it is whole.
        expected: units in the ring, where the site says it.
        alert: raises or clears an alert: (kind, target, text or None, what to look at).
    """

    def __init__(
        self,
        bus: str,
        *,
        ring: bool,
        expected: int | None,
        alert: Callable[[str, str, str | None, str], None],
    ) -> None:
        self._bus = bus
        self._ring = ring
        self._expected = expected
        self._alert = alert

    def after(self, cleared: Cleared, outcome: Outcome, method: Method) -> None:
        """A command is over."""
        unit = cleared.command.unit if cleared.command.unit != self._bus else None
        if outcome.result is Result.FAILED:
            if outcome.reason in _SILENT and unit is not None:
                self._alert("silent", unit, outcome.text, outcome.look_at)
            elif outcome.reason not in _NOT_THE_LINE:
                self._alert("chain", self._bus, outcome.text, outcome.look_at)
        answered = outcome.result is Result.ANSWERED or outcome.reason is Reason.REFUSED_BY_UNIT
        if answered and unit is not None:
            self._alert("silent", unit, None, "")
        if answered or (outcome.result.good and not (self._ring and outcome.result is Result.SENT)):
            self._alert("chain", self._bus, None, "")
        if outcome.result is Result.CONFIRMED and method is Method.LOOP:
            self._count(outcome.units_answering)

    def _count(self, answering: int | None) -> None:
        """Tell where another number of units answers than should; nothing where that can't be told."""
        if answering is None or self._expected is None:
            return
        few = answering < self._expected
        self._alert(
            "units",
            self._bus,
            None if answering == self._expected else f"{answering} of {self._expected} units answer",
            "the units that are bypassed or off"
            if few
            else "the units that are new, and `units_expected` in the site file",
        )

    def link(self, text: str | None, look_at: str = "") -> None:
        """The adapter is away (``text`` says why), or back."""
        self._alert("link", self._bus, text, look_at)
