"""Finding out who answers on a bus, with the profile's harmless action."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from controller.api import ProbeReport
from controller.bus import Bus
from controller.records import Command, LinkState, Origin, OriginKind, Outcome, Result
from controller.site import LoadedSite
from profiles.errors import NotKnown
from profiles.model import Method

__all__ = ["probe_bus"]


async def probe_bus(
    bus: Bus, loaded: LoadedSite, submit: Callable[[Command], Awaitable[Outcome]]
) -> ProbeReport:
    """Send the probe and say who answers.

    In a ring one probe goes round; its lag tells how many units repeated it, where the adapter allows it.
    Where units answer for themselves, each is asked.

    Raises:
        NotKnown: the profile names no probe.
    """
    name = bus.setup.id
    profile = bus.profile
    probe = profile.profile.probe
    if probe is None:
        raise NotKnown(
            f"profile {profile.profile.name} names no harmless probe", todo='add `probe = "ACTION"` to it'
        )
    action = profile.actions[probe]
    units = [unit for unit, spec in loaded.site.units.items() if spec.bus == name]
    origin = Origin(OriginKind.PROBE, name)
    by_unit = profile.confirm.method is Method.REPLY or not _can_ask_all(bus)
    targets = units if by_unit and action.send.addressed else [name]
    outcomes = {target: await submit(Command(target, probe, origin=origin)) for target in targets}
    answered = {target: _word(outcome) for target, outcome in outcomes.items() if target in units}
    worst = next((o for o in outcomes.values() if not o.result.good), None)
    last = worst or next(iter(outcomes.values()), None)
    latency, jitter, hop = bus.timing()
    ring = bus.setup.topology == "ring"
    answering = last.units_answering if ring and last else None
    if not ring and answered:
        answering = sum(outcome.result is Result.ANSWERED for outcome in outcomes.values())
    text, look_at = _conclusion(bus, last, answering, len(units))
    return ProbeReport(
        name,
        last,
        bus.setup.units_expected,
        answering,
        None if hop is None else hop * profile.line.baud,
        None if latency is None else latency * 1000,
        None if jitter is None else jitter * 1000,
        answered,
        bus.driver_counters(),
        text,
        look_at,
    )


def _can_ask_all(bus: Bus) -> bool:
    known = bus.profile.profile.address
    return known is not None and known.all is not None


def _word(outcome: Outcome) -> str:
    return outcome.reason.value if outcome.reason else outcome.result.value


def _conclusion(bus: Bus, outcome: Outcome | None, answering: int | None, units: int) -> tuple[str, str]:
    if bus.status.link is LinkState.DOWN:
        return "the adapter is not there", "its plug and cable, and `port` in the site file"
    if outcome is None:
        return "there is nobody to ask", "the units of this bus in the site file"
    if not outcome.result.good:
        return outcome.text, outcome.look_at
    expected = bus.setup.units_expected if bus.setup.topology == "ring" else units
    if answering is None:
        if outcome.result is Result.SENT:
            return "sent; nothing on this line can say who heard it", ""
        return (
            "the ring is whole; how many units are in it can't be told through this adapter",
            "`linewarden adapter PORT`, which measures its latency, and `adapter_latency_ms` in the site file",
        )
    if expected is not None and answering != expected:
        return (
            f"{answering} of {expected} units answer",
            "the units that are bypassed, off, or new since `units_expected` was written",
        )
    return f"{answering} unit{'s' * (answering != 1)} answer, as expected", ""
