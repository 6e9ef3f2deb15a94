"""What the command palette offers: every unit's actions, groups, buses and sequences, by name."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from textual.app import SystemCommand
from textual.command import CommandPalette, SearchIcon
from textual.markup import escape

from tui.screens.sequence_orders import SequenceOrders
from tui.screens.unit_orders import UnitOrders
from tui.telling import plain

if TYPE_CHECKING:
    from tui.app import DashboardApp

__all__ = ["Palette", "palette_commands"]


class Palette(CommandPalette):
    """Everything that can be done, found by what is typed of its name."""

    def __init__(self) -> None:
        super().__init__(placeholder="a unit, and what it is to be told; a group; a sequence")

    def on_mount(self) -> None:
        """A sign that every terminal has, one cell wide."""
        self.query_one(SearchIcon).icon = "▸"


_LISTED_AT_FIRST = 300
"""Commands that are listed before anything is typed: 4,000 units have 36,000, and listing those takes 5 s."""


def palette_commands(app: DashboardApp) -> Iterable[SystemCommand]:
    """All commands that a dashboard has now; what is typed is looked for among all of them."""
    for number, command in enumerate(_all_commands(app)):
        # Names come from site files, and from whoever is at the broker: nothing of them is markup.
        words, named = escape(plain(command.title)), escape(plain(command.help))
        yield SystemCommand(words, named, command.callback, discover=number < _LISTED_AT_FIRST)


def _all_commands(app: DashboardApp) -> Iterable[SystemCommand]:
    yield SystemCommand("Everything off", "De-energise all units now", app.action_everything_off)
    yield SystemCommand("Box", "Export, prove, qualify", lambda: app.action_show("box"))
    yield SystemCommand("Light or dark", "Change the theme", app.action_change_ground)
    orders = SequenceOrders(app)
    for view in app.automation.sequences.values():
        yield SystemCommand(f"Sequence {view.title}: start", view.id, lambda v=view: orders.start(v))
        yield SystemCommand(f"Sequence {view.title}: stop", view.id, lambda v=view: orders.stop(v))
    for name in app.model.groups:
        yield SystemCommand(f"Group {name}: off", name, lambda n=name: app.action_off(n))
        yield SystemCommand(f"Group {name}: on", name, lambda n=name: UnitOrders(app).power_group(n, on=True))
    for bus in app.model.site.buses:
        yield SystemCommand(f"Bus {bus.id}: off", bus.id, lambda n=bus.id: app.action_off(n))
    for unit in app.model.site.units:
        for action in unit.actions:
            words = f"{unit.title}: {action.title}"
            named = f"{unit.id} {action.name}"
            yield SystemCommand(words, named, lambda u=unit, a=action: app.begin_action(u.id, a.name))
