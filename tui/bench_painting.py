"""The bench's pictures in a terminal's cells. Pure.

The strip is a text: each burst a line of it, with its time in the margin, and the letters or a second line's
bytes between the lines. A byte that is opened shows the line as ink on that ruled line: as high as the level
that was measured, with what it is read as written below.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from rich.cells import cell_len
from rich.text import Text

from profiles.bench.tracing import Trace
from profiles.bench.uart import FrameError
from tui.bench_model import Reader, span_words
from tui.bench_opening import Opened, Word, byte_text, caption
from tui.bench_reading import Reading, Rows, Slots
from tui.looks import Looks
from tui.painting import fit
from tui.telling import plain

__all__ = ["MARGIN", "StripPainter", "beside", "caption_line", "columns_for", "opened_lines"]

MARGIN = 10
"""Cells for the time beside the strip and the levels beside the ink."""
_EIGHTHS = " ▁▂▃▄▅▆▇█"
_LOWEST, _HIGHEST = -0.1, 1.15
"""The levels at the bottom and at the top of the ink, counted in the line's own two."""
_ALIKE = 0.2
"""Levels nearer than this are the same: what is left is noise."""
_BOTH, _ORIGINAL, _REPLAY = "█", "▒", "╱"


class StripPainter:
    """Paints rows of a strip.

    Args:
        slots: the strip.
        letters: whether letters stand below the bytes.
    """

    def __init__(self, slots: Slots, *, letters: bool) -> None:
        self.slots = slots
        self.letters = letters
        reading = slots.reading
        nine = any(part.fit.frame is not None and part.fit.frame.data_bits > 8 for part in reading.parts)
        self.digits = 3 if nine else 2
        self.marked = slots.other is not None or any(
            part.segment.frames.errors.any() for part in reading.parts
        )
        self.pitch = 1 + self.digits + self.marked
        self.lines = 1 + (slots.other is not None) + letters
        """Lines of the screen for a row."""

    def rows(self, width: int) -> Rows:
        """The strip's rows on a screen of that width."""
        return Rows(self.slots, width - self._margin(width) - 1, self.pitch)

    @staticmethod
    def _margin(width: int) -> int:
        return MARGIN if width >= 40 else 0

    def line(self, rows: Rows, number: int, part: int, reader: Reader, width: int, looks: Looks) -> Text:
        """A line of the screen.

        Args:
            rows: of that width.
            number: which row.
            part: which line of it.
            reader: where one reads.
            width: cells.
            looks: the styles.
        """
        places, burst = rows.row(number)
        other = self.slots.other
        is_other = other is not None and part == 1
        is_letters = self.letters and part == self.lines - 1
        text = Text(self._beside(places, burst, is_other, is_letters, width), looks.quiet)
        for place in places:
            if is_letters:
                text.append(self._letter(place), looks.quiet)
            else:
                text.append_text(self._token(place, reader, is_other, looks))
        if not is_letters and len(places):
            text.append(_closing(places[-1], reader), looks.strong)
        text.truncate(width)
        return text

    def _beside(self, places: range, burst: int | None, is_other: bool, is_letters: bool, width: int) -> str:
        margin = self._margin(width)
        if not margin or is_letters or not len(places):
            return " " * margin
        if is_other:
            return "replay".rjust(margin - 1) + " "
        slot = self.slots[places[0]]
        if burst is None or slot.byte is None:
            return " " * margin
        return span_words(self.slots.reading.span(slot.byte)[0]).rjust(margin - 1) + " "

    def _side(self, place: int, is_other: bool) -> tuple[Reading, int | None]:
        slot = self.slots[place]
        if is_other and self.slots.other is not None:
            return self.slots.other, slot.other
        return self.slots.reading, slot.byte

    def _token(self, place: int, reader: Reader, is_other: bool, looks: Looks) -> Text:
        reading, byte = self._side(place, is_other)
        slot = self.slots[place]
        here = place == reader.place
        lead = _lead(place, reader)
        if lead == " " and byte is not None:
            lead = _gap_sign(reading, byte)
        if byte is None:
            shown, mark, style = "·" * self.digits, "≠", looks.wrong
        else:
            shown, mark, style = self._byte(reading, byte, looks)
            if slot.differs:
                mark, style = "≠", looks.wrong
        text = Text(lead, looks.strong if lead in "‹›()" else looks.quiet)
        text.append(shown, looks.selected if here else style)
        return text.append(mark if self.marked else "", looks.wrong)

    def _byte(self, reading: Reading, byte: int, looks: Looks) -> tuple[str, str, str]:
        error = reading.error(byte)
        if error is FrameError.BREAK:
            return "▁" * self.digits, "b", looks.care
        shown = byte_text(reading, byte).rjust(self.digits)[: self.digits]
        if error is FrameError.NONE:
            return shown, " ", ""
        return shown, "?" if error is FrameError.FRAMING else "!", looks.wrong

    def _letter(self, place: int) -> str:
        byte = self.slots[place].byte
        shown = ""
        if byte is not None:
            value = self.slots.reading.value(byte)
            shown = plain(chr(value)) if value < 0x7F else "·"
        return (" " * self.digits + shown).ljust(self.pitch)[: self.pitch]

    def place_at(self, rows: Rows, number: int, column: int, width: int) -> int | None:
        """The place in the strip under a cell of the screen; None beside it."""
        places, _ = rows.row(number)
        within = column - self._margin(width)
        at = within // self.pitch
        return places[at] if within >= 0 and at < len(places) else None


def _lead(place: int, reader: Reader) -> str:
    """What stands before a byte: the brackets of where one is, and of the mark."""
    mark = reader.mark.place if reader.mark is not None else None
    if place == reader.place:
        return "‹"
    if place - 1 == reader.place:
        return "›"
    if place == mark:
        return "("
    return ")" if mark is not None and place - 1 == mark else " "


def _closing(place: int, reader: Reader) -> str:
    sign = _lead(place + 1, reader)
    return sign if sign in "›)" else ""


def _gap_sign(reading: Reading, byte: int) -> str:
    """The idle line before a byte within its burst: none, some, more than a frame."""
    dead = reading.dead_time(byte)
    if dead is None or byte == reading.burst(byte)[1]:
        return " "
    bits = dead / reading.bit(byte)
    if bits < 0.5:
        return " "
    return "·" if bits <= reading.frame(byte).bits else "┈"


def caption_line(reader: Reader, width: int, looks: Looks) -> Text:
    """What is looked at, in one line; what does not fit is left out from the end."""
    styles = {"byte": looks.selected, "quiet": looks.quiet, "wrong": looks.wrong, "care": looks.care}
    told = caption(reader)
    # What is wrong must not be what is left out.
    told.sort(key=lambda piece: ("byte", "wrong", "care", "quiet").index(piece[0]))
    text = Text(" ")
    for kind, words in told:
        shown = f" {words} " if kind == "byte" else words
        if text.cell_len + cell_len(shown) + 2 > width:
            break
        text.append(shown, styles[kind]).append("  ")
    return text


def opened_lines(opened: Opened, width: int, height: int, looks: Looks) -> list[Text]:
    """The ink, its cells and what they are read as.

    Args:
        opened: as many columns as ``columns_for`` says.
        width: cells.
        height: lines, three at least: the ink takes all but two.
        looks: the styles.
    """
    margin = width - columns_for(width)
    columns = width - margin
    rows = max(1, height - 2)
    lines = []
    limits = _limits(opened, columns)
    labels = _beside_ink(opened, rows, margin)
    threshold = None if opened.threshold is None else _row_of(opened.threshold, rows)
    styles = _column_styles(opened, columns, looks)
    for row in range(rows):
        drawn = _Written(columns, looks.quiet)
        for column in range(columns):
            sign, style = _ink(opened, column, row, rows, looks)
            if sign == " ":
                style = looks.quiet
                if column in limits:
                    sign = "┊"
                elif row == threshold and column % 2 == 0:
                    sign = "·"
            drawn.put(column, sign, style or styles[column])
        lines.append(Text(labels[row], looks.quiet).append_text(drawn.text))
    lines.append(_read_line(opened, margin, columns, looks))
    lines.append(_name_line(opened, margin, columns, looks))
    return lines


def columns_for(width: int) -> int:
    """How many columns of ink there are on a screen of that width."""
    return max(8, width - (MARGIN if width >= 40 else 0) - 1)


def _row_of(level: float, rows: int) -> int:
    share = (level - _LOWEST) / (_HIGHEST - _LOWEST)
    return min(rows - 1, max(0, rows - 1 - int(share * rows)))


def _beside_ink(opened: Opened, rows: int, margin: int) -> list[str]:
    shown = [" " * margin] * rows
    if margin >= 6:
        for level, words in opened.labels:
            shown[_row_of(level, rows)] = words[: margin - 1].rjust(margin - 1) + " "
    return shown


def _height(level: float, rows: int) -> int:
    """A level in eighths of a line; the ruled line at the bottom never vanishes."""
    share = (level - _LOWEST) / (_HIGHEST - _LOWEST)
    return max(1, min(rows * 8, round(share * rows * 8)))


def _ink(opened: Opened, column: int, row: int, rows: int, looks: Looks) -> tuple[str, str]:
    """A cell of the drawing, and its style where it isn't the column's own."""
    if opened.ink is not None and opened.other is not None:
        return _both(opened.ink, opened.other, column, row, rows, looks)
    if opened.ink is None:
        level = _height(float(opened.other.mean[column]), rows) if opened.other is not None else 0
        return (_REPLAY if level - 8 * (rows - 1 - row) >= 4 else " "), looks.care
    below = 8 * (rows - 1 - row)
    sign = _EIGHTHS[max(0, min(8, _height(float(opened.ink.mean[column]), rows) - below))]
    if sign == " " and _height(float(opened.ink.high[column]), rows) - below >= 4:
        # The line was here for a part of the column's time: an edge, or a spike.
        return "░", ""
    return sign, ""


def _both(ink: Trace, other: Trace, column: int, row: int, rows: int, looks: Looks) -> tuple[str, str]:
    below = 8 * (rows - 1 - row)
    one, two = (_height(float(each.mean[column]), rows) - below for each in (ink, other))
    if abs(float(ink.mean[column] - other.mean[column])) < _ALIKE:
        return _EIGHTHS[max(0, min(8, one))], ""
    if one >= 4 and two >= 4:
        return _BOTH, ""
    if one >= 4:
        return _ORIGINAL, looks.line
    if two >= 4:
        return _REPLAY, looks.care
    return _EIGHTHS[max(0, min(8, one))], ""


def _column(opened: Opened, at: float, columns: int) -> int:
    return int((at - opened.begin) / (opened.end - opened.begin) * columns)


def _limits(opened: Opened, columns: int) -> set[int]:
    """The columns in which a cell begins; where cells are too narrow, a byte."""
    found = set()
    for word in opened.words:
        narrow = _cell_width(opened, word, columns) < 3
        marks = [word.begin, word.end] if narrow else [*(cell.begin for cell in word.cells), word.end]
        found |= {_column(opened, at, columns) for at in marks if opened.begin <= at < opened.end}
    return found


def _cell_width(opened: Opened, word: Word, columns: int) -> float:
    if not word.cells:
        return 0.0
    cell = word.cells[0]
    return (cell.end - cell.begin) / (opened.end - opened.begin) * columns


def _column_styles(opened: Opened, columns: int, looks: Looks) -> list[str]:
    """Each column's ink: the chosen byte stands out, start and stop bits don't."""
    styles = [looks.quiet] * columns
    for word in opened.words:
        first, last = (max(0, min(columns, _column(opened, at, columns))) for at in (word.begin, word.end))
        for column in range(first, last):
            styles[column] = looks.line if word.byte == opened.chosen else looks.well
        for cell in word.cells:
            if cell.name in ("start", "stop"):
                first, last = (
                    max(0, min(columns, _column(opened, at, columns))) for at in (cell.begin, cell.end)
                )
                styles[first:last] = [looks.quiet] * (last - first)
    return styles


def _read_line(opened: Opened, margin: int, columns: int, looks: Looks) -> Text:
    """What the receiver reads in each cell, in its middle; where cells are narrow, the bytes."""
    line = _Written(columns, looks.quiet)
    for column in _limits(opened, columns):
        line.put(column, "╵", looks.quiet)
    for word in opened.words:
        chosen = looks.selected if word.byte == opened.chosen else looks.strong
        if _cell_width(opened, word, columns) < 3:
            line.middle(*_seen(opened, word.begin, word.end, columns), word.text, chosen)
            continue
        for cell in word.cells:
            style = looks.quiet if cell.name in ("start", "stop") else looks.strong
            line.middle(*_seen(opened, cell.begin, cell.end, columns), str(cell.level), style)
    if opened.edge is not None and opened.begin <= opened.edge <= opened.end:
        line.put(min(columns - 1, _column(opened, opened.edge, columns)), "▲", looks.selected)
    return Text(" " * margin).append_text(line.text)


def _name_line(opened: Opened, margin: int, columns: int, looks: Looks) -> Text:
    """What each cell is, and whose."""
    line = _Written(columns, looks.quiet)
    for word in opened.words:
        width = _cell_width(opened, word, columns)
        if width < 3:
            continue
        for cell in word.cells:
            line.middle(*_seen(opened, cell.begin, cell.end, columns), cell.name, looks.quiet)
    head = "read as" if margin >= 9 else ""
    return Text(head.rjust(margin - 1) + " " if margin else "", looks.quiet).append_text(line.text)


def _seen(opened: Opened, begin: float, end: float, columns: int) -> tuple[int, int]:
    """The columns of a stretch, as much of it as is shown."""
    return max(0, _column(opened, begin, columns)), min(columns, _column(opened, end, columns))


class _Written:
    """A line on which words are put where there is room for them."""

    def __init__(self, columns: int, style: str) -> None:
        self._signs = [(" ", style)] * columns

    def put(self, at: int, words: str, style: str) -> None:
        for number, sign in enumerate(words):
            if 0 <= at + number < len(self._signs):
                self._signs[at + number] = (sign, style)

    def middle(self, first: int, last: int, words: str, style: str) -> None:
        if 0 < len(words) <= last - first:
            self.put(first + (last - first - len(words) + 1) // 2, words, style)

    @property
    def text(self) -> Text:
        made = Text()
        for style, signs in itertools.groupby(self._signs, key=lambda each: each[1]):
            made.append("".join(sign for sign, _ in signs), style)
        return made


def beside(told: Sequence[tuple[str, str]], width: int, looks: Looks) -> list[Text]:
    """Names and sentences, each sentence broken to the width under its name."""
    lines: list[Text] = []
    for name, words in told:
        room = max(12, width - 13)
        rest = plain(words)
        first = True
        while rest or first:
            piece = rest if cell_len(rest) <= room else _broken(rest, room)
            rest = rest[len(piece) :].lstrip()
            head = fit(name, 11).ljust(12) if first else " " * 12
            lines.append(Text(" ").append(head, looks.strong).append(piece.rstrip()))
            first = False
    return lines


def _broken(words: str, room: int) -> str:
    """As much of a sentence as fits, to the end of a word where there is one."""
    piece = words[:room]
    while cell_len(piece) > room:
        piece = piece[:-1]
    space = piece.rfind(" ")
    return piece[: space + 1] if space > room // 3 else piece
