"""The profile editor: the text itself, what is wrong with it, and what it would send."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container, Vertical
from textual.timer import Timer
from textual.widgets import OptionList, Static, TextArea
from textual.widgets.option_list import Option

from profiles.checking import Checked, check_text
from tui.finding_text import bytes_lines, fault_text, fault_words
from tui.painting import fit
from tui.profile_draft import ProfileDraft
from tui.profile_places import Part, part_at
from tui.screens.main_screen import MainScreen
from tui.screens.profile_adding import ProfileAdder
from tui.screens.profile_saving import ProfileSaver
from tui.screens.sheets import AskSheet
from tui.widgets.choice_list import ChoiceList
from tui.widgets.profile_text import ProfileText

if TYPE_CHECKING:
    from tui.app import DashboardApp

__all__ = ["ProfileEditorScreen", "may_drop"]

_CHECK_AFTER = 0.15
"""Seconds without a key before the text is checked."""
_MOST_FAULTS = 200
"""Faults that are listed; more help nobody."""
_WIDE = 110
"""Cells from which what is found stands beside the text."""


class ProfileEditorScreen(MainScreen):
    """One profile's text.

    Args:
        draft: the text, which stays while other screens are looked at.
    """

    EXPLANATION = """\
The file itself is edited, so its comments stay. Below it, or beside it where there is room, stand the bytes
that the action under the cursor would send, and every fault with its line, as you type. Nothing is sent.

  ctrl+s     save: the difference is shown first; a bus that uses the profile goes by it at once
  ctrl+n     put in an action, a parameter, an observation, a state, evidence
  ctrl+z, y  ctrl+z a step back, ctrl+y forth again
  ctrl+g     the next fault
  tab        between the text and the faults; enter there goes to the line
  esc        another profile; what is not saved is asked about
  F2, F3 ... other screens; the text waits for you behind F4
  F9         everything off"""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+s", "save", "save"),
        Binding("ctrl+n", "add", "put in"),
        Binding("ctrl+g", "next_fault", "next fault"),
        Binding("escape", "leave", "leave"),
    ]

    def __init__(self, draft: ProfileDraft) -> None:
        super().__init__(name="profiles")
        self.draft = draft
        self.checked: Checked | None = None
        """What became of the text; None while it is not known."""
        self._checked_text = ""
        self._timer: Timer | None = None
        self._shown_faults: object = None

    def compose(self) -> ComposeResult:
        """The text, and what is found in it."""
        yield Static("", id="top", markup=False)
        yield Static("", id="figures", markup=False)
        with Container(id="desk"):
            yield ProfileText(id="profile-text")
            with Vertical(id="found"):
                yield Static("", id="bytes", markup=False)
                yield ChoiceList(id="faults")
        yield Static("", id="keys", markup=False)

    def on_mount(self) -> None:
        """Show the text where it was left."""
        if not self.query(ProfileText):
            return  # the program was left before the screen came up
        area = self.query_one(ProfileText)
        area.load_text(self.draft.text)
        area.show(self.draft.text, self.draft.cursor)
        area.focus()
        # The place can be shown once there is a size to show it in.
        self.call_after_refresh(self.take_draft)
        self.look_for_others()

    def look_for_others(self) -> None:
        """Somebody else may have saved the profile: take it where nothing is lost by that, else say so."""
        draft, app = self.draft, self.dashboard

        async def look() -> None:
            theirs = await app.api.profile(draft.key)
            if theirs.revision == draft.saved.revision or theirs.text == draft.file_text:
                return
            if not draft.changed:
                draft.takes_theirs(theirs)
                self.take_draft()
                app.notify("somebody else has saved this profile: this is what it says now", markup=False)
            else:
                app.notify(
                    "somebody else has saved this profile meanwhile; ctrl+s shows what they changed",
                    severity="warning",
                    markup=False,
                )

        app.work(look, f"read {draft.key}")

    def on_screen_suspend(self) -> None:
        """Another screen comes: keep what was typed."""
        self._keep()

    def on_resize(self, _event: events.Resize) -> None:
        """Beside or below."""
        if self._stands:
            self.query_one("#desk").set_class(self.size.width >= _WIDE, "wide")
            self.look_again()

    @property
    def _stands(self) -> bool:
        """Whether there is anything to paint into: not before it is made, nor once it is put away."""
        return self.is_mounted and bool(self.query("#keys"))

    # Showing

    def take_draft(self) -> None:
        """The draft was changed by something else than typing: show it."""
        if self._stands:
            self.query_one(ProfileText).show(self.draft.text, self.draft.cursor, centre=True)
            self.query_one(ProfileText).focus()
            self._check_soon()
            self.look_again()

    def look_again(self) -> None:
        """Paint all but the text."""
        if not self._stands:
            return
        draft, looks = self.draft, self.looks
        self.query_one("#top", Static).update(self.top(f"profile {draft.saved.name}"))
        self.query_one("#figures", Static).update(self._state())
        small = self.size.height < 12
        self.query_one("#found").display = not small
        self.query_one("#keys").display = not small
        words = [
            ("ctrl+s", "save"),
            ("ctrl+n", "put in"),
            ("ctrl+z", "undo"),
            ("ctrl+g", "next fault"),
            ("esc", "leave"),
            ("F1", "help"),
        ]
        self.query_one("#keys", Static).update(self.keys(words))
        panel = self.query_one("#found")
        width = max(20, (panel.size.width or self.width) - 1)
        checked = self.checked if self._checked_text == draft.text else None
        shown = checked or self.checked
        lines = bytes_lines(shown, draft.text, self.part, self.dashboard.model.site, draft.key, width, looks)
        self.query_one("#bytes", Static).update(Text("\n").join(lines))
        self._show_faults()

    @property
    def part(self) -> Part:
        """What the cursor is in."""
        return part_at(self.draft.text, self.draft.line)

    def _state(self) -> Text:
        draft, looks = self.draft, self.looks
        text = Text(" ")
        if draft.changed:
            text.append("● not saved", looks.care)
        else:
            text.append("saved", looks.well)
        text.append("   ")
        if self.checked is None or self._checked_text != draft.text:
            text.append("looking ...", looks.quiet)
        else:
            text.append(fault_words(self.checked), looks.wrong if self.checked.errors else looks.well)
        where = "came with Linewarden" if draft.becomes_own else draft.saved.path
        part = self.part
        place = f"{part.kind} {part.name}".strip()
        told = f"   line {draft.line}{f', {place}' if place else ''}   {where}"
        return text.append(fit(told, self.width - text.cell_len - 1), looks.quiet)

    def _show_faults(self) -> None:
        if self._shown_faults is self.checked:
            return
        self._shown_faults = self.checked
        faults = self.checked.faults[:_MOST_FAULTS] if self.checked is not None else ()
        listed = self.query_one("#faults", OptionList)
        listed.clear_options()
        for number, fault in enumerate(faults):
            listed.add_option(Option(fault_text(fault, self.looks), id=str(number)))
        listed.display = bool(faults)
        lines = {fault.line for fault in faults if fault.line is not None and not fault.warning}
        self.query_one(ProfileText).mark(lines)

    # Checking

    def _check_soon(self) -> None:
        if self._timer is not None:
            self._timer.stop()
        self._timer = self.set_timer(_CHECK_AFTER, self._check)

    def _check(self) -> None:
        text, file = self.draft.text, self.draft.saved.path

        async def check() -> None:
            checked = await asyncio.to_thread(check_text, text, file)
            if text == self.draft.text:
                self.checked, self._checked_text = checked, text
                self.look_again()

        self.dashboard.run_worker(
            check(), name="check the profile", group="profile check", exclusive=True, exit_on_error=False
        )

    # Typing

    def _keep(self) -> None:
        if not self._stands:
            return
        area = self.query_one(ProfileText)
        if self.draft.edit(area.text, area.index, typed=True):
            self._check_soon()

    def on_text_area_changed(self, _event: TextArea.Changed) -> None:
        """Keep what was typed, and look at it soon."""
        self._keep()
        self.look_again()

    def on_text_area_selection_changed(self, _event: TextArea.SelectionChanged) -> None:
        """Another action may be under the cursor."""
        area = self.query_one(ProfileText)
        if area.text == self.draft.text:
            self.draft.cursor = area.index
            self.look_again()

    def on_profile_text_stepped(self, message: ProfileText.Stepped) -> None:
        """A step back or forth."""
        self._keep()
        if self.draft.undo() if message.back else self.draft.redo():
            self.query_one(ProfileText).show(self.draft.text, self.draft.cursor)
            self._check_soon()
            self.look_again()

    # Doing

    def action_save(self) -> None:
        """Show the difference, then save."""
        self._keep()
        ProfileSaver(self.dashboard, self.draft, self.take_draft).begin()

    def action_add(self) -> None:
        """Put something in."""
        self._keep()
        checked = self.checked if self._checked_text == self.draft.text else None
        ProfileAdder(self.dashboard, self.draft, checked, self.take_draft).begin()

    def action_next_fault(self) -> None:
        """Go to the next fault's line, from the last one back to the first."""
        faults = self.checked.faults if self.checked is not None else ()
        lines = sorted({fault.line for fault in faults if fault.line})
        if not lines:
            self.notify("no fault is found", timeout=3)
            return
        self._go_to(next((line for line in lines if line > self.draft.line), lines[0]))

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Go to a fault's line."""
        fault = self.checked.faults[int(event.option.id or 0)] if self.checked is not None else None
        if fault is not None and fault.line:
            self._go_to(fault.line)

    def _go_to(self, line: int) -> None:
        self._keep()
        self.draft.go_to_line(line)
        area = self.query_one(ProfileText)
        area.show(self.draft.text, self.draft.cursor, centre=True)
        area.focus()
        self.look_again()

    def action_leave(self) -> None:
        """Back to the list of profiles, asking about what is not saved."""
        self._keep()
        app = self.dashboard

        def go() -> None:
            app.draft = None
            app.action_show("profiles")

        may_drop(app, go)


def may_drop(app: DashboardApp, go: Callable[[], None]) -> None:
    """Do something that ends the draft; where it is not saved, only after a yes."""
    draft = app.draft
    if draft is None or not draft.changed:
        go()
        return

    def answered(yes: bool | None) -> None:
        if yes:
            go()

    app.push_screen(
        AskSheet(
            f"Leave {draft.saved.name} without saving?",
            "What you changed is then lost. n goes back to it, where ctrl+s saves.",
        ),
        answered,
    )
