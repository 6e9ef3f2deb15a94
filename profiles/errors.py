"""Every error of Linewarden, in one tree.

::

    LinewardenError                 says what was wrong, where, and what to do
    |-- InputError                  the call or a file was wrong (exit code 2)
    |   |-- FileUnreadable          not there, a folder, not UTF-8, too large, no TOML
    |   |-- FileFaults              a file that was read, with every fault found in it
    |   |-- BadValue (ValueError)   a parameter out of range, missing, unknown, of the wrong type
    |   `-- NotKnown (LookupError)  no unit, action, profile, bus ... of that name
    |-- FileUnwritable              no right to write it, no room, no such folder
    |-- ToolMissing                 a program that is needed is not installed
    |-- ToolTrouble                 a program that was run failed
    |-- TemplateError (ValueError)  a byte template that can't be built
    |-- PortError                   the adapter
    |   |-- PortUnavailable         not there, held by another program, or can't do the line settings
    |   `-- LinkLost                it went away while it was in use
    |-- JournalError                the journal can't be read or written
    |   `-- JournalDamaged          what it holds can't be what was written
    `-- ControllerError             between a front end and the controller
        |-- ControllerRuns          another controller has this site
        |-- ControllerAway          no controller answers, or it went away
        |-- ControllerOlder         it does not know what is asked
        |-- BrokerError             the broker is away, can't be trusted, or refuses us
        |-- LocalOnly               done only where the controller runs, not through a broker
        `-- RevisionMoved           somebody else has saved the profile in between
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = [
    "BadValue",
    "BrokerError",
    "ControllerAway",
    "ControllerError",
    "ControllerOlder",
    "ControllerRuns",
    "Fault",
    "FileFaults",
    "FileUnreadable",
    "FileUnwritable",
    "InputError",
    "JournalDamaged",
    "JournalError",
    "LinewardenError",
    "LinkLost",
    "LocalOnly",
    "NotKnown",
    "PortError",
    "PortUnavailable",
    "RevisionMoved",
    "TemplateError",
    "ToolMissing",
    "ToolTrouble",
]


class LinewardenError(Exception):
    """The base of all errors that Linewarden raises on purpose.

    Args:
        what: what was wrong, as a sentence without a full stop.
        where: the file, key, port or unit that it concerns; empty where ``what`` says it.
        todo: what a person can do about it; empty where nothing helps.
    """

    exit_code = 1
    """What the command line ends with (0 done, 1 did not come about, 2 the call was wrong)."""

    def __init__(self, what: str, *, where: str = "", todo: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.todo = todo

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        return f"{text}; {self.todo}" if self.todo else text


class InputError(LinewardenError):
    """The call or a file was wrong: nothing was done."""

    exit_code = 2


class FileUnreadable(InputError):
    """A file that can't be read at all: missing, a folder, not UTF-8, too large, not TOML.

    Args:
        what: what was wrong.
        where: the file's name as it was given.
        todo: what a person can do about it.
        line: the line, counted from 1, where it can be had.
    """

    def __init__(self, what: str, *, where: str = "", todo: str = "", line: int | None = None) -> None:
        super().__init__(what, where=where, todo=todo)
        self.line = line

    def __str__(self) -> str:
        text = super().__str__()
        return text.replace(self.where, f"{self.where}:{self.line}", 1) if self.line else text

    def fault(self) -> Fault:
        """The same as a fault, for where the text of a file is checked as it is written."""
        return Fault(self.where, "", self.line, self.what, self.todo)


class FileUnwritable(LinewardenError):
    """A file that can't be written: no right to, no room, no such folder. What stood there still does."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong in a file."""

    file: str
    """The file's name as it was given."""
    key: str
    """The key's path, such as ``actions.power-on.send[1].check``; empty for the file as a whole."""
    line: int | None
    """The line, counted from 1, where it can be had."""
    what: str
    """What is wrong."""
    todo: str = ""
    """What would be right."""
    warning: bool = False
    """Worth knowing, but no reason to refuse the file."""

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        text = f"{place}: {self.key}: {self.what}" if self.key else f"{place}: {self.what}"
        return f"{text}; {self.todo}" if self.todo else text


class FileFaults(InputError):
    """A file was read and has faults; ``faults`` lists every one."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        more = len(self.faults) - 1
        text = str(self.faults[0])
        super().__init__(f"{text} (and {more} more: `linewarden check` lists them)" if more else text)


class BadValue(InputError, ValueError):
    """A parameter is out of range, missing, unknown or of the wrong type."""


class NotKnown(InputError, LookupError):
    """Nothing of that name is known."""


class ToolMissing(LinewardenError):
    """A program that is needed for this is not installed; what could be done without it was done."""


class ToolTrouble(LinewardenError):
    """A program that was run for us failed, took too long, or said what nobody understands."""


class TemplateError(LinewardenError, ValueError):
    """A byte template can't be built as it is written; ``index`` is the item at fault."""

    def __init__(self, what: str, *, index: int | None = None, todo: str = "") -> None:
        super().__init__(what, todo=todo)
        self.index = index


class PortError(LinewardenError):
    """Something about an adapter's port."""


class PortUnavailable(PortError):
    """The port is not there, is held by another program, or can't do the line settings."""


class LinkLost(PortError):
    """The port went away while it was in use. The one thing raised, whatever the driver threw."""


class JournalError(LinewardenError):
    """The journal can't be opened, read or written."""


class JournalDamaged(JournalError):
    """What the journal's file holds can't be what was written; a new one can be begun beside it."""


class ControllerError(LinewardenError):
    """Something between a front end and the controller."""


class ControllerRuns(ControllerError):
    """Another controller already runs for this site."""


class ControllerAway(ControllerError):
    """No controller answers, or it went away in the middle."""


class ControllerOlder(ControllerError):
    """The running controller is older than who asks, and does not know what is asked."""


class BrokerError(ControllerError):
    """The MQTT broker can't be reached, can't be trusted, refuses us, or went away."""


class LocalOnly(ControllerError):
    """Done only where the controller runs, not through a broker; ``what`` says why."""


class RevisionMoved(ControllerError):
    """The profile was saved by somebody else since it was read; nothing was overwritten."""
