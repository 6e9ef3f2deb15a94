"""The command line in this process: for calls that are wrong, of which there are many."""

from __future__ import annotations

import pytest

from tui.cli import main

__all__ = ["verify_told_wrong"]


def verify_told_wrong(words: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    """See that a call ends with 2 and one line on standard error, which is given."""
    assert main(words) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert len(said.err.splitlines()) == 1
    return said.err
