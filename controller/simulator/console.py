"""Carrying out orders on a simulated bus."""

from __future__ import annotations

from controller.simulator.chain import Chain
from controller.simulator.faults import Fault, FrameFault, LoopBack, Noise, NoMains, Refuse, Saturate
from controller.simulator.lead import Leading
from controller.simulator.medium import Filler, Topology
from controller.simulator.orders import HELP, Clear, Help, Lead, Order, Press, SetControlLine, Show
from controller.simulator.speech import all_it_can_say
from controller.simulator.units import SimulatedUnit
from profiles.errors import InputError, NotKnown
from profiles.model import written

__all__ = ["Console"]


class Console:
    """What a person can do to a chain while it runs."""

    def __init__(self, chain: Chain) -> None:
        self._chain = chain

    def order(self, order: Order, now: float) -> str:
        """Carry out an order; says what was done.

        Raises:
            InputError: it can't be done on this line.
        """
        self._chain.advance(now)
        match order:
            case Press():
                return self._press(order, now)
            case Lead():
                return self._lead(order, now)
            case Clear():
                return self._clear(order, now)
            case Show():
                return self._show()
            case Help():
                return HELP
            case SetControlLine():
                raise InputError(
                    f"`{order}` is an order to an adapter, and this line has none with control lines",
                    todo="use a sim:// port",
                )
            case _:
                return self._set(order, now)

    def _unit(self, number: int) -> SimulatedUnit:
        if not 1 <= number <= len(self._chain.units):
            raise NotKnown(
                f"there is no unit {number}", todo=f"this line has units 1 to {len(self._chain.units)}"
            )
        return self._chain.units[number - 1]

    def _awake(self, number: int) -> SimulatedUnit:
        unit = self._unit(number)
        if self._chain.faults.dead(number):
            raise InputError(f"unit {number} has no mains", todo=f"`clear no-mains {number}` first")
        if self._chain.leads(number):
            raise InputError(f"unit {number} is in the middle of leading an action", todo="wait for its end")
        return unit

    def _set(self, fault: Fault, now: float) -> str:
        place = fault.at if isinstance(fault, FrameFault | Noise) else getattr(fault, "unit", None)
        if place:
            self._unit(place)
        if isinstance(fault, Refuse):
            self._chain.units[fault.unit - 1].check_refusal(fault)
        if isinstance(fault, Saturate):
            self._saturate(fault.unit, now)
        if isinstance(fault, LoopBack):
            self._loop_back()
        self._chain.faults.set(fault)
        if isinstance(fault, NoMains):
            self._chain.mains_off(fault.unit)
        return f"set: {fault}"

    def _loop_back(self) -> None:
        if self._chain.layout.topology is not Topology.RING:
            raise InputError("only in a ring can the adapter's input be joined to another output")
        for fault in self._chain.faults.of(LoopBack):
            self._chain.faults.clear(fault)

    def _saturate(self, unit: int, now: float) -> None:
        if self._chain.layout.topology is not Topology.SHARED and unit != len(self._chain.units):
            raise InputError(
                f"unit {unit} can't fill the line: in a ring only the last unit can",
                todo=f"write `saturate {len(self._chain.units)}`",
            )
        for fault in self._chain.faults.of(Saturate):
            self._chain.faults.clear(fault)
        self._chain.fill(None, now)
        self._chain.fill(Filler(unit, self.saturating_messages(unit)), now)

    def saturating_messages(self, unit: int) -> list[bytes]:
        """What ``saturate`` lets a unit say in turn, over and over: the port's bytes, message by message.

        Raises:
            BadValue: the profile has no observation.
        """
        said = all_it_can_say(self._chain.profile, self._unit(unit).address)
        return [self._chain.port_bytes(message) for message in said]

    def _clear(self, order: Clear, now: float) -> str:
        what = order.what
        gone = [f for f in self._chain.faults if what in ("all", f) or str(f).split(maxsplit=1)[0] == what]
        if not gone:
            if what == "all":
                return "there is nothing to clear"
            raise NotKnown(f"no fault `{what}` stands", todo="`show` lists those that do")
        for fault in gone:
            self._chain.faults.clear(fault)
            if isinstance(fault, NoMains) and not self._chain.faults.dead(fault.unit):
                self._chain.units[fault.unit - 1].mains_on()
        if any(isinstance(fault, Saturate) for fault in gone):
            self._chain.fill(None, now)
        return "cleared: " + ", ".join(map(str, gone))

    def _press(self, order: Press, now: float) -> str:
        pressed = self._awake(order.unit).press(order.action, dict(order.values))
        if not pressed.changed:
            return f"unit {order.unit}: nothing changes"
        for message in pressed.messages:
            self._chain.say(order.unit, self._chain.port_bytes(message), now)
        told = ", ".join(f"{state} = {written(value)}" for state, value in pressed.changed.items())
        said = " and ".join(message.hex(" ").upper() for message in pressed.messages)
        self._chain.note(now, order.unit, f"front panel: {told}")
        return f"unit {order.unit}: {told}; says {said or 'nothing (no observation tells it)'}"

    def _lead(self, order: Lead, now: float) -> str:
        unit = self._awake(order.unit)
        action, values = unit.action(order.action, dict(order.values))
        spec = self._chain.profile.profile.address
        address = order.to
        if address is None and action.send.addressed and spec is not None:
            address = spec.all if spec.all is not None else unit.address
        message = action.message(values, address=address)
        unit.lead(action, values, address)
        pauses: dict[int, float] = {}
        for pause in message.pauses:
            pauses[pause.before] = pauses.get(pause.before, 0.0) + pause.seconds
        leading = Leading(action.name, self._chain.port_bytes(message.data), pauses)
        self._chain.lead(order.unit, leading, now)
        return f"unit {order.unit}: leads {action.name}, {message.data.hex(' ').upper()}"

    def _show(self) -> str:
        lines = [f"fault: {fault}" for fault in self._chain.faults] or ["no faults"]
        for unit in self._chain.units:
            states = ", ".join(f"{name} = {written(value)}" for name, value in unit.states.items())
            place = f"unit {unit.number}" + ("" if unit.address is None else f" (address {unit.address})")
            lines.append(
                f"{place}: {'no mains' if self._chain.faults.dead(unit.number) else states or 'no states'}"
            )
        return "\n".join(lines)
