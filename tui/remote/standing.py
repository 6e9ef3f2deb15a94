"""How a site's controller is, as far as a broker can tell, in words. Pure."""

from __future__ import annotations

import enum

__all__ = ["Standing"]


class Standing(enum.Enum):
    """How a site's controller is."""

    READY = "ready"
    """What is shown of it is so."""
    INIT = "init"
    """It is announcing itself."""
    DISCONNECTED = "disconnected"
    """It was stopped on purpose."""
    SLEEPING = "sleeping"
    """No controller of ours does; the convention has it."""
    LOST = "lost"
    """The broker has not heard of it for too long."""
    GONE = "gone"
    """The broker has no word of it."""
    LOOKING = "looking"
    """The broker has not told yet."""
    UNREACHABLE = "unreachable"
    """The broker itself is out of reach."""

    @classmethod
    def read(cls, payload: bytes) -> Standing:
        """By the payload of ``$state``; what is no state counts as none."""
        return _BY_PAYLOAD.get(payload, cls.GONE)

    @property
    def words(self) -> str:
        """What is wrong, as a sentence without a full stop; empty where nothing is."""
        return _WORDS[self][0]

    @property
    def look_at(self) -> str:
        """What to look at first."""
        return _WORDS[self][1]


_BY_PAYLOAD = {
    each.value.encode(): each
    for each in (
        Standing.READY,
        Standing.INIT,
        Standing.DISCONNECTED,
        Standing.SLEEPING,
        Standing.LOST,
    )
}
_WORDS = {
    Standing.READY: ("", ""),
    Standing.INIT: ("controller is beginning", ""),
    Standing.DISCONNECTED: (
        "controller stopped: nothing is known any more",
        "the controller's machine: `linewarden run` starts it again",
    ),
    Standing.SLEEPING: ("controller asleep: nothing is known", ""),
    Standing.LOST: (
        "controller lost: nothing is known any more",
        "the controller's machine: its power, its network, whether it runs",
    ),
    Standing.GONE: (
        "broker has no word of it: nothing is known",
        "whether the controller runs, and reaches the broker",
    ),
    Standing.LOOKING: ("asking the broker for it", ""),
    Standing.UNREACHABLE: ("broker out of reach: nothing is known any more", ""),
}
