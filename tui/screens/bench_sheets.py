"""Sheets of the bench: a capture to open."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from tui.bench_files import candidates, completed
from tui.painting import fit
from tui.screens.sheets import TextForm
from tui.telling import plain
from tui.widgets.choice_list import ChoiceList

__all__ = ["BytesForm", "FileForm", "OpenSheet"]


class BytesForm(TextForm):
    """Asks for bytes that are looked for."""

    KEYS = "enter finds    esc leaves"


class FileForm(TextForm):
    """Asks for a file that is written."""

    KEYS = "enter writes    esc leaves"


class OpenSheet(ModalScreen[Path | None]):
    """A path that is typed, and the files that it may become.

    Args:
        here: the folder that paths are relative to.
    """

    CSS = """
    OpenSheet OptionList { height: 1fr; max-height: 14; }
    OpenSheet > Vertical { height: auto; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "leave"),
        Binding("tab", "complete", "complete", priority=True),
        Binding("down", "choose(1)", "next", priority=True),
        Binding("up", "choose(-1)", "previous", priority=True),
        Binding("pagedown", "choose(10)", "next", priority=True),
        Binding("pageup", "choose(-10)", "previous", priority=True),
    ]

    def __init__(self, here: Path) -> None:
        super().__init__(classes="sheet")
        self._here = here
        self._texts: list[str] = []
        self._moved = False
        """Whether the list was gone through since something was typed."""

    def compose(self) -> ComposeResult:
        """A line for the path, and the files below it."""
        with Vertical():
            yield Static("Open a capture", classes="head", markup=False)
            yield Input(placeholder="a path; or choose below", id="path")
            yield ChoiceList(id="files")
            yield Static("", id="open-wrong", classes="wrong", markup=False)
            yield Static("tab completes    up, down choose    enter opens    esc leaves", classes="quiet")

    def on_mount(self) -> None:
        """The files of the folder."""
        self.query_one("#path", Input).focus()
        self._fill()

    def on_resize(self, _event: events.Resize) -> None:
        """Names are cut to the width."""
        self._fill()

    def _fill(self) -> None:
        text = self.query_one("#path", Input).value
        found = candidates(text, self._here)
        self._texts = [each.text for each in found]
        files = self.query_one("#files", OptionList)
        files.clear_options()
        width = max(16, min(74, self.size.width) - 8)
        for each in found:
            size = "" if each.folder else _size(each.size)
            words = fit(each.name, max(8, width - 10))
            files.add_option(Option(Text(f"{words}{size:>{max(1, width - Text(words).cell_len)}}")))
        self.query_one("#open-wrong", Static).update("" if found else "no file begins so")
        files.highlighted = 0 if found else None
        self._moved = False

    def on_input_changed(self) -> None:
        """What may still be meant."""
        self._fill()

    def action_choose(self, by: int) -> None:
        """Another file of the list."""
        files = self.query_one("#files", OptionList)
        if self._texts:
            at = files.highlighted or 0
            files.highlighted = max(0, min(at + by, len(self._texts) - 1))
            self._moved = True

    def action_complete(self) -> None:
        """Type what is certain; where nothing is, take what is chosen."""
        line = self.query_one("#path", Input)
        text = completed(line.value, self._here)
        if text == line.value and self._texts:
            text = self._texts[self.query_one("#files", OptionList).highlighted or 0]
        line.value = text
        line.cursor_position = len(text)

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """This one."""
        self._take(self._texts[event.option_index])

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """What is typed, if it is there; else what is chosen."""
        files = self.query_one("#files", OptionList)
        typed = event.value.strip()
        there = bool(typed) and (self._here / Path(typed).expanduser()).is_file()
        if self._texts and files.highlighted is not None and (self._moved or not there):
            self._take(self._texts[files.highlighted])
        elif there:
            self._take(typed)
        else:
            self.query_one("#open-wrong", Static).update(plain(f"there is no file {typed!r}"))

    def _take(self, text: str) -> None:
        if text.endswith("/"):
            line = self.query_one("#path", Input)
            line.value = text
            line.cursor_position = len(text)
            line.focus()
        else:
            self.dismiss(self._here / Path(text).expanduser())

    def action_leave(self) -> None:
        """Open none."""
        self.dismiss(None)


def _size(size: int) -> str:
    for unit, factor in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if size >= factor:
            return f"{size / factor:.3g} {unit}"
    return f"{size} B"
