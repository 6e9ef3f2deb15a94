"""The profiles that there are, and drafts that begin from a burst in the traffic."""

from __future__ import annotations

import asyncio
import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from profiles.checking import check_text
from profiles.errors import LinewardenError
from profiles.library import Listed, Origin, list_profiles
from tui.burst_drafting import Proposal, action_block, evidence_block, observation_block, propose
from tui.painting import fit
from tui.profile_draft import ProfileDraft
from tui.profile_places import insert_block
from tui.screens.box import BoxScreen
from tui.screens.main_screen import MainScreen
from tui.screens.profile_adding import ProfileForm, free_name, name_problem, names_in
from tui.screens.profile_editor import ProfileEditorScreen, may_drop
from tui.telling import clock_time, hexadecimal, plain
from tui.widgets.choice_list import ChoiceList

if TYPE_CHECKING:
    from tui.app import DashboardApp

__all__ = ["ProfilesScreen", "Seen", "begin_draft", "begin_draft_in", "profiles_screen"]


def profiles_screen(app: DashboardApp) -> MainScreen:
    """The profile that is being worked on, or the list to choose one from."""
    return ProfilesScreen() if app.draft is None else ProfileEditorScreen(app.draft)


class ProfilesScreen(MainScreen):
    """Profiles to choose from: those of the site's buses first."""

    EXPLANATION = """\
A profile is what Linewarden knows of one kind of bus: how its line is set, what its units can be told, and
what they tell. Those that this site's buses use come first.

  enter      look into it, and change it
  b          a box for it: export, prove; and qualify a unit
  X, F9      everything off
  F2, esc    back to the units

To make a new action of something you saw on the line, go to the traffic (F3), select it, and press a."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("b", "box", "box"),
        Binding("X", "app.everything_off", "everything off"),
        Binding("question_mark", "app.explain", "help"),
        Binding("escape", "app.units", "units"),
    ]

    def __init__(self) -> None:
        super().__init__(name="profiles")
        self._listed: list[Listed] = []
        self._keys: list[str] = []
        self._problem = ""

    def compose(self) -> ComposeResult:
        """The list."""
        yield Static("", id="top", markup=False)
        yield Static("", id="figures", markup=False)
        yield ChoiceList(id="entries")
        yield Static("", id="keys", markup=False)

    def on_mount(self) -> None:
        """Look for profiles."""
        self.query_one(OptionList).focus()

        async def look() -> None:
            self._listed = await asyncio.to_thread(list_profiles)
            self._fill()

        self._fill()
        self.dashboard.work(look, "list profiles")

    def on_resize(self, _event: events.Resize) -> None:
        """Lines are cut to the width."""
        self._fill()

    def look_again(self) -> None:
        """Paint all but the list."""
        if not (self.is_mounted and self.query("#keys")):
            return
        looks = self.looks
        self.query_one("#top", Static).update(self.top("Profiles"))
        if self._problem:
            said = Text(fit(f" ✗ {self._problem}", self.width - 1), looks.wrong)
        else:
            said = Text(fit(" which one? ● is used by a bus of this site", self.width - 1), looks.quiet)
        self.query_one("#figures", Static).update(said)
        words = [("enter", "look into it"), ("b", "box"), ("X", "everything off"), ("?", "help")]
        self.query_one("#keys", Static).update(self.keys(words))
        self.query_one("#keys").display = self.size.height >= 10

    def _fill(self) -> None:
        if not (self.is_mounted and self.query("#keys")):
            return
        used: dict[str, list[str]] = {}
        for bus in self.dashboard.model.site.buses:
            used.setdefault(bus.profile, []).append(bus.id)
        by_name = {listed.source.name: listed for listed in self._listed}
        self._keys = [*used, *(name for name in by_name if name not in used)]
        entries = self.query_one(OptionList)
        kept = entries.highlighted
        entries.clear_options()
        for place, key in enumerate(self._keys):
            words = self._line(key, by_name.get(key), used.get(key, []))
            entries.add_option(Option(words, id=str(place)))
        if self._keys:
            entries.highlighted = min(kept or 0, len(self._keys) - 1)
        self.look_again()

    def _line(self, key: str, listed: Listed | None, buses: list[str]) -> Text:
        looks, width = self.looks, self.width - 3
        text = Text().append("● " if buses else "  ", looks.well)
        text.append(fit(key, width // 3).ljust(min(22, width // 3)), looks.strong)
        told = []
        if listed is not None:
            told.append(listed.title or listed.problem)
            origin = "yours" if listed.source.origin is Origin.OWN else "came with Linewarden"
            told.append(f"{origin}, instead of the one that came" if listed.replaces_shipped else origin)
        if buses:
            told.append(f"bus {', '.join(buses)}")
        text.append(fit("  " + "   ".join(filter(None, told)), max(0, width - text.cell_len)), looks.quiet)
        return text

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Open it; where that can't be, say why."""
        key = self._keys[int(event.option.id or 0)]
        app = self.dashboard

        async def open_it() -> None:
            try:
                app.draft = ProfileDraft(key, await app.api.profile(key))
            except LinewardenError as error:
                self._problem = str(error)
                self.look_again()
                raise
            app.action_show("profiles")

        app.work(open_it, f"open {key}")

    def action_box(self) -> None:
        """A box for the profile that is selected."""
        place = self.query_one(OptionList).highlighted
        key = self._keys[place] if place is not None and place < len(self._keys) else ""
        self.app.push_screen(BoxScreen(key))


def begin_draft(app: DashboardApp, kind: str, bus: str, data: bytes, at: float) -> None:
    """Make a burst an action or an observation of its bus's profile: ask its name, then open the editor.

    Args:
        app: the dashboard.
        kind: ``action`` or ``observation``.
        bus: where it was seen.
        data: its bytes.
        at: UTC seconds when it was seen.
    """
    key = next((each.profile for each in app.model.site.buses if each.id == bus), "")
    day = dt.datetime.fromtimestamp(at).astimezone().date()
    begin_draft_in(app, key, kind, Seen(data, day, f"seen on {bus} at {clock_time(at)[:8]}"))


def begin_draft_in(app: DashboardApp, key: str, kind: str, seen: Seen) -> None:
    """Make a burst an action or an observation of a profile: ask its name, then open the editor.

    Args:
        app: the dashboard.
        key: the profile, as the Controller API knows it.
        kind: ``action`` or ``observation``.
        seen: the burst.
    """

    async def ask() -> None:
        draft = app.draft
        if draft is None or draft.key != key:
            draft = ProfileDraft(key, await app.api.profile(key))
        checked = await asyncio.to_thread(check_text, draft.text, draft.saved.path)
        proposal = propose(checked.profile, seen.data, observed=kind == "observation")
        _ask_name(app, draft, kind, proposal, seen)

    def begin() -> None:
        app.work(ask, "a burst into the profile")

    if app.draft is not None and app.draft.key != key:
        may_drop(app, begin)
    else:
        begin()


@dataclass(frozen=True, slots=True)
class Seen:
    """A burst, and where and when it was."""

    data: bytes
    day: dt.date
    note: str
    name: str = "new-action"
    """What an action of it may be called."""
    warning: str = ""
    """What to think of before it goes into that profile."""
    keep: Callable[[ProfileDraft, str], tuple[str, str]] | None = None
    """Keeps the capture that it is from beside the profile, for an action; gives its file and channel."""


def _ask_name(app: DashboardApp, draft: ProfileDraft, kind: str, proposal: Proposal, seen: Seen) -> None:
    taken = names_in(draft.text, "actions")
    words = [hexadecimal(seen.data) if len(seen.data) <= 24 else f"{len(seen.data)} bytes"]
    if proposal.known:
        words.append(f"The profile knows it already: {proposal.known}. What is to be new needs other bytes.")
    if seen.warning:
        words.append(seen.warning)
    if proposal.like and not proposal.known:
        words.append(f"It is built like {proposal.like}: that is proposed for it.")

    def given(texts: dict[str, str] | None) -> None:
        if texts is None:
            return
        if kind == "action":
            name = texts["name"]
            kept = _kept(app, draft, name, seen)
            block = evidence_block(name, proposal.address, seen.data, seen.day, seen.note, kept)
            text, _ = insert_block(draft.text, "evidence", block)
            text, cursor = insert_block(text, "actions", action_block(name, texts["title"], proposal))
        else:
            block = observation_block(texts["title"], proposal, seen.data, seen.day, seen.note)
            text, cursor = insert_block(draft.text, "observations", block)
            cursor = text.index("[[", cursor)
        draft.edit(text, cursor)
        app.draft = draft
        app.action_show("profiles")

    title = ("title", "title, as it is shown (may be empty)", "", lambda _text: "")
    if kind == "action":
        name = (
            "name",
            "name",
            free_name(seen.name, taken),
            lambda text: name_problem(text, taken),
        )
        form = ProfileForm("A new action", [name, title], plain("\n".join(words), lines=True))
    else:
        form = ProfileForm("A new observation", [title], plain("\n".join(words), lines=True))
    app.push_screen(form, given)


def _kept(app: DashboardApp, draft: ProfileDraft, action: str, seen: Seen) -> tuple[str, str] | None:
    """The capture that stays as evidence; without it the bytes alone are."""
    if seen.keep is None:
        return None
    try:
        return seen.keep(draft, action)
    except LinewardenError as error:
        app.notify(plain(f"the evidence has no capture: {error}"), severity="warning", markup=False)
        return None
