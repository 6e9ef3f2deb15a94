"""The units: is anything wrong, what is on, and how to switch it."""

from __future__ import annotations

from typing import ClassVar

from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import Input, Static

from tui.automation_painting import going_line
from tui.model import UnitSight, power_action
from tui.painting import alert_lines, detail_lines, group_lines, group_words
from tui.screens.main_screen import MainScreen
from tui.screens.sheets import ChoiceSheet
from tui.screens.unit_orders import UnitOrders
from tui.widgets.hall_view import HallView

__all__ = ["UnitsScreen"]


class UnitsScreen(MainScreen):
    """All units by bus, each on the line that it hangs on."""

    EXPLANATION = """\
Each bus is drawn as its line; its units hang on it in the order of the site file. A line that is known to be
broken is drawn broken. Each state says its value and how that is known:

  ● observed    the unit, its answer or a sense input said so
  ◉ confirmed   our command's echo came back: the chain carried it
  ◌ presumed    sent on an open line, heard from another sender, or set by hand
  ? unknown     with the last known value beside it

  1 2 3 ...     select that unit (two digits: type both)
  up, down      select the one above or below, as k and j do; the mouse selects too
  page up, page down   read on in a long hall
  o, f          on, off; a click on a unit's power switches it
  enter         all that the unit can be told
  =             set a state right by hand
  l, u          lock the unit; see its locks, and clear one
  p             ask who answers on that unit's bus: nothing is switched by it
  g             one group alone: o, f, l and u are then for all of it, until one of its units is selected
  X, F9         everything off, from anywhere
  /             show only what fits a text
  esc           show all units again
  ctrl+p        every unit's actions by name
  F3, F4, F5    the traffic, the profiles, the journal
  F6, F7, F8    the simulator, the bench, the sequences; F2 back here
  ctrl+q        leave"""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("down,j", "move(1)", "next", id="next"),
        Binding("up,k", "move(-1)", "previous", id="previous"),
        Binding("o", "power(True)", "on", id="on"),
        Binding("f", "power(False)", "off", id="unit-off"),
        Binding("enter", "actions", "actions", id="actions"),
        Binding("equals_sign", "presume", "set by hand", id="presume"),
        Binding("l", "lock", "lock", id="lock"),
        Binding("u", "unlock", "locks", id="unlock"),
        Binding("X", "app.everything_off", "everything off", id="all-off"),
        Binding("p", "probe", "who answers", id="probe"),
        Binding("g", "group", "group", id="group"),
        Binding("slash", "seek", "find", id="find"),
        Binding("question_mark", "app.explain", "help", id="explain"),
        Binding("escape", "all", "show all", id="all"),
    ]

    def __init__(self) -> None:
        super().__init__(name="units")
        self.selected: int | None = None
        self._typed = ""
        self._wanted = ""
        self._group = ""

    def compose(self) -> ComposeResult:
        """From what one needs first to what one needs last."""
        yield Static("", id="top", markup=False)
        yield Static("", id="links", markup=False)
        yield Static("", id="alerts", markup=False)
        yield Static("", id="going", markup=False)
        yield HallView(id="hall")
        yield Static("", id="rule", markup=False)
        yield Static("", id="detail", markup=False)
        yield Input(placeholder="show what fits", id="seek")
        yield Static("", id="keys", markup=False)

    def on_mount(self) -> None:
        """Show everything; the clock goes on by itself."""
        self.query_one(HallView).focus()
        self.set_interval(1.0, self._tell_time)
        self.look_again()

    def on_resize(self, _event: events.Resize) -> None:
        """Every line is cut to the width."""
        self.look_again()

    def on_screen_resume(self) -> None:
        """What happened while another screen was on top shows now."""
        self.look_again()

    # Showing

    def look_again(self) -> None:
        """Paint what the model knows now."""
        if not self.is_mounted:
            return
        model, looks, width = self.dashboard.model, self.looks, self.width
        self._tell_time()
        alerts = Text("\n").join(alert_lines(model.standing_alerts, width, looks, *self._alerts_fit))
        self.put("#alerts", alerts)
        self.query_one("#alerts").display = bool(model.alerts)
        going = going_line(self.dashboard.automation.going, width, looks)
        self.put("#going", going)
        self.query_one("#going").display = bool(going)
        hall = self.query_one(HallView)
        hall.nothing = "" if model.site.buses else "no bus here; F7 has the bench, F4 the profiles"
        hall.show(model.buses(self._wanted, self._group), self.selected)
        self._tell_selected()

    def _tell_selected(self) -> None:
        model, looks, width = self.dashboard.model, self.looks, self.width
        small = self.size.height < 12
        for part in ("#rule", "#keys"):
            self.query_one(part).display = not small
        self.put("#rule", Text("─" * width))
        unit = model.unit(self.selected) if self.selected else None
        if self._group_alone:
            detail = group_lines(self._group, model.group(self._group), width, looks)
        else:
            detail = detail_lines(unit, width, looks, 2 if self.size.height >= 20 else 1)
        self.put("#detail", Text("\n").join(detail))
        self.put("#keys", self._key_text(unit))

    @property
    def _alerts_fit(self) -> tuple[int, int]:
        """How many alerts are shown, and how many rows each of their sentences may take."""
        if self.size.height < 20:
            return 1, 1
        return (1, 2) if len(self.dashboard.model.alerts) == 1 else (2, 2 if self.size.height >= 30 else 1)

    def _tell_time(self) -> None:
        self.put("#top", self.top())
        links = self.dashboard.links(self.width, self.looks)
        self.put("#links", links)
        self.query_one("#links").display = bool(links)

    def _key_text(self, unit: UnitSight | None) -> Text:
        words: list[tuple[str, str]] = []
        if self._wanted or (self._group and unit is not None):
            words.append(("esc", "show all"))
        if unit is not None:
            words += [
                (key, word)
                for key, on, word in (("o", True, "on"), ("f", False, "off"))
                if power_action(unit, on=on)
            ]
            here = not self.dashboard.local_only("probe")
            words += [("enter", "all actions"), *([("=", "set by hand")] if here else []), ("l", "lock")]
            words.append(("p", "who answers") if here else ("= p", "local only"))
            if unit.locks:
                words.append(("u", "clear a lock"))
        elif self._group_alone:
            words += [("o", "all on"), ("f", "all off"), ("l", "lock"), ("esc", "all units")]
        words += [
            ("X", "everything off"),
            ("/", "find"),
            *([("g", "group")] if self.dashboard.model.groups else []),
            ("?", "help"),
            ("ctrl+q", "leave"),
        ]
        return self.keys(words)

    # Selecting

    def on_key(self, event: events.Key) -> None:
        """Digits select a unit: 12 is 1 then 2."""
        if event.character and event.character.isdigit() and not isinstance(self.focused, Input):
            for text in (self._typed + event.character, event.character):
                if self.dashboard.model.unit(int(text)) is not None:
                    self._typed = text
                    self._select(int(text))
                    event.stop()
                    return
        elif event.key not in ("down", "up"):
            self._typed = ""

    def _select(self, number: int | None) -> None:
        self.selected = number
        hall = self.query_one(HallView)
        # Of 4,000 units none is looked at again only because another one is selected.
        hall.select(number)
        self._tell_selected()
        hall.reveal()

    def action_move(self, by: int) -> None:
        """Select the next or the previous unit that is shown."""
        numbers = self.query_one(HallView).numbers
        if not numbers:
            return
        if self.selected not in numbers:
            self._select(numbers[0 if by > 0 else -1])
        else:
            place = numbers.index(self.selected) + by
            self._select(numbers[max(0, min(place, len(numbers) - 1))])

    def on_hall_view_picked(self, message: HallView.Picked) -> None:
        """A click selects; on a unit's power it switches."""
        self._select(message.number)
        unit = self.dashboard.model.unit(message.number)
        if message.on_power and unit is not None:
            state = unit.states.get("power")
            if state is None or state.value is None:
                self._orders.choose_action(unit)
            else:
                self._orders.power(unit, on=not state.value)

    def action_seek(self) -> None:
        """Show only what fits a text."""
        seek = self.query_one("#seek", Input)
        seek.add_class("open")
        seek.focus()

    def on_input_changed(self, event: Input.Changed) -> None:
        """Show what fits as it is typed."""
        if event.input.id == "seek":
            self._wanted = event.value
            self.look_again()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Keep what fits, and go on with the units."""
        if event.input.id == "seek":
            self.query_one(HallView).focus()
            numbers = self.query_one(HallView).numbers
            if numbers:
                self._select(numbers[0])

    def action_all(self) -> None:
        """Show all units again."""
        seek = self.query_one("#seek", Input)
        seek.value = ""
        seek.remove_class("open")
        self._group = ""
        self.query_one(HallView).focus()
        self.look_again()

    # Doing

    @property
    def _orders(self) -> UnitOrders:
        return UnitOrders(self.dashboard)

    @property
    def _unit(self) -> UnitSight | None:
        unit = self.dashboard.model.unit(self.selected) if self.selected else None
        if unit is None:
            self.notify("type a unit's number first", severity="warning", timeout=3)
        return unit

    @property
    def _group_alone(self) -> str:
        """The group that orders are for: one is shown, and none of its units is selected."""
        return self._group if self.selected is None else ""

    def action_power(self, on: bool) -> None:
        """Switch the selected unit, or the group that is shown, on or off."""
        if self._group_alone:
            self._orders.power_group(self._group, on=on)
        elif (unit := self._unit) is not None:
            self._orders.power(unit, on=on)

    def action_actions(self) -> None:
        """Choose one of all actions of the selected unit."""
        if (unit := self._unit) is not None:
            self._orders.choose_action(unit)

    def action_presume(self) -> None:
        """Set a state of the selected unit right by hand."""
        if (unit := self._unit) is not None:
            self._orders.set_by_hand(unit)

    def action_lock(self) -> None:
        """Set a service lock on the selected unit, or on the group that is shown."""
        if self._group_alone:
            self._orders.lock(self._group, self._group)
        elif (unit := self._unit) is not None:
            self._orders.lock(unit.view.id, unit.view.title)

    def action_unlock(self) -> None:
        """Show what locks the selected unit, or the group that is shown, and clear one."""
        if self._group_alone:
            locks = [lock for lock in self.dashboard.model.locks.values() if lock.target == self._group]
            self._orders.unlock(locks, self._group)
        elif (unit := self._unit) is not None:
            self._orders.unlock(unit.locks, unit.view.title)

    def action_probe(self) -> None:
        """Find out who answers on the selected unit's bus."""
        if (unit := self._unit) is not None:
            self._orders.probe(unit.view.bus)

    def action_group(self) -> None:
        """Show one of the site's groups, to be switched as a whole."""
        model = self.dashboard.model
        if not model.groups:
            self.notify("this site has no groups; `group` of a unit in its file makes one", timeout=5)
            return
        choices = [(name, group_words(name, model.group(name))) for name in model.groups]

        def chosen(name: str | None) -> None:
            if name is not None:
                self.show_group(name)

        self.app.push_screen(ChoiceSheet("Which group?", choices, "esc shows all units again."), chosen)

    def show_group(self, name: str) -> None:
        """Show a group's units alone; orders are for all of them until one is selected."""
        self._group = name
        self._select(None)
        self.look_again()
