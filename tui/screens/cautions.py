"""What everybody has to know before the first command."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Static

__all__ = ["CAUTIONS", "CautionsScreen"]

CAUTIONS = """\
· This is no emergency stop and no safety interlock: it needs a computer, an adapter, a line and the gear to \
work, and any of them can fail.
· A service lock stops Linewarden's own commands only. A front panel or a remote still works. Isolate and \
lock out the supply before opening gear.
· Never join a trigger voltage to a logic-level bus without isolation or level conversion.
· Power amplifiers come on last and go off first.
· Follow the makers' instructions and local electrical codes; leave mains work to licensed people."""


class CautionsScreen(ModalScreen[None]):
    """Shown first; any of the keys one would try leaves it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(key, "dismiss", "understood") for key in ("enter", "space", "escape")
    ]

    def __init__(self) -> None:
        super().__init__(classes="sheet")

    def compose(self) -> ComposeResult:
        """The cautions."""
        with Vertical():
            yield Static("Before you switch anything", classes="head", markup=False)
            yield Static(CAUTIONS, markup=False)
            yield Static("\nenter: understood", classes="quiet", markup=False)
