"""The settings of a line, each left to be found or given: a line of small fields."""

from __future__ import annotations

from collections.abc import Mapping

from textual import events
from textual.app import ComposeResult
from textual.containers import Container, Horizontal
from textual.message import Message
from textual.timer import Timer
from textual.widgets import Input, Static

from profiles.bench.decoding import DecodeOptions
from profiles.errors import BadValue
from tui.bench_settings import FIELDS, read_options, texts_of
from tui.telling import plain

__all__ = ["LineSettings"]

_AFTER = 0.25
"""Seconds without a key before what is typed is gone by."""


class LineSettings(Container):
    """Asks for settings, and tells of them as soon as they can be."""

    DEFAULT_CSS = """
    LineSettings { height: auto; background: $surface; display: none; }
    LineSettings > #fields { height: auto; layout: grid; grid-size: 4; grid-rows: 1; }
    LineSettings Horizontal { height: 1; }
    LineSettings Static { width: 12; color: $foreground 65%; padding: 0 0 0 1; }
    LineSettings Input { width: 1fr; height: 1; border: none; padding: 0; background: $panel; }
    LineSettings Input:focus { border: none; background: $primary 30%; }
    LineSettings > #setting-wrong { width: 100%; height: 1; color: $error; }
    """

    class Given(Message):
        """The settings have changed."""

        def __init__(self, options: DecodeOptions) -> None:
            super().__init__()
            self.options = options

    class Closed(Message):
        """Enough was given."""

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 -- Textual's own name for it
        super().__init__(id=id)
        self._timer: Timer | None = None
        self._given = DecodeOptions()

    def compose(self) -> ComposeResult:
        """A name and a field each."""
        with Container(id="fields"):
            for field in FIELDS:
                with Horizontal():
                    yield Static(field.label, markup=False)
                    yield Input(placeholder=field.hint, id=f"set-{field.name}")
        yield Static("", id="setting-wrong", markup=False)

    def on_resize(self, event: events.Resize) -> None:
        """As many beside each other as there is room for."""
        width = event.container_size.width
        columns = 4 if width >= 76 else 2 if width >= 40 else 1
        self.query_one("#fields").styles.grid_size_columns = columns

    def open(self, options: DecodeOptions) -> None:
        """Ask, beginning with what is given already."""
        self._given = options
        with self.prevent(Input.Changed):
            for name, text in texts_of(options).items():
                self.query_one(f"#set-{name}", Input).value = text
        self._say("")
        self.display = True
        # At once, so that what is typed next already goes into the field.
        self.screen.set_focus(self.query(Input).first())

    @property
    def is_open(self) -> bool:
        """Whether it asks."""
        return bool(self.display)

    @property
    def texts(self) -> Mapping[str, str]:
        """What is written."""
        return {field.name: self.query_one(f"#set-{field.name}", Input).value for field in FIELDS}

    def _say(self, words: str) -> None:
        self.query_one("#setting-wrong", Static).update(
            plain(words) or " empty is left to be found; tab moves, enter or esc: done"
        )

    def on_input_changed(self, event: Input.Changed) -> None:
        """Go by it, once nothing more is typed."""
        event.stop()
        if self._timer is not None:
            self._timer.stop()
        self._timer = self.set_timer(_AFTER, self._look)

    def _look(self) -> None:
        try:
            options = read_options(self.texts)
        except BadValue as error:
            self._say(f" ✗ {error}")
            return
        self._say("")
        if options != self._given:
            self._given = options
            self.post_message(self.Given(options))

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Done."""
        event.stop()
        self.close()

    def close(self) -> None:
        """Ask no more; what is typed counts at once."""
        if self._timer is not None:
            self._timer.stop()
        self._look()
        self.display = False
        self.post_message(self.Closed())
