"""The box: its source written, proven on a simulated chip, and a unit qualified, each with its progress."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import ClassVar

from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from controller.api import SiteView
from controller.qualifying.plan import Asked, QualifyPlan, plan_for
from profiles.errors import LinewardenError
from tui.box_work import BoxWork, ExportChoice
from tui.painting import fit
from tui.report_opening import open_report
from tui.screens.main_screen import MainScreen
from tui.screens.sheets import AskSheet, ChoiceSheet, TextForm
from tui.telling import plain
from tui.widgets.choice_list import ChoiceList

__all__ = ["BoxScreen"]

_JOBS = (
    ("export", "Export", "write the source of a box: a trigger voltage in, the bus out"),
    ("prove", "Prove", "build an exported box and run it on a simulated chip"),
    ("qualify", "Qualify", "switch a unit on and off many times, and report on it"),
    ("open", "Open the report", "the page of the last qualification"),
)
_CHIPS = ("atmega328p", "attiny84")
_BAR = 20


class _Form(TextForm):
    """A form that begins something."""

    KEYS: ClassVar[str] = "enter goes on and begins    tab moves    esc leaves"

    def on_mount(self) -> None:
        """Its lines scroll, so that what is wrong and the keys stay in sight at 80 x 24."""
        self.add_class("begin")
        super().on_mount()


class BoxScreen(MainScreen):
    """What there is to do about a box, and what came of it.

    Args:
        profile: the profile to begin an export from; empty for that of a bus of the site.
    """

    EXPLANATION = """\
For a box that stands by itself: a trigger voltage in, the bus out, no computer.

  enter      begin what is selected
  s          end a qualification: the unit is switched off, the report is written
  o          open the report
  X, F9      everything off
  F2, esc    back to the units; what is being done goes on

A qualification switches the unit for real. Whoever else commands it, everything off included, ends it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("s", "end", "end it"),
        Binding("o", "open", "open the report"),
        Binding("X", "app.everything_off", "everything off"),
        Binding("question_mark", "app.explain", "help"),
        Binding("escape", "app.units", "units"),
    ]

    def __init__(self, profile: str = "") -> None:
        super().__init__(name="box")
        self._profile = profile
        self._lines_shown = -1

    @property
    def _work(self) -> BoxWork:
        return self.dashboard.box

    @property
    def _site(self) -> SiteView:
        return self.dashboard.model.site

    def compose(self) -> ComposeResult:
        """The jobs, and below them what came of them."""
        yield Static("", id="top", markup=False)
        yield Static("", id="figures", markup=False)
        yield ChoiceList(*(Option(f"{head:<17}{does}", id=job) for job, head, does in _JOBS), id="jobs")
        with VerticalScroll(id="came", can_focus=True):
            yield Static("", id="came-lines", markup=False)
        yield Static("", id="keys", markup=False)

    def on_mount(self) -> None:
        """The first job."""
        self.query_one(OptionList).focus()
        self.look_again()

    def on_resize(self, _event: events.Resize) -> None:
        """Lines are cut to the width."""
        self.look_again()

    def look_again(self) -> None:
        """How far it is, and what came of it."""
        if not (self.is_mounted and self.query("#keys") and self.query("#came-lines")):
            return
        self.query_one("#top", Static).update(self.top("Box"))
        self.query_one("#figures", Static).update(self._state())
        lines = self._work.lines
        self.query_one("#came-lines", Static).update(Text("\n".join(lines)))
        if len(lines) != self._lines_shown:
            self._lines_shown = len(lines)
            self.query_one("#came", VerticalScroll).scroll_end(animate=False)
        words = [("enter", "begin"), ("s", "end it"), ("o", "open the report"), ("X", "everything off")]
        self.query_one("#keys", Static).update(self.keys(words))

    def _state(self) -> Text:
        work, looks = self._work, self.looks
        if not work.doing:
            return Text(fit(" nothing is being done", self.width - 1), looks.quiet)
        text = Text(" ")
        if work.of:
            full = min(_BAR, _BAR * work.done // work.of)
            text.append("█" * full + "░" * (_BAR - full), looks.line).append(f" {work.done} of {work.of}  ")
        text.append(f"{work.doing}: {work.step}", looks.strong)
        text.truncate(self.width - 1, overflow="ellipsis")
        return text

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Begin it."""
        begin = {
            "export": self._ask_profile,
            "prove": self._ask_folder,
            "qualify": self._ask_unit,
            "open": self.action_open,
        }
        begin[event.option.id or "open"]()

    def action_end(self) -> None:
        """End a qualification."""
        if self._work.switching:
            self._work.end()
        else:
            self.notify("no unit is being switched")

    def action_open(self) -> None:
        """Open the report of the last qualification."""
        report = self._work.report
        if report is None:
            self.notify("there is no report yet: qualify a unit first", severity="warning")
        else:
            self.notify(plain(open_report(report)), markup=False)

    def _try(self, what: Callable[[], None]) -> None:
        try:
            what()
        except LinewardenError as error:
            self.notify(plain(str(error)), severity="error", markup=False, timeout=10)

    # Export and proof

    def _ask_profile(self) -> None:
        keys = list(dict.fromkeys(bus.profile for bus in self._site.buses))
        if self._profile or len(keys) == 1:
            self._read_profile(self._profile or keys[0])
            return

        def chosen(place: str | None) -> None:
            if place is not None:
                self._read_profile(keys[int(place)])

        choices = [(str(number), key) for number, key in enumerate(keys)]
        self.app.push_screen(ChoiceSheet("A box for which profile?", choices), chosen)

    def _read_profile(self, key: str) -> None:
        async def read() -> None:
            self._ask_export(key, await self._work.begin_export(key))

        self.dashboard.work(read, f"read {key}")

    def _ask_export(self, key: str, choice: ExportChoice) -> None:
        def an_action(text: str) -> str:
            name = (text.split(maxsplit=1) or [""])[0]
            return "" if name in choice.profile.actions else f"{key} has no action {name!r}"

        fields = [
            ("on", "told when the trigger comes (ACTION name=value)", choice.on, an_action),
            ("off", "told when it goes", choice.off, an_action),
            ("address", "the unit's address", "" if choice.address is None else str(choice.address), _whole),
            ("chip", f"chip: {' or '.join(_CHIPS)}", _CHIPS[0], _chip),
            ("clock", "clock in MHz", "8", _positive),
            ("folder", "folder to write", self._work.folder, _named),
        ]

        def given(texts: dict[str, str] | None) -> None:
            if texts is not None:
                self._try(lambda: self._work.export(choice, texts))

        self.app.push_screen(_Form(f"A box for {key}", fields), given)

    def _ask_folder(self) -> None:
        def given(texts: dict[str, str] | None) -> None:
            if texts is not None:
                self._try(lambda: self._work.prove(texts["folder"]))

        field = ("folder", "folder of the box", self._work.folder, _a_folder)
        self.app.push_screen(_Form("Prove a box on a simulated chip", [field]), given)

    # Qualification

    def _ask_unit(self) -> None:
        units = [unit for unit in self._site.units if _switchable(self._site, unit.id)]
        if not units:
            self.notify("no unit of this site can be switched on and off", severity="warning")
            return

        def chosen(unit: str | None) -> None:
            if unit is not None:
                self._ask_cycles(unit)

        choices = [(unit.id, f"{unit.title} ({unit.id})") for unit in units]
        self.app.push_screen(ChoiceSheet("Switch which unit?", choices), chosen)

    def _ask_cycles(self, unit: str) -> None:
        plan = plan_for(self._site, Asked(unit))
        fields = [
            ("on", "on action", plan.on, _named),
            ("off", "off action", plan.off, _named),
            ("cycles", "how many times", str(plan.cycles), _count),
            ("on-for", "seconds on in each", f"{plan.on_for:g}", _number),
            ("off-for", "seconds off in each", f"{plan.off_for:g}", _number),
            ("report", "report (empty: named by unit and time)", "", lambda _: ""),
        ]

        def given(texts: dict[str, str] | None) -> None:
            if texts is not None:
                self._try(lambda: self._confirm(unit, texts))

        self.app.push_screen(_Form(f"Qualify {plan.title}", fields), given)

    def _confirm(self, unit: str, texts: dict[str, str]) -> None:
        asked = Asked(
            unit,
            texts["on"],
            {},
            texts["off"],
            {},
            int(texts["cycles"]),
            float(texts["on-for"]),
            float(texts["off-for"]),
        )
        plan = plan_for(self._site, asked)

        def answered(yes: bool | None) -> None:
            if yes:
                self._try(lambda: self._work.qualify(asked, texts["report"] or None))

        self.app.push_screen(AskSheet(*_question(plan)), answered)


def _question(plan: QualifyPlan) -> tuple[str, str]:
    head = f"Switch {plan.all_switched} on and off {plan.cycles} times?"
    text = (
        f"{plan.on_for:g} s on, {plan.off_for:g} s off: about {plan.seconds / 60:.1f} minutes. See that "
        "nobody is at it. Locks and minimum times hold; s on this screen ends it."
    )
    return head, text


def _switchable(site: SiteView, unit: str) -> bool:
    try:
        plan_for(site, Asked(unit))
    except LinewardenError:
        return False
    return True


def _count(text: str) -> str:
    return "" if text.isascii() and text.isdigit() and int(text) else "give a whole number from 1 up"


def _named(text: str) -> str:
    return "" if text.strip() else "give a name"


def _a_folder(text: str) -> str:
    return "" if Path(text).is_dir() else f"there is no folder {text}"


def _chip(text: str) -> str:
    return "" if text in _CHIPS else f"give {' or '.join(_CHIPS)}"


def _whole(text: str) -> str:
    try:
        int(text or "0", 0)
    except ValueError:
        return "give a whole number, or nothing"
    return ""


def _number(text: str) -> str:
    try:
        return "" if float(text) >= 0 else "give a number from 0 up"
    except ValueError:
        return "give a number"


def _positive(text: str) -> str:
    return _number(text) or ("" if float(text) > 0 else "give a number above 0")
