"""The drive path against a Modbus slave that is not ours: pymodbus' serial server, on a line in true time.

What became of a command is compared with the coils in the server's own store.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.bit_message import WriteMultipleCoilsRequest

from controller.records import Command, Known, Origin, OriginKind, Outcome, Reason, Result, StateValue
from controller.service import Controller
from controller.site import load_site
from profiles.library import find
from tests.peers.modbus_slave import COILS, Slave
from tests.peers.wire import Wire
from tests.tui.conftest import Desk

SITE = """
[site]
id = "larkfield-hall"

[buses.relays]
port = "{port}"
profile = "{profile}"
topology = "shared"
{more}

[units.box]
bus = "relays"
address = 1
role = "relay"

[units.nobody]
bus = "relays"
address = 9
role = "relay"
"""

SLOW = 1200.0
"""A rate at which 8 frames take 73 ms: what a busy computer adds is little beside it."""


def site_text(wire: Wire, more: str = "hears_itself = false", profile: str = "modbus-relay") -> str:
    return SITE.format(port=wire.master, profile=profile, more=more)


class Box:
    """A controller in this process, on a line, and how it sees the relay box."""

    def __init__(self, controller: Controller) -> None:
        self._controller = controller

    async def act(self, action: str, unit: str = "box", **parameters: int) -> Outcome:
        return await self._controller.submit(Command(unit, action, dict(parameters)))

    async def off(self) -> list[Outcome]:
        return await self._controller.all_off("box", Origin(OriginKind.SCREEN))

    async def state(self, name: str) -> StateValue:
        return (await self._controller.states())["box"][name]


@asynccontextmanager
async def at_the_line(folder: Path, wire: Wire, more: str = "hears_itself = false") -> AsyncIterator[Box]:
    profile = "modbus-relay"
    if 1 / wire.frame < 1000:
        # The same box set to a slow line; 3.5 characters of silence are 32 ms there.
        text = find(profile).text()
        slow = text.replace("baud = 19200", f"baud = {SLOW:g}").replace("_ms = 2.1", "_ms = 33.0")
        slow = slow.replace("timeout_ms = 300.0", "timeout_ms = 600.0")
        (folder / "slow.toml").write_text(slow.replace('name = "modbus-relay"', 'name = "slow"'))
        profile = "slow.toml"
    (folder / "site.toml").write_text(site_text(wire, more, profile))
    controller = await Controller.open(load_site(folder / "site.toml"), folder / "state")
    try:
        await controller.ready()
        yield Box(controller)
    finally:
        await controller.close()


# The command line, a process a command


def test_act_switches_a_coil_and_reads_it_back(desk: Desk) -> None:
    with Wire() as wire, Slave(wire.slave) as slave:
        desk.write("site.toml", site_text(wire))
        said = desk.run("act", "box", "relay-2-on", "--json")
        assert said.code == 0, said.err
        assert said.document["outcome"] == "answered"
        assert slave.coils() == [False, True, False, False]
        # 8 frames there and 8 back of 11 bits each.
        assert said.document["wire_ms"] == round(16 * 11 / 19200 * 1000, 3)
        assert said.document["took_ms"] >= said.document["wire_ms"] * 0.97
        said = desk.run("act", "box", "read-coil", "coil=1", "--json")
        assert said.document["values"] == {"closed": True}, said.document


def test_act_tells_what_the_slave_refuses_in_words(desk: Desk) -> None:
    with Wire() as wire, Slave(wire.slave) as slave:
        desk.write("site.toml", site_text(wire))
        said = desk.run("act", "box", "coil-on", f"coil={COILS}")
        assert said.code == 1
        assert "refused-by-unit" in said.err
        assert "no such coil" in said.err
        assert len(said.err.splitlines()) == 1
        assert not any(slave.coils(COILS))


# The controller in this process


async def test_each_relay_is_switched_and_what_is_known_of_it_came_from_the_slave(tmp_path: Path) -> None:
    with Wire() as wire, Slave(wire.slave) as slave:
        async with at_the_line(tmp_path, wire) as box:
            for place in range(4):
                assert (await box.act(f"relay-{place + 1}-on")).result is Result.ANSWERED
                assert slave.coils() == [other <= place for other in range(4)]
                state = await box.state(f"relay-{place + 1}")
                assert (state.value, state.known) == (True, Known.OBSERVED)
            assert (await box.act("relay-3-off")).result is Result.ANSWERED
            assert slave.coils() == [True, True, False, True]
            for place, closed in enumerate([True, True, False, True]):
                outcome = await box.act(f"read-relay-{place + 1}")
                assert (outcome.result, outcome.values) == (Result.ANSWERED, {"closed": closed})
            assert (await box.act("relays-off")).result is Result.ANSWERED
            assert slave.coils() == [False] * 4
            assert [(await box.state(f"relay-{relay}")).value for relay in (1, 2, 3, 4)] == [False] * 4


async def test_a_relay_switched_by_another_hand_is_found_so_when_it_is_read(tmp_path: Path) -> None:
    with Wire() as wire, Slave(wire.slave) as slave:
        async with at_the_line(tmp_path, wire) as box:
            assert (await box.act("coil-on", coil=3)).result is Result.ANSWERED
            state = await box.state("relay-4")
            assert (state.value, state.known) == (True, Known.OBSERVED)
            slave.press(3, False)
            assert slave.coils() == [False] * 4
            assert (await box.act("read-relay-4")).result is Result.ANSWERED
            state = await box.state("relay-4")
            assert (state.value, state.known) == (False, Known.OBSERVED)
            slave.press(3, True)
            assert (await box.act("read-relay-4")).result is Result.ANSWERED
            state = await box.state("relay-4")
            assert (state.value, state.known) == (True, Known.OBSERVED)


async def test_a_broadcast_is_obeyed_and_never_said_to_be_answered(tmp_path: Path) -> None:
    # MODBUS over Serial Line V1.02, 2.1: no slave answers a request to address 0.
    with Wire() as wire, Slave(wire.slave) as slave:
        async with at_the_line(tmp_path, wire) as box:
            outcome = await box.act("relay-1-on", unit="relays")
            assert outcome.result is Result.SENT
            state = await box.state("relay-1")
            assert (state.value, state.known) == (True, Known.PRESUMED)
            assert (await box.act("read-relay-1")).values == {"closed": True}
            assert (await box.state("relay-1")).known is Known.OBSERVED
            assert slave.coils() == [True, False, False, False]


async def test_everything_off_is_one_request(tmp_path: Path) -> None:
    with Wire() as wire, Slave(wire.slave) as slave:
        async with at_the_line(tmp_path, wire) as box:
            for relay in (1, 3):
                assert (await box.act(f"relay-{relay}-on")).result is Result.ANSWERED
            wire.asked.clear()
            assert [outcome.result for outcome in await box.off()] == [Result.ANSWERED]
            # Function 15, as pymodbus' own client asks for it.
            request = WriteMultipleCoilsRequest(address=0, bits=[False] * 4, dev_id=1)
            assert wire.asked == FramerRTU(DecodePDU(True)).buildFrame(request)
            assert slave.coils() == [False] * 4


# Source of codes and their meaning: MODBUS Application Protocol V1.1b3, section 7.
@pytest.mark.parametrize(
    ("code", "words"),
    [
        (ExcCodes.ILLEGAL_FUNCTION, "function not known"),
        (ExcCodes.ILLEGAL_ADDRESS, "no such coil"),
        (ExcCodes.ILLEGAL_VALUE, "value not allowed"),
        (ExcCodes.DEVICE_FAILURE, "the device failed"),
        (ExcCodes.DEVICE_BUSY, "the device is busy"),
    ],
)
async def test_an_exception_is_a_refusal_and_the_state_stays_unknown(
    tmp_path: Path, code: ExcCodes, words: str
) -> None:
    with Wire() as wire, Slave(wire.slave) as slave:
        slave.says[0] = code
        async with at_the_line(tmp_path, wire) as box:
            for action in ("relay-1-on", "read-relay-1", "relays-off"):
                outcome = await box.act(action)
                assert (outcome.result, outcome.reason) == (Result.FAILED, Reason.REFUSED_BY_UNIT)
                assert words in outcome.text
                assert outcome.attempts == 1
            assert (await box.state("relay-1")).known is Known.UNKNOWN
            assert (await box.act("relay-2-on")).result is Result.ANSWERED


async def test_an_address_that_nobody_has_does_not_answer(tmp_path: Path) -> None:
    with Wire() as wire, Slave(wire.slave) as slave:
        async with at_the_line(tmp_path, wire) as box:
            outcome = await box.act("relay-1-on", unit="nobody")
            assert (outcome.result, outcome.reason) == (Result.FAILED, Reason.NO_REPLY)
            assert not any(slave.coils())
            assert (await box.act("relay-1-on")).result is Result.ANSWERED


@pytest.mark.parametrize("place", [0, 1, 3, 4, 7])
async def test_an_answer_that_the_line_spoiled_is_a_bad_one(tmp_path: Path, place: int) -> None:
    # One bit in the address, the function, the coil's number, its value, the CRC.
    with Wire(spoils=(place, 0x04)) as wire, Slave(wire.slave):
        async with at_the_line(tmp_path, wire) as box:
            outcome = await box.act("relay-1-on")
            assert (outcome.result, outcome.reason) == (Result.FAILED, Reason.BAD_REPLY)
            assert (await box.state("relay-1")).known is Known.UNKNOWN
            wire.spoils = None
            assert (await box.act("relay-1-on")).result is Result.ANSWERED


# An adapter that hears itself: the right answer to a written coil is the request over again


async def test_a_live_slave_is_told_from_the_own_echo(tmp_path: Path) -> None:
    with Wire(hears_itself=True) as wire, Slave(wire.slave) as slave:
        async with at_the_line(tmp_path, wire, "hears_itself = true") as box:
            outcome = await box.act("relay-1-on")
            assert (outcome.result, outcome.echoed) == (Result.ANSWERED, 8)
            assert wire.said == wire.asked * 2
            assert slave.coils() == [True, False, False, False]
            assert (await box.act("read-relay-1")).values == {"closed": True}


async def test_a_dead_slave_is_not_taken_for_a_live_one(tmp_path: Path) -> None:
    with Wire(hears_itself=True) as wire, Slave(wire.slave) as slave:
        async with at_the_line(tmp_path, wire, "hears_itself = true") as box:
            assert (await box.act("relay-1-on")).result is Result.ANSWERED
            wire.dead = True
            wire.asked.clear()
            wire.said.clear()
            outcome = await box.act("relay-1-off")
            assert (outcome.result, outcome.reason) == (Result.FAILED, Reason.NO_REPLY)
            assert outcome.echoed == 8
            assert wire.said == wire.asked, "its own echo is all that the adapter heard"
            assert slave.coils() == [True, False, False, False]
            state = await box.state("relay-1")
            assert (state.value, state.known, state.last_known) == (None, Known.UNKNOWN, True)
            wire.dead = False
            assert (await box.act("relay-1-off")).result is Result.ANSWERED
            assert not any(slave.coils())


@pytest.mark.slow
async def test_nor_where_the_site_is_wrong_about_the_adapter(tmp_path: Path) -> None:
    # Only time can tell: the echo is whole when the request has left, an answer needs as long again. At
    # 1200 baud that is 73 ms, so that what this computer adds does not decide.
    with Wire(baud=SLOW, hears_itself=True, dead=True) as wire:
        site = "hears_itself = false\nadapter_latency_ms = 0.0"
        async with at_the_line(tmp_path, wire, site) as box:
            outcome = await box.act("relay-1-on")
            assert (outcome.result, outcome.reason) == (Result.FAILED, Reason.ECHO_EARLY)
            assert "hears_itself = true" in outcome.look_at
            assert wire.said == wire.asked
            assert (await box.state("relay-1")).known is Known.UNKNOWN


async def test_where_the_site_is_right_about_it_time_does_not_refuse_the_answer(tmp_path: Path) -> None:
    with Wire(baud=SLOW) as wire, Slave(wire.slave) as slave:
        site = "hears_itself = false\nadapter_latency_ms = 0.0"
        async with at_the_line(tmp_path, wire, site) as box:
            assert (await box.act("relay-1-on")).result is Result.ANSWERED
            assert slave.coils() == [True, False, False, False]
            assert (await box.act("relay-1-off")).result is Result.ANSWERED


async def test_a_slave_that_gets_its_mains_meanwhile_is_asked_again_and_answers(tmp_path: Path) -> None:
    with Wire(dead=True) as wire, Slave(wire.slave) as slave:
        wire.mains_after = 8
        async with at_the_line(tmp_path, wire) as box:
            outcome = await box.act("relay-1-on")
            assert (outcome.result, outcome.attempts) == (Result.ANSWERED, 2)
            assert wire.asked == bytes(wire.said) * 2
            assert slave.coils() == [True, False, False, False]
