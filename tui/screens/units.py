"""The units: is anything wrong, what is on, and how to switch it."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import Input, Static

from controller.api import ActionView
from profiles.errors import BadValue
from tui.looks import Looks
from tui.model import UnitSight, power_action
from tui.painting import alert_lines, detail_lines, fit
from tui.parameters import read_value
from tui.screens.main_screen import MainScreen, key_text
from tui.screens.sheets import (
    ActionForm,
    AskSheet,
    ChoiceSheet,
    TextForm,
    describe_parameter,
    parameters_of,
    value_problem,
)
from tui.telling import clock_time, plain
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

  1 2 3 ...     select that unit (two digits: type both); up and down do too, and the mouse
  o, f          on, off; a click on a unit's power switches it
  enter         all that the unit can be told
  =             set a state right by hand
  l, u          lock the unit; see its locks, and clear one
  X or F9       everything off, from anywhere
  /             show only what fits a text; esc shows all
  ctrl+p        every unit's actions by name
  F3, F4, F5    the traffic, the profiles, the journal; F6 the simulator; F2 back here
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
        Binding("slash", "seek", "find", id="find"),
        Binding("question_mark", "app.explain", "help", id="explain"),
        Binding("escape", "all", "show all", id="all"),
    ]

    def __init__(self) -> None:
        super().__init__(name="units")
        self.selected: int | None = None
        self._typed = ""
        self._wanted = ""

    def compose(self) -> ComposeResult:
        """From what one needs first to what one needs last."""
        yield Static("", id="top", markup=False)
        yield Static("", id="alerts", markup=False)
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
        alerts = Text("\n").join(alert_lines(model.standing_alerts, width, looks, self._alerts_fit))
        self.query_one("#alerts", Static).update(alerts)
        self.query_one("#alerts").display = bool(model.alerts)
        hall = self.query_one(HallView)
        hall.show(model.buses(self._wanted), self.selected)
        small = self.size.height < 12
        for part in ("#rule", "#keys"):
            self.query_one(part).display = not small
        self.query_one("#rule", Static).update("─" * width)
        unit = model.unit(self.selected) if self.selected else None
        self.query_one("#detail", Static).update(Text("\n").join(detail_lines(unit, width, looks)))
        self.query_one("#keys", Static).update(self._key_text(unit, width, looks))

    @property
    def _alerts_fit(self) -> int:
        return 2 if self.size.height >= 20 else 1

    def _tell_time(self) -> None:
        self.query_one("#top", Static).update(self.top())

    def _key_text(self, unit: UnitSight | None, width: int, looks: Looks) -> Text:
        words: list[tuple[str, str]] = []
        if unit is not None:
            words += [
                (key, word)
                for key, on, word in (("o", True, "on"), ("f", False, "off"))
                if power_action(unit, on=on)
            ]
            words += [("enter", "all actions"), ("=", "set by hand"), ("l", "lock")]
            if unit.locks:
                words.append(("u", "clear a lock"))
        words += [
            ("X", "everything off"),
            ("/", "find"),
            ("F3", "traffic"),
            ("?", "help"),
            ("ctrl+q", "leave"),
        ]
        return key_text(words, width, looks)

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
        self.look_again()
        self.query_one(HallView).reveal()

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
                self.action_actions()
            else:
                self.action_power(not state.value)

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
        self.query_one(HallView).focus()

    # Doing

    @property
    def _unit(self) -> UnitSight | None:
        unit = self.dashboard.model.unit(self.selected) if self.selected else None
        if unit is None:
            self.notify("type a unit's number first", severity="warning", timeout=3)
        return unit

    def action_power(self, on: bool) -> None:
        """Switch the selected unit on or off."""
        unit = self._unit
        if unit is None:
            return
        action = power_action(unit, on=on)
        if action is None:
            self.notify(
                f"{unit.view.title} has no action that switches it {'on' if on else 'off'}; enter shows all",
                severity="warning",
                markup=False,
            )
            return
        self.begin_action(unit.view.id, action)

    def action_actions(self) -> None:
        """Choose one of all actions of the selected unit."""
        unit = self._unit
        if unit is None:
            return
        choices = [(a.name, _action_words(a)) for a in unit.view.actions]

        def chosen(name: str | None) -> None:
            if name is not None:
                self.begin_action(unit.view.id, name)

        self.app.push_screen(ChoiceSheet(f"{unit.view.title}: what it can be told", choices), chosen)

    def begin_action(self, unit_id: str, action_name: str) -> None:
        """Do an action: ask for its parameters, then for a yes where the site wants one."""
        view = next(unit for unit in self.dashboard.model.site.units if unit.id == unit_id)
        action = next(a for a in view.actions if a.name == action_name)

        def given(texts: dict[str, str] | None) -> None:
            if texts is not None:
                try:
                    parameters = parameters_of(action, texts)
                except BadValue as error:
                    self.notify(plain(str(error)), severity="error", markup=False)
                    return
                self._ask_then(
                    unit_id, action, lambda: self.dashboard.command(unit_id, action_name, parameters)
                )

        if action.parameters:
            self.app.push_screen(ActionForm(view.title, action), given)
        else:
            given({})

    def _ask_then(self, unit_id: str, action: ActionView, go: Callable[[], None]) -> None:
        view = next(unit for unit in self.dashboard.model.site.units if unit.id == unit_id)
        if not view.ask_before_energise or action.effect not in ("energise", "unknown"):
            go()
            return

        def answered(yes: bool | None) -> None:
            if yes:
                go()

        self.app.push_screen(
            AskSheet(f"{view.title}: {action.title}?", "It may energise the gear."), answered
        )

    def action_presume(self) -> None:
        """Set a state of the selected unit right by hand."""
        unit = self._unit
        if unit is None:
            return
        choices = [(name, str(spec.get("title") or name)) for name, spec in unit.view.states.items()]

        def chosen(state: str | None) -> None:
            if state is not None:
                self._presume(unit, state)

        self.app.push_screen(
            ChoiceSheet(f"{unit.view.title}: which state do you know better?", choices), chosen
        )

    def _presume(self, unit: UnitSight, state: str) -> None:
        spec = unit.view.states[state]
        kind = str(spec.get("type"))

        def check(text: str) -> str:
            try:
                return value_problem(state, read_value(state, text, kind), spec)
            except BadValue as error:
                return str(error)

        def given(texts: dict[str, str] | None) -> None:
            if texts is not None:
                value = read_value(state, texts["value"], kind)
                app = self.dashboard

                async def presume() -> None:
                    await app.api.presume(unit.view.id, state, value, app.origin())

                app.work(presume, f"presume {unit.view.id}")

        form = TextForm(
            f"{unit.view.title}: {state} is in truth",
            [("value", describe_parameter(state, spec), "", check)],
            "Nothing is sent; the state is then presumed.",
        )
        self.app.push_screen(form, given)

    def action_lock(self) -> None:
        """Set a service lock on the selected unit."""
        unit = self._unit
        if unit is None:
            return

        def must(text: str) -> str:
            return "" if text.strip() else "say it, for whoever meets the lock"

        def given(texts: dict[str, str] | None) -> None:
            if texts is not None:
                app = self.dashboard

                async def lock() -> None:
                    await app.api.lock(unit.view.id, texts["who"], texts["why"])

                app.work(lock, f"lock {unit.view.id}")

        form = TextForm(
            f"{unit.view.title}: service lock",
            [("who", "who sets it", self.dashboard.origin().name, must), ("why", "why", "", must)],
            "It stops Linewarden's own commands only: isolate and lock out the supply before opening gear.",
        )
        self.app.push_screen(form, given)

    def action_unlock(self) -> None:
        """Show what locks the selected unit, and clear one."""
        unit = self._unit
        if unit is None:
            return
        if not unit.locks:
            self.notify(f"no lock holds {unit.view.title}", timeout=3, markup=False)
            return
        choices = [
            (
                lock.id,
                f"{lock.target}: {lock.who} since {clock_time(lock.at, date=True)[:16]}: {fit(lock.why, 30)}",
            )
            for lock in unit.locks
        ]

        def chosen(lock_id: str | None) -> None:
            if lock_id is not None:
                app = self.dashboard

                async def unlock() -> None:
                    await app.api.unlock(lock_id)

                app.work(unlock, "unlock")

        self.app.push_screen(
            ChoiceSheet("Clear which lock?", choices, "Only where you stand beside it."), chosen
        )


def _action_words(action: ActionView) -> str:
    takes = f" ({', '.join(action.parameters)})" if action.parameters else ""
    effect = {"energise": "  energises", "de-energise": "  de-energises", "unknown": "  may energise"}
    return f"{action.title}{takes}{effect.get(action.effect, '')}"
