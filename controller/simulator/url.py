"""``sim://`` URLs: what they say, and how pyserial comes to know them.

``sim://PROFILE?units=4&topology=ring&latency_ms=1&name=hall&order=cut+2``
"""

from __future__ import annotations

import difflib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qsl, unquote, urlsplit

from controller.simulator.adapter import AdapterFacts
from controller.simulator.layout import Layout
from controller.simulator.medium import Topology
from controller.simulator.orders import parse_order
from profiles.compiled import CompiledProfile
from profiles.errors import BadValue, LinewardenError, PortUnavailable
from profiles.library import find

__all__ = ["SimUrl", "find_profile", "parse_url", "register"]

Load = Callable[[str], CompiledProfile]

_PACKAGE = "controller.simulator.urlhandler"


@dataclass(frozen=True, slots=True)
class SimUrl:
    """What a ``sim://`` URL says."""

    profile: str
    """A profile's name or path, as ``find_profile`` takes it."""
    name: str | None
    """Under which it runs on after the port is closed, and is found by ``running``."""
    layout: Layout
    facts: AdapterFacts
    orders: tuple[str, ...]
    """Given to it when it begins."""


def _from_library(name: str) -> CompiledProfile:
    return find(name).load()


_load: Load = _from_library


def register(load: Load | None = None) -> None:
    """Make ``sim://`` known to pyserial; see controller/simulator/__init__.py."""
    import serial

    global _load  # noqa: PLW0603 -- pyserial makes ports by their URL alone, so the way to profiles stands here
    if load is not None:
        _load = load
    if _PACKAGE not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(_PACKAGE)


def find_profile(name: str) -> CompiledProfile:
    """The profile that a URL names.

    Raises:
        LinewardenError: there is none, or it has faults.
    """
    return _load(name)


def _flag(text: str) -> bool:
    if text.lower() not in ("true", "false"):
        raise BadValue(f"must be true or false, not {text!r}")
    return text.lower() == "true"


def _whole(text: str) -> int:
    if not text.isascii() or not text.isdigit() or len(text) > 9:
        raise BadValue(f"must be a whole number, not {text!r}")
    return int(text)


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise BadValue(f"must be a number, not {text!r}") from None


def _seconds(text: str) -> float:
    return _number(text) / 1000


def _topology(text: str) -> Topology:
    if text not in set(Topology):
        raise BadValue(f"must be {', '.join(Topology)}, not {text!r}")
    return Topology(text)


def _addresses(text: str) -> tuple[int, ...]:
    return tuple(_whole(word) for word in text.split(","))


def _timer(text: str) -> bool:
    if text not in ("first-byte", "free-running"):
        raise BadValue(f"must be first-byte or free-running, not {text!r}")
    return text == "free-running"


_LAYOUT: dict[str, tuple[str, Callable[[str], object]]] = {
    "units": ("units", _whole),
    "topology": ("topology", _topology),
    "hears_itself": ("hears_itself", _flag),
    "pass_on": ("pass_on", _flag),
    "addresses": ("addresses", _addresses),
    "hop_bits": ("hop_bits", _number),
    "response_delay_ms": ("response_delay_s", _seconds),
}
_FACTS: dict[str, tuple[str, Callable[[str], object]]] = {
    "latency_ms": ("latency_s", _seconds),
    "timer": ("free_running", _timer),
    "batch": ("batch", _whole),
}
_KEYS = (*_LAYOUT, *_FACTS, "name", "order")


def parse_url(url: str) -> SimUrl:
    """Read a ``sim://`` URL.

    Raises:
        PortUnavailable: it says something that no simulated line can be; the message names the key.
    """
    parts = urlsplit(url)
    profile = unquote(parts.netloc + parts.path)
    if not profile:
        raise PortUnavailable(
            "names no profile", where=url, todo="write sim://PROFILE, such as sim://pellgate-chain?units=4"
        )
    layout: dict[str, Any] = {}
    facts: dict[str, Any] = {}
    orders: list[str] = []
    name: str | None = None
    for key, text in parse_qsl(parts.query, keep_blank_values=True):
        try:
            if key == "order":
                parse_order(text)
                orders.append(text)
            elif key == "name":
                name = text or None
            elif key in _LAYOUT:
                field, read = _LAYOUT[key]
                layout[field] = read(text)
            elif key in _FACTS:
                field, read = _FACTS[key]
                facts[field] = read(text)
            else:
                near = difflib.get_close_matches(key, _KEYS, n=1)
                raise BadValue(
                    "is no setting of a simulated line",
                    todo=f"did you mean {near[0]}?" if near else f"it takes {', '.join(_KEYS)}",
                )
        except LinewardenError as error:
            raise PortUnavailable(f"{key} {error.what}", where=url, todo=error.todo) from error
    try:
        return SimUrl(profile, name, Layout(**layout), AdapterFacts(**facts), tuple(orders))
    except BadValue as error:
        raise PortUnavailable(error.what, where=url, todo=error.todo) from error
