"""The journal: what was commanded, from where, and what became of it."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import ClassVar

from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.timer import Timer
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from controller.api import JournalEntry, JournalQuery
from controller.records import to_json
from profiles.errors import FileUnwritable
from tui.model import LastWord
from tui.painting import fit
from tui.screens.main_screen import MainScreen
from tui.screens.sheets import TextForm
from tui.telling import action_words, clock_time, entry_lines, origin_words, plain
from tui.widgets.choice_list import ChoiceList

__all__ = ["JournalScreen"]

_PAGE = 200
_READ_EVERY = 0.5
"""Seconds until what happened is read: a whole sequence comes in one go."""
_NOTHING, _NOTHING_FITS = " nothing was commanded yet", " nothing fits what you look for; esc shows all"


class JournalScreen(MainScreen):
    """The newest commands first."""

    EXPLANATION = """\
Every command, newest first: when, what, what became of it, and who asked. An MQTT client's name is what it
says of itself (claimed).

  enter      all about the selected command, with the traffic kept around a failure
  /          find: words of unit, action, origin, reason
  tab        into what is told of it, where the arrows read on; tab again goes back
  m          older ones as well
  e          export what is shown (JSON lines)
  esc        put away what was opened last, then the units
  X, F9      everything off
  F2         back to the units"""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("slash", "seek", "find"),
        Binding("m", "more", "older"),
        Binding("e", "export", "export"),
        Binding("X", "app.everything_off", "everything off"),
        Binding("question_mark", "app.explain", "help"),
        Binding("escape", "back", "show all"),
    ]

    def __init__(self) -> None:
        super().__init__(name="journal")
        self._limit = _PAGE
        self._words = ""
        self._entries: list[JournalEntry] = []
        self._asked = False
        self._seen: dict[str, tuple[str, bool]] = {}
        """Of each unit the last command, and whether it was under way, when the journal was read."""
        self._again: Timer | None = None

    def compose(self) -> ComposeResult:
        """The entries, and one of them whole."""
        yield Static("", id="top", markup=False)
        yield Static("", id="nothing", markup=False)
        yield ChoiceList(id="entries")
        with VerticalScroll(id="whole"):
            yield Static("", id="entry", markup=False)
        yield Input(placeholder="words of unit, action, origin, reason", id="seek")
        yield Static("", id="keys", markup=False)

    def on_mount(self) -> None:
        """Ask for the newest."""
        self.query_one(OptionList).focus()
        self._ask()

    def on_screen_resume(self) -> None:
        """Ask again: more may have happened."""
        self._ask()

    def on_resize(self, _event: events.Resize) -> None:
        """Lines are cut to the width."""
        self._paint()

    def look_again(self) -> None:
        """Something happened: where it was a command or its outcome, the journal is read again."""
        if not (self.is_mounted and self.query("#top")):
            return
        self.query_one("#top", Static).update(self.top("Journal"))
        last = {unit: (word.command.id, word.outcome is None) for unit, word in self._last}
        if last != self._seen:
            self._seen = last
            if self._again is None:
                self._again = self.set_timer(_READ_EVERY, self._read_again)

    @property
    def _last(self) -> Iterable[tuple[str, LastWord]]:
        return self.dashboard.model.last.items()

    def _read_again(self) -> None:
        self._again = None
        if self.is_current:
            self._ask()

    def _ask(self) -> None:
        query = JournalQuery(limit=self._limit, text=self._words or None, traffic=True)

        async def ask() -> None:
            self._entries = await self.dashboard.api.journal(query)
            self._asked = True
            self._paint()

        self.dashboard.work(ask, "journal")

    def _paint(self) -> None:
        if not self.is_mounted:
            return
        self.look_again()
        width = self.width
        entries = self.query_one(OptionList)
        at = entries.highlighted
        kept = entries.get_option_at_index(at).id if at is not None else None
        entries.clear_options()
        for entry in self._entries:
            entries.add_option(Option(self._line(entry, width - 3), id=entry.command.id))
        nothing = self.query_one("#nothing", Static)
        nothing.display = self._asked and not self._entries
        nothing.update(Text(_NOTHING_FITS if self._words else _NOTHING, self.looks.quiet))
        if self._entries:
            # What one reads stays selected, though newer ones come above it; the newest stays the newest.
            ids = [entry.command.id for entry in self._entries]
            reading = at or self.query_one("#whole").has_class("open")
            entries.highlighted = ids.index(kept) if reading and kept in ids else 0
        words = [("esc", "show all")] if self._words else []
        words += [("enter", "all about it"), ("/", "find"), ("m", "older"), ("e", "export"), ("?", "help")]
        self.query_one("#keys", Static).update(self.keys(words))
        self.query_one("#keys").display = self.size.height >= 10

    def _line(self, entry: JournalEntry, width: int) -> Text:
        command, outcome = entry.command, entry.outcome
        looks = self.looks
        text = Text().append(clock_time(command.at, date=True)[5:19] + " ", looks.quiet)
        who = f" {origin_words(command.origin)}"
        room = width - text.cell_len
        text.append(fit(action_words(command), room // 2), looks.strong)
        if outcome is None:
            word, style = "under way", looks.care
        else:
            reason = f" ({outcome.reason.value})" if outcome.reason else ""
            word, style = f"{outcome.result.value}{reason}", looks.result(outcome.result)
        text.append(f"  {word}", style)
        text.append(fit(f" {who}", max(0, width - text.cell_len)), looks.quiet)
        return text

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """All about one command."""
        entry = next((each for each in self._entries if each.command.id == event.option.id), None)
        if entry is None:  # newer ones pushed it out since the key
            return
        self.query_one("#entry", Static).update("\n".join(plain(line) for line in entry_lines(entry)))
        self.query_one("#whole").add_class("open")

    def action_seek(self) -> None:
        """Find words."""
        seek = self.query_one("#seek", Input)
        seek.add_class("open")
        seek.focus()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Find them."""
        self._words = event.value
        self._ask()
        self.query_one(OptionList).focus()

    def action_more(self) -> None:
        """Older ones as well."""
        self._limit += _PAGE
        self._ask()

    def action_back(self) -> None:
        """The whole entry away, then the words away, then back to the units."""
        whole, seek = self.query_one("#whole"), self.query_one("#seek", Input)
        if whole.has_class("open"):
            whole.remove_class("open")
        elif seek.has_class("open"):
            seek.remove_class("open")
            seek.value = self._words = ""
            self._ask()
            self.query_one(OptionList).focus()
        else:
            self.dashboard.action_units()

    def action_export(self) -> None:
        """Write what is shown into a file."""
        entries = list(self._entries)

        def given(texts: dict[str, str] | None) -> None:
            if texts is None:
                return
            path = Path(texts["file"]).expanduser()
            try:
                # What a broker's clients say may have halves of characters in it, which no file can hold.
                with path.open("x", encoding="utf-8", errors="replace") as file:
                    for entry in entries:
                        file.write(json.dumps(to_json(entry), ensure_ascii=False) + "\n")
            except OSError as error:
                wrong = FileUnwritable(f"can't be written ({error.strerror})", where=str(path))
                self.notify(plain(str(wrong)), severity="error", markup=False)
            else:
                self.notify(f"{len(entries)} commands are in {path}", markup=False)

        def named(text: str) -> str:
            return "" if text.strip() else "name a file"

        form = TextForm(f"Export {len(entries)} commands", [("file", "file", "journal.jsonl", named)])
        self.app.push_screen(form, given)
