"""What a person tells units, groups and their states: asked for where that is needed, then handed over."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from controller.api import ActionView, UnitView
from controller.records import Command, Lock
from profiles.errors import BadValue
from tui.model import UnitSight, on_order, power_action
from tui.painting import fit
from tui.parameters import read_value
from tui.probe_words import probe_lines
from tui.screens.sheets import (
    ActionForm,
    AskSheet,
    ChoiceSheet,
    TellSheet,
    TextForm,
    describe_parameter,
    parameters_of,
    told_local_only,
    value_problem,
)
from tui.telling import clock_time, outcome_words, plain, sentence

if TYPE_CHECKING:
    from tui.app import DashboardApp

__all__ = ["UnitOrders"]

_ENERGISES = ("energise", "unknown")


class UnitOrders:
    """Takes a person's orders to the controller.

    Args:
        app: the dashboard.
    """

    def __init__(self, app: DashboardApp) -> None:
        self._app = app

    # A unit

    def power(self, unit: UnitSight, *, on: bool) -> None:
        """Switch a unit on or off."""
        action = power_action(unit, on=on)
        if action is None:
            self._app.notify(
                plain(
                    f"{unit.view.title} has no action that switches it {'on' if on else 'off'};"
                    " enter shows all that it can be told"
                ),
                severity="warning",
                markup=False,
            )
            return
        self.begin_action(unit.view.id, action)

    def choose_action(self, unit: UnitSight) -> None:
        """Choose one of all actions of a unit."""
        choices = [(a.name, _action_words(a)) for a in unit.view.actions]

        def chosen(name: str | None) -> None:
            if name is not None:
                self.begin_action(unit.view.id, name)

        self._app.push_screen(ChoiceSheet(f"{unit.view.title}: what it can be told", choices), chosen)

    def begin_action(self, unit_id: str, action_name: str) -> None:
        """Do an action: ask for its parameters, then for a yes where the site wants one."""
        app = self._app
        view = next(unit for unit in app.model.site.units if unit.id == unit_id)
        action = next((a for a in view.actions if a.name == action_name), None)
        if action is None:
            # Over MQTT a unit takes what its site file says, and the profile has more.
            text = f"{view.title} takes no {action_name} from here: see `mqtt` of it in its site file"
            app.notify(plain(text), severity="warning", markup=False)
            return

        def given(texts: dict[str, str] | None) -> None:
            if texts is not None:
                try:
                    parameters = parameters_of(action, texts)
                except BadValue as error:
                    app.notify(plain(str(error)), severity="error", markup=False)
                    return
                self._ask_then(
                    view, action, lambda agreed: app.command(unit_id, action_name, parameters, agreed=agreed)
                )

        if action.parameters:
            app.push_screen(ActionForm(view.title, action), given)
        else:
            given({})

    def _ask_then(self, view: UnitView, action: ActionView, go: Callable[[bool], None]) -> None:
        if not view.ask_before_energise or action.effect not in _ENERGISES:
            go(False)
            return
        self._ask(f"{view.title}: {action.title}?", "It may energise the gear.", lambda: go(True))

    def _ask(self, head: str, text: str, go: Callable[[], None]) -> None:
        def answered(yes: bool | None) -> None:
            if yes:
                go()

        self._app.push_screen(AskSheet(head, text), answered)

    # A group

    def power_group(self, group: str, *, on: bool) -> None:
        """Switch a group's units on, power amplifiers last; or off, power amplifiers first."""
        if not on:
            self._app.action_off(group)
            return
        orders = [
            (unit, action)
            for unit in on_order(self._app.model.group(group))
            if (action := power_action(unit, on=True)) is not None
        ]
        if not orders:
            self._app.notify(f"no unit of {group} can be switched on", severity="warning", markup=False)
            return
        names = ", ".join(unit.view.title for unit, _ in orders)

        def go() -> None:
            offs = self._offs(group)
            self._app.work(lambda: self._one_after_another(group, orders, offs), f"{group} on")

        if any(unit.view.ask_before_energise for unit, _ in orders):
            self._ask(f"{group}: switch on {len(orders)} units?", plain(f"In this order: {names}."), go)
        else:
            go()

    def _offs(self, group: str) -> int:
        """How often a group was switched off from here, alone or with everything."""
        return self._app.offs[group] + self._app.offs[None]

    async def _one_after_another(
        self, group: str, orders: Sequence[tuple[UnitSight, str]], offs: int
    ) -> None:
        """Each unit once the one before is on; whoever fails, and going off, stops those behind it."""
        app = self._app
        for done, (unit, action) in enumerate(orders):
            if self._offs(group) != offs:
                # The controller took back what it had; the next one it does not know of yet.
                stopped = f"{group}: stopped after {done} of {len(orders)}: it was switched off meanwhile"
                app.notify(stopped, severity="warning", timeout=12, markup=False)
                return
            asks = unit.view.ask_before_energise  # and then it was asked about, with the others
            command = Command(unit.view.id, action, {}, app.origin(), at=app.utc(), agreed=asks)
            outcome = await app.api.submit(command)
            if not outcome.result.good:
                app.notify(
                    f"{group}: stopped after {done} of {len(orders)}. {outcome_words(command, outcome)}",
                    severity="error",
                    timeout=12,
                    markup=False,
                )
                return
        app.notify(f"{group}: {len(orders)} units were told to go on", markup=False)

    # A bus

    def probe(self, bus: str) -> None:
        """Find out who answers on a bus, and tell it."""
        if told_local_only(self._app, f"{bus}: who answers", "probe"):
            return
        app = self._app

        async def probe() -> None:
            report = await app.api.probe(bus)
            head, *lines = probe_lines(report)
            app.push_screen(TellSheet(head, "\n".join(line.removeprefix("  ") for line in lines)))

        app.notify(f"asking who answers on {bus} ...", timeout=2, markup=False)
        app.work(probe, f"probe {bus}")

    # States, locks

    def set_by_hand(self, unit: UnitSight) -> None:
        """Set a state of a unit right by hand."""
        if told_local_only(self._app, f"{unit.view.title}: set by hand", "presume"):
            return
        choices = [(name, str(spec.get("title") or name)) for name, spec in unit.view.states.items()]

        def chosen(state: str | None) -> None:
            if state is not None:
                self._presume(unit, state)

        self._app.push_screen(
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
                app = self._app

                async def presume() -> None:
                    await app.api.presume(unit.view.id, state, value, app.origin())

                app.work(presume, f"presume {unit.view.id}")

        form = TextForm(
            f"{unit.view.title}: {state} is in truth",
            [("value", describe_parameter(state, spec), "", check)],
            "Nothing is sent; the state is then presumed.",
        )
        self._app.push_screen(form, given)

    def lock(self, target: str, title: str) -> None:
        """Set a service lock on a unit or a group."""

        def must(text: str) -> str:
            return "" if text.strip() else "say it, for whoever meets the lock"

        def given(texts: dict[str, str] | None) -> None:
            if texts is not None:
                app = self._app

                async def lock() -> None:
                    await app.api.lock(target, texts["who"], texts["why"])

                app.work(lock, f"lock {target}")

        form = TextForm(
            f"{title}: service lock",
            [("who", "who sets it", self._app.origin().name, must), ("why", "why", "", must)],
            "It stops Linewarden's own commands only: isolate and lock out the supply before opening gear.",
        )
        self._app.push_screen(form, given)

    def unlock(self, locks: Sequence[Lock], title: str) -> None:
        """Show what locks a unit or a group, and clear one."""
        if not locks:
            self._app.notify(plain(f"no lock holds {title}"), timeout=3, markup=False)
            return
        local_only = self._app.local_only("unlock")
        choices = [
            (
                lock.id,
                f"{lock.target}: {lock.who} since {clock_time(lock.at, date=True)[:16]}: {fit(lock.why, 30)}",
            )
            for lock in locks
        ]

        def chosen(lock_id: str | None) -> None:
            if lock_id is not None:
                app = self._app

                async def unlock() -> None:
                    await app.api.unlock(lock_id)

                app.work(unlock, "unlock")

        head = f"What locks {title}" if local_only else "Clear which lock?"
        text = f"Local only. {sentence(local_only)}" if local_only else "Only where you stand beside it."
        self._app.push_screen(ChoiceSheet(head, choices, text), chosen)


def _action_words(action: ActionView) -> str:
    takes = f" ({', '.join(action.parameters)})" if action.parameters else ""
    effect = {"energise": "  energises", "de-energise": "  de-energises", "unknown": "  may energise"}
    return f"{action.title}{takes}{effect.get(action.effect, '')}"
