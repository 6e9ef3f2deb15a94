"""The traffic: what is said on the lines, live."""

from __future__ import annotations

import asyncio
import importlib
import time
from typing import ClassVar

from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.timer import Timer
from textual.widgets import Input, Static

from controller.api import BusView
from tui.bursts import burst_rows, joined, strange_part
from tui.line_figures import burst_times
from tui.painting import fit
from tui.saying_text import spark
from tui.screens.main_screen import MainScreen
from tui.screens.profiles import begin_draft
from tui.screens.sheets import TextForm, told_local_only
from tui.times_of_day import last_time_of_day
from tui.traffic_store import Saying, Wanted
from tui.wanted_rows import WantedRows
from tui.widgets.bits_panel import BitsPanel
from tui.widgets.traffic_view import TrafficView

__all__ = ["TrafficScreen"]

_SEARCH_FOR = 0.02
"""Seconds of looking through old rows between two paints."""
_SITE_BUS = 16
"""Cells for a bus of one of several sites."""
_MOST_OF_A_BURST = 1000
"""Rows that are taken as one burst."""


class TrafficScreen(MainScreen):
    """Sayings as they come."""

    EXPLANATION = """\
Each row is one saying: who said what to whom, then its bytes, then how long the echo took, and when.

  →  we sent it      ✓ the byte came back      ~ late      ✗ wrong      · never came back
  ←  somebody else said it                    ? the profile does not know this byte

  up, down   another saying, as k and j do; page up, page down, home as well
  space      hold the picture; what comes meanwhile is kept, and counted
  end        follow what comes
  b          one bus after the other, then all
  /          show only what fits: words of a meaning, or bytes such as A5 01
  esc        put the bits away, then show all again, then the units
  t          go to a time
  enter      the selected burst bit by bit
  left, right   earlier and later bytes of a long one
  m          select several rows from here on, with the arrows; m ends it
  shift+up, shift+down   the same in one go
  a, o       make the selected burst a new action, or an observation, of its bus's profile
  e          export what is selected, or with one row alone all that is shown (CSV, or JSON lines)
  r          record a bus to a file, for decode and learn; r again ends it
  X, F9      everything off
  F2         back to the units"""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("down,j", "move(1)", "next"),
        Binding("up,k", "move(-1)", "previous"),
        Binding("pagedown", "page(1)", "page down"),
        Binding("pageup", "page(-1)", "page up"),
        Binding("home", "first", "first"),
        Binding("end", "last", "follow"),
        Binding("space", "hold", "hold"),
        Binding("b", "bus", "bus"),
        Binding("slash", "seek", "find"),
        Binding("t", "time", "time"),
        Binding("enter", "bits", "bit by bit"),
        Binding("shift+down", "stretch(1)", "select more"),
        Binding("shift+up", "stretch(-1)", "select more"),
        Binding("m", "mark", "select several"),
        Binding("left", "bits_move(-1)", "earlier bytes"),
        Binding("right", "bits_move(1)", "later bytes"),
        Binding("e", "export", "export"),
        Binding("r", "record", "record"),
        Binding("a", "draft('action')", "new action"),
        Binding("o", "draft('observation')", "new observation"),
        Binding("X", "app.everything_off", "everything off"),
        Binding("question_mark", "app.explain", "help"),
        Binding("escape", "back", "show all"),
    ]

    def __init__(self) -> None:
        super().__init__(name="traffic")
        self._held: int | None = None
        """The number of rows when the picture was held."""
        self._seen = -1
        self._goes_on = False
        """Whether the search goes on after this paint."""
        self._timer: Timer | None = None

    @property
    def _rows(self) -> WantedRows:
        return self.dashboard.rows

    def compose(self) -> ComposeResult:
        """The sayings, and what is known of the line they are on."""
        yield Static("", id="top", markup=False)
        yield Static("", id="figures", markup=False)
        yield TrafficView(self.dashboard.traffic, id="sayings")
        yield BitsPanel(id="bits")
        yield Input(placeholder="words of a meaning, or bytes such as A5 01", id="seek")
        yield Static("", id="keys", markup=False)

    def on_mount(self) -> None:
        """Look for news at a pace that a person can follow."""
        self.query_one(TrafficView).focus()
        self._timer = self.set_interval(0.1, self.look_again)
        # A filter needs it; nobody waits for it to be loaded then.
        self.dashboard.work(_load_what_filters_need, "load")
        self.look_again()

    def on_screen_suspend(self) -> None:
        """Nothing is painted while nobody looks."""
        if self._timer is not None:
            self._timer.pause()

    def on_screen_resume(self) -> None:
        """Somebody looks again."""
        if self._timer is not None:
            self._timer.resume()
        self._seen = -1
        self.look_again()

    def on_resize(self, _event: events.Resize) -> None:
        """Rows are cut to the width."""
        self._seen = -1
        self.look_again()

    # Showing

    def look_again(self) -> None:
        """Paint what came."""
        if not (self.is_mounted and self.query("#keys")):
            return
        store = self.dashboard.traffic
        self.put("#top", self.top("Traffic"))
        self.put("#figures", self._figures())
        if self._rows.searching:
            # A few more slices of what is there already; keys are answered before the next.
            until = time.monotonic() + _SEARCH_FOR
            self._rows.search_while(lambda: time.monotonic() < until)
            self._seen = -1
            if not self._goes_on:
                self._goes_on = True
                self.call_after_refresh(self._go_on)
        if store.revision != self._seen:
            self._seen = store.revision
            self._show()
        small = self.size.height < 10
        self.query_one("#keys").display = self.query_one("#figures").display = not small

    def _go_on(self) -> None:
        self._goes_on = False
        self.look_again()

    def _show(self) -> None:
        view = self.query_one(TrafficView)
        buses = self.dashboard.model.site.buses
        view.bus_width = (
            0
            if len(buses) == 1 or self._rows.wanted.bus
            else min(_SITE_BUS if any("/" in b.id for b in buses) else 10, max(len(b.id) for b in buses))
        )
        fits = self._rows.wanted.everything
        view.nothing = "nothing was said yet" if fits else "nothing fits what you look for; esc shows all"
        count = len(self.dashboard.traffic) if self._held is None else self._held
        view.show(self._rows.rows(count), count)
        self._paint_bits()
        self.put("#keys", self._keys())

    def _figures(self) -> Text:
        app, looks, width = self.dashboard, self.looks, self.width
        model_buses = app.model.site.buses
        bus = self._rows.wanted.bus or (model_buses[0].id if len(model_buses) == 1 else "")
        store = app.traffic
        told = f" {self._rows.wanted.bus or 'all buses'}"
        view = self.query_one(TrafficView)
        told += f", {view.shown:,} saying{'s' * (view.shown != 1)}"
        if not self._rows.wanted.everything:
            told += f" of {len(store):,}"
        if self._held is not None:
            told += f", held; {len(store) - self._held:,} came since"
        elif not view.follow:
            told += ", not following (end follows)"
        if view.marked is not None:
            told += f", {len(view.chosen):,} selected"
        if app.model.lost:
            told += f", {app.model.lost:,} missed"
        if app.files.recording is not None:
            told += f", recording ({app.files.recording:,})"
        text = Text().append(fit(told, width - 1), looks.care if self._held is not None else looks.quiet)
        if not bus:
            return text
        load = app.figures.load(bus, app.utc())
        lags = app.figures.lags(bus)
        plot = f"  load {load[-1] * 100:.0f} % {spark(load, 12, 1.0)}"
        if lags:
            plot += f"  lag {lags[-1] * 1000:.1f} ms {spark(lags, 12)}"
        if text.cell_len + len(plot) < width:
            text.append(plot, looks.line)
        return text

    def _keys(self) -> Text:
        hold = "go on" if self._held is not None else "hold"
        words = [] if self._rows.wanted.everything else [("esc", "show all")]
        words += [("space", hold), ("b", "bus"), ("/", "find"), ("enter", "bits"), ("t", "time")]
        here = not self.dashboard.local_only("draft")
        words += [("a", "new action"), ("o", "observation")] if here else [("a o", "local only")]
        words += [
            ("e", "export"),
            ("r", "record"),
            ("m", "select several"),
            ("?", "help"),
        ]
        return self.keys(words)

    # Which rows

    def _want(self, wanted: Wanted) -> None:
        self._rows.want(wanted)
        self.query_one(TrafficView).follow = True
        self._seen = -1
        self.look_again()

    def action_bus(self) -> None:
        """One bus after the other, then all."""
        names = ["", *(bus.id for bus in self.dashboard.model.site.buses)]
        place = names.index(self._rows.wanted.bus) + 1
        self._want(Wanted(names[place % len(names)], self._rows.wanted.words))

    def action_seek(self) -> None:
        """Show only what fits."""
        seek = self.query_one("#seek", Input)
        seek.add_class("open")
        seek.focus()

    def on_input_changed(self, event: Input.Changed) -> None:
        """Show what fits as it is typed."""
        if event.input.id == "seek":
            self._want(Wanted(self._rows.wanted.bus, event.value))

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Keep it, and go on with the sayings."""
        if event.input.id == "seek":
            self.query_one(TrafficView).focus()

    def action_back(self) -> None:
        """Bits away, then the filter away, then back to the units."""
        seek, view = self.query_one("#seek", Input), self.query_one(TrafficView)
        if self.query_one(BitsPanel).opened:
            self.action_bits()
        elif view.marked is not None:
            self.action_mark()
        elif seek.has_class("open") or not self._rows.wanted.everything:
            seek.remove_class("open")
            seek.value = ""
            self._want(Wanted())
            view.focus()
        else:
            self.dashboard.action_units()

    def action_hold(self) -> None:
        """Hold the picture, or let it go on."""
        self._held = len(self.dashboard.traffic) if self._held is None else None
        self._seen = -1
        self.look_again()

    def action_time(self) -> None:
        """Go to a time of today, or of the day before where that is still to come."""

        def check(text: str) -> str:
            return (
                ""
                if last_time_of_day(text, self.dashboard.utc()) is not None
                else "write it as 20:14 or 20:14:05"
            )

        def given(texts: dict[str, str] | None) -> None:
            at = last_time_of_day(texts["time"], self.dashboard.utc()) if texts else None
            if at is not None:
                self._want(Wanted())
                view = self.query_one(TrafficView)
                if view.shown:
                    view.select(min(self.dashboard.traffic.row_at(at), view.shown - 1))

        self.app.push_screen(
            TextForm("Go to a time", [("time", "hours:minutes[:seconds]", "", check)]), given
        )

    # The selected saying

    def action_move(self, by: int) -> None:
        """The next or the previous row."""
        self.query_one(TrafficView).move(by)

    def action_page(self, by: int) -> None:
        """A screenful on or back."""
        view = self.query_one(TrafficView)
        view.move(by * max(1, view.size.height - 1))

    def action_first(self) -> None:
        """The oldest row."""
        if self.query_one(TrafficView).shown:
            self.query_one(TrafficView).select(0)

    def action_last(self) -> None:
        """The newest row, and follow."""
        view = self.query_one(TrafficView)
        view.follow = True
        self._seen = -1
        self.look_again()

    def on_traffic_view_selected(self) -> None:
        """The bits of another saying."""
        self.query_one(BitsPanel).begin()
        self._paint_bits()

    def action_bits(self) -> None:
        """Show the selected burst bit by bit, or put the bits away."""
        self.query_one(BitsPanel).turn()
        self._paint_bits()

    def action_bits_move(self, by: int) -> None:
        """Earlier or later bytes of a long burst."""
        self.query_one(BitsPanel).move(by, self._burst())
        self._paint_bits()

    def action_stretch(self, by: int) -> None:
        """Select one more row, or one fewer."""
        self.query_one(TrafficView).stretch(by)

    def action_mark(self) -> None:
        """Begin to select several rows, or go back to one."""
        self.query_one(TrafficView).mark()
        self._seen = -1
        self.look_again()

    def _paint_bits(self) -> None:
        burst, view = self._burst(), self.query_one(TrafficView)
        bus = self._bus(burst.bus) if burst is not None else None
        after = view.after(view.row(view.chosen[0])) if burst is not None else None
        self.query_one(BitsPanel).show(burst, bus, self.width, self.looks, after)

    def _bus(self, name: str) -> BusView | None:
        return next((bus for bus in self.dashboard.model.site.buses if bus.id == name), None)

    def _burst(self) -> Saying | None:
        """What is selected, as one burst: several rows, or one with the rest of its burst."""
        view, store = self.query_one(TrafficView), self.dashboard.traffic
        rows = [view.row(place) for place in view.chosen[:_MOST_OF_A_BURST]]
        if not rows or rows[-1] >= len(store):
            return None
        if len(rows) == 1 and (bus := self._bus(store[rows[0]].bus)) is not None:
            rows = burst_rows(store, rows[0], *burst_times(bus))
        first = store[rows[0]]
        return joined([each for each in map(store.__getitem__, rows) if each.bus == first.bus])

    def action_draft(self, kind: str) -> None:
        """Make the selected burst a new action or an observation."""
        burst = self._burst()
        if told_local_only(self.dashboard, f"Make this burst an {kind}", "draft"):
            return
        if burst is None or not burst.data:
            self.notify("select what was said first", severity="warning", timeout=3)
            return
        begin_draft(self.dashboard, kind, burst.bus, strange_part(burst), burst.at)

    # Files

    def action_export(self) -> None:
        """Write the rows that are selected into a file, or all that are shown where it is one alone."""
        view = self.query_one(TrafficView)
        places = view.chosen if view.marked is not None else range(view.shown)
        self.dashboard.files.ask_where_to_export([view.row(place) for place in places])

    def action_record(self) -> None:
        """Begin to record a bus, or end it."""
        files = self.dashboard.files
        if files.recording is not None:
            files.end()
        else:
            files.ask_what_to_record(self._rows.wanted.bus)


async def _load_what_filters_need() -> None:
    await asyncio.to_thread(importlib.import_module, "numpy")
