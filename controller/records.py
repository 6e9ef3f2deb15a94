"""What happens, one frozen record a kind: the same in process, over the local socket, in the journal.

Instants called ``at`` and ``since`` are UTC seconds since 1970 (what the journal keeps), unless a
docstring says monotonic. ``to_json`` and ``from_json`` turn every record into plain JSON values and back.
"""

from __future__ import annotations

import enum
import os
import typing
from dataclasses import dataclass, field
from typing import Any, TypeVar

from controller.control_lines import ControlLine
from controller.notices import Alert, Lock
from controller.plain import from_plain, to_plain
from controller.sequences_records import SequenceProgress
from controller.triggers_records import TriggerStatus
from profiles.errors import InputError
from profiles.model import Value

__all__ = [
    "Accepted",
    "Alert",
    "BusStatus",
    "Command",
    "ControlLine",
    "Direction",
    "Event",
    "Known",
    "LagFigures",
    "LinkState",
    "Lock",
    "Lost",
    "Origin",
    "OriginKind",
    "Outcome",
    "Reason",
    "Record",
    "Result",
    "SequenceProgress",
    "StateChange",
    "StateValue",
    "Traffic",
    "TriggerStatus",
    "from_json",
    "new_id",
    "record_from_json",
    "to_json",
]


def new_id() -> str:
    """A fresh id for a command, a lock or an alert."""
    return os.urandom(16).hex()


class Direction(enum.StrEnum):
    """Which way bytes went."""

    SENT = "sent"
    """We wrote them."""
    ECHOED = "echoed"
    """They are our own, come back."""
    HEARD = "heard"
    """Somebody else sent them."""
    PASSED_ON = "passed_on"
    """Heard, and written again for the rest of the ring."""


@dataclass(frozen=True, slots=True)
class Traffic:
    """Bytes on a bus: one record a coalesced read or write."""

    bus: str
    at: float
    """UTC seconds of the last byte."""
    direction: Direction
    data: bytes
    lags: tuple[float | None, ...] | None = None
    """For echoed bytes, each one's lag in seconds from its writing to its whole echo."""
    meaning: str | None = None
    """What the messages that ended in these bytes say; None where nothing is known."""
    fault: str | None = None
    """A reason code where the bytes are not what they should be."""
    command_id: str | None = None
    """The command that they belong to."""
    unexplained: tuple[tuple[int, int], ...] = ()
    """(start, stop) of stretches of ``data`` that no template explains."""
    attempt: int | None = None
    """Which attempt of its command our own bytes belong to, counted from 1."""


class OriginKind(enum.StrEnum):
    """What road a command came by."""

    SCREEN = "screen"
    COMMAND_LINE = "command_line"
    MQTT = "mqtt"
    TRIGGER = "trigger"
    SEQUENCE = "sequence"
    PROBE = "probe"


@dataclass(frozen=True, slots=True)
class Origin:
    """Who asked."""

    kind: OriginKind
    name: str = ""
    """A login name, a trigger's or sequence's id, a client's claim."""
    claimed: bool = False
    """True where the name is only what the sender says of itself."""


@dataclass(frozen=True, slots=True)
class Command:
    """Something that a unit is to be told."""

    unit: str
    """A unit's id, or a bus's for all of its units."""
    action: str
    """An action's name; empty for raw bytes."""
    parameters: dict[str, Value] = field(default_factory=dict)
    origin: Origin = Origin(OriginKind.COMMAND_LINE)
    id: str = field(default_factory=new_id)
    at: float = 0.0
    """UTC seconds when it was asked for."""
    deadline: float | None = None
    """UTC seconds after which it is stale; None for never."""
    agreed: bool = False
    """Whether a person was asked on the spot, and said yes: units with ``ask_before_energise`` want it."""
    raw: bytes | None = None
    """Raw bytes instead of an action: local only, where the site allows it."""
    by_hand: bool = False
    """Nothing is to be sent: a person says that the states in ``parameters`` are so."""


@dataclass(frozen=True, slots=True)
class Accepted:
    """The gate let a command pass: from here on it waits for its turn, or is under way."""

    command_id: str
    at: float


class Result(enum.StrEnum):
    """What became of a command: exactly one of these."""

    CONFIRMED = "confirmed"
    """Each frame's echo came back right: the chain carried it. That the unit obeyed, only an answer or an
    observation can show."""
    ANSWERED = "answered"
    """The reply matched."""
    SENT = "sent"
    """Written, and nothing could confirm it."""
    PRESUMED = "presumed"
    """Nothing was to be sent: a person set a state right by hand."""
    FAILED = "failed"
    REFUSED = "refused"
    """Nothing was written."""
    CANCELLED = "cancelled"
    INTERRUPTED = "interrupted"
    """Found open after a crash: what became of it is not known."""

    @property
    def good(self) -> bool:
        """Whether what was asked came about, as far as can be known."""
        return self in (Result.CONFIRMED, Result.ANSWERED, Result.SENT, Result.PRESUMED)


class Reason(enum.StrEnum):
    """Why a command failed or was refused."""

    NO_ECHO = "no-echo"
    ECHO_STOPPED = "echo-stopped"
    ECHO_WRONG = "echo-wrong"
    ECHO_LATE = "echo-late"
    ECHO_EARLY = "echo-early"
    """Sooner than the line can carry it."""
    ECHO_DOUBLED = "echo-doubled"
    STRAY = "stray"
    COLLISION = "collision"
    LINE_BUSY = "line-busy"
    NO_REPLY = "no-reply"
    BAD_REPLY = "bad-reply"
    REFUSED_BY_UNIT = "refused-by-unit"
    LINK_LOST = "link-lost"
    LOCKED = "locked"
    NOT_ALLOWED = "not-allowed"
    OUT_OF_RANGE = "out-of-range"
    STALE = "stale"
    TOO_FAST = "too-fast"
    NOT_AGREED = "not-agreed"
    """The unit asks before it is energised, and nobody was asked."""
    CONDITION = "condition"
    """``only_if`` is not met, or not known to be."""
    NOT_KNOWN = "not-known"
    """No such unit, action or parameter."""
    LISTEN_ONLY = "listen-only"
    """The bus is a tap: nothing is ever written."""
    JOURNAL = "journal"
    """The journal can't be written, so nothing that energises is sent."""
    CANCELLED = "cancelled"
    INTERNAL = "internal"
    """A fault of this program; the log has it."""


@dataclass(frozen=True, slots=True)
class LagFigures:
    """Echo lags of one command, in milliseconds."""

    least: float
    median: float
    most: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a command."""

    command_id: str
    result: Result
    reason: Reason | None = None
    text: str = ""
    """One sentence that says what happened."""
    look_at: str = ""
    """What to check first; of a command that was refused: what to do about it."""
    frames: int = 0
    """Frames of the message."""
    echoed: int = 0
    """Frames whose echo came back right in the last attempt."""
    failed_at: int | None = None
    """Index of the frame at which the last attempt ended."""
    expected: int | None = None
    """The byte that should have come back."""
    got: int | None = None
    """The byte that came."""
    attempts: int = 0
    took_ms: float | None = None
    """First write to last echo (or last byte of the reply, or last byte written) of the last attempt."""
    wire_ms: float | None = None
    """The least that physics allows for it."""
    lag_ms: LagFigures | None = None
    units_answering: int | None = None
    """None where it can't be told."""
    values: dict[str, Value] = field(default_factory=dict)
    """What the reply said, by field."""
    at: float = 0.0


class Known(enum.StrEnum):
    """How a state's value is known."""

    OBSERVED = "observed"
    """The unit, its reply or a sense input said so."""
    CONFIRMED = "confirmed"
    """Our command's echo came back."""
    PRESUMED = "presumed"
    """Sent on an open line, heard from another sender, or set by hand."""
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class StateValue:
    """A state, and how it is known."""

    value: Value | None
    """None while unknown."""
    known: Known
    since: float
    last_known: Value | None = None
    """The last value that was known, kept beside while it is unknown."""
    command_id: str | None = None


@dataclass(frozen=True, slots=True)
class StateChange:
    """A unit's state has a new value, or is known in another way."""

    unit: str
    state: str
    value: StateValue


@dataclass(frozen=True, slots=True)
class Event:
    """Something was seen on a bus."""

    bus: str
    unit: str | None
    name: str
    at: float
    values: dict[str, Value] = field(default_factory=dict)


class LinkState(enum.StrEnum):
    """How an adapter is."""

    UP = "up"
    DOWN = "down"
    LISTENING = "listening"
    """Up, and by its topology never written to."""


@dataclass(frozen=True, slots=True)
class BusStatus:
    """How a bus is, as far as it can be told."""

    bus: str
    link: LinkState
    at: float
    units_answering: int | None = None
    units_expected: int | None = None
    lag_ms: float | None = None
    """The least echo lag of the last confirmed action."""
    counters: dict[str, int] = field(default_factory=dict)
    """Bytes sent and heard, actions, failures, unknown bytes, and the driver's own where it has them."""
    text: str = ""
    """Why the link is down."""


@dataclass(frozen=True, slots=True)
class Lost:
    """A slow reader missed ``count`` records here."""

    count: int


Record = (
    Traffic
    | Command
    | Accepted
    | Outcome
    | StateChange
    | Event
    | ControlLine
    | SequenceProgress
    | TriggerStatus
    | Alert
    | Lock
    | BusStatus
    | Lost
)
"""Everything that listeners are told."""

_RECORDS: dict[str, type] = {kind.__name__: kind for kind in typing.get_args(Record)}

R = TypeVar("R")


def to_json(record: Any) -> dict[str, Any]:
    """A record as plain JSON values, with its kind under ``kind``; bytes become hexadecimal."""
    return {"kind": type(record).__name__, **to_plain(record)}


def from_json(kind: type[R], document: dict[str, Any]) -> R:
    """The record of that kind out of plain JSON values.

    Raises:
        InputError: the document is none of that kind.
    """
    record: R = from_plain(kind, document)
    return record


def record_from_json(document: dict[str, Any]) -> Record:
    """The record that ``to_json`` made the document of, whatever its kind.

    Raises:
        InputError: the document is no record.
    """
    kind = _RECORDS.get(str(document.get("kind", "")))
    if kind is None:
        raise InputError(f"no record is of kind {document.get('kind')!r}")
    record: Record = from_json(kind, document)
    return record
