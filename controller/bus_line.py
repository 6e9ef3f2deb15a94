"""A bus's line: its setup, its profile, its link, and what is known of time on it."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence
from dataclasses import replace

from controller.bus_setup import BusSetup, port_differs
from controller.courier import Courier
from controller.hop_learning import HopLearner
from controller.journal import Journal, Learned
from controller.link import Link
from controller.transmission import LineTimes
from controller.waiting import Clock
from profiles.compiled import CompiledProfile
from profiles.errors import JournalError

__all__ = ["BusLine"]

log = logging.getLogger(__name__)


class BusLine:
    """One line.

    Args:
        setup: what the bus knows of itself.
        profile: what its bytes mean.
        journal: keeps what is learned.
        courier: carries the link's words.
        clock: monotonic seconds.
    """

    def __init__(
        self, setup: BusSetup, profile: CompiledProfile, journal: Journal, courier: Courier, clock: Clock
    ) -> None:
        self.setup = setup
        self.profile = profile
        self._journal = journal
        self._courier = courier
        self._clock = clock
        self._told: tuple[float, float | None] | None = None
        self._times: LineTimes | None = None
        self._times_of: tuple[object, ...] = ()
        self._learner = HopLearner(self.times().hop)
        self.running = False
        """Whether its link is to run."""
        self.link = self._new_link()

    def start(self) -> None:
        """Open the port."""
        self.running = True
        self.link.start()

    def _new_link(self) -> Link:
        return Link(
            self.setup.id,
            self.setup.port,
            self.times(),
            self._courier,
            pass_on=self.setup.pass_on,
            writes=self.setup.writes,
            control_lines=self.setup.control_lines,
            clock=self._clock,
        )

    def times(self) -> LineTimes:
        """What is known of time on it."""
        known = (self.setup, self.profile, self._told)
        if self._times is None or any(one is not two for one, two in zip(known, self._times_of, strict=True)):
            self._times_of = known
            self._times = self.setup.times(self.profile.line, self._told)
        return self._times

    def take_latency(self, told: tuple[float, float | None] | None) -> None:
        """The port tells its adapter's least latency and jitter in seconds, or can't."""
        if told != self._told:
            self._told = told
            self.link.set_times(self.times())

    async def stop(self) -> None:
        """Let the port go."""
        self.running = False
        await asyncio.to_thread(self.link.stop)

    def needs_opening(self, profile: CompiledProfile) -> bool:
        """Whether the port has to be opened anew for a profile."""
        return port_differs(self.profile.line, profile.line)

    def take_profile(self, profile: CompiledProfile) -> None:
        """Go on with another profile, on the same link."""
        self.profile = profile
        self.link.set_times(self.times())

    def open_anew(self, profile: CompiledProfile, *, start: bool) -> None:
        """Go on with another profile on a fresh link; the old one has been stopped."""
        same_frame = profile.line.frame == self.profile.line.frame
        self.setup = replace(
            self.setup,
            port=replace(self.setup.port, line=profile.line),
            hop_bits=self.setup.hop_bits if same_frame else None,
        )
        self.profile = profile
        self._learner = HopLearner(self.times().hop)
        if start:
            self.link = self._new_link()
            self.start()

    async def learn(
        self, lags: Sequence[float], times: LineTimes, answering: int | None, utc: Callable[[], float]
    ) -> None:
        """Learn from the lags of a confirmed action; what is new is kept in the journal."""
        hop = self._learner.learn(lags, times, self.setup.units_expected, answering)
        if hop is None:
            return
        bits = hop * self.profile.line.baud
        self.setup = replace(self.setup, hop_bits=bits)
        self.link.set_times(self.times())
        before = self._journal.learned(self.setup.id) or Learned(0.0)
        try:
            await self._journal.learn(self.setup.id, replace(before, at=utc(), hop_bits=bits))
        except JournalError as error:
            log.warning("bus %s: what was learned can't be kept: %s", self.setup.id, error)
