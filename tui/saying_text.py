"""A saying as text: meaning first, then its bytes with what became of each. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rich.text import Text

from profiles.frames import BitOrder, FrameFormat
from tui.looks import Looks
from tui.painting import fit
from tui.telling import ARROWS, clock_time, plain
from tui.traffic_store import Saying, Tick

__all__ = ["TICKS", "bit_lines", "saying_text", "saying_times", "spark"]

TICKS = {
    Tick.NONE: "",
    Tick.OUT: "",
    Tick.BACK: "✓",
    Tick.MISSING: "·",
    Tick.WRONG: "✗",
    Tick.LATE: "~",
    Tick.STRANGE: "?",
}
"""The sign behind each byte: came back, missing, wrong, late; not in the profile."""
_MEANING_SHARE = 0.42
_FAULT_WIDTH = 24
"""Cells that a fault has: of another controller's it is what was sent, however long."""
_SPARKS = "▁▂▃▄▅▆▇█"


def saying_text(
    saying: Saying,
    width: int,
    looks: Looks,
    *,
    bus_width: int = 0,
    after: float | None = None,
    mark: str = " ",
) -> Text:
    """One row.

    Args:
        saying: what was said.
        width: cells.
        looks: the styles.
        bus_width: cells for the bus's name; 0 leaves it out.
        after: seconds of idle line before it on its bus, where that is known.
        mark: the sign before it, such as that of the selected row.
    """
    wrong = bool(saying.fault)
    text = Text().append(f"{mark}{ARROWS[saying.direction]} ", looks.wrong if wrong else looks.line)
    if bus_width:
        text.append(_bus(saying.bus, bus_width).ljust(bus_width) + " ", looks.quiet)
    tail = _tail(saying, width, after)
    # Bytes begin at one place whatever stands at the end.
    meaning_width = max(12, int((width - text.cell_len - max(_tail_room(width), len(tail))) * _MEANING_SHARE))
    if saying.meaning:
        meaning, style = saying.meaning, looks.strong
    elif wrong:
        meaning, style = saying.fault, looks.wrong
    elif saying.unexplained:
        meaning, style = "? not in the profile", looks.strange
    else:
        meaning, style = "...", looks.quiet
    shown = fit(meaning, meaning_width)
    text.append(shown, style)
    text.append(" " * max(1, meaning_width - Text(shown).cell_len + 1))
    room = width - text.cell_len - len(tail) - 1
    text.append_text(_bytes(saying, room, looks))
    text.append(" " * max(1, width - text.cell_len - len(tail)))
    text.append(tail, looks.wrong if wrong else looks.quiet)
    text.truncate(width, overflow="ellipsis")
    return text


def _bus(name: str, width: int) -> str:
    """A bus's name; of SITE/BUS the end, where it is longer: sites' buses are told apart by that."""
    return f"…{name[1 - width :]}" if "/" in name and 1 < width < len(name) else fit(name, width)


def _tail_room(width: int) -> int:
    """Cells that a row's end mostly has on a screen so wide."""
    return 20 if width < 100 else 24 if width < 110 else 38


def _tail(saying: Saying, width: int, after: float | None) -> str:
    parts = []
    if saying.fault and saying.meaning:
        parts.append(fit(saying.fault, _FAULT_WIDTH))
    lags = [lag for lag in saying.lags if not math.isnan(lag)]
    if lags:
        parts.append(f"{min(lags) * 1000:.1f} ms")
    if after is not None and width >= 110:
        parts.append(f"after {_span(after)}")
    parts.append(clock_time(saying.at)[: 12 if width >= 100 else 8])
    return "  ".join(parts) + " "


def saying_times(saying: Saying, after: float | None) -> str:
    """When it was said, how long the line was idle before it, and how late its echoes came, in a line."""
    words = [f" at {clock_time(saying.at)}"]
    if after is not None:
        words.append(f"after {_span(after)} of idle line")
    lags = [lag * 1000 for lag in saying.lags if not math.isnan(lag)]
    if lags:
        words.append(f"echo lag {min(lags):.2f} to {max(lags):.2f} ms")
    if saying.attempt > 1:
        words.append(f"attempt {saying.attempt}")
    if saying.fault:
        words.append(fit(saying.fault, _FAULT_WIDTH))
    return ", ".join(words)


def _span(seconds: float) -> str:
    if seconds < 1:
        return f"{max(0.0, seconds) * 1000:.0f} ms"
    return f"{seconds:.1f} s" if seconds < 60 else f"{seconds / 60:.0f} min"


def _bytes(saying: Saying, room: int, looks: Looks) -> Text:
    text = Text()
    styles = {
        Tick.BACK: looks.well,
        Tick.MISSING: looks.wrong,
        Tick.WRONG: looks.wrong,
        Tick.LATE: looks.care,
        Tick.OUT: looks.care,
        Tick.NONE: "",
        Tick.STRANGE: looks.strange,
    }
    run, style, used = "", "", 0
    for place, value in enumerate(saying.data):
        tick = Tick(saying.ticks[place]) if place < len(saying.ticks) else Tick.NONE
        piece = f"{value:02X}{TICKS[tick]} "
        if used + len(piece) > room - 1:
            text.append(run, style).append("…", looks.quiet)
            return text
        if styles[tick] != style:
            text.append(run, style)
            run, style = "", styles[tick]
        run += piece
        used += len(piece)
    return text.append(run, style)


def bit_lines(
    saying: Saying,
    frame: FrameFormat,
    order: BitOrder,
    *,
    idle_high: bool,
    first: int,
    most: int,
    looks: Looks,
) -> list[Text]:
    """A saying bit by bit: each byte's cells, drawn from the line settings."""
    lines = []
    high, low = ("▔", "▁") if idle_high else ("▁", "▔")
    for place in range(first, min(first + most, len(saying.data))):
        value = saying.data[place]
        tick = Tick(saying.ticks[place]) if place < len(saying.ticks) else Tick.NONE
        text = Text().append(f" {value:02X} {TICKS[tick] or ' '} ", looks.strong)
        text.append(f"{_character(value)}  ", looks.quiet)
        if value >> frame.data_bits:
            lines.append(text.append(f"does not fit {frame}", looks.wrong))
            continue
        cells = frame.cells(value, order)
        last = len(cells) - 1
        for number, (level, length) in enumerate(cells):
            drawn = (high if level else low) * (3 if length <= 1 else 5)
            style = looks.line
            if number in (0, last):
                style = looks.quiet
            elif frame.parity_bit(value) is not None and number == last - 1:
                style = looks.care
            text.append(drawn, style)
        data = " ".join(str(level) for level, _ in cells[1 : 1 + frame.data_bits])
        parity = frame.parity_bit(value)
        text.append(f"  {cells[0][0]}", looks.quiet).append(f"  {data}", looks.strong)
        if parity is not None:
            text.append(f"  {parity}", looks.care)
        text.append(f"  {cells[last][0]}", looks.quiet)
        if place < len(saying.lags) and not math.isnan(saying.lags[place]):
            text.append(f"  {saying.lags[place] * 1000:.2f} ms", looks.well)
        lines.append(text)
    return lines


def _character(value: int) -> str:
    return plain(chr(value)) if value < 0x7F else "." if value >= 0xA0 else plain(chr(value))


def spark(values: Sequence[float], width: int, top: float | None = None) -> str:
    """Values as a row of bars, the newest last."""
    shown = list(values[-width:])
    if not shown:
        return ""
    greatest = max(*shown, 1e-12) if top is None else top
    return "".join(_SPARKS[min(7, max(0, int(value / greatest * 7.999)))] for value in shown)
