"""The bench: captures as text, byte by byte, each opened into its own waveform."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll

from tui.bench_desk import BenchLine, Laid, lay_over
from tui.bench_settings import joined_gap, readings, with_reading
from tui.screens.bench_orders import BenchOrders
from tui.screens.bench_sheets import BytesForm, OpenSheet
from tui.screens.bench_sight import BenchSight
from tui.screens.profile_adding import bytes_problem
from tui.screens.sheets import ChoiceSheet
from tui.telling import hexadecimal
from tui.widgets.line_settings import LineSettings
from tui.widgets.strip_view import StripView

__all__ = ["BenchScreen"]


class BenchScreen(BenchSight):
    """Captures on the bench."""

    EXPLANATION = """\
Captures of oscilloscopes, read as text: each burst is a line of bytes, with its time beside it. The byte that
stands in ‹ › is opened below: the line as it was measured, as ink on a ruled line, cut into the cells of the
frame; what a receiver reads stands under the middle of each cell, where it looks. ░ is where the line was for
a part of a column's time; a dotted line is the level that decides.

  ·  ┈       before a byte: idle line up to a frame long, or longer
  ?  !  ▁▁b  no stop bit; the parity bit is wrong; a break

  o          open a capture
  w          put it away
  1 to 9, c  which line to read; c goes from one to the next
  left, right   the byte before, the byte after
  up, down   the line of text above, below; page up, page down; home and end
  tab        into the evidence where it stands beside, where the arrows read on; tab again goes back
  , .        the edge before, the edge after
  + -        closer (= as well), down to a single edge; wider, up to the whole burst
  m          measure from here; m again ends it
  n          the next place with something wrong, or that differs
  /          find bytes
  t          letters under the bytes, or none
  e          what each answer rests on, and what fits as well
  l          settings of the line: give what you know, the rest is found anew at once
  r          read it as something else that fits
  j          the burst that follows belongs to this one: bursts end after a longer idle line from now on
  v          lay another line over this one, byte by byte; v again takes it off
  █ ▒ ╱ ≠    in both; in this line alone; in the other alone; a byte that differs, or an edge too far off
  p          keep the picture of both lines as SVG
  a          make this burst an action: of a profile of this site, or of a new one
  s          send this burst's bytes on a bus that allows raw bytes; asks first
  esc        put away what was opened last, then the units
  X, F9      everything off
  F2         the units"""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "move(-1)", "previous"),
        Binding("right", "move(1)", "next"),
        Binding("up", "rows(-1)", "line above"),
        Binding("down", "rows(1)", "line below"),
        Binding("pageup", "pages(-1)", "page up"),
        Binding("pagedown", "pages(1)", "page down"),
        Binding("home", "go(0)", "first"),
        Binding("end", "go(-1)", "last"),
        Binding("comma", "step(-1)", "edge before"),
        Binding("full_stop", "step(1)", "edge after"),
        Binding("plus,equals_sign", "closer", "closer"),
        Binding("minus", "wider", "wider"),
        Binding("m", "mark", "measure"),
        Binding("n", "odd", "next odd place"),
        Binding("slash", "find", "find"),
        Binding("t", "letters", "letters"),
        Binding("e", "evidence", "evidence"),
        Binding("l", "settings", "settings"),
        Binding("r", "reading", "read as"),
        Binding("j", "join", "join bursts"),
        Binding("v", "lay", "lay over"),
        Binding("o", "open", "open"),
        Binding("w", "away", "put away"),
        Binding("c", "next_line", "next line"),
        *(Binding(str(number), f"line({number})", f"line {number}", show=False) for number in range(1, 10)),
        Binding("p", "order('keep_picture')", "keep the picture"),
        Binding("a", "order('draft')", "make it an action"),
        Binding("s", "order('send')", "send it"),
        Binding("X", "app.everything_off", "everything off"),
        Binding("question_mark", "app.explain", "help"),
        Binding("escape", "back", "back"),
    ]

    # Reading

    def action_move(self, by: int) -> None:
        """The next byte, or edge where one is closer in."""
        if (reader := self.desk.reader) is not None:
            reader.move(by)
            self._moved()

    def action_rows(self, by: int) -> None:
        """The line of text below or above; in the evidence, the next of its lines."""
        if self.evidence_alone:
            self.query_one("#bench-evidence", VerticalScroll).scroll_relative(y=by, animate=False)
        elif self.desk.reader is not None:
            self.query_one(StripView).move_rows(by)
            self._moved()

    def action_pages(self, by: int) -> None:
        """A screenful."""
        if self.evidence_alone:
            self.action_rows(by * max(1, self.query_one("#bench-evidence").size.height - 1))
        else:
            self.action_rows(by * self.query_one(StripView).page)

    def action_go(self, place: int) -> None:
        """The first byte, or the last."""
        if (reader := self.desk.reader) is not None:
            reader.go(place if place >= 0 else len(reader.slots) - 1)
            self._moved()

    def on_strip_view_picked(self, message: StripView.Picked) -> None:
        """The byte under the pointer."""
        self.action_go(message.place)

    def action_step(self, by: int) -> None:
        """The next edge."""
        reader = self.desk.reader
        if reader is None:
            return
        if not len(reader.shown.edges):
            self.notify("a recording of bytes has no edges", timeout=3)
        reader.step(by)
        self._moved()

    def action_closer(self) -> None:
        """Closer in."""
        if (reader := self.desk.reader) is not None:
            reader.closer()
            self._moved()

    def action_wider(self) -> None:
        """Further away."""
        if (reader := self.desk.reader) is not None:
            reader.wider()
            self._moved()

    def action_mark(self) -> None:
        """Measure from here."""
        if (reader := self.desk.reader) is not None:
            reader.set_mark()
            self._moved()

    def action_odd(self) -> None:
        """The next place at which something is wrong."""
        reader = self.desk.reader
        found = reader.slots.next_odd(reader.place) if reader is not None else None
        if reader is None or found is None:
            self.notify("nothing is wrong with any byte, and nothing differs", timeout=3)
            return
        reader.go(found)
        self._moved()

    def action_find(self) -> None:
        """Ask for bytes, and go to where they are said next."""
        reader = self.desk.reader
        if reader is None:
            return

        def given(texts: dict[str, str] | None) -> None:
            if texts is None:
                return
            data = bytes.fromhex(texts["bytes"])
            found = reader.slots.reading.find(data, reader.byte if reader.byte is not None else -1)
            if found is None:
                self.notify(f"{hexadecimal(data)} is not said on this line", timeout=4, markup=False)
                return
            reader.go(reader.slots.of_byte(found))
            self._moved()

        fields = [("bytes", "bytes, such as A5 01", "", bytes_problem)]
        self.app.push_screen(BytesForm("Find bytes", fields), given)

    def action_letters(self) -> None:
        """Letters under the bytes, or none."""
        reader = self.desk.reader
        shown = self._letters
        if shown is None:
            shown = reader is not None and reader.slots.reading.readable
        self._letters = not shown
        self.look_again()

    def action_evidence(self) -> None:
        """What each answer rests on."""
        self._told = not self._told
        self.look_again()

    # Which line

    def action_line(self, number: int) -> None:
        """Read another line."""
        lines = self.desk.lines
        if number <= len(lines):
            self.desk.choose(lines[number - 1])
            self.look_again()

    def action_next_line(self) -> None:
        """The next line."""
        lines, line = self.desk.lines, self.desk.line
        if line is not None:
            at = next(n for n, each in enumerate(lines) if each.key == line.key)
            self.action_line((at + 1) % len(lines) + 1)

    def action_open(self) -> None:
        """Ask for a capture."""

        def given(path: Path | None) -> None:
            if path is not None:
                self.open(path)

        self.app.push_screen(OpenSheet(Path.cwd()), given)

    def action_away(self) -> None:
        """Put the capture away."""
        line = self.desk.line
        if line is not None:
            self.turns.drop(f"decode {id(line.capture)}")
            self.desk.take_away(line.capture)
            self.look_again()

    # Settings

    def action_settings(self) -> None:
        """Ask for what is known of the line."""
        line = self.desk.line
        if line is not None:
            self.query_one(LineSettings).open(line.capture.options)

    def on_line_settings_given(self, message: LineSettings.Given) -> None:
        """Go by it at once."""
        if self.desk.line is not None:
            self.decode(self.desk.line.capture, message.options)

    def on_line_settings_closed(self) -> None:
        """On with reading."""
        self.query_one(StripView).focus()

    def action_join(self) -> None:
        """Take the burst that follows for a part of this one, and all that are as near to each other."""
        line, reader = self.desk.line, self.desk.reader
        if line is None or reader is None or reader.byte is None:
            return
        reading = reader.shown
        _, _, stop = reading.burst(reader.byte)
        dead = reading.dead_time(stop) if stop < len(reading) else None
        if dead is None:
            self.notify("no burst follows this one", timeout=3)
            return
        gap = joined_gap(dead, reading.bit(reader.byte))
        self.say("quiet", f"bursts end after {gap:g} bit times of idle line from now on (l changes it)")
        self.decode(line.capture, replace(line.capture.options, burst_gap_bits=gap))

    def action_reading(self) -> None:
        """Read the line as something else that fits."""
        line = self.desk.line
        if line is None or line.channel is None:
            return
        channel = line.channel

        def chosen(key: str | None) -> None:
            if key is not None:
                self.decode(line.capture, with_reading(line.capture.options, channel, key))

        self.app.push_screen(ChoiceSheet("Read this line as", readings(channel)), chosen)

    # Two lines

    def action_lay(self) -> None:
        """Lay another line over this one, or take it off."""
        line = self.desk.line
        if self.desk.laid is not None:
            self.desk.lift()
            self.look_again()
            return
        others = self.desk.others
        if line is None or line.channel is None or not others:
            self.notify("open another capture first, or one with two lines", timeout=4)
        elif len(others) == 1:
            self._lay(line, others[0])
        else:
            choices = [(str(number), other.label) for number, other in enumerate(others)]

            def chosen(key: str | None) -> None:
                if key is not None:
                    self._lay(line, others[int(key)])

            self.app.push_screen(ChoiceSheet(f"Lay over {line.label}", choices), chosen)

    def _lay(self, line: BenchLine, other: BenchLine) -> None:
        def done(laid: Laid | None) -> None:
            if laid is not None and self.desk.line is not None and self.desk.line.key == line.key:
                self.desk.lay(laid)

        words = f"comparing {line.label} with {other.label}"
        self.begin(
            "compare", words, lambda _turn: lay_over(line, other), done, lambda why: self.say("wrong", why)
        )

    # Orders

    def action_order(self, what: str) -> None:
        """Do something with the burst."""
        orders = BenchOrders(self.dashboard, self)
        {"draft": orders.draft, "send": orders.send, "keep_picture": orders.keep_picture}[what]()

    def action_back(self) -> None:
        """Settings away, then the evidence, then what is laid over, then back to the units."""
        settings = self.query_one(LineSettings)
        reader = self.desk.reader
        if settings.is_open:
            settings.close()
        elif self._told:
            self.action_evidence()
        elif reader is not None and reader.mark is not None:
            reader.mark = None
            self._moved()
        elif self.desk.laid is not None:
            self.action_lay()
        else:
            self.dashboard.action_units()
