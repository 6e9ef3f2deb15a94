"""``linewarden sim`` as a Modbus slave, asked by a client that is not ours: pymodbus' own, over the pty."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import pytest
from pymodbus import ModbusException
from pymodbus.client import ModbusSerialClient

from tests.tui.conftest import Desk, Program


@contextlib.contextmanager
def client(desk: Desk, *, patience: float = 3.0) -> Iterator[ModbusSerialClient]:
    """A client on the simulated line, where the adapter hears itself."""
    # No parity here: a pty carries whole bytes, and Linux refuses to set one on it.
    made = ModbusSerialClient(
        str(desk.folder / "line"), baudrate=19200, timeout=patience, retries=0, handle_local_echo=True
    )
    assert made.connect()
    try:
        yield made
    finally:
        made.close()  # type: ignore[no-untyped-call]  # -- pymodbus gives it no types


def coil(on: ModbusSerialClient, number: int, unit: int) -> bool:
    answer = on.read_coils(number, count=1, device_id=unit)
    assert not answer.isError(), answer
    return answer.bits[0]


def coils(on: ModbusSerialClient, unit: int) -> list[bool]:
    return [coil(on, number, unit) for number in range(4)]


def test_a_client_switches_relays_and_reads_them_back(desk: Desk) -> None:
    desk.chain("modbus-relay", 2)
    with client(desk) as on:
        assert coils(on, 1) == [False] * 4
        for number in (0, 2, 3):
            answer = on.write_coil(number, True, device_id=1)
            assert (answer.isError(), answer.address, answer.bits) == (False, number, [True])
        assert coils(on, 1) == [True, False, True, True]
        assert not on.write_coil(2, False, device_id=1).isError()
        assert coils(on, 1) == [True, False, False, True]
        assert coils(on, 2) == [False] * 4
        answer = on.write_coils(0, [False] * 4, device_id=1)
        assert (answer.isError(), answer.address, answer.count) == (False, 0, 4)
        assert coils(on, 1) == [False] * 4


def test_a_broadcast_reaches_all_and_nobody_answers_it(desk: Desk) -> None:
    # MODBUS over Serial Line V1.02, 2.1: address 0 is for all, and no response is returned.
    desk.chain("modbus-relay", 2)
    with client(desk) as on:
        on.write_coil(1, True, device_id=0, no_response_expected=True)
        # Our own echo: pymodbus leaves it where it expects no answer.
        assert on.socket is not None
        assert len(on.socket.read(8)) == 8
        assert [coil(on, 1, unit) for unit in (1, 2)] == [True, True]
    with client(desk, patience=0.3) as on, pytest.raises(ModbusException, match="No response"):
        on.write_coil(1, False, device_id=0)


# Source of the codes: MODBUS Application Protocol V1.1b3, section 7.
@pytest.mark.parametrize(("typed", "code"), [("code=2", 2), ("code=4", 4), ("code=6", 6)])
def test_a_refusal_is_an_exception_of_that_code(desk: Desk, typed: str, code: int) -> None:
    chain = desk.chain("modbus-relay", 1)
    said = chain.order(f"refuse 1 {typed}")
    assert "refuse 1" in said
    with client(desk) as on:
        for answer, function in (
            (on.write_coil(0, True, device_id=1), 5),
            (on.read_coils(0, count=1, device_id=1), 1),
            (on.write_coils(0, [False] * 4, device_id=1), 15),
        ):
            assert answer.isError()
            assert (answer.function_code, answer.exception_code) == (function | 0x80, code)
        chain.order("clear all")
        assert not coil(on, 0, 1)


def verify_silent(desk: Desk, unit: int) -> None:
    with client(desk, patience=0.3) as on, pytest.raises(ModbusException, match="No response"):
        on.read_coils(0, count=1, device_id=unit)


def test_nobody_answers_for_an_absent_slave_or_one_without_mains(desk: Desk) -> None:
    chain: Program = desk.chain("modbus-relay", 2)
    verify_silent(desk, 9)
    with client(desk) as on:
        assert not on.write_coil(0, True, device_id=2).isError()
    chain.order("no-mains 2")
    verify_silent(desk, 2)
    chain.order("clear all")
    with client(desk) as on:
        assert not coil(on, 0, 2), "relays drop out with the mains"
