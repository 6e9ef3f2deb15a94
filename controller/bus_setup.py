"""What a bus knows of itself, and what that says of time on its line."""

from __future__ import annotations

from dataclasses import dataclass

from controller.ports import PortSettings
from controller.transmission import LineTimes, handed_on
from profiles.model import LineSettings

__all__ = ["BusSetup", "port_differs"]


@dataclass(frozen=True, slots=True)
class BusSetup:
    """What a bus needs to know of itself, out of the site file and the journal."""

    id: str
    port: PortSettings
    topology: str
    units: dict[int | None, str]
    """Unit ids by address."""
    units_expected: int | None = None
    hears_itself: bool = False
    pass_on: bool = False
    latency: float | None = None
    """The adapter's least latency in seconds, where the site or a self-test says it."""
    jitter: float | None = None
    hop_bits: float | None = None
    """One hop in bit times, where it was learned."""
    control_lines: frozenset[str] = frozenset()
    """The adapter's control lines that are of use to the site: only these are looked at."""
    heard_actions: frozenset[str] = frozenset()
    """Actions that somebody else may send, and that the site waits for."""

    @property
    def writes(self) -> bool:
        """Whether anything is ever written: not to a tap."""
        return self.topology != "tap"

    @property
    def ring(self) -> bool:
        """Whether what we send comes back round all units."""
        return self.topology == "ring"

    def times(self, line: LineSettings, told: tuple[float, float | None] | None) -> LineTimes:
        """What is known of time on the line.

        Args:
            line: its settings.
            told: the adapter's least latency and its jitter in seconds, as far as its port tells them; what
                the site or a self-test says outranks that.
        """
        latency, jitter = told or (None, None)
        return LineTimes(
            frame=line.frame_time,
            hops=(self.units_expected or 0) if self.ring else 0,
            hop=None if self.hop_bits is None else self.hop_bits / line.baud,
            latency=latency if self.latency is None else self.latency,
            jitter=jitter if self.jitter is None else self.jitter,
            dead_time=line.dead_time,
            burst_gap=line.burst_gap,
            handed_on=handed_on(line.format),
        )


def port_differs(old: LineSettings, new: LineSettings) -> bool:
    """Whether a port has to be opened anew for the new settings."""
    return any(getattr(old, name) != getattr(new, name) for name in ("baud", "frame", "bit_order", "idle"))
