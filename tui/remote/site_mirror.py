"""One site as its topics tell it: messages in, records out, and what it is like now. Pure.

What is shown holds only while the site is ready: of one that is lost, the broker still has the last values,
and nothing of them is known any more. Nodes and properties that are not known here are passed over.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from controller.api import BusView, UnitView
from controller.homie_overview import BusAbout, SequencesAbout
from controller.records import (
    Alert,
    BusStatus,
    Command,
    Event,
    Known,
    Lock,
    Lost,
    Outcome,
    Record,
    StateChange,
    StateValue,
)
from controller.sequences_records import SequenceProgress
from profiles.errors import InputError
from profiles.model import Value
from tui.model import AWAY, HERE
from tui.remote import reading
from tui.remote.described import SiteFound, bus_view, read_about, unit_view
from tui.remote.naming import join
from tui.remote.standing import Standing

__all__ = ["CHANGED", "SiteMirror"]

CHANGED = "site-changed"
"""The event after which a site has to be read again."""

_MOST_OUTCOMES = 2000
_MOST_VALUES = 100_000
"""Payloads that are kept: a site has a few of each unit, and who publishes more is none."""
_LINE = frozenset(("link", "why", "units-answering", "units-expected", "echo-lag", "counters"))
_MOST_SEQUENCES = 1000
_LEVELS = ("warn", "error", "fatal")


@dataclass(slots=True)
class SiteMirror:
    """A site.

    ``take_own`` and ``take_unit`` take in what comes, ``settle`` tells what has changed by it: in between it
    may be half of a change.
    """

    found: SiteFound
    since: float
    """UTC seconds since when it stands as it does."""
    standing: Standing = Standing.LOOKING
    abouts: dict[str, BusAbout] = field(default_factory=dict)
    states: dict[str, dict[str, StateValue]] = field(default_factory=dict)
    """By unit, as they are shown."""
    status: dict[str, BusStatus] = field(default_factory=dict)
    alerts: dict[str, Alert] = field(default_factory=dict)
    """As they are shown: of a site that is away, that it is."""
    locks: dict[str, Lock] = field(default_factory=dict)
    last: dict[str, tuple[Command, Outcome]] = field(default_factory=dict)
    """The last command of each unit that has one."""
    warning: str = ""
    """The newest line of its log that warns."""
    pong: str = ""
    """The newest word that it gave back."""
    off: tuple[str, list[Outcome]] | None = None
    """What became of the last switching off: its scope and outcomes."""
    sequences: SequencesAbout = field(default_factory=lambda: SequencesAbout((), {}))
    progress: dict[str, SequenceProgress] = field(default_factory=dict)
    """How far each sequence has come, or came last."""
    faults: dict[str, str] = field(default_factory=dict)
    """What of it can't be read, by topic."""
    _here: dict[str, BusAbout] = field(default_factory=dict)
    """What each announced unit hangs on."""
    _values: dict[tuple[str, str, str], bytes] = field(default_factory=dict)
    """Payloads by unit, node (``state`` or ``known``) and state."""
    _lines: dict[str, dict[str, bytes]] = field(default_factory=dict)
    """Payloads of each bus's properties."""
    _its_alerts: dict[str, Alert] = field(default_factory=dict)
    _outcomes: dict[str, tuple[bytes, Outcome]] = field(default_factory=dict)
    """By command, as they came: the same payload again is no news."""
    _changed_states: set[tuple[str, str]] = field(default_factory=set)
    _changed_buses: set[str] = field(default_factory=set)
    _changed_shape: bool = True
    _views: tuple[list[BusView], list[UnitView]] | None = None
    """What ``views`` gives, until its shape is another one."""
    _news: list[Record] = field(default_factory=list)

    @property
    def id(self) -> str:
        """The site's id."""
        return self.found.id

    @property
    def ready(self) -> bool:
        """Whether what is shown of it holds."""
        return self.standing is Standing.READY

    @property
    def described(self) -> bool:
        """Whether all of its buses are known."""
        return all(bus in self.abouts for bus in self.found.buses)

    # What it is like

    def views(self) -> tuple[list[BusView], list[UnitView]]:
        """Its buses and units, in the site's order, as far as they are described yet."""
        if self._views is None:
            self._views = self._make_views()
        return self._views

    def _make_views(self) -> tuple[list[BusView], list[UnitView]]:
        abouts = [self.abouts[bus] for bus in self.found.buses if bus in self.abouts]
        place = {child: number for number, child in enumerate(self.found.children)}
        units = [
            (place[device], unit_view(self.id, about, unit))
            for about in abouts
            for unit in about.units
            if (device := f"{self.id}-{unit.id}") in place
        ]
        units.sort(key=lambda each: each[0])
        return [bus_view(self.id, about) for about in abouts], [view for _, view in units]

    def away(self, now: float) -> list[Record]:
        """Whether what is shown of each bus holds, and why not."""
        values: dict[str, Value] = {} if self.ready else {"why": self.standing.words}
        name = HERE if self.ready else AWAY
        return [Event(join(self.id, bus), None, name, now, values) for bus in self.found.buses]

    # What comes

    def describe(self, found: SiteFound) -> None:
        """It is described anew."""
        if found != self.found:
            self.found = found
            self._changed_shape, self._views = True, None

    def begin(self, now: float) -> None:
        """A new connection: what was retained before may not be so any more."""
        self.stand(Standing.LOOKING, now)
        self._values.clear()
        self._lines.clear()
        self.faults.clear()
        self._touch_all()

    def stand(self, standing: Standing, now: float) -> None:
        """Its controller is in another way than before."""
        if standing is not self.standing:
            self.standing, self.since = standing, now
            self._touch_all()
            self._news += self.away(now)

    def _touch_all(self) -> None:
        self._changed_buses.update(self.found.buses)
        for unit, about in self._here.items():
            self._changed_states.update((unit, state) for state in about.states)

    def take_own(self, node: str, name: str, payload: bytes) -> None:
        """A property of the root."""
        topic = f"{node}/{name}"
        try:
            if node.startswith("bus-"):
                self._take_bus(node.removeprefix("bus-"), name, payload)
            elif topic == "alerts/standing":
                self._its_alerts = reading.read_alerts(self.id, payload)
            elif topic == "locks/standing":
                self._take_locks(reading.read_locks(self.id, payload))
            elif topic == "site/off-outcome":
                self.off = reading.read_off(payload)
            elif topic == "site/sequences":
                self._take_sequences(reading.read_sequences(self.id, payload))
            elif node == "sequence-progress" and payload:
                self._take_progress(reading.read_progress(self.id, payload))
            elif topic == "controller/ping":
                self.pong = payload.decode("utf-8", "replace")
            elif node == "$log" and name in _LEVELS:
                self.warning = payload.decode("utf-8", "replace")
            self.faults.pop(topic, None)
        except InputError as error:
            self.faults[topic] = str(error)

    def _take_bus(self, bus: str, name: str, payload: bytes) -> None:
        if bus not in self.found.buses:
            return
        if name == "traffic":
            try:
                self._news += reading.read_traffic(self.id, bus, payload)
            except InputError:
                self._news.append(Lost(1))
        elif name == "about":
            if payload and (about := read_about(bus, payload)) != self.abouts.get(bus):
                self.abouts[bus] = about
                self._changed_shape, self._views = True, None
        elif name in _LINE:
            self._lines.setdefault(bus, {})[name] = payload
            self._changed_buses.add(bus)

    def _take_sequences(self, new: SequencesAbout) -> None:
        if new != self.sequences:
            self.sequences = new
            self._changed_shape = True

    def _take_progress(self, progress: SequenceProgress) -> None:
        if len(self.progress) < _MOST_SEQUENCES and self.progress.get(progress.sequence) != progress:
            self.progress[progress.sequence] = progress
            self._news.append(progress)

    def _take_locks(self, new: dict[str, Lock]) -> None:
        self._news += [replace(lock, over=True) for name, lock in self.locks.items() if name not in new]
        self._news += [lock for name, lock in new.items() if self.locks.get(name) != lock]
        self.locks = new

    def take_unit(self, unit: str, node: str, name: str, payload: bytes) -> None:
        """A property of a unit."""
        if node in ("state", "known"):
            if len(self._values) >= _MOST_VALUES and (unit, node, name) not in self._values:
                return
            self._values[unit, node, name] = payload
            self._changed_states.add((unit, name))
        elif (node, name) == ("last", "outcome") and payload:
            try:
                self._take_outcome(payload)
            except InputError as error:
                self.faults[f"{unit}/last/outcome"] = str(error)

    def _take_outcome(self, payload: bytes) -> None:
        command, outcome = reading.read_outcome(self.id, payload)
        if command.id in self._outcomes and self._outcomes[command.id][0] == payload:
            return
        self._outcomes[command.id] = payload, outcome
        self.last[command.unit] = command, outcome
        self._news += [command, outcome]
        if len(self._outcomes) > _MOST_OUTCOMES:
            del self._outcomes[next(iter(self._outcomes))]

    def outcome(self, command_id: str) -> Outcome | None:
        """What it has said became of a command."""
        found = self._outcomes.get(command_id)
        return None if found is None else found[1]

    # What has changed by it

    def settle(self, now: float) -> list[Record]:
        """What has changed since the last time."""
        if self._changed_shape:
            self._shape(now)
        for bus in sorted(self._changed_buses & self.abouts.keys()):
            self._news += self._status(bus, now)
        for unit, name in sorted(self._changed_states):
            self._news += self._state(unit, name, now)
        self._changed_buses.clear()
        self._changed_states.clear()
        self._news += self._alerts(now)
        news, self._news = self._news, []
        return news

    def _shape(self, now: float) -> None:
        self._changed_shape = False
        announced = set(self.found.children)
        self._here = {
            unit.id: about
            for about in self.abouts.values()
            for unit in about.units
            if f"{self.id}-{unit.id}" in announced
        }
        unknown = StateValue(None, Known.UNKNOWN, now)
        self.states = {
            unit: {name: self.states.get(unit, {}).get(name, unknown) for name in about.states}
            for unit, about in self._here.items()
        }
        self._touch_all()
        self._news += [*self.away(now), Event(self.id, None, CHANGED, now)]

    def _status(self, bus: str, now: float) -> Iterable[Record]:
        if not self.ready or bus not in self._lines:
            return []
        try:
            status = reading.read_status(self.id, bus, self._lines[bus], now)
        except InputError:
            return []
        before = self.status.get(status.bus)
        self.status[status.bus] = status
        return [] if before is not None and replace(before, at=now) == status else [status]

    def _state(self, unit: str, name: str, now: float) -> Iterable[Record]:
        shown = self.states.get(unit, {}).get(name)
        if shown is None:
            return []
        known = reading.read_known(self._values.get((unit, "known", name), b"")) if self.ready else None
        value = None
        if known not in (None, Known.UNKNOWN):
            kind = str(self._here[unit].states[name].get("type"))
            value = reading.read_value(self._values.get((unit, "state", name), b""), kind)
        if value is None or known is None:
            known = Known.UNKNOWN
        if (value, known) == (shown.value, shown.known):
            return []
        last = shown.last_known if shown.value is None else shown.value
        new = StateValue(value, known, now, last if value is None else None)
        self.states[unit][name] = new
        return [StateChange(join(self.id, unit), name, new)]

    def _alerts(self, now: float) -> list[Record]:
        standing = self.standing
        new = dict(self._its_alerts) if self.ready else {}
        if standing.words and standing not in (Standing.INIT, Standing.LOOKING, Standing.UNREACHABLE):
            away = Alert(f"away@{self.id}", self.id, self.since, standing.words, standing.look_at)
            new[away.id] = away
        if self.faults:
            topic, fault = next(iter(self.faults.items()))
            since = self.alerts[name].since if (name := f"unreadable@{self.id}") in self.alerts else now
            text = f"what it says can't be read ({topic}: {fault})"
            look_at = "whether its version of Linewarden is that of this dashboard"
            new[name] = Alert(name, self.id, since, text, look_at)
        over: list[Record] = [replace(a, over=True) for name, a in self.alerts.items() if name not in new]
        came = [alert for name, alert in new.items() if self.alerts.get(name) != alert]
        self.alerts = new
        return [*over, *came]
