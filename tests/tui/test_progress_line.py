"""The line that says how far something is: only on a terminal, and gone at the end."""

from __future__ import annotations

import io
import sys

import pytest

from tui.progress_line import ProgressLine


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("stream", "quiet"), [(io.StringIO(), False), (Terminal(), True)])
def test_nothing_is_said_where_nobody_looks(
    stream: io.StringIO, quiet: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stderr", stream)
    with ProgressLine(quiet=quiet) as line:
        assert not line.shown
        line.say("1 of 2")
    assert stream.getvalue() == ""


def test_each_word_takes_the_place_of_the_one_before(monkeypatch: pytest.MonkeyPatch) -> None:
    stream = Terminal()
    monkeypatch.setattr(sys, "stderr", stream)
    with ProgressLine() as line:
        line.say("1 of 2")
        line.say("2 of 2: \x1b[31mred\nline")
    # ECMA-48: CSI K erases from the cursor to the end of the line. Nothing of a text steers the terminal.
    assert stream.getvalue() == "\r\x1b[K1 of 2\r\x1b[K2 of 2: ␛[31mred␊line\r\x1b[K"


def test_what_was_never_begun_leaves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    stream = Terminal()
    monkeypatch.setattr(sys, "stderr", stream)
    with ProgressLine():
        pass
    assert stream.getvalue() == ""
