"""The dashboard on controllers behind a broker: how far away they are, and what MQTT does not carry."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from functools import partial

from rich.text import Text

from controller.records import Event
from tui.app import DashboardApp
from tui.looks import Looks
from tui.messages import RecordsCame
from tui.model import HallModel
from tui.pace import pause_after
from tui.remote.links import link_line, link_words, note
from tui.remote.local_only import REASONS
from tui.remote.site_mirror import CHANGED
from tui.remote.sites import RemoteSites
from tui.screens.help import HelpScreen
from tui.screens.local_only import LocalOnlyScreen
from tui.screens.traffic import TrafficScreen
from tui.screens.units import UnitsScreen

__all__ = ["BrokerDashboard"]

_READ_EVERY = 0.25
"""Least seconds between two readings of the sites: at first they come by the hundred."""
_LOOK_EVERY = 0.25
"""Seconds between two looks at whether somebody looks at the traffic."""


_EXPLANATION = """\
This dashboard reaches its controllers through a broker. The line under the top says how soon each site
answers, trouble first, and how long the last command took from the key to its outcome. Of a site whose
controller is lost, stopped or out of reach nothing is shown as known, and its lines are dotted: ┆

The journal, the profiles, the simulator, clearing a lock and setting a state by hand are local only: they are
done where the controller runs."""


class BrokerDashboard(DashboardApp):
    """The dashboard on all sites behind a broker.

    Args:
        sites: the sites.
        model: what is known of them.
        who: the name that commands carry.
        cautions: whether the safety cautions are shown first.
        utc: the time, in UTC seconds.
    """

    CSS_PATH = "../dashboard.tcss"

    def __init__(
        self,
        sites: RemoteSites,
        model: HallModel,
        *,
        who: str = "",
        cautions: bool = True,
        utc: Callable[[], float] = time.time,
    ) -> None:
        super().__init__(sites, model, who=who, cautions=cautions, utc=utc)
        self._sites = sites
        self._changed = self._reads = False
        for name in self._screens_by_name.keys() & REASONS.keys():
            self._screens_by_name[name] = partial(LocalOnlyScreen, name, *REASONS[name])

    def on_mount(self) -> None:
        """Look now and then at what is looked at."""
        self.set_interval(_LOOK_EVERY, self._ask_for_traffic)

    def _ask_for_traffic(self) -> None:
        looking = isinstance(self.main_screen, TrafficScreen) or self.files.recording is not None
        self._sites.look_at_traffic(looking)

    def on_records_came(self, message: RecordsCame) -> None:
        """A site that has come, gone or changed is read again."""
        if any(isinstance(record, Event) and record.name == CHANGED for record in message.records):
            self._changed = True
            if not self._reads:
                self._reads = True
                self.work(self._read_changes, "read the sites again")

    async def _read_changes(self) -> None:
        """Read the sites until nothing has changed meanwhile."""
        try:
            while self._changed:
                self._changed = False
                began = time.perf_counter()
                await self._read_again()
                await asyncio.sleep(pause_after(time.perf_counter() - began, _READ_EVERY))
        finally:
            self._reads = False

    def action_explain(self) -> None:
        """Explain the screen one is on, and what a broker makes of it."""
        if isinstance(self.screen, UnitsScreen):
            self.push_screen(HelpScreen(f"{_EXPLANATION}\n\n{self.screen.EXPLANATION}"))
        else:
            super().action_explain()

    @property
    def note(self) -> str:
        """What of the way to the sites every screen says."""
        return note(self._sites.mirror, self._sites.silent_for)

    def links(self, width: int, looks: Looks) -> Text:
        """How far away each site is."""
        sites = self._sites
        return link_line(link_words(sites.mirror, sites.trips, sites.silent_for), width, looks)

    def local_only(self, what: str) -> str:
        """Why something is done only where the controller runs, and what to do instead."""
        why, todo = REASONS[what]
        return f"{why}; {todo}"
