"""All sites behind a broker: messages in, records out, and what else to subscribe to. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from controller.api import SiteView
from controller.homie_devices import device_topic
from controller.mqtt_messages import Incoming
from controller.records import (
    Alert,
    BusStatus,
    Event,
    Lock,
    Record,
    StateValue,
)
from tui.remote.described import SiteFound, read_site
from tui.remote.naming import join
from tui.remote.site_mirror import CHANGED, SiteMirror
from tui.remote.standing import Standing

__all__ = ["BROKER", "DISCOVERY", "MOST_SITES", "Mirror", "Taken"]

_FOUND_BY = ("controller", "instance")
DISCOVERY = device_topic("+") + "/" + "/".join(_FOUND_BY)
"""Only a site's root has that. The descriptions of all units of all sites would be more than a broker keeps
for one client: Mosquitto drops what is beyond 1,000 messages, the answer to the subscription among them."""
BROKER = "broker"
"""What alerts about the broker are about, and their id."""
MOST_SITES = 1000
"""A dashboard shows no more; see docs/scale.md for what so many cost."""
_MOST_TURNED_AWAY = 10 * MOST_SITES


@dataclass(slots=True)
class Taken:
    """What messages have brought about."""

    records: list[Record] = field(default_factory=list)
    wanted: list[str] = field(default_factory=list)
    """Filters to subscribe to as well."""
    touched: list[str] = field(default_factory=list)
    """The sites that had a word in it; one that it has removed is among them."""


@dataclass(slots=True)
class Mirror:
    """The sites behind one broker.

    Args:
        shown: the broker's address, for people.
    """

    shown: str
    sites: dict[str, SiteMirror] = field(default_factory=dict)
    broker: Alert | None = None
    """Why the broker is out of reach; None while it is there."""
    nobody: Alert | None = None
    """Says that no site is announced; None where one is, or that is not known yet."""
    crowd: Alert | None = None
    """Says that there are more sites than are shown."""
    _heard_at: float | None = None
    """Since when all that the broker had retained has been read."""
    _unit_of: dict[str, tuple[str, str]] = field(default_factory=dict)
    """The site and the unit that a device is."""
    _asked: dict[str, None] = field(default_factory=dict)
    """Devices that may be sites, whose descriptions are subscribed to on this connection: the newest.
    One that is dropped is still heard."""
    _described: set[str] = field(default_factory=set)
    """The sites whose descriptions came on this connection."""
    _turned_away: dict[str, None] = field(default_factory=dict)
    """Sites for which there is no room."""

    # What comes

    def take(self, messages: Iterable[Incoming], now: float) -> Taken:
        """Take messages in, in their order.

        Args:
            messages: what came.
            now: UTC seconds.
        """
        taken = Taken()
        touched: dict[str, None] = {}
        for message in messages:
            site = self._take(message, taken, now)
            if site is not None:
                touched[site] = None
        for site in touched:
            if site in self.sites:
                taken.touched.append(site)
                taken.records += self.sites[site].settle(now)
        taken.records += self._nobody()
        return taken

    def _take(self, message: Incoming, taken: Taken, now: float) -> str | None:
        parts = message.topic.split("/")
        if not 4 <= len(parts) <= 5 or device_topic(parts[2]) != "/".join(parts[:3]):
            return None
        device = parts[2]
        if parts[3:] == ["$description"]:
            return self._describe(device, message.payload, taken, now)
        if tuple(parts[3:]) == _FOUND_BY and message.payload:
            self._look_at(device, taken)
        if device in self.sites:
            site = self.sites[device]
            if parts[3:] == ["$state"]:
                if not message.payload:
                    self._remove(device, taken, now)
                    return None
                site.stand(Standing.read(message.payload), now)
            elif len(parts) == 5:
                site.take_own(parts[3], parts[4], message.payload)
            return device
        owner, unit = self._unit_of.get(device, ("", ""))
        if owner in self.sites and len(parts) == 5:
            self.sites[owner].take_unit(unit, parts[3], parts[4], message.payload)
            return owner
        return None

    def _look_at(self, device: str, taken: Taken) -> None:
        """Something that may be a site: its description tells."""
        if device not in self._asked and device not in self._described:
            self._ask(device, taken)

    def _ask(self, device: str, taken: Taken) -> None:
        self._note_asked(device)
        taken.wanted.append(f"{device_topic(device)}/$description")

    def _note_asked(self, device: str) -> None:
        self._asked[device] = None
        if len(self._asked) > MOST_SITES:
            # What never answered must not keep out what would.
            del self._asked[next(iter(self._asked))]

    def _turn_away(self, device: str, taken: Taken, now: float) -> None:
        if len(self._turned_away) < _MOST_TURNED_AWAY:
            self._turned_away[device] = None
        if self.crowd is None:
            text = f"more than {MOST_SITES} sites are announced at {self.shown}: not all of them are shown"
            look_at = "whether this dashboard's user has to read all of them; see docs/scale.md"
            self.crowd = Alert("crowd", BROKER, now, text, look_at)
            taken.records.append(self.crowd)

    def _let_in(self, taken: Taken) -> None:
        """Where there is room, ask the one again that has waited longest."""
        if self._turned_away and len(self.sites) < MOST_SITES:
            device = next(iter(self._turned_away))
            del self._turned_away[device]
            self._ask(device, taken)
        if self.crowd is not None and not self._turned_away:
            taken.records.append(replace(self.crowd, over=True))
            self.crowd = None

    def _describe(self, device: str, payload: bytes, taken: Taken, now: float) -> str | None:
        found = read_site(device, payload)
        site = self.sites.get(device)
        if found is None:
            self._turned_away.pop(device, None)
            if site is not None:
                self._remove(device, taken, now)
            else:
                self._let_in(taken)
            return None
        if site is None:
            if len(self.sites) >= MOST_SITES:
                self._turn_away(device, taken, now)
                return None
            self._turned_away.pop(device, None)
            site = self.sites[device] = SiteMirror(found, now)
            taken.wanted += [f"{device_topic(device)}/$state", f"{device_topic(device)}/+/+"]
        else:
            site.describe(found)
        self._asked.pop(device, None)
        self._described.add(device)
        taken.wanted += self._adopt(found)
        return device

    def _adopt(self, found: SiteFound) -> list[str]:
        """The filters of units that are new."""
        new = [child for child in found.children if child not in self._unit_of]
        for child in new:
            self._unit_of[child] = found.id, child.removeprefix(f"{found.id}-")
        return [f"{device_topic(child)}/+/+" for child in new]

    def _remove(self, device: str, taken: Taken, now: float) -> None:
        site = self.sites.pop(device)
        # Who waits for an outcome has hold of it still, and is woken because it was touched.
        site.stand(Standing.GONE, now)
        taken.touched.append(device)
        if device in self._described:
            self._described.remove(device)
            self._note_asked(device)
        self._unit_of = {unit: owner for unit, owner in self._unit_of.items() if owner[0] != device}
        taken.records += [replace(alert, over=True) for alert in site.alerts.values()]
        taken.records += [replace(lock, over=True) for lock in site.locks.values()]
        taken.records.append(Event(device, None, CHANGED, now))
        self._let_in(taken)

    # The connection

    def begin(self, now: float) -> Taken:
        """A connection stands: everything has to be read again.

        Returns:
            The broker's alert as over, and the filters to begin with.
        """
        taken = Taken(wanted=[DISCOVERY])
        if self.broker is not None:
            taken.records.append(replace(self.broker, over=True))
            self.broker = None
        if self.crowd is not None:
            taken.records.append(replace(self.crowd, over=True))
            self.crowd = None
        self._asked.clear()
        self._described.clear()
        self._turned_away.clear()
        for site in self.sites.values():
            site.begin(now)
            taken.wanted += [f"{device_topic(site.id)}/$state", f"{device_topic(site.id)}/+/+"]
            taken.records += site.settle(now)
        taken.wanted += [f"{device_topic(unit)}/+/+" for unit in self._unit_of]
        return taken

    def unheard(self, now: float) -> list[Record]:
        """What the broker has retained has been read: it has no word of sites that still stand as before."""
        self._heard_at = now
        return [*self._nobody(), *self._stand(Standing.LOOKING, Standing.GONE, now)]

    def _nobody(self) -> list[Record]:
        """Say that no site is there, or say it no more."""
        none = self._heard_at is not None and not self.sites
        if none == (self.nobody is not None):
            return []
        if self.nobody is not None:
            over, self.nobody = replace(self.nobody, over=True), None
            return [over]
        text = f"no Linewarden controller is announced at {self.shown}"
        look_at = "whether one runs, with this broker in [mqtt] of its site file"
        self.nobody = Alert("nobody", BROKER, self._heard_at or 0.0, text, look_at)
        return [self.nobody]

    def lost(self, why: str, look_at: str, now: float) -> list[Record]:
        """The connection is over, or there is none again: nothing is known any more."""
        since = now if self.broker is None else self.broker.since
        alert = Alert(BROKER, BROKER, since, f"{why}; trying again", look_at)
        records: list[Record] = [] if alert == self.broker else [alert]
        self.broker, self._heard_at = alert, None
        return [*records, *self._nobody(), *self._stand(None, Standing.UNREACHABLE, now)]

    def _stand(self, before: Standing | None, then: Standing, now: float) -> list[Record]:
        records: list[Record] = []
        for site in self.sites.values():
            if before is None or site.standing is before:
                site.stand(then, now)
                records += site.settle(now)
        return records

    # What there is, of all sites together

    def view(self) -> SiteView:
        """All sites as one."""
        views = [site.views() for site in self.sites.values()]
        buses = tuple(bus for found, _ in views for bus in found)
        units = tuple(unit for _, found in views for unit in found)
        titles = [site.found.title for site in self.sites.values()]
        title = titles[0] if len(titles) == 1 else f"{len(titles) or 'no'} sites at {self.shown}"
        return SiteView("", title, buses, units)

    def states(self) -> dict[str, dict[str, StateValue]]:
        """Every unit's states."""
        return {
            join(site.id, unit): dict(states)
            for site in self.sites.values()
            for unit, states in site.states.items()
        }

    def status(self) -> list[BusStatus]:
        """How each bus is, as far as it was told."""
        return [status for site in self.sites.values() for status in site.status.values()]

    def alerts(self) -> list[Alert]:
        """What is wrong now: at the sites, and between them and here."""
        own = [alert for alert in (self.broker, self.nobody, self.crowd) if alert is not None]
        return [*own, *(alert for site in self.sites.values() for alert in site.alerts.values())]

    def locks(self) -> list[Lock]:
        """The service locks that stand."""
        return [lock for site in self.sites.values() for lock in site.locks.values()]

    def everything(self, now: float) -> list[Record]:
        """Records that tell a new listener all of it; the states are to be read."""
        records: list[Record] = [Event("", None, CHANGED, now)]
        for site in self.sites.values():
            records += site.away(now)
            for command, outcome in site.last.values():
                records += [command, outcome]
        return [*records, *self.status(), *self.alerts(), *self.locks()]
