"""What the bench shows: the strip, its evidence, and what is opened; and the work behind it, in threads."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.containers import Container, VerticalScroll
from textual.message import Message
from textual.timer import Timer
from textual.widgets import Static

from profiles.bench.decoding import DecodeOptions
from tui.bench_desk import BenchDesk, OnBench, read_and_decode
from tui.bench_opening import open_up
from tui.bench_painting import beside, caption_line, columns_for, opened_lines
from tui.bench_telling import answer, comparison_evidence, comparison_words, evidence
from tui.bench_work import Turn, Turns
from tui.painting import fit
from tui.screens.main_screen import MainScreen
from tui.widgets.line_settings import LineSettings
from tui.widgets.strip_view import StripView

__all__ = ["BenchSight"]

_WIDE = 120
"""Cells from which the evidence stands beside the strip."""
_MOST_INK = 22


class BenchSight(MainScreen):
    """The bench as it is seen; what its keys do is the screen's.

    Args:
        captures: what to open at once.
    """

    CSS = """
    #bench-lines, #bench-answer, #bench-caption, #bench-measure { height: 1; }
    #bench-answer { background: $surface; }
    #bench-page { height: 1fr; layout: vertical; }
    #bench-page.wide { layout: horizontal; }
    #strip { height: 1fr; width: 1fr; scrollbar-size-vertical: 1; }
    #bench-evidence { display: none; height: 1fr; scrollbar-size-vertical: 1; background: $surface; }
    #bench-page.told #bench-evidence { display: block; }
    #bench-page.told #strip { display: none; }
    #bench-page.told.wide #strip { display: block; }
    #bench-page.wide #bench-evidence { width: 56; height: 100%; }
    #bench-opened { height: auto; }
    #bench-caption, #bench-measure { background: $surface; }
    """

    class Over(Message):
        """A piece of work has ended."""

        def __init__(self, turn: Turn) -> None:
            super().__init__()
            self.turn = turn

    def __init__(self, captures: tuple[Path, ...] = ()) -> None:
        super().__init__(name="bench")
        self.desk = BenchDesk()
        self.turns = Turns()
        self._captures = captures
        self._letters: bool | None = None
        """Whether letters stand under the bytes; None for where it is text."""
        self._timer: Timer | None = None
        self._said: tuple[str, str] = ("quiet", "")
        """What became of the last order."""
        self._told = False
        """Whether the evidence is asked for."""

    def compose(self) -> ComposeResult:
        """The lines there are, the answer, the strip and its evidence, what is opened, what is measured."""
        yield Static("", id="top", markup=False)
        yield Static("", id="bench-lines", markup=False)
        yield Static("", id="bench-answer", markup=False)
        with Container(id="bench-page"):
            yield StripView(id="strip")
            with VerticalScroll(id="bench-evidence", can_focus=False):
                yield Static("", id="bench-told", markup=False)
        yield Static("", id="bench-caption", markup=False)
        yield Static("", id="bench-opened", markup=False)
        yield Static("", id="bench-measure", markup=False)
        yield LineSettings(id="bench-settings")
        yield Static("", id="keys", markup=False)

    def on_mount(self) -> None:
        """Open what was named on the command line."""
        self.query_one(StripView).focus()
        self._timer = self.set_interval(0.2, self._show_progress, pause=True)
        self.set_interval(1.0, self._show_time)
        for path in self._captures:
            self.open(path)
        if self.desk.lines:
            self.desk.choose(self.desk.lines[0])
        self.look_again()

    def _show_time(self) -> None:
        """The time goes on, and alerts come, also while nobody touches a key."""
        if self.app.screen is self:
            self.query_one("#top", Static).update(self.top("Bench"))

    def on_unmount(self) -> None:
        """Nobody waits for anything any more."""
        self.turns.stop()

    def on_resize(self, _event: events.Resize) -> None:
        """All is painted for a size."""
        self.look_again()

    # Work that takes long

    def open(self, path: Path) -> None:
        """Put a capture on the bench."""
        self.decode(self.desk.put(path))

    def decode(self, capture: OnBench, options: DecodeOptions | None = None) -> None:
        """Read a capture, with other settings where they are given."""
        if options is not None:
            capture.options = options
        wanted = capture.options

        def done(result: Any) -> None:
            self.desk.was_decoded(capture, *result)

        def failed(problem: str) -> None:
            # Its name is enough: where it lies would leave no room for what is wrong.
            capture.decoding, capture.problem = None, problem.replace(str(capture.path), capture.name)

        key = f"decode {id(capture)}"
        self.begin(key, capture.name, lambda turn: read_and_decode(capture, wanted, turn), done, failed)

    def is_reading(self, capture: OnBench) -> bool:
        """Whether a capture is about to be read anew."""
        return self.turns.concerns(f"decode {id(capture)}")

    def begin(
        self,
        key: str,
        words: str,
        work: Callable[[Turn], Any],
        done: Callable[[Any], None],
        failed: Callable[[str], None],
    ) -> None:
        """Do something in a thread of its own, after what runs already."""
        self.turns.ask(Turn(key, words, work, done, failed))
        self._go_on()

    def _go_on(self) -> None:
        turn = self.turns.next()
        if turn is not None:

            def work() -> None:
                turn.run()
                self.post_message(self.Over(turn))

            self.run_worker(work, name=turn.key, group="bench", thread=True, exit_on_error=False)
        if self._timer is not None:
            (self._timer.resume if self.turns.busy else self._timer.pause)()
        self.look_again()

    def on_bench_sight_over(self, message: Over) -> None:
        """Take what came of it."""
        self.turns.over(message.turn)
        message.turn.settle()
        self._go_on()

    # Painting

    def look_again(self) -> None:
        """Paint everything."""
        if not (self.is_mounted and self.query("#keys")):
            return
        reader = self.desk.reader
        letters = self._letters
        if letters is None:
            letters = reader is not None and reader.slots.reading.readable
        self.query_one("#top", Static).update(self.top("Bench"))
        self._paint_evidence()
        self.query_one(StripView).show(reader, letters=letters)
        self._show_progress()
        self._paint_place()
        self.query_one("#keys", Static).update(self.keys(self._key_words))
        self._make_room()

    @property
    def evidence_alone(self) -> bool:
        """Whether the evidence stands in the place of the strip."""
        page = self.query_one("#bench-page")
        return page.has_class("told") and not page.has_class("wide")

    def _make_room(self) -> None:
        height = self.size.height
        for name, least in (
            ("#bench-lines", 7),
            ("#keys", 10),
            ("#bench-caption", 6),
            ("#bench-opened", 14),
            ("#bench-measure", 9),
        ):
            self.query_one(name).display = height >= least
        reader = self.desk.reader
        nothing = reader is None or (reader.byte is None and reader.edge is None)
        if nothing or (self.evidence_alone and self._told):
            for name in ("#bench-caption", "#bench-opened", "#bench-measure"):
                self.query_one(name).display = False

    @property
    def _key_words(self) -> list[tuple[str, str]]:
        if self.desk.line is None:
            return [("o", "open a capture"), ("?", "help")]
        if self.evidence_alone and self._told:
            words = [("↑ ↓", "on"), ("e", "the bytes"), ("r", "read as"), ("l", "settings")]
            return [*words, ("o", "open"), ("w", "put away"), ("?", "help")]
        words = [("← →", "byte"), (", .", "edge"), ("+ -", "closer, wider"), ("m", "measure")]
        words += [("e", "evidence"), ("l", "settings"), ("v", "lay over"), ("o", "open")]
        here = not self.dashboard.local_only("send")
        words += [("a", "action"), ("s", "send")] if here else [("a s", "local only")]
        words += [
            ("?", "help"),
            ("r", "read as"),
            ("j", "join bursts"),
            ("n", "next odd"),
            ("/", "find"),
        ]
        return [*words, ("c", "next line")]

    def _show_progress(self) -> None:
        self.query_one("#bench-lines", Static).update(self._lines_text())
        self.query_one("#bench-answer", Static).update(self._answer_text())

    def _lines_text(self) -> Text:
        looks, chosen = self.looks, self.desk.line
        text = Text(" ")
        lines = self.desk.lines
        at = next((n for n, line in enumerate(lines) if chosen is not None and line.key == chosen.key), 0)
        # Where not all fit, the chosen one has to.
        first = 0 if sum(len(line.label) + 5 for line in lines[: at + 1]) < self.width else max(0, at - 1)
        if first:
            text.append("… ", looks.quiet)
        for number, line in enumerate(lines[first:], first):
            sign = " ✗" if line.capture.problem else ""
            laid = self.desk.laid is not None and self.desk.laid.line.key == line.key
            words = (
                f"{number + 1} {fit(line.label, max(8, self.width // 3))}{sign}{' laid over' if laid else ''}"
            )
            if text.cell_len + len(words) + 3 > self.width:
                text.append("…", looks.quiet)
                break
            text.append(
                f"[{words}]" if number == at else f" {words} ", looks.selected if number == at else ""
            )
            text.append(" ")
        return text

    def _answer_text(self) -> Text:
        looks, running = self.looks, self.turns.running
        kind, words = self._answer()
        if running is not None:
            kind, words = "care", f"… {running.words}: {running.told or 'at it'}; all keys work meanwhile"
        style = {"well": looks.well, "care": looks.care, "wrong": looks.wrong, "quiet": looks.quiet}[kind]
        return Text(" " + fit(words, self.width - 2), style)

    def _answer(self) -> tuple[str, str]:
        line, reader, laid = self.desk.line, self.desk.reader, self.desk.laid
        if line is None:
            return "quiet", "nothing lies on the bench; o opens a capture"
        if line.capture.problem:
            return "wrong", f"✗ {line.capture.problem}"
        if reader is None:
            return "quiet", "not read yet"
        return comparison_words(laid.comparison) if laid is not None else answer(reader.slots.reading)

    def _paint_evidence(self) -> None:
        page, line = self.query_one("#bench-page"), self.desk.line
        wide = self.width >= _WIDE
        page.set_class(wide, "wide")
        problem = line is not None and bool(line.capture.problem)
        reader, laid = self.desk.reader, self.desk.laid
        # Where nothing could be read as bytes, why that is stands where they would.
        empty = reader is None or reader.byte is None
        page.set_class(self._told or empty or wide, "told")
        told: list[tuple[str, str]] = []
        if line is None:
            told = [
                ("the bench", "reads what a serial line says from the captures of an oscilloscope."),
                ("o", "opens one: CSV of any oscilloscope, logic CSV, VCD, WAV, or a recording of `listen`"),
            ]
        elif problem:
            told = [("can't read", line.capture.problem)]
            told.append(("l", "gives settings: `one row` is the time from row to row (--sample-interval)"))
            told.append(("w", "puts it away"))
        elif line.channel is not None and line.capture.decoding is not None:
            if laid is not None and reader is not None:
                told += comparison_evidence(laid.comparison, reader.bit)
            told += evidence(line.capture.decoding, line.channel)
        width = 54 if wide else self.width - 2
        self.query_one("#bench-told", Static).update(Text("\n").join(beside(told, width, self.looks)))

    def _paint_place(self) -> None:
        """What is opened and measured."""
        reader, looks, width = self.desk.reader, self.looks, self.width
        caption = self.query_one("#bench-caption", Static)
        opened = self.query_one("#bench-opened", Static)
        measure = self.query_one("#bench-measure", Static)
        if reader is None or (reader.byte is None and reader.edge is None):
            for each in (caption, opened, measure):
                each.update("")
            opened.styles.height = 0
            return
        height = max(5, min(_MOST_INK, (self.size.height - 8) // 2))
        opened.styles.height = height
        caption.update(caption_line(reader, width, looks))
        lines = opened_lines(open_up(reader, columns_for(width)), width, height, looks)
        opened.update(Text("\n").join(lines))
        measured = reader.measured
        if measured is not None:
            measure.update(Text(" " + fit(measured.words, width - 2), looks.strong))
        elif self._said[1]:
            style = {"well": looks.well, "wrong": looks.wrong}.get(self._said[0], looks.quiet)
            measure.update(Text(" " + fit(self._said[1], width - 2), style))
        else:
            hint = "marked: go to another byte or edge" if reader.mark is not None else "m measures from here"
            measure.update(Text(f" {hint}", looks.quiet))

    def say(self, kind: str, words: str) -> None:
        """Tell what became of an order."""
        self._said = (kind, words)
        self._paint_place()

    def _moved(self) -> None:
        self._said = ("quiet", "")
        self.query_one(StripView).follow()
        self._paint_place()
