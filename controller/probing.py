"""Finding out who answers on a bus, with the profile's harmless action."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import replace

from controller.api import ProbeReport
from controller.bus import Bus
from controller.journal_retention import SCHEDULED
from controller.records import Command, LinkState, Origin, OriginKind, Outcome, Reason, Result, new_id
from controller.site import LoadedSite
from profiles.errors import NotKnown
from profiles.model import Method

__all__ = ["probe_bus"]


async def probe_bus(
    bus: Bus,
    loaded: LoadedSite,
    submit: Callable[[Command], Awaitable[Outcome]],
    utc: Callable[[], float],
    *,
    scheduled: bool = False,
) -> ProbeReport:
    """Send the probe and say who answers.

    In a ring one probe goes round; its lag tells how many units repeated it, where the adapter allows it.
    Where units answer for themselves, each is asked.

    Args:
        bus: the bus.
        loaded: the site.
        submit: carries a command out.
        utc: UTC seconds.
        scheduled: whether nobody has asked: such probes are kept for a day where they found all well.

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
    units = [unit for unit, spec in loaded.site.units.items() if spec.bus == name]
    origin = Origin(OriginKind.PROBE, name)
    by_unit = profile.confirm.method is Method.REPLY or not _can_ask_all(bus)
    asked_singly = profile.actions[probe].send.addressed or len(units) == 1
    targets = units if by_unit and asked_singly else [name]

    def command(target: str) -> Command:
        asked = Command(target, probe, origin=origin, at=utc())
        return replace(asked, id=SCHEDULED + new_id()) if scheduled else asked

    outcomes = {target: await submit(command(target)) for target in targets}
    last = _worst(outcomes)
    answering = _answering(bus, outcomes, last)
    text, look_at = _conclusion(bus, last, answering, len(units))
    if last is not None and last.reason in (Reason.NO_ECHO, Reason.ECHO_STOPPED):
        text += _heard_lately(bus, utc())
    latency, jitter, hop = bus.timing()
    return ProbeReport(
        name,
        last,
        bus.setup.units_expected,
        answering,
        None if hop is None else round(hop * profile.line.baud, 3),
        None if latency is None else latency * 1000,
        None if jitter is None else jitter * 1000,
        {target: _word(outcome) for target, outcome in outcomes.items() if target in units},
        bus.counters(),
        text,
        look_at,
        () if last is None else tuple(lag * 1000 for lag in bus.lags_of(last.command_id)),
    )


def _can_ask_all(bus: Bus) -> bool:
    known = bus.profile.profile.address
    return known is not None and known.all is not None


def _worst(outcomes: dict[str, Outcome]) -> Outcome | None:
    """The first that went wrong; else the first."""
    each = list(outcomes.values())
    return next((outcome for outcome in each if not outcome.result.good), each[0] if each else None)


def _answering(bus: Bus, outcomes: dict[str, Outcome], last: Outcome | None) -> int | None:
    """How many units answer, where that can be told."""
    if bus.setup.ring:
        return last.units_answering if last is not None else None
    if bus.profile.confirm.method is not Method.REPLY or not any(o.attempts for o in outcomes.values()):
        return None
    # One that refuses the question is there as well.
    return sum(
        outcome.result is Result.ANSWERED or outcome.reason is Reason.REFUSED_BY_UNIT
        for outcome in outcomes.values()
    )


def _heard_lately(bus: Bus, utc: float) -> str:
    """Where a ring is cut can't be seen from one end; but who has spoken since is behind the cut."""
    heard = [f"{unit} {utc - at:.0f} s ago" for unit, at in bus.last_heard.items()]
    if not heard:
        return ""
    return f"; heard lately: {', '.join(heard)}, so from there back to here the ring was whole then"


def _word(outcome: Outcome) -> str:
    return outcome.reason.value if outcome.reason else outcome.result.value


def _conclusion(bus: Bus, outcome: Outcome | None, answering: int | None, units: int) -> tuple[str, str]:
    if bus.status.link is LinkState.DOWN:
        return "the adapter is not there", "its plug and cable, and `port` in the site file"
    if outcome is None:
        return "there is nobody to ask", "the units of this bus in the site file"
    expected = bus.setup.units_expected if bus.setup.ring else units
    if answering is not None and expected is not None and answering != expected:
        text, look_at = f"{answering} of {expected} units answer", "the units that are bypassed or off"
        if outcome.result.good:
            return text, f"{look_at}, or new since the site file was written"
        return f"{text}: {outcome.text}", outcome.look_at or look_at
    if not outcome.result.good:
        return outcome.text, outcome.look_at
    if answering is not None:
        return f"{answering} unit{'s' * (answering != 1)} answer{'s' * (answering == 1)}, as expected", ""
    if outcome.result is Result.SENT:
        return "sent; nothing on this line can say who heard it", ""
    if not bus.setup.ring:
        return "heard on the line as it was sent; who obeyed, nothing on this line can say", ""
    return (
        "the ring is whole; how many units are in it can't be told through this adapter",
        "`linewarden adapter PORT`, which measures its latency, and `adapter_latency_ms` in the site file",
    )
