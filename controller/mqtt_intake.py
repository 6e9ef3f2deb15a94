"""Which messages on ``set`` topics are commands, and which are refused and why. Pure: times are handed in.

What passes here still has to pass the gate. Nothing that comes raises, whatever it is.
"""

from __future__ import annotations

import enum
import hashlib
import math
import re
from dataclasses import dataclass, replace
from typing import Any

from controller.homie import (
    AllOff,
    Claim,
    HomieSite,
    OwnTarget,
    Ping,
    Request,
    SetAction,
    SetLock,
    SetState,
    Watch,
    plain_parameters,
)
from controller.homie_sequences import SetSequence
from controller.homie_values import decode
from controller.mqtt_messages import Incoming
from controller.records import Command, Origin, OriginKind, new_id
from controller.sequences_records import SequenceOrder
from profiles.errors import BadValue
from profiles.model import Effect

__all__ = ["LARGEST", "Asked", "AskedOfUs", "Intake", "Refused", "Why"]

LARGEST = 4096
"""Bytes of the largest payload that is looked into."""
RATE, BURST = 400.0, 800.0
"""Commands a second that are taken, over all units, and how many at once."""
_LONGEST_NAME = 64
_LONGEST_RESPONSE_TOPIC = 512
_LONGEST_CORRELATION = 1024
_ID = re.compile(r"[A-Za-z0-9._:-]{1,64}")


class Why(enum.StrEnum):
    """Why a message was refused: what is counted."""

    RETAINED = "retained"
    EMPTY = "empty"
    TOO_LARGE = "too-large"
    NOT_THERE = "not-there"
    """Nothing can be set on that topic."""
    NOT_ALLOWED = "not-allowed"
    """The site does not let it be commanded over MQTT."""
    BAD_VALUE = "bad-value"
    """No UTF-8, or not valid for the datatype or format."""
    TOO_FAST = "too-fast"


@dataclass(frozen=True, slots=True)
class Refused:
    """A message that is not carried out."""

    why: Why
    text: str
    unit: str | None = None
    command: Command | None = None
    """What it asked for, as far as that can be told."""
    response_topic: str | None = None
    correlation: bytes | None = None


@dataclass(frozen=True, slots=True)
class Asked:
    """A command for the gate."""

    command: Command
    state: str | None = None
    """The state that was set, where it was one."""
    payload: bytes = b""
    response_topic: str | None = None
    correlation: bytes | None = None
    response_ignored: bool = False
    """Whether a response was asked for where this site gives none."""
    new: bool = False
    """Whether its id was made here, just now."""


@dataclass(frozen=True, slots=True)
class AskedOfUs:
    """Something that is asked of the controller itself."""

    target: OwnTarget
    value: Any
    payload: bytes
    origin: Origin


class Intake:
    """Judges messages.

    Args:
        site: the devices.
        response_prefix: under which response topics are honoured.
    """

    def __init__(self, site: HomieSite, response_prefix: str) -> None:
        self.site = site
        self._prefix = response_prefix
        self._left = BURST
        self._filled = -math.inf

    def judge(self, message: Incoming, *, utc: float, now: float) -> Asked | AskedOfUs | Refused:
        """What a message on a ``set`` topic is.

        Args:
            message: what came.
            utc: UTC seconds.
            now: monotonic seconds.
        """
        found = self.site.target(message.topic)
        unit = found[0] if found else None
        if message.retain:
            text = "a retained message on a set topic is never carried out; remove it from the broker"
            return Refused(Why.RETAINED, text, unit)
        if not message.payload:
            return Refused(Why.EMPTY, "an empty message says nothing", unit)
        if len(message.payload) > LARGEST:
            return Refused(Why.TOO_LARGE, f"{len(message.payload)} bytes are too many for a command", unit)
        if found is None:
            return self._not_there(message.topic)
        target = found[1]
        origin = Origin(OriginKind.MQTT, _name(message.sender), claimed=True)
        try:
            value = decode(message.payload, target.property)
            if isinstance(target, AllOff | Watch | SetLock | Claim | Ping | SetSequence):
                if isinstance(target, AllOff) or value == SequenceOrder.DOWN or self._room(now):
                    return AskedOfUs(target, value, message.payload, origin)
                return Refused(Why.TOO_FAST, _TOO_FAST)
            asked = self._asked(unit or "", target, value, message, origin, utc)
        except BadValue as error:
            return Refused(Why.BAD_VALUE, f"{target.property.id} {error.what}", unit)
        if not self.takes_away(asked.command) and not self._room(now):
            return Refused(
                Why.TOO_FAST, _TOO_FAST, unit, asked.command, asked.response_topic, asked.correlation
            )
        return asked

    def _asked(
        self,
        unit: str,
        target: SetState | SetAction | Request,
        value: Any,
        message: Incoming,
        origin: Origin,
        utc: float,
    ) -> Asked:
        response, ignored = self._response(message.response_topic)
        correlation = message.correlation if response is not None else None
        deadline = None if message.expiry is None else utc + message.expiry
        if isinstance(target, Request):
            command = _requested(Command(unit, "", {}, origin, "", utc, deadline), value)
            return Asked(command, None, b"", response, correlation, ignored)
        action, parameters = target.action(value)
        command = Command(unit, action, parameters, origin, _identity(message), utc, deadline)
        state = target.property.id if isinstance(target, SetState) else None
        new = not message.correlation
        return Asked(command, state, message.payload, response, correlation, ignored, new)

    def _response(self, topic: str | None) -> tuple[str | None, bool]:
        """Where the outcome goes, and whether it was wanted elsewhere: there our rights are not lent out."""
        if topic is None:
            return None, False
        under = topic.startswith(f"{self._prefix}/") and len(topic) > len(self._prefix) + 1
        if not under or len(topic) > _LONGEST_RESPONSE_TOPIC or any(sign in topic for sign in "+#\0"):
            return None, True
        return topic, False

    def _not_there(self, topic: str) -> Refused:
        parts = topic.split("/")
        unit = self.site.unit_of(parts[2]) if len(parts) == 6 else None
        if unit is not None:
            profile = self.site.loaded.profiles[self.site.loaded.site.units[unit].bus]
            if (parts[3], parts[4] in profile.actions) == ("actions", True):
                return Refused(Why.NOT_ALLOWED, f"{unit} takes no {parts[4]} over MQTT", unit)
        return Refused(Why.NOT_THERE, "nothing can be set there", unit)

    def takes_away(self, command: Command) -> bool:
        """Whether it only takes energy away: that is never too fast."""
        unit = self.site.loaded.site.units.get(command.unit)
        action = self.site.loaded.profiles[unit.bus].actions.get(command.action) if unit else None
        return action is not None and action.spec.effect is Effect.DE_ENERGISE

    def _room(self, now: float) -> bool:
        if self._filled > -math.inf:
            self._left = min(BURST, self._left + (now - self._filled) * RATE)
        self._filled = now
        if self._left < 1:
            return False
        self._left -= 1
        return True


_TOO_FAST = f"more than {RATE:g} commands a second over MQTT"


def _identity(message: Incoming) -> str:
    """The command's id: of the same sender and the same correlation data it is the same."""
    if not message.correlation:
        return new_id()
    if len(message.correlation) > _LONGEST_CORRELATION:
        raise BadValue("has correlation data that is too long")
    # One sender's numbers are not another's: the response topic says whose they are.
    scope = (message.response_topic or "").encode("utf-8", "replace")
    digest = hashlib.sha256(scope + b"\0" + message.correlation).hexdigest()
    return f"mqtt-{digest[:32]}"


def _requested(command: Command, given: Any) -> Command:
    """The json form of a command."""
    if not isinstance(given, dict):
        raise BadValue("must be a JSON object")
    unknown = given.keys() - {"id", "action", "parameters", "within_s", "from", "agreed"}
    if unknown:
        raise BadValue(f"has no {min(unknown)!r}")
    identity, action, sender = given.get("id"), given.get("action"), given.get("from", command.origin.name)
    if not isinstance(identity, str) or not _ID.fullmatch(identity):
        raise BadValue("needs an id of 1 to 64 letters, digits and . _ : -")
    if not isinstance(action, str) or not action:
        raise BadValue("needs an action")
    if not isinstance(sender, str):
        raise BadValue("has a sender that is no text")
    if not isinstance(agreed := given.get("agreed", False), bool):
        raise BadValue("has an agreed that is neither true nor false")
    within = given.get("within_s")
    deadline = command.deadline
    if within is not None:
        if isinstance(within, bool) or not isinstance(within, int | float) or not 0 < within < 1e9:
            raise BadValue("has a within_s that is no number of seconds above 0")
        deadline = min(command.at + within, math.inf if deadline is None else deadline)
    return replace(
        command,
        id=identity,
        action=action,
        parameters=plain_parameters(given.get("parameters", {})),
        origin=replace(command.origin, name=_name(sender)),
        deadline=deadline,
        agreed=agreed,
    )


def _name(text: str) -> str:
    """A name that a sender gives itself, fit to be shown."""
    return "".join(sign for sign in text[:_LONGEST_NAME] if sign.isprintable())
