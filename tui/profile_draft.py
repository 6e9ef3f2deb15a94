"""A profile's text while somebody works on it: steps back and forth, and the difference to what is saved.

Pure: no terminal, no controller. The text itself is edited, so that comments, order and spelling stay.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass

from controller.api import ProfileText
from profiles.errors import BadValue

__all__ = ["Change", "Moved", "ProfileDraft", "change", "difference"]

_MOST_STEPS = 2000
_MOST_HELD = 16 * 2**20
"""Characters that the steps hold all told; older steps are let go."""
_CONTEXT = 3
"""Equal lines that are shown around a change."""
_BREAKS = {
    "\x0b": "a vertical tab",
    "\x0c": "a form feed",
    "\x1c": "a file separator",
    "\x1d": "a group separator",
    "\x1e": "a record separator",
    "\x85": "a next-line character",
    "\u2028": "a line separator",
    "\u2029": "a paragraph separator",
}
"""What an editor of lines takes for the end of one, and TOML does not."""


@dataclass(frozen=True, slots=True)
class Change:
    """At an index, ``out`` was taken out and ``into`` put in."""

    at: int
    out: str
    into: str


class ProfileDraft:
    """One profile's text and its history.

    Args:
        key: the name that the Controller API knows the profile by.
        saved: its file as it stands.

    Raises:
        BadValue: its lines can't be edited without being changed.
    """

    def __init__(self, key: str, saved: ProfileText) -> None:
        self.key = key
        self.saved = saved
        self.text = _editable(saved)
        self.cursor = 0
        """Index in the text."""
        self._base = self.text
        self._done: list[Change] = []
        self._undone: list[Change] = []
        self._held = 0

    @property
    def base(self) -> str:
        """What is saved, its line ends as they are edited."""
        return self._base

    @property
    def changed(self) -> bool:
        """Whether the text differs from what is saved."""
        return self.text != self._base

    @property
    def becomes_own(self) -> bool:
        """Whether saving makes a copy of one's own of a shipped profile."""
        return not self.saved.writable

    @property
    def line(self) -> int:
        """The cursor's line, counted from 1."""
        return self.text.count("\n", 0, self.cursor) + 1

    @property
    def file_text(self) -> str:
        """The text as it is to stand in the file, with the file's kind of line ends."""
        return self.text.replace("\n", "\r\n") if "\r\n" in self.saved.text else self.text

    @property
    def mixed_ends(self) -> bool:
        """Whether the file has line ends of several kinds, which saving makes alike."""
        ends = self.saved.text.count("\r\n")
        return 0 < ends < self._base.count("\n")

    def go_to_line(self, line: int) -> None:
        """Put the cursor at the beginning of a line, counted from 1."""
        place = 0
        for _ in range(line - 1):
            found = self.text.find("\n", place)
            if found < 0:
                break
            place = found + 1
        self.cursor = place

    def edit(self, text: str, cursor: int | None = None, *, typed: bool = False) -> bool:
        """Take a new text; whether it is one.

        Args:
            text: the whole text.
            cursor: where the cursor is in it; by default behind what was put in.
            typed: whether it came key by key: such changes are undone word by word.
        """
        step = change(self.text, text)
        if step is None:
            if cursor is not None:
                self.cursor = cursor
            return False
        self._undone.clear()
        joined = _joined(self._done[-1], step) if typed and self._done else None
        if joined is not None:
            self._held += _size(joined) - _size(self._done[-1])
            self._done[-1] = joined
        else:
            self._done.append(step)
            self._held += _size(step)
        while len(self._done) > 1 and (len(self._done) > _MOST_STEPS or self._held > _MOST_HELD):
            self._held -= _size(self._done.pop(0))
        self.text = text
        self.cursor = step.at + len(step.into) if cursor is None else cursor
        return True

    def undo(self) -> bool:
        """Take the last step back; whether there was one."""
        if not self._done:
            return False
        step = self._done.pop()
        self._held -= _size(step)
        self._undone.append(step)
        self.text = self.text[: step.at] + step.out + self.text[step.at + len(step.into) :]
        self.cursor = step.at + len(step.out)
        return True

    def redo(self) -> bool:
        """Take the last step that was taken back again; whether there was one."""
        if not self._undone:
            return False
        step = self._undone.pop()
        self._held += _size(step)
        self._done.append(step)
        self.text = self.text[: step.at] + step.into + self.text[step.at + len(step.out) :]
        self.cursor = step.at + len(step.into)
        return True

    def was_saved(self, saved: ProfileText) -> None:
        """The text, or what it was when it was handed in, is now the file's."""
        self.saved = saved
        self._base = _editable(saved)

    def difference(self) -> list[str]:
        """From what is saved to this text, as lines of a unified diff."""
        return difference(self._base, self.text, "saved", "yours")

    def takes_theirs(self, theirs: ProfileText) -> None:
        """Go on from what somebody else has saved; undo brings one's own text back.

        Raises:
            BadValue: its lines can't be edited without being changed.
        """
        text = _editable(theirs)
        self.edit(text, min(self.cursor, len(text)))
        self.saved, self._base = theirs, text

    def stays_over(self, theirs: ProfileText) -> None:
        """Keep one's own text, with what somebody else has saved as what it differs from.

        Raises:
            BadValue: its lines can't be compared.
        """
        self._base = _editable(theirs)
        self.saved = theirs


@dataclass(frozen=True, slots=True)
class Moved:
    """Somebody else has saved the profile in between: the three texts."""

    base: str
    """What the draft began from."""
    mine: str
    theirs: ProfileText

    @property
    def they_changed(self) -> list[str]:
        """From what both began with to theirs."""
        return difference(self.base, _lines_alike(self.theirs.text), "before", "theirs")

    @property
    def i_changed(self) -> list[str]:
        """From what both began with to mine."""
        return difference(self.base, self.mine, "before", "yours")

    @property
    def between(self) -> list[str]:
        """From theirs to mine: what saving mine would do to theirs."""
        return difference(_lines_alike(self.theirs.text), self.mine, "theirs", "yours")


def difference(old: str, new: str, old_name: str, new_name: str) -> list[str]:
    """A unified diff of two texts, a line of it an entry; empty where they are alike."""
    lines = difflib.unified_diff(
        old.split("\n"), new.split("\n"), old_name, new_name, lineterm="", n=_CONTEXT
    )
    return list(lines)


def _editable(saved: ProfileText) -> str:
    for character, name in _BREAKS.items():
        place = saved.text.find(character)
        if place >= 0:
            line = saved.text.count("\n", 0, place) + 1
            raise BadValue(
                f"line {line} has {name} (U+{ord(character):04X}), which would end the line here",
                where=saved.path,
                todo=f'write it as "\\u{ord(character):04X}" in another editor first',
            )
    return _lines_alike(saved.text)


def _lines_alike(text: str) -> str:
    """Line ends as TOML and this editor count them."""
    return text.replace("\r\n", "\n").replace("\r", "\n")


def change(old: str, new: str) -> Change | None:
    """The one change that makes a text of another; None where they are alike."""
    if old == new:
        return None
    start = _common(old, new)
    end = min(_common(old[start:][::-1], new[start:][::-1]), min(len(old), len(new)) - start)
    return Change(start, old[start : len(old) - end], new[start : len(new) - end])


def _common(one: str, two: str) -> int:
    """How many characters both begin with; comparing halves is quick however long they are."""
    low, high = 0, min(len(one), len(two))
    while low < high:
        middle = (low + high + 1) // 2
        if one[low:middle] == two[low:middle]:
            low = middle
        else:
            high = middle - 1
    return low


def _joined(before: Change, after: Change) -> Change | None:
    """Two steps as one, where a person would call them one: a word typed, or letters rubbed out."""
    if "\n" in before.into + before.out + after.into + after.out:
        return None
    if not before.out and not after.out and after.at == before.at + len(before.into):
        if before.into[-1:].isspace() and not after.into[:1].isspace():
            return None
        return Change(before.at, "", before.into + after.into)
    if not before.into and not after.into and after.at + len(after.out) == before.at:
        return Change(after.at, after.out + before.out, "")
    return None


def _size(step: Change) -> int:
    return len(step.out) + len(step.into)
