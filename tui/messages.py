"""What the dashboard's parts tell each other."""

from __future__ import annotations

from dataclasses import dataclass

from textual.message import Message

from controller.records import Command, Outcome, Record

__all__ = ["CommandDone", "ControllerGone", "RecordsCame"]


@dataclass
class RecordsCame(Message):
    """Records, gathered since the last refresh."""

    records: list[Record]


@dataclass
class CommandDone(Message):
    """A command of ours has its outcome."""

    command: Command
    outcome: Outcome


@dataclass
class ControllerGone(Message):
    """The controller is out of reach."""

    text: str
