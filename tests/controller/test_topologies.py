"""Each way to wire a bus, end to end, on a simulated port and on a real pty."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from controller.records import Direction, Known, LinkState, Reason, Result, Traffic
from tests.controller.halls import ADA, act, chain_text, state, until
from tests.controller.lines import BLINDS, LIFT, OPEN, PASSING, PORTS, RELAYS, RING, SUPPLY, TAP, Line, line

ports = pytest.mark.parametrize("port", PORTS)


def data(of: Line, direction: Direction) -> bytes:
    return b"".join(each.data for each in of.watch.of(Traffic) if each.direction is direction)


@ports
async def test_ring(port: str, tmp_path: Path) -> None:
    async with line(RING, port, tmp_path) as hall:
        on = await act(hall.api, "unit-3", "power-on")
        assert (on.result, on.frames, on.echoed, on.units_answering) in (
            (Result.CONFIRMED, 4, 4, 3),
            (Result.CONFIRMED, 4, 4, None),
        )
        assert (await state(hall.api, "unit-3", "power")).known is Known.CONFIRMED
        # A5, the address, 01, and the sum of the last two.
        await until(lambda: data(hall, Direction.ECHOED) == b"\xa5\x03\x01\x04")
        assert hall.written() == b"\xa5\x03\x01\x04"
        await hall.order("cut 2")
        off = await act(hall.api, "unit-1", "standby")
        assert (off.result, off.reason, off.failed_at) == (Result.FAILED, Reason.NO_ECHO, 0)
        assert [alert.id for alert in await hall.api.alerts()] == ["chain-bus"]
        await hall.order("clear all")
        assert (await act(hall.api, "unit-1", "standby")).result is Result.CONFIRMED
        assert await hall.api.alerts() == []


@ports
async def test_ring_with_one_unit_bypassed(port: str, tmp_path: Path) -> None:
    """It works, and somebody should know. At 600 baud no computer is too slow to tell."""
    short = replace(RING, profile=chain_text(600), site="units_expected = 4")
    async with line(short, port, tmp_path) as hall:
        outcome = await act(hall.api, "unit-1", "ask-power")
        assert (outcome.result, outcome.units_answering) == (Result.CONFIRMED, 3)
        (alert,) = await hall.api.alerts()
        assert (alert.id, alert.text) == ("units-bus", "3 of 4 units answer")
        (status,) = await hall.api.buses()
        assert (status.units_answering, status.units_expected) == (3, 4)


@ports
async def test_ring_that_we_are_part_of(port: str, tmp_path: Path) -> None:
    async with line(PASSING, port, tmp_path) as hall:
        # What went round while we were away has to die first: twice (N + 2) T, and what the adapter may add.
        await asyncio.sleep(0.1)
        await hall.order("lead 2 mute-on to 3")
        said = b"\xa5\x03\x30\x33"
        await until(lambda: data(hall, Direction.PASSED_ON) == said)
        assert data(hall, Direction.HEARD) == said
        # Somebody else has told it: that it obeyed, nothing shows.
        await until(lambda: hall.api._states.holds("unit-3", {"mute": True}))
        assert (await state(hall.api, "unit-3", "mute")).known is Known.PRESUMED
        assert hall.written() == b""
        # Our own frames are never passed on.
        await asyncio.sleep(0.05)
        outcome = await act(hall.api, "unit-1", "mute-on")
        assert outcome.result is Result.CONFIRMED
        assert data(hall, Direction.PASSED_ON) == said
        # A command of ours that fails closes the ring for a while: nothing may circulate.
        await hall.order("cut 3")
        assert (await act(hall.api, "unit-1", "mute-off")).result is Result.FAILED
        assert data(hall, Direction.PASSED_ON) == said


@ports
async def test_open_line(port: str, tmp_path: Path) -> None:
    async with line(OPEN, port, tmp_path) as hall:
        outcome = await act(hall.api, "unit-2", "program-change", scene=6)
        assert (outcome.result, outcome.echoed, outcome.units_answering) == (Result.SENT, 0, None)
        # MIDI 1.0 Detailed Specification: program change, channel 2, programs counted from 0; 320 us a frame.
        await until(lambda: hall.written() == b"\xc1\x05")
        assert outcome.wire_ms == pytest.approx(0.64)
        assert (await state(hall.api, "unit-2", "scene")).known is Known.PRESUMED


@ports
async def test_shared_wire_where_units_answer(port: str, tmp_path: Path) -> None:
    async with line(LIFT, port, tmp_path) as hall:
        down = await act(hall.api, "unit-1", "down")
        assert down.result is Result.ANSWERED
        assert (await state(hall.api, "unit-1", "motion")).known is Known.OBSERVED
        await hall.order("refuse 1 down fault=1")
        refused = await act(hall.api, "unit-1", "down")
        assert (refused.result, refused.reason) == (Result.FAILED, Reason.REFUSED_BY_UNIT)
        assert "something is in the way" in refused.text
        assert await hall.api.alerts() == []
        await hall.order("no-mains 2")
        silent = await act(hall.api, "unit-2", "stop")
        assert (silent.result, silent.reason) == (Result.FAILED, Reason.NO_REPLY)
        # Unit 1 answers: that clears nothing of unit 2.
        await hall.order("clear refuse")
        assert (await act(hall.api, "unit-1", "stop")).result is Result.ANSWERED
        assert [alert.id for alert in await hall.api.alerts()] == ["silent-unit-2"]
        await hall.order("clear all")
        assert (await act(hall.api, "unit-2", "stop")).result is Result.ANSWERED
        assert await hall.api.alerts() == []


@ports
async def test_a_line_without_addresses_and_its_only_unit(port: str, tmp_path: Path) -> None:
    async with line(SUPPLY, port, tmp_path) as hall:
        on = await act(hall.api, "unit-1", "output-on")
        assert on.result is Result.ANSWERED
        told = await state(hall.api, "unit-1", "output")
        assert (told.value, told.known) == (True, Known.OBSERVED)
        assert (await act(hall.api, "bus", "output-off")).result is Result.ANSWERED
        assert (await state(hall.api, "unit-1", "output")).value is False


@ports
async def test_shared_wire_that_hears_itself(port: str, tmp_path: Path) -> None:
    async with line(BLINDS, port, tmp_path) as hall:
        close = await act(hall.api, "unit-1", "close")
        assert (close.result, close.echoed) == (Result.CONFIRMED, 5)
        assert data(hall, Direction.HEARD) == b""
        await hall.order("talker 2 55")  # speaks into every frame of ours
        collision = await act(hall.api, "unit-1", "open")
        assert (collision.result, collision.reason) == (Result.FAILED, Reason.COLLISION)
        assert [alert.id for alert in await hall.api.alerts()] == ["chain-bus"]
        await hall.order("clear all")
        assert (await act(hall.api, "unit-1", "open")).result is Result.CONFIRMED
        assert await hall.api.alerts() == []


@ports
async def test_a_dead_slave_is_not_taken_for_our_own_echo(port: str, tmp_path: Path) -> None:
    """The answer to a written coil is the request over again (MODBUS Application Protocol V1.1b3, 6.5)."""
    async with line(RELAYS, port, tmp_path) as hall:
        assert (await act(hall.api, "unit-1", "relay-1-on")).result is Result.ANSWERED
        assert (await state(hall.api, "unit-1", "relay-1")).known is Known.OBSERVED
        await hall.order("no-mains 1")
        dead = await act(hall.api, "unit-1", "relay-1-off")
        assert (dead.result, dead.reason) == (Result.FAILED, Reason.NO_REPLY)
        # It went out whole: whether it was obeyed, nobody knows.
        relay = await state(hall.api, "unit-1", "relay-1")
        assert (relay.known, relay.last_known) == (Known.UNKNOWN, True)


@ports
async def test_tap(port: str, tmp_path: Path) -> None:
    async with line(TAP, port, tmp_path) as hall:
        (status,) = await hall.api.buses()
        assert status.link is LinkState.LISTENING
        await hall.order("lead 1 power-on to 2")
        await until(lambda: hall.api._states.holds("unit-2", {"power": True}))
        assert (await state(hall.api, "unit-2", "power")).known is Known.PRESUMED
        await hall.order("press 3 set-volume level=9")
        await until(lambda: hall.api._states.observed("unit-3", {"volume": 9}))
        for outcome in (
            await act(hall.api, "unit-1", "standby"),
            await act(hall.api, "bus", "standby"),
            *await hall.api.all_off(None, ADA),
        ):
            assert (outcome.result, outcome.reason) == (Result.REFUSED, Reason.LISTEN_ONLY)
        assert hall.written() == b""
        assert (await hall.api.buses())[0].counters["bytes_sent"] == 0
