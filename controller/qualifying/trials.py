"""What a run has gathered, as plain records: for the statistics, the report, and for tests made by hand."""

from __future__ import annotations

from dataclasses import dataclass, field

from controller.qualifying.course import Phase
from controller.qualifying.plan import QualifyPlan
from controller.records import Outcome

__all__ = ["Found", "Subject", "Trial", "Trials"]


@dataclass(slots=True)
class Trial:
    """One command of a run and what came of it."""

    phase: Phase
    cycle: int
    action: str
    command_id: str
    at: float
    """UTC seconds when it was asked for."""
    outcome: Outcome
    lags: list[float] = field(default_factory=list)
    """Seconds from the writing of each frame to its whole echo."""
    sent_at: float | None = None
    """UTC seconds of its last byte, where the traffic told it."""
    up_after: float | None = None
    """Seconds from its last byte until the unit said that it was up."""
    tapped: bool | None = None
    """Whether the tap heard the message whole; None without one."""


@dataclass(frozen=True, slots=True)
class Found:
    """How the unit was found, and how it was left."""

    found: str
    left: str


@dataclass(frozen=True, slots=True)
class Subject:
    """What was tested, with what."""

    site: str
    unit: str
    unit_title: str
    bus: str
    profile: str
    profile_title: str
    profile_hash: str
    """SHA-256 of the profile's file, in hexadecimal."""
    profile_revision: str
    line: str
    """Baud, frame, order and idle level in words."""
    topology: str
    units_expected: int | None
    port: str
    simulated: bool
    method: str
    """How the profile confirms."""
    timeout_ms: float
    latency_ms: float | None = None
    """The adapter's, where it is known."""
    jitter_ms: float | None = None
    hop_bits: float | None = None
    on_bytes: bytes = b""
    off_bytes: bytes = b""
    version: str = ""
    """Of this program."""


@dataclass(slots=True)
class Trials:
    """All of a run."""

    plan: QualifyPlan
    subject: Subject
    began: float
    """UTC seconds."""
    ended: float = 0.0
    trials: list[Trial] = field(default_factory=list)
    completed: int = 0
    incomplete: str = ""
    """Why it ended before its time; empty where it did not."""
    state: Found = Found("unknown", "unknown")
    missed: int = 0
    """Records that could not be read as fast as they came."""
    notes: list[str] = field(default_factory=list)
