"""What MQTT does not carry, each with the reason: it is done where the controller runs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from controller.api import JournalEntry, JournalQuery, ProbeReport, ProfileText
from controller.records import Origin, StateValue
from profiles.errors import LocalOnly
from profiles.model import Value

if TYPE_CHECKING:
    from controller.triggers_records import TriggerStatus

__all__ = ["REASONS", "LocalOnlyCalls"]

_THERE = "on the controller's own machine use"

REASONS = {
    "journal": (
        "the journal stays where the controller runs: it is not for everybody at a broker",
        f"{_THERE} `linewarden journal`, or `linewarden dash` without --broker",
    ),
    "profiles": (
        "profiles are edited where the controller runs: nobody at a broker may change what an action does",
        f"{_THERE} `linewarden dash` without --broker, or `linewarden profiles`",
    ),
    "simulator": (
        "faults are set where the simulated line is: they are not published",
        f"{_THERE} `linewarden dash` without --broker",
    ),
    "triggers": (
        "triggers are shown where the controller runs",
        f"{_THERE} `linewarden dash` without --broker",
    ),
    "box": (
        "boxes are written, and units qualified, where the controller runs",
        f"{_THERE} `linewarden firmware`, `linewarden qualify`, or `linewarden dash` without --broker",
    ),
    "unlock": (
        "a lock is cleared on the spot: only who stands beside the gear knows that it is free",
        f"{_THERE} `linewarden unlock`",
    ),
    "presume": (
        "a state is set right by hand on the spot: only who sees the gear knows it",
        f"{_THERE} `linewarden presume`",
    ),
    "probe": ("a bus is probed where the controller runs", f"{_THERE} `linewarden probe`"),
    "draft": (
        "an action is written where the controller runs: nobody at a broker may change what an action does",
        f"{_THERE} `linewarden dash` without --broker, and select it there",
    ),
    "bench-draft": (
        "an action is written where the controller runs: nobody at a broker may change what an action does",
        f"{_THERE} `linewarden bench` with this capture; anywhere, `linewarden learn` makes a profile of it",
    ),
    "send": (
        "raw bytes never go out over MQTT: no profile stands between them and the gear",
        f"{_THERE} `linewarden send`, or `linewarden bench` with this capture",
    ),
    "cancel": (
        "a command can't be taken back over MQTT",
        "switch off what it would switch on: that takes it back",
    ),
}
"""What is local only, and what to do instead."""


def _refuse(name: str) -> LocalOnly:
    what, todo = REASONS[name]
    return LocalOnly(what, todo=todo)


class LocalOnlyCalls:
    """The calls of the Controller API that MQTT does not carry: each raises ``LocalOnly`` with its reason."""

    async def cancel(self, command_id: str) -> bool:  # noqa: ARG002 -- the API's
        """Not over MQTT."""
        raise _refuse("cancel")

    async def journal(self, query: JournalQuery) -> list[JournalEntry]:  # noqa: ARG002 -- the API's
        """Not over MQTT."""
        raise _refuse("journal")

    async def unlock(self, lock_id: str) -> bool:
        """Not over MQTT."""
        what, todo = REASONS["unlock"]
        raise LocalOnly(what, todo=f"{todo} {lock_id[:8]}")

    async def presume(
        self,
        unit: str,  # noqa: ARG002 -- the API's
        state: str,  # noqa: ARG002 -- the API's
        value: Value,  # noqa: ARG002 -- the API's
        origin: Origin,  # noqa: ARG002 -- the API's
    ) -> StateValue:
        """Not over MQTT."""
        raise _refuse("presume")

    async def profile(self, name: str) -> ProfileText:  # noqa: ARG002 -- the API's
        """Not over MQTT."""
        raise _refuse("profiles")

    async def put_profile(self, name: str, text: str, revision: str) -> ProfileText:  # noqa: ARG002 -- the API's
        """Not over MQTT."""
        raise _refuse("profiles")

    async def triggers(self) -> list[TriggerStatus]:
        """None are known here."""
        return []

    async def probe(self, bus: str) -> ProbeReport:  # noqa: ARG002 -- the API's
        """Not over MQTT."""
        raise _refuse("probe")

    async def simulate(self, bus: str, order: str) -> str:  # noqa: ARG002 -- the API's
        """Not over MQTT."""
        raise _refuse("simulator")
