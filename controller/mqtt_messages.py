"""What paho-mqtt hands over, as what the rest works with: messages that came, and errors in words."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from typing import TYPE_CHECKING

from controller.mqtt_settings import BrokerSettings
from profiles.errors import BrokerError

if TYPE_CHECKING:
    from paho.mqtt.client import MQTTMessage
    from paho.mqtt.reasoncodes import ReasonCode

__all__ = ["Incoming", "NotGranted", "incoming", "refused", "unreachable"]


@dataclass(frozen=True, slots=True)
class Incoming:
    """A message that came."""

    topic: str
    payload: bytes
    retain: bool = False
    response_topic: str | None = None
    correlation: bytes | None = None
    expiry: int | None = None
    """Seconds that it is still valid for; None for ever."""
    sender: str = ""
    """What the sender calls itself, in the user property ``from``."""


def incoming(message: MQTTMessage) -> Incoming:
    """A message as paho has it.

    Raises:
        UnicodeDecodeError: its topic is no UTF-8.
    """
    properties = message.properties
    if properties is None:
        return Incoming(message.topic, bytes(message.payload), bool(message.retain))
    named = dict(getattr(properties, "UserProperty", ()))
    return Incoming(
        message.topic,
        bytes(message.payload),
        bool(message.retain),
        getattr(properties, "ResponseTopic", None),
        getattr(properties, "CorrelationData", None),
        getattr(properties, "MessageExpiryInterval", None),
        str(named.get("from", "")),
    )


def unreachable(error: Exception, settings: BrokerSettings) -> BrokerError:
    """Why a broker can't be reached, in words: none of them a secret."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return BrokerError(
            f"the broker's certificate can't be trusted: {error.verify_message}",
            where=settings.shown,
            todo="see `mqtt.tls.ca_file`, and the name in `mqtt.broker`",
        )
    if isinstance(error, ssl.SSLError):
        reason = (error.reason or "no reason given").replace("_", " ").lower()
        return BrokerError(
            f"no TLS with the broker: {reason}",
            where=settings.shown,
            todo="see whether it listens with TLS on this port, and wants a client certificate",
        )
    if isinstance(error, OSError):
        reason = error.strerror or str(error) or type(error).__name__
        return BrokerError(
            f"the broker can't be reached: {reason}", where=settings.shown, todo="see whether it runs"
        )
    return BrokerError(f"the broker can't be reached: {type(error).__name__}", where=settings.shown)


class NotGranted(BrokerError):
    """A subscription is not answered."""

    def __init__(self, settings: BrokerSettings) -> None:
        what = "the broker does not answer a subscription: it drops what is too far ahead of its client"
        super().__init__(what, where=settings.shown, todo="see max_queued_messages of the broker's config")


def refused(reason: ReasonCode, settings: BrokerSettings) -> BrokerError:
    """Why a broker does not take us."""
    name = str(reason)
    if name in ("Bad user name or password", "Not authorized"):
        todo = "see `mqtt.user` and its secret"
    elif name == "Unsupported protocol version":
        todo = f'use another `protocol` than "{settings.protocol}"'
    else:
        todo = "see the broker's log"
    return BrokerError(f"the broker refuses us: {name}", where=settings.shown, todo=todo)
