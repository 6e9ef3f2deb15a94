"""How a simulated bus is built."""

from __future__ import annotations

from dataclasses import dataclass

from controller.simulator.medium import Topology
from profiles.compiled import CompiledProfile
from profiles.errors import BadValue

__all__ = ["USUAL_LAYOUT", "Layout"]


@dataclass(frozen=True, slots=True)
class Layout:
    """How a simulated bus is built."""

    units: int = 4
    topology: Topology = Topology.RING
    hears_itself: bool = True
    """On a shared wire: whether the adapter receives what it sends."""
    pass_on: bool = False
    """In a ring: whether the computer repeats what others sent, so that units must know their own again."""
    addresses: tuple[int, ...] | None = None
    """The units' addresses; by default one after another from the least that the profile has."""
    hop_bits: float | None = None
    """Bit times from a frame's start at a unit to its repetition; None for a frame's length."""
    response_delay_s: float | None = None
    """From a request's end to its answer's start; None for 3.5 frame times, the silence that ends a
    message in Modbus RTU (MODBUS over Serial Line V1.02, 2.5.1.1), and at least 1 ms."""

    def addresses_on(self, profile: CompiledProfile) -> tuple[int | None, ...]:
        """Each unit's address.

        Raises:
            BadValue: there are more units than addresses, or an address is none of the profile's.
        """
        if not 1 <= self.units <= 250:
            raise BadValue(f"{self.units} units can't be simulated", todo="use 1 to 250")
        spec = profile.profile.address
        if spec is None:
            return (None,) * self.units
        low, high = spec.range
        given = self.addresses or tuple(low + place for place in range(self.units))
        if len(given) != self.units or len(set(given)) != len(given):
            raise BadValue(f"{len(given)} addresses for {self.units} units", todo="give each unit its own")
        wrong = [address for address in given if not low <= address <= high]
        if wrong:
            raise BadValue(
                f"{profile.profile.name} has no address {wrong[0]}",
                todo=f"its addresses are {low} to {high}; use fewer units or other addresses",
            )
        return given


USUAL_LAYOUT = Layout()
"""A ring of four."""
