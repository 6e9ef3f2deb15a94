"""A saying bit by bit, a few bytes at a time."""

from __future__ import annotations

from rich.text import Text
from textual.widgets import Static

from controller.api import BusView
from profiles.frames import BitOrder, FrameFormat
from tui.looks import Looks
from tui.painting import fit
from tui.saying_text import bit_lines, saying_times
from tui.traffic_store import Saying

__all__ = ["BitsPanel"]

_BYTES_SHOWN = 5


class BitsPanel(Static):
    """Draws the cells of a saying's bytes from its bus's line settings, and says that it does so."""

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 -- Textual's own name for it
        super().__init__("", id=id, markup=False)
        self.opened = False
        """Whether it is wanted."""
        self._first = 0

    def turn(self) -> None:
        """Open it, or put it away."""
        self.opened = not self.opened
        self._first = 0

    def begin(self) -> None:
        """Another saying is shown: from its first byte."""
        self._first = 0

    def move(self, by: int, saying: Saying | None) -> None:
        """Earlier or later bytes of a long saying."""
        if saying is not None:
            last = max(0, len(saying.data) - _BYTES_SHOWN)
            self._first = max(0, min(self._first + by * _BYTES_SHOWN, last))

    def show(
        self, saying: Saying | None, bus: BusView | None, width: int, looks: Looks, after: float | None = None
    ) -> None:
        """Paint a saying, or nothing.

        Args:
            saying: what was said.
            bus: where.
            width: cells.
            looks: the styles.
            after: seconds of idle line before it, where that is known.
        """
        self.display = self.opened and saying is not None and bus is not None
        if not self.opened or saying is None or bus is None:
            return
        frame, order = FrameFormat.parse(bus.frame), BitOrder(bus.bit_order)
        end = min(self._first + _BYTES_SHOWN, len(saying.data))
        parity = ", parity" if frame.parity_bit(0) is not None else ""
        head = (
            f" {self._first + 1}-{end} of {len(saying.data)}, reconstructed from {bus.baud:g} {frame},"
            f" not measured: start, {order.value} first{parity}, stop"
        )
        lines = [
            Text(fit(head, width - 1), looks.quiet),
            Text(fit(saying_times(saying, after), width - 1), looks.quiet),
        ]
        lines += bit_lines(
            saying,
            frame,
            order,
            idle_high=bus.idle == "high",
            first=self._first,
            most=_BYTES_SHOWN,
            looks=looks,
        )
        for line in lines:
            line.truncate(width)
        self.update(Text("\n").join(lines))
