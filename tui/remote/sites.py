"""All controllers behind a broker as one Controller API: what ``dash --broker`` works on.

A command that can't go out now is refused at once, and none is kept to be sent later.
"""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from typing import Self

from controller.api import SiteView, UnitView
from controller.fanout import Subscription
from controller.health import Health
from controller.homie_devices import device_topic
from controller.homie_root import ALL
from controller.mqtt_settings import BrokerSettings
from controller.plain import to_plain
from controller.records import (
    Alert,
    BusStatus,
    Command,
    Lock,
    Origin,
    Outcome,
    Reason,
    Result,
    StateValue,
    new_id,
)
from controller.sequences_records import SequenceOrder, SequenceProgress, SequenceView
from profiles.errors import ControllerError, LocalOnly, NotKnown
from tui.remote.following import Follower
from tui.remote.local_only import LocalOnlyCalls
from tui.remote.mirror import Mirror
from tui.remote.naming import join, split
from tui.remote.round_trips import RoundTrips
from tui.remote.site_mirror import SiteMirror

__all__ = ["RemoteSites"]

_WITHIN = 30.0
"""Seconds that a command may wait at the controller: who pressed a key has given up on it by then."""
_OUTCOME_WITHIN = 60.0
_OFF_WITHIN = 30.0
_LOCK_WITHIN = _SEQUENCE_WITHIN = 5.0
_NOT_TAKEN = "broker's access list forbids it"
_PERHAPS = "it may have been carried out or not"
_WAITING_RECORDS = 100_000


class RemoteSites(LocalOnlyCalls):
    """Every controller behind a broker; implements ``ControllerApi``. Made with ``connect``.

    Units, buses and groups are called SITE/NAME.
    """

    def __init__(self, follower: Follower) -> None:
        self._follower = follower

    @classmethod
    async def connect(cls, settings: BrokerSettings, *, who: str = "", any_protocol: bool = True) -> Self:
        """Connect, and give the sites that are there a moment to be read.

        Args:
            settings: the broker.
            who: the name that goes with what is sent.
            any_protocol: whether MQTT 3.1.1 will do as well.

        Raises:
            BrokerError: the broker can't be had. Later on it is tried again and again, and shown.
        """
        follower = Follower(settings, who, any_protocol=any_protocol)
        await follower.begin()
        return cls(follower)

    async def close(self) -> None:
        """Hang up. Commands that are under way go on."""
        await self._follower.close()

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()

    # What screens read

    @property
    def mirror(self) -> Mirror:
        """The sites, and how each is."""
        return self._follower.mirror

    @property
    def trips(self) -> RoundTrips:
        """How long each takes to answer."""
        return self._follower.trips

    def silent_for(self, site: str) -> float | None:
        """For how many seconds a site has not answered; None while nothing speaks against it."""
        return self.trips.silent_for(site, self._follower.clock())

    def look_at_traffic(self, looking: bool) -> None:
        """Whether somebody looks at the traffic: only then is it asked for."""
        self._follower.look_at_traffic(looking)

    # Commands

    def _site(self, name: str) -> tuple[SiteMirror, str]:
        site, own = split(name)
        found = self.mirror.sites.get(site)
        if found is None:
            what = f"no site {site!r} is announced at {self.mirror.shown}"
            raise NotKnown(what, todo="see whether its controller runs")
        return found, own

    def _unable(self, site: SiteMirror) -> str:
        """Why nothing can be sent to a site now; empty where it can."""
        if not self._follower.connected:
            return "the broker is out of reach"
        return "" if site.ready else site.standing.words

    def _here(
        self, command: Command, result: Result, reason: Reason | None, text: str, look_at: str
    ) -> Outcome:
        """An outcome that is given at this end: no controller said so."""
        return Outcome(command.id, result, reason, text, look_at, at=self._follower.utc())

    async def submit(self, command: Command) -> Outcome:
        """Send a command to its site, and wait for its outcome.

        What can't be sent now is refused here. Where its site goes away meanwhile, or no outcome comes, the
        outcome is ``interrupted``: what became of the command is not known.

        Raises:
            NotKnown: no such site is announced.
        """
        site, unit = self._site(command.unit)
        self._follower.fanout.publish(command)
        outcome = await self._submit(site, unit, command)
        if outcome is not site.outcome(command.id):
            self._follower.fanout.publish(outcome)
        return outcome

    async def _submit(self, site: SiteMirror, unit: str, command: Command) -> Outcome:
        if unable := self._unable(site):
            look_at = site.standing.look_at
            return self._here(command, Result.REFUSED, None, f"not sent: {unable}", look_at)
        if unit not in site.states or command.raw is not None:
            text = "not sent: over MQTT single units are commanded, and never by raw bytes"
            return self._here(command, Result.REFUSED, Reason.NOT_ALLOWED, text, "")
        within = _WITHIN if command.deadline is None else command.deadline - self._follower.utc()
        if within <= 0:
            return self._here(command, Result.REFUSED, Reason.STALE, "it is too late to send it", "")
        sent_at = self._follower.clock()
        refused = self._follower.ask(
            site.id, f"{device_topic(f'{site.id}-{unit}')}/command/request/set", _request(command, within)
        )

        def ended() -> Outcome | str | None:
            outcome = site.outcome(command.id)
            if outcome is not None:
                return outcome
            return _NOT_TAKEN if refused() else self._unable(site) or None

        found: Outcome | str | None = await self._follower.until(ended, _OUTCOME_WITHIN, site.id)
        if isinstance(found, Outcome):
            self.trips.last_command = site.id, self._follower.clock() - sent_at
            return found
        if found == _NOT_TAKEN:
            look_at = "what this user may send"
            return self._here(command, Result.REFUSED, Reason.NOT_ALLOWED, found, look_at)
        text = f"{found or _no_word(_OUTCOME_WITHIN)}; {_PERHAPS}"
        return self._here(command, Result.INTERRUPTED, None, text, "the gear itself")

    async def all_off(self, scope: str | None, origin: Origin) -> list[Outcome]:
        """De-energise a unit, a group, a bus, a site, or everything at all sites, now.

        A site that can't be told is in the answer with a refusal for each of its units, and one that does not
        say what became of it with ``interrupted`` for each: it may have been carried out.
        """
        if scope is None:
            sites = list(self.mirror.sites.values())
            parts = await asyncio.gather(*(self._site_off(site, ALL, origin) for site in sites))
            return [outcome for part in parts for outcome in part]
        site, own = self._site(scope)
        if own not in site.states:
            return await self._site_off(site, own or ALL, origin)
        return await self._units_off([unit for unit in site.views()[1] if unit.id == scope], origin)

    async def _units_off(self, units: list[UnitView], origin: Origin) -> list[Outcome]:
        """Tell each unit its own actions that de-energise it, power amplifiers first."""
        now = self._follower.utc()
        commands = [
            Command(unit.id, action.name, {}, origin, at=now)
            for unit in sorted(units, key=lambda each: each.role != "power-amplifier")
            for action in unit.actions
            if action.effect == "de-energise"
            and all(spec.get("default") is not None for spec in action.parameters.values())
        ]
        return list(await asyncio.gather(*(self.submit(command) for command in commands)))

    async def _site_off(self, site: SiteMirror, scope: str, origin: Origin) -> list[Outcome]:
        wrong, result = self._unable(site), Result.REFUSED
        if not wrong:
            before = site.off
            refused = self._follower.ask(site.id, f"{device_topic(site.id)}/site/off/set", scope.encode())

            def told() -> list[Outcome] | str | None:
                if site.off is not None and site.off is not before and site.off[0] == scope:
                    return site.off[1]
                return _NOT_TAKEN if refused() else self._unable(site) or None

            found: list[Outcome] | str | None = await self._follower.until(told, _OFF_WITHIN, site.id)
            if isinstance(found, list):
                return found
            wrong = found or _no_word(_OFF_WITHIN)
            if found == _NOT_TAKEN:
                # Who may not tell the site may still tell its units, and what goes off now matters most.
                place = join(site.id, scope)
                units = [u for u in site.views()[1] if scope == ALL or place in (u.bus, u.group)]
                if outcomes := await self._units_off(units, origin):
                    return outcomes
            else:
                wrong, result = f"{wrong}; {_PERHAPS}", Result.INTERRUPTED
        text = f"{site.found.title}: {wrong}"
        look_at = site.standing.look_at or "the gear itself"
        outcome = Outcome("", result, None, text, look_at, at=self._follower.utc())
        return [replace(outcome, command_id=new_id()) for _ in site.states] or [outcome]

    async def lock(self, target: str, who: str, why: str) -> Lock:
        """Set a service lock on a unit, a group or a bus; it is cleared where the controller runs.

        Raises:
            ControllerError: it can't be sent, or no such lock came to stand.
            NotKnown: no such site is announced.
        """
        site, own = self._site(target)
        wrong = self._unable(site)
        if not wrong:
            before, warned = set(site.locks), site.warning
            asked = {"target": own, "who": who, "why": why}
            refused = self._follower.ask(
                site.id,
                f"{device_topic(site.id)}/locks/lock/set",
                json.dumps(asked, ensure_ascii=False).encode(),
            )

            def stands() -> Lock | str | None:
                new = [lock for name, lock in site.locks.items() if name not in before]
                for lock in new:
                    if lock.target == target and lock.who.startswith(who):
                        return lock
                if site.warning != warned and "locks/lock/set" in site.warning:
                    return site.warning
                return _NOT_TAKEN if refused() else self._unable(site) or None

            found: Lock | str | None = await self._follower.until(stands, _LOCK_WITHIN, site.id)
            if isinstance(found, Lock):
                return found
            wrong = found or _no_word(_LOCK_WITHIN)
        todo = "try again, or set it where the controller runs with `linewarden lock`"
        raise ControllerError(f"the lock does not stand: {wrong}", where=target, todo=todo)

    async def sequence(
        self,
        name: str,
        order: SequenceOrder,
        origin: Origin,  # noqa: ARG002 -- MQTT carries the name that goes with everything that is sent
        agreed: bool = False,  # noqa: ARG002 -- what asks is not begun from here
    ) -> SequenceProgress:
        """Begin a sequence up or down, or cancel it; how it goes on is told as it is there.

        Raises:
            LocalOnly: it is not told that over MQTT.
            ControllerError: it can't be sent, or no word of it comes back.
            NotKnown: no such site is announced.
        """
        site, own = self._site(name)
        wrong = self._unable(site)
        if not wrong:
            if order.value not in site.sequences.orders.get(name, ()):
                what = f"not told {order.value} over MQTT: a unit of it asks first, or its site keeps it"
                raise LocalOnly(what, where=name, todo=f"there, use `linewarden sequence {own}`")
            before = site.progress.get(name)
            refused = self._follower.ask(
                site.id, f"{device_topic(site.id)}/sequences/{own}/set", order.value.encode()
            )

            def told() -> SequenceProgress | str | None:
                progress = site.progress.get(name)
                if progress is not None and progress is not before:
                    return progress
                return _NOT_TAKEN if refused() else self._unable(site) or None

            found: SequenceProgress | str | None = await self._follower.until(told, _SEQUENCE_WITHIN, site.id)
            if isinstance(found, SequenceProgress):
                return found
            wrong = found or _no_word(_SEQUENCE_WITHIN)
        raise ControllerError(f"it may not have been told {order.value}: {wrong}", where=name)

    async def sequences(self) -> list[SequenceView]:
        """The sequences of all sites, and how far each has come; of several, each with its site's title."""
        sites = self.mirror.sites.values()
        return [
            replace(
                view,
                title=f"{site.found.title}: {view.title}" if len(sites) > 1 else view.title,
                last=site.progress.get(view.id),
            )
            for site in sites
            for view in site.sequences.views
        ]

    # What there is

    async def site(self) -> SiteView:
        """All sites as one."""
        return self.mirror.view()

    async def states(self) -> dict[str, dict[str, StateValue]]:
        """Every unit's states."""
        return self.mirror.states()

    async def buses(self) -> list[BusStatus]:
        """How each bus is, as far as it was told."""
        return self.mirror.status()

    async def health(self) -> Health:
        """Not of many sites at once: each says its own."""
        what = "every controller publishes its own health, as controller/health beside its other topics"
        raise LocalOnly(what, todo="read that topic, or use `linewarden status` on its machine")

    async def alerts(self) -> list[Alert]:
        """What is wrong now, at the sites and on the way to them."""
        return self.mirror.alerts()

    async def locks(self) -> list[Lock]:
        """The service locks that stand."""
        return self.mirror.locks()

    def subscribe(
        self, kinds: frozenset[str] | None = None, buses: frozenset[str] | None = None
    ) -> Subscription:
        """Records as they happen; first those that tell all that is known now."""
        subscription = self._follower.fanout.subscribe(kinds, buses, size=_WAITING_RECORDS)
        for record in self.mirror.everything(self._follower.utc()):
            if kinds is None or type(record).__name__ in kinds:
                subscription.put(record)
        return subscription


def _request(command: Command, within: float) -> bytes:
    """A command in its json form: with an id, so that its outcome is known for its own."""
    asked = {
        "id": command.id,
        "action": command.action,
        "parameters": to_plain(command.parameters),
        "within_s": within,
    }
    if command.agreed:
        asked["agreed"] = True
    if command.origin.name:
        asked["from"] = command.origin.name
    return json.dumps(asked, ensure_ascii=False).encode()


def _no_word(seconds: float) -> str:
    return f"no word of it came back within {seconds:g} s"
