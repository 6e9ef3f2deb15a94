"""A Modbus slave that is not ours: pymodbus' serial server, in a thread and an event loop of its own."""

from __future__ import annotations

import asyncio
import threading
from typing import Self

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

__all__ = ["COILS", "Slave"]

COILS = 16
"""Coils that the slave has, from coil 0."""
_PATIENCE = 20.0


class Slave:
    """A slave at an address, with 16 coils that are open; a context manager.

    Args:
        port: the path of its port.
        address: its address.
    """

    def __init__(self, port: str, address: int = 1) -> None:
        self._port, self._address = port, address
        self.says: dict[int, ExcCodes] = {}
        """By coil: the exception that it answers instead of obeying, as a faulty box would."""
        self._ready = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._server: ModbusSerialServer | None = None
        self._over: asyncio.Event | None = None
        self._thread = threading.Thread(target=lambda: asyncio.run(self._run()), name="slave", daemon=True)

    async def _action(
        self, function: int, start: int, address: int, count: int, registers: list[int], values: object
    ) -> ExcCodes | None:
        return self.says.get(address)

    def _only_ours(self, sending: bool, data: bytes) -> bytes:
        """A slave that is not addressed is silent, and nobody answers a broadcast.

        (MODBUS over Serial Line V1.02, 2.1 and 2.2.) pymodbus 3.16 answers with exception 4 for a slave that
        is not there, whatever ``ignore_missing_devices`` says.
        """
        return b"" if sending and data[0] != self._address else data

    async def _run(self) -> None:
        def coils() -> list[SimData]:
            return [SimData(0, values=[False] * COILS, datatype=DataType.BITS)]

        def registers() -> list[SimData]:
            return [SimData(0, values=0, datatype=DataType.REGISTERS)]

        device = SimDevice(
            self._address, simdata=(coils(), coils(), registers(), registers()), action=self._action
        )
        # No parity here: a pty carries whole bytes, and Linux refuses to set one on it.
        self._server = ModbusSerialServer(
            device,
            port=self._port,
            baudrate=19200,
            ignore_missing_devices=True,
            broadcast_enable=True,
            trace_packet=self._only_ours,
        )
        self._loop, self._over = asyncio.get_running_loop(), asyncio.Event()
        await self._server.serve_forever(background=True)
        self._ready.set()
        await self._over.wait()
        await self._server.shutdown()  # type: ignore[no-untyped-call]  # -- pymodbus gives it no types

    def coils(self, count: int = 4) -> list[bool]:
        """The first coils as they are in its own store: the line has no part in this."""
        assert self._server is not None
        assert self._loop is not None
        asked = self._server.async_getValues(self._address, 1, 0, count)
        return [
            bool(value) for value in asyncio.run_coroutine_threadsafe(asked, self._loop).result(_PATIENCE)
        ]

    def press(self, coil: int, closed: bool) -> None:
        """Set a coil in its own store, as a button on its front does: the line has no part in this."""
        assert self._server is not None
        assert self._loop is not None
        asked = self._server.async_setValues(self._address, 5, coil, [closed])
        asyncio.run_coroutine_threadsafe(asked, self._loop).result(_PATIENCE)

    def __enter__(self) -> Self:
        self._thread.start()
        assert self._ready.wait(_PATIENCE), "pymodbus' server did not start"
        return self

    def __exit__(self, *_: object) -> None:
        assert self._loop is not None
        assert self._over is not None
        self._loop.call_soon_threadsafe(self._over.set)
        self._thread.join(_PATIENCE)
