"""A simulated line as the computer sees it: a chain behind an adapter, in virtual time."""

from __future__ import annotations

from controller.simulator.adapter import QUICK, Adapter, AdapterFacts
from controller.simulator.chain import Chain
from controller.simulator.console import Console
from controller.simulator.layout import USUAL_LAYOUT, Layout
from controller.simulator.orders import SetControlLine, parse_order
from profiles.compiled import CompiledProfile

__all__ = ["SimulatedLine"]


class SimulatedLine:
    """A chain, its adapter, and the orders that both take.

    Args:
        profile: what kind of bus it is.
        layout: how the bus is built.
        facts: what the adapter is like.
        control_lines: whether the port behind it has modem control lines.

    Raises:
        BadValue: layout or facts do not go with the profile.
    """

    def __init__(
        self,
        profile: CompiledProfile,
        layout: Layout = USUAL_LAYOUT,
        facts: AdapterFacts = QUICK,
        *,
        control_lines: bool = False,
    ) -> None:
        self.chain = Chain(profile, layout)
        self.adapter = Adapter(facts)
        self.console = Console(self.chain)
        self._has_control_lines = control_lines

    @property
    def plugged(self) -> bool:
        """Whether the adapter is in the computer."""
        return not self.chain.faults.unplugged

    @property
    def exacting(self) -> bool:
        """Whether its times are worth a short spin: an adapter that is quick, and a line that is not full."""
        return self.adapter.facts.latency_s < 0.005 and not self.chain.full

    def feed(self, data: bytes, now: float) -> None:
        """The computer has written ``data`` at ``now`` (seconds on any one clock)."""
        self.chain.feed(data, now)

    def due(self, now: float) -> list[tuple[bytes, float]]:
        """What the computer can read by ``now``: pieces, each with the time at which it was handed on."""
        self.adapter.take(self.chain.due(now))
        return self.adapter.due(now)

    @property
    def deadline(self) -> float | None:
        """The earliest time at which ``due`` can have something; None while nothing is under way."""
        return self.adapter.deadline(self.chain.deadline, self.chain.frame_time)

    def order(self, text: str, now: float) -> str:
        """Carry out one line of text; says what was done.

        Raises:
            InputError: it is no order, or can't be done on this line.
        """
        order = parse_order(text)
        self.adapter.take(self.chain.due(now))
        if isinstance(order, SetControlLine) and self._has_control_lines:
            self.adapter.set_control_line(order.name, order.on, now)
            return f"set: {order}"
        said = self.console.order(order, now)
        if not self.plugged:
            self.adapter.reset()
        return said
