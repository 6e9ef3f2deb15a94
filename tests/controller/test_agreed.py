"""Units that ask before they are energised: nothing unattended does it, whatever road it comes by."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.guard import Cleared, Refusal
from controller.records import Command, Known, Origin, OriginKind, Reason
from tests.controller.gates import ADA, KINDS, UNITS, Bench, reason


def bench() -> Bench:
    asking = ("foyer-amp", "lamp")
    return Bench(units=tuple(replace(unit, asks=unit.id in asking) for unit in UNITS))


@pytest.mark.parametrize("origin", KINDS, ids=[origin.kind.value for origin in KINDS])
def test_nobody_energises_it_without_a_yes(origin: Origin) -> None:
    gate = bench()
    refused = gate.admit(Command("foyer-amp", "power-on", origin=origin))
    assert isinstance(refused, Refusal)
    assert refused.reason is Reason.NOT_AGREED
    assert "foyer-amp asks before it is energised" in refused.text
    assert "--yes" in refused.todo
    assert isinstance(gate.admit(Command("foyer-amp", "power-on", origin=origin, agreed=True)), Cleared)
    # What takes energy away, and what is neutral, needs no yes.
    assert isinstance(gate.admit(Command("foyer-amp", "standby", origin=origin)), Cleared)
    assert isinstance(gate.admit(Command("foyer-amp", "mute-on", origin=origin)), Cleared)
    # Units beside it do not ask.
    assert isinstance(gate.admit(Command("hall-amp", "standby", origin=origin)), Cleared)


def test_what_reaches_it_among_others_needs_a_yes_as_well() -> None:
    gate = bench()
    assert reason(gate.admit(Command("sound", "power-on", origin=ADA))) is Reason.NOT_AGREED
    assert reason(gate.admit(Command("sound", "", origin=ADA, raw=b"\x01"))) is Reason.NOT_AGREED
    assert isinstance(gate.admit(Command("sound", "", origin=ADA, raw=b"\x01", agreed=True)), Cleared)
    assert isinstance(gate.admit(Command("sound", "standby", origin=ADA)), Cleared)


def test_a_toggle_needs_a_yes_unless_the_unit_itself_has_said_that_it_is_on() -> None:
    gate = bench()
    off = Command("lamp", "off", origin=ADA)
    assert reason(gate.admit(off)) is Reason.NOT_AGREED
    gate.states.put("lamp", {"power": True}, Known.OBSERVED, 1.0)
    assert isinstance(gate.admit(off), Cleared)
    assert reason(gate.admit(Command("lamp", "fan", origin=ADA))) is Reason.NOT_AGREED


def test_a_yes_passes_no_lock_and_no_minimum_time() -> None:
    gate = bench()
    gate.lock("foyer-amp")
    on = Command("foyer-amp", "power-on", origin=Origin(OriginKind.SCREEN), agreed=True)
    assert reason(gate.admit(on)) is Reason.LOCKED
