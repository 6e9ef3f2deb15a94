"""The simulator: faults and front panels of a simulated bus."""

from __future__ import annotations

from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import Input, OptionList, RichLog, Static
from textual.widgets.option_list import Option

from tui.painting import fit
from tui.screens.main_screen import MainScreen
from tui.telling import plain
from tui.widgets.choice_list import ChoiceList

__all__ = ["SimulatorScreen"]

_READY = (
    ("cut 1", "cut the chain behind unit 1"),
    ("cut 2", "cut the chain behind unit 2"),
    ("no-mains 1", "unit 1 loses its mains"),
    ("unplug", "unplug the adapter"),
    ("plug", "plug it in again"),
    ("clear all", "all faults are over"),
    ("press 1 power-on", "somebody presses power on at unit 1"),
    ("press 1 standby", "somebody presses standby at unit 1"),
    ("show", "what stands"),
    ("corrupt 2", "corrupt the second frame from now"),
    ("drop 2", "drop the second frame"),
    ("double 2", "double the second frame"),
    ("delay 2 300ms", "delay the second frame by 300 ms"),
    ("noise 0.01", "noise: one byte in a hundred"),
    ("slow 1 5ms", "unit 1 becomes slow"),
    ("line cts on", "a voltage on the adapter's control line CTS"),
    ("line cts off", "no voltage on it"),
)


class SimulatorScreen(MainScreen):
    """Orders to a simulated bus: ready ones, or typed."""

    EXPLANATION = """\
Only on a simulated bus: set and clear faults, and press keys on a unit's front panel.

  enter      give the order that is selected or typed
  tab        between the list and the line
  b          another simulated bus
  help ...   typed as an order lists all that can be said
  X, F9      everything off
  F2, esc    back to the units"""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("b", "bus", "bus"),
        Binding("X", "app.everything_off", "everything off"),
        Binding("question_mark", "app.explain", "help"),
        Binding("escape", "app.units", "units"),
    ]

    def __init__(self) -> None:
        super().__init__(name="simulator")
        self._bus = ""

    def compose(self) -> ComposeResult:
        """Ready orders, a line to type one, and what they did."""
        yield Static("", id="top", markup=False)
        yield Static("", id="figures", markup=False)
        yield ChoiceList(
            *(Option(f"{order:<18} {does}", id=str(n)) for n, (order, does) in enumerate(_READY)),
            id="entries",
        )
        yield Input(placeholder="an order; help lists all", id="order")
        yield RichLog(id="said", markup=False, wrap=True, max_lines=200, min_width=20)
        yield Static("", id="keys", markup=False)

    def on_mount(self) -> None:
        """The first simulated bus."""
        self.query_one(OptionList).focus()
        self._bus = next(iter(self._buses), "")
        self.look_again()

    def on_resize(self, _event: events.Resize) -> None:
        """The keys are cut to the width."""
        self.look_again()

    @property
    def _buses(self) -> list[str]:
        return [bus.id for bus in self.dashboard.model.site.buses if bus.simulated]

    def look_again(self) -> None:
        """Which bus the orders go to."""
        if not self.is_mounted:
            return
        self.query_one("#top", Static).update(self.top("Simulator"))
        told = f" orders go to bus {self._bus or '(none is simulated)'}"
        hint = "; a break shows when something is sent on it next"
        self.query_one("#figures", Static).update(fit(told + hint, self.width - 1))
        words = [("enter", "give the order"), ("b", "another bus"), ("tab", "type one")]
        words += [("X", "everything off"), ("?", "help")]
        self.query_one("#keys", Static).update(self.keys(words))

    def action_bus(self) -> None:
        """Another simulated bus."""
        names = self._buses
        if names:
            self._bus = names[(names.index(self._bus) + 1) % len(names)]
        self.look_again()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Give a ready order."""
        self._give(_READY[int(event.option.id or 0)][0])

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Give a typed order."""
        if event.value.strip():
            self._give(event.value.strip())
            event.input.value = ""

    def _give(self, order: str) -> None:
        said = self.query_one(RichLog)

        async def give() -> None:
            answer = await self.dashboard.api.simulate(self._bus, order)
            begins = len(said.lines)
            said.write(f"{self._bus}> {order}\n{plain(answer, lines=True)}", scroll_end=False)
            # A long answer is read from its beginning; where it is short the end is as far as it goes.
            said.call_after_refresh(said.scroll_to, y=begins, animate=False)

        self.dashboard.work(give, "simulator order")
