"""MQTT topics as they can stand in a site's file."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator

__all__ = ["MqttTopic"]

_LONGEST_TOPIC = 65_535


def _topic(text: str) -> str:
    if not text or len(text.encode("utf-8", "surrogatepass")) > _LONGEST_TOPIC:
        raise ValueError("is no topic; use 1 to 65,535 bytes")
    if strange := next((sign for sign in "+#\0" if sign in text), None):
        raise ValueError(f"has {strange!r} in it, which no topic can have; leave it out")
    return text


MqttTopic = Annotated[str, AfterValidator(_topic)]
