"""The driver of a visitor's dashboard: Textual's own for browsers, which also ends when its server does."""

from __future__ import annotations

from textual import messages
from textual.drivers.web_driver import WebDriver

__all__ = ["VisitorDriver"]


class VisitorDriver(WebDriver):
    """Ends the app at the end of its input: a server that was killed can tell it nothing any more."""

    def run_input_thread(self) -> None:
        """Read input until the app or its input ends."""
        super().run_input_thread()
        if not self.exit_event.is_set():
            self._app.post_message(messages.ExitApp())
