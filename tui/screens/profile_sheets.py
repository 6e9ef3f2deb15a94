"""Sheets of the profile editor: a difference before it is saved, and what to do where two have changed it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Static

from tui.finding_text import difference_text
from tui.looks import Looks
from tui.profile_draft import Moved
from tui.telling import plain

__all__ = ["DifferenceSheet", "MovedSheet"]


class DifferenceSheet(ModalScreen[bool | None]):
    """What saving would change; only ``y`` saves.

    Args:
        head: the heading.
        text: what is to be known before saving.
        lines: a unified diff.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("y,ctrl+s", "save", "save"),
        Binding("escape,n", "leave", "back"),
    ]

    def __init__(self, head: str, text: str, lines: Sequence[str]) -> None:
        super().__init__(classes="sheet")
        self._head, self._text, self._lines = plain(head), plain(text), lines

    def compose(self) -> ComposeResult:
        """A heading, what is to be known, the difference, the keys."""
        with Vertical(classes="tall"):
            yield Static(self._head, classes="head", markup=False)
            yield Static(self._text, classes="quiet", markup=False)
            with VerticalScroll(classes="difference"):
                yield Static("", id="difference", markup=False)
            yield Static("y saves    esc goes back to the text", classes="quiet", markup=False)

    def on_mount(self) -> None:
        """Paint the difference."""
        looks = Looks(dark=self.app.current_theme.dark)
        self.query_one("#difference", Static).update(difference_text(self._lines, looks))
        self.query_one(VerticalScroll).focus()

    def action_save(self) -> None:
        """Save it."""
        self.dismiss(True)

    def action_leave(self) -> None:
        """Back to the text."""
        self.dismiss(None)


class MovedSheet(ModalScreen[str | None]):
    """Somebody else has saved the profile in between: what each changed, and what is to become of it.

    Gives ``mine`` where one's own text is to be saved over theirs, which it takes only once the difference
    between the two was shown; ``theirs`` where one goes on with theirs; None where it is left for later.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("1", "show(0)", "what they changed"),
        Binding("2", "show(1)", "what you changed"),
        Binding("3", "show(2)", "between the two"),
        Binding("m", "mine", "save yours"),
        Binding("t", "theirs", "take theirs"),
        Binding("escape", "leave", "decide later"),
    ]

    def __init__(self, name: str, moved: Moved) -> None:
        super().__init__(classes="sheet")
        self._head = plain(f"Somebody else has saved {name} in between. Nothing was overwritten.")
        self._views = (
            ("1 what they changed", moved.they_changed),
            ("2 what you changed", moved.i_changed),
            ("3 what saving yours would do to theirs", moved.between),
        )
        self._shown = 0
        self._seen: set[int] = set()

    def compose(self) -> ComposeResult:
        """Which of the differences this is, the difference, the keys."""
        with Vertical(classes="tall"):
            yield Static(self._head, classes="head", markup=False)
            yield Static("", id="which", markup=False)
            with VerticalScroll(classes="difference"):
                yield Static("", id="difference", markup=False)
            yield Static(
                "1 what they changed   2 what you changed   3 theirs against yours\n"
                "t go on with theirs (undo brings yours back)   m save yours over theirs   esc later",
                classes="quiet",
                markup=False,
            )

    def on_mount(self) -> None:
        """What they changed comes first."""
        self.query_one(VerticalScroll).focus()
        self.action_show(0)

    def action_show(self, view: int) -> None:
        """Show one of the differences."""
        self._shown = view
        self._seen.add(view)
        head, lines = self._views[view]
        looks = Looks(dark=self.app.current_theme.dark)
        self.query_one("#which", Static).update(head)
        self.query_one("#difference", Static).update(difference_text(lines, looks))
        self.query_one(VerticalScroll).scroll_home(animate=False)

    def action_mine(self) -> None:
        """Save one's own, once it was shown what that does to theirs."""
        if 2 not in self._seen:
            self.action_show(2)
            self.notify("this is what it would do to theirs; m again saves yours over it")
            return
        self.dismiss("mine")

    def action_theirs(self) -> None:
        """Go on with theirs."""
        self.dismiss("theirs")

    def action_leave(self) -> None:
        """Back to the text; nothing is saved."""
        self.dismiss(None)
