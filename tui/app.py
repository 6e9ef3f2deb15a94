"""The dashboard: one app over one controller, in this process or over its local socket.

Nothing here waits for a line: commands run in workers, records come in batches, and every screen reads the
same ``HallModel``.
"""

from __future__ import annotations

import asyncio
import time
from collections import Counter
from collections.abc import Awaitable, Callable, Iterable
from pathlib import Path
from typing import Any, ClassVar, Literal

from rich.text import Text
from textual.app import SystemCommand
from textual.binding import Binding, BindingType
from textual.screen import ModalScreen, Screen
from textual.timer import Timer
from textual.worker import Worker, WorkerState

from controller.api import ControllerApi
from controller.records import Command, Event, Lost, Origin, OriginKind, Outcome, Traffic
from profiles.errors import ControllerAway, LinewardenError
from profiles.model import Value
from tui.automation_model import AutomationSight
from tui.box_work import BoxWork
from tui.key_order import KeysInOrder
from tui.line_figures import LineFigures
from tui.listening import listen
from tui.looks import DARK, LIGHT, Looks
from tui.messages import CommandDone, ControllerGone, RecordsCame
from tui.model import HallModel
from tui.pace import pause_after
from tui.palette import Palette, palette_commands
from tui.profile_draft import ProfileDraft
from tui.screens.box import BoxScreen
from tui.screens.cautions import CautionsScreen
from tui.screens.help import HelpScreen
from tui.screens.journal import JournalScreen
from tui.screens.main_screen import MainScreen
from tui.screens.profile_editor import ProfileEditorScreen, may_drop
from tui.screens.profiles import profiles_screen
from tui.screens.sequences import SequencesScreen
from tui.screens.sheets import TellSheet
from tui.screens.simulator import SimulatorScreen
from tui.screens.traffic import TrafficScreen
from tui.screens.unit_orders import UnitOrders
from tui.screens.units import UnitsScreen
from tui.telling import outcome_words, plain
from tui.traffic_files import TrafficFiles
from tui.traffic_store import TrafficStore
from tui.wanted_rows import WantedRows

__all__ = ["DashboardApp"]


class DashboardApp(KeysInOrder[int]):
    """The dashboard on a controller.

    Args:
        api: the controller.
        who: the name that commands carry.
        cautions: whether the safety cautions are shown first.
        utc: the time, in UTC seconds.
    """

    TITLE = "Linewarden"
    CSS_PATH = "dashboard.tcss"
    ENABLE_COMMAND_PALETTE = True
    AT_ONCE = frozenset({"f9"})
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f1", "explain", "help", id="help"),
        # With priority the screen changes before the next key is looked at: F2 2 o typed fast is for unit 2.
        Binding("f2", "show('units')", "units", id="units", priority=True),
        Binding("f3", "show('traffic')", "traffic", id="traffic", priority=True),
        Binding("f4", "show('profiles')", "profiles", id="profiles", priority=True),
        Binding("f5", "show('journal')", "journal", id="journal", priority=True),
        Binding("f6", "show('simulator')", "simulator", id="simulator", priority=True),
        Binding("f7", "show('bench')", "bench", id="bench", priority=True),
        Binding("f8", "show('sequences')", "sequences", id="sequences", priority=True),
        Binding("f9", "everything_off", "everything off", id="off", priority=True),
        Binding("ctrl+q", "quit", "quit", id="quit"),
    ]

    def __init__(
        self,
        api: ControllerApi,
        model: HallModel,
        *,
        who: str = "",
        cautions: bool = True,
        utc: Callable[[], float] = time.time,
    ) -> None:
        super().__init__()
        self.api = api
        self.model = model
        self.utc = utc
        self.offs: Counter[str | None] = Counter()
        """How often each group and bus, and everything (None), was switched off from here."""
        self._pause: Timer | None = None
        self._stale = False
        self.painted = asyncio.Event()
        """Set when there is something to be seen."""
        self.notes: list[str] = []
        """What help says besides."""
        self.gone = ""
        """Why the controller is out of reach; empty while it is there."""
        self.traffic = TrafficStore()
        self.rows = WantedRows(self.traffic)
        self.figures = LineFigures({bus.id: bus for bus in model.site.buses})
        self.files = TrafficFiles(self)
        self.box = BoxWork(self)
        self.automation = AutomationSight()
        self.draft: ProfileDraft | None = None
        """The profile that is being edited; it stays while other screens are looked at."""
        # The traffic keeps its filter and its place; the others begin anew each time.
        self._traffic_screen = TrafficScreen()
        self._screens_by_name: dict[str, Callable[[], MainScreen]] = {
            "traffic": lambda: self._traffic_screen,
            "profiles": lambda: profiles_screen(self),
            "journal": JournalScreen,
            "box": BoxScreen,
            "simulator": SimulatorScreen,
            "sequences": SequencesScreen,
            "bench": self._bench_screen,
        }
        self.captures: tuple[Path, ...] | None = None
        """What the bench opens with, where that is shown first."""
        self._bench: MainScreen | None = None
        self._who = who
        self._cautions = cautions

    def on_mount(self) -> None:
        """Begin to listen, and show the units."""
        self.register_theme(DARK)
        self.register_theme(LIGHT)
        self.theme = DARK.name
        # A screen that is not installed is closed for good when another one takes its place.
        self.install_screen(self._traffic_screen, "traffic")
        self.push_screen(UnitsScreen())
        if self.captures is not None:
            self.push_screen(self._bench_screen())
        if self._cautions:
            self.push_screen(CautionsScreen())
        self.call_after_refresh(self.painted.set)
        listening = listen(self.api, self._catch_up, self.post_message)
        self.run_worker(listening, name="records", group="records", exit_on_error=False)

    def _bench_screen(self) -> MainScreen:
        """The bench, made when it is first wanted: what it stands on takes its time to load."""
        from tui.screens.bench import BenchScreen

        if self._bench is None:
            self._bench = BenchScreen(self.captures or ())
            self.install_screen(self._bench, "bench")
        return self._bench

    def on_unmount(self) -> None:
        """A recording that still runs is ended whole."""
        self.files.end()

    def on_records_came(self, message: RecordsCame) -> None:
        """Take them into the model, then let every screen that stands look again."""
        for record in message.records:
            self.automation.take(record)
            if isinstance(record, Traffic):
                self.traffic.add(record)
                self.figures.add(record)
                self.files.add(record)
            elif isinstance(record, Outcome):
                self.traffic.ended(record)
            elif isinstance(record, Event) and record.name in ("profile-saved", "site-reloaded"):
                self.work(self._read_again, "read the site again")
            elif isinstance(record, Lost):
                self.work(self._catch_up, "catch up")
        if self.model.apply(message.records):
            self._look_soon()

    def _look_soon(self) -> None:
        """Paint what happened: at once after a quiet time, and not more often than a person can follow."""
        self._stale = self._pause is not None
        if self._pause is None:
            began = time.perf_counter()
            self._look_again()
            self._pause = self.set_timer(pause_after(time.perf_counter() - began), self._paused)

    def _paused(self) -> None:
        self._pause = None
        if self._stale:
            self._look_soon()

    async def _catch_up(self) -> None:
        """No record told of what happened: states, alerts, locks and sequences are asked for."""
        await self.model.read_anew(self.api)
        await self.automation.read(self.api)
        self._look_again()

    async def _read_again(self) -> None:
        """A bus has a new profile: its units may have other actions and states."""
        self.model.site = await self.api.site()
        self.model.states = await self.api.states()
        await self.automation.read(self.api)
        self.figures = LineFigures({bus.id: bus for bus in self.model.site.buses})
        self._look_again()
        if isinstance(screen := self.main_screen, ProfileEditorScreen):
            screen.look_for_others()

    def on_controller_gone(self, message: ControllerGone) -> None:
        """Say so, and that nothing is known any more."""
        self.gone = message.text
        self.model.link_lost(self.utc())
        self.notify(plain(message.text), title="The controller is out of reach", severity="error", timeout=60)
        self._look_again()

    def _look_again(self) -> None:
        for screen in self.screen_stack:
            if isinstance(screen, MainScreen) and screen is self.main_screen:
                screen.look_again()

    @property
    def note(self) -> str:
        """What every screen says of the way to the controller; empty while it is there."""
        return "controller out of reach" if self.gone else self.box.note

    def links(self, width: int, looks: Looks) -> Text:  # noqa: ARG002 -- for what is behind a broker
        """How far away the controllers are, where that is not here."""
        return Text()

    def local_only(self, what: str) -> str:  # noqa: ARG002 -- as above
        """Why something can't be done from here; empty where it can."""
        return ""

    @property
    def places(self) -> list[tuple[str, str]]:
        """The main screens that this site has, each with its key."""
        simulated = any(bus.simulated for bus in self.model.site.buses)
        named = {"units", *self._screens_by_name}
        keys = [(each.key.upper(), each.id or "") for each in self.BINDINGS if isinstance(each, Binding)]
        return [(key, name) for key, name in keys if name in named and (name != "simulator" or simulated)]

    @property
    def main_screen(self) -> MainScreen | None:
        """The main screen that is shown, perhaps under a sheet."""
        return next((s for s in reversed(self.screen_stack) if isinstance(s, MainScreen)), None)

    def on_worker_state_changed(self, event: Worker.StateChanged) -> None:
        """A worker that fails for a reason of ours must not do so unseen."""
        if event.state is WorkerState.ERROR:
            text = f"{event.worker.name}: {event.worker.error!r}"
            self.notify(
                plain(text), title="A fault of Linewarden", severity="error", timeout=60, markup=False
            )

    # Commands

    def origin(self) -> Origin:
        """Whose commands these are."""
        return Origin(OriginKind.SCREEN, self._who)

    def command(
        self, unit: str, action: str, parameters: dict[str, Value] | None = None, *, agreed: bool = False
    ) -> None:
        """Command a unit; its outcome comes as ``CommandDone``."""
        command = Command(unit, action, parameters or {}, self.origin(), at=self.utc(), agreed=agreed)

        async def submit() -> None:
            outcome = await self.api.submit(command)
            self.post_message(CommandDone(command, outcome))

        self.work(submit, f"command {command.id[:8]}")

    def work(self, what: Callable[[], Awaitable[None]], name: str) -> None:
        """Run something that talks to the controller; a failure is shown, whatever it is."""

        async def guarded() -> None:
            try:
                await what()
            except ControllerAway as error:
                self.post_message(ControllerGone(str(error)))
            except LinewardenError as error:
                self.notify(plain(str(error)), severity="error", markup=False)

        self.run_worker(guarded(), name=name, group="commands", exit_on_error=False)

    def on_command_done(self, message: CommandDone) -> None:
        """Tell of what did not come about, where the screen does not tell it already."""
        command, outcome = message.command, message.outcome
        screen = self.screen
        unit = (
            self.model.unit(screen.selected) if isinstance(screen, UnitsScreen) and screen.selected else None
        )
        if outcome.result.good or (unit is not None and command.unit == unit.view.id):
            return
        self.notify(outcome_words(command, outcome), severity=_severity(outcome), timeout=8, markup=False)

    def action_everything_off(self) -> None:
        """De-energise everything, now."""
        self.action_off(None)

    def action_off(self, scope: str | None) -> None:
        """De-energise a group or a bus, or everything."""
        # Of two rounds for one key the second tells: what the key before it began is over only then.
        tells = not self.once_more
        self.offs[scope] += 1

        async def off() -> None:
            outcomes = await self.api.all_off(scope, self.origin())
            if not tells:
                return
            bad = [outcome for outcome in outcomes if not outcome.result.good]
            told = f"{len(outcomes) - len(bad)} of {len(outcomes)} orders to go off came about"
            why = f". {bad[0].text}" if bad else ""
            text = plain(f"{scope or 'everything'}: {told}{why}")
            severity: Literal["error", "information"] = "error" if bad else "information"
            self.notify(text, severity=severity, timeout=12 if bad else 5, markup=False)

        self.work(off, f"{scope or 'everything'} off")

    async def action_quit(self) -> None:
        """Leave; a profile that is not saved is asked about first."""
        self.box.before_leaving(lambda: may_drop(self, self.exit))

    def action_explain(self) -> None:
        """Explain the screen one is on."""
        if not isinstance(self.screen, HelpScreen):
            self.push_screen(HelpScreen(getattr(self.screen, "EXPLANATION", ""), self.notes))

    def action_units(self) -> None:
        """Show the units."""
        while not isinstance(self.screen, UnitsScreen):
            self.pop_screen()

    def action_show(self, name: str) -> None:
        """Show one of the main screens over the units."""
        if isinstance(self.screen, ModalScreen):
            if not isinstance(self.screen, TellSheet | HelpScreen):
                self.notify("this has to be left first: esc", timeout=3)
                return
            self.screen.dismiss()
        self.action_units()
        if name == "units":
            return
        screen = self._screens_by_name[name]()
        if isinstance(screen, SimulatorScreen) and not any(bus.simulated for bus in self.model.site.buses):
            self.notify("no bus of this site is simulated", severity="warning")
            return
        self.push_screen(screen)

    def action_command_palette(self) -> None:
        """Everything that can be done, by its name."""
        if not isinstance(self.screen, Palette):
            self.push_screen(Palette())

    def get_system_commands(self, screen: Screen[Any]) -> Iterable[SystemCommand]:  # noqa: ARG002 -- Textual's
        """For the command palette."""
        yield from palette_commands(self)

    def begin_action(self, unit_id: str, action_name: str) -> None:
        """Do an action, asking for what it needs first."""
        UnitOrders(self).begin_action(unit_id, action_name)

    def action_change_ground(self) -> None:
        """Light to dark, dark to light."""
        self.theme = LIGHT.name if self.theme == DARK.name else DARK.name
        self._look_again()


def _severity(outcome: Outcome) -> Literal["warning", "error"]:
    return "warning" if outcome.result.value in ("refused", "cancelled") else "error"
