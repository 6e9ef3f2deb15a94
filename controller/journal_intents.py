"""Intents that are with the operating system before they are in the journal's table: a line each, beside it.

A command may go out once its intent outlives ``kill -9``. An SQLite transaction takes ten times as long as
a line at the end of a file does (measured: 0.2 and 0.02 ms, both without a flush), and it is the longest
part of the way from an automation system's message to the first byte on the line. So the line goes first, and
the table follows within milliseconds, mostly together with the command's outcome; then the file is emptied.
What is found in it when a journal is opened was begun by a process that was killed in between.
"""

from __future__ import annotations

import errno
import logging
import os
from pathlib import Path

from controller.journal_file import beside
from controller.journal_reader import from_text
from controller.records import Command
from controller.state_folder import private_file
from profiles.errors import JournalError

__all__ = ["SUFFIX", "IntentLog", "intent_line", "logged_intents"]

log = logging.getLogger(__name__)

SUFFIX = "-intents"
"""What the file's name ends in, after the journal's."""
_TORN = b" is no whole line\n"
"""Ends a part of a line that can't be taken away, so that it is no intent and the next line begins anew."""


def intent_line(command: str, at: float) -> bytes:
    """A line of the file.

    Args:
        command: the command as JSON.
        at: UTC seconds.
    """
    return f"{at!r} {command}\n".encode()


def logged_intents(journal: Path) -> list[tuple[Command, float]]:
    """What is in a journal's log of intents, oldest first, with UTC seconds; the file is only read.

    Not all of them need be new to the table.

    Raises:
        JournalError: it can't be read.
    """
    path = beside(journal, SUFFIX)
    try:
        return _intents(path.read_bytes(), path)
    except FileNotFoundError:
        return []
    except OSError as error:
        raise _error(error, path) from error


class IntentLog:
    """The file, made when the first line is written. One thread uses it.

    Args:
        journal: the path of the journal that it belongs to.

    Raises:
        JournalError: it can't be opened or read.
    """

    left: list[tuple[Command, float]]
    """Intents of an earlier process, with UTC seconds: not all of them need be new to the table."""

    def __init__(self, journal: Path) -> None:
        self.path = beside(journal, SUFFIX)
        self._file = -1
        self._size = 0
        self._torn = False
        """Whether the file may end in a part of a line, on which none may be put."""
        self.left = []
        if self.path.exists():
            self._open()
            found = self._content()
            self._size = found.rfind(b"\n") + 1
            self._torn = self._size != len(found)
            self.left = _intents(found, self.path)

    def _open(self) -> None:
        try:
            self._file = private_file(self.path)
            os.lseek(self._file, 0, os.SEEK_END)
        except OSError as error:
            raise _error(error, self.path) from error

    def _content(self) -> bytes:
        try:
            return self.path.read_bytes()
        except OSError as error:
            raise _error(error, self.path) from error

    def append(self, line: bytes) -> None:
        """Write a line; it outlives the end of this process from here on.

        Raises:
            JournalError: the disk does not take it. Nothing of it stays.
        """
        if self._file < 0:
            self._open()
        joined = self._torn and not self._cut(self._size)
        if joined:
            line = _TORN + line
        try:
            done = os.write(self._file, line)
            if done != len(line):
                raise OSError(errno.ENOSPC, "there is no space left")
            # Only now: where this fails too, the last whole line is still the one before the torn part.
            self._size = os.lseek(self._file, 0, os.SEEK_END) if joined else self._size + done
        except OSError as error:
            self._cut(self._size)
            raise _error(error, self.path) from error
        self._torn = False

    def clear(self) -> None:
        """All that was appended is in the table."""
        if (self._size or self._torn) and self._cut(0):
            self._size = 0
            self.left = []

    def _cut(self, size: int) -> bool:
        try:
            os.ftruncate(self._file, size)
            os.lseek(self._file, size, os.SEEK_SET)
        except OSError:
            self._torn = True
            return False  # what is in the table already is known again by its id
        self._torn = False
        return True

    def close(self) -> None:
        """Close it; an empty one goes. A second time does nothing."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1
            if not self._size:
                self.path.unlink(missing_ok=True)


def _error(error: OSError, path: Path) -> JournalError:
    return JournalError(
        f"the disk does not take what is written: {error.strerror}",
        where=str(path),
        todo="check that it has space and is sound",
    )


def _intents(content: bytes, path: Path) -> list[tuple[Command, float]]:
    # A last line without its end was never told to have been written.
    read = (_read(line, path) for line in content.split(b"\n")[:-1])
    return [entry for entry in read if entry is not None]


def _read(line: bytes, path: Path) -> tuple[Command, float] | None:
    """A line's command and UTC seconds; None where it is none: a power cut may leave anything."""
    at, _, text = line.decode("utf-8", "replace").partition(" ")
    try:
        return from_text(Command, text, path), float(at)
    except (ValueError, JournalError):
        log.warning("%s: a line is no intent", path)
        return None
