"""A message round four units, or on a shared wire, for the single cases of the echo machine's tests."""

from __future__ import annotations

from typing import Any

from controller.echo import EchoMachine
from controller.transmission import LineTimes
from profiles.model import Method
from profiles.template import Pause

from .echo_line import Adapter, Fault, Order, Ring, Run, Shared, drive
from .echo_messages import T, rules, sending

RING = LineTimes(T, hops=4, latency=0.0, jitter=0.0)
PANEL = bytes.fromhex("A6 03 56 20")
"""What a unit says by itself."""


def round_four(
    data: bytes,
    *,
    fault: Fault | None = None,
    times: LineTimes = RING,
    orders: tuple[Order, ...] = (),
    others_say: tuple[bytes, ...] = (),
    pauses: tuple[Pause, ...] = (),
    adapter: Adapter | None = None,
    repeatable: bool = True,
    once: int | None = None,
    **confirm: Any,
) -> tuple[Ring, Run]:
    """Send a message round four units."""
    ring = Ring(T, 4, adapter, fault=fault)
    transmission = sending(
        data,
        confirm=rules(**confirm),
        others_say=others_say,
        pauses=pauses,
        repeatable=repeatable,
        once=once,
    )
    run = drive(EchoMachine(times), ring, transmission, orders=orders)
    assert run.told == run.delivered
    return ring, run


def says(at: float, data: bytes) -> Order:
    """Somebody's bytes are read at an instant, all at once."""
    return at, data


def cancels(at: float) -> Order:
    """The command is taken back at an instant."""
    return at, EchoMachine.cancel


def heard(data: bytes, *, line: Shared | None = None, **confirm: Any) -> Run:
    """Send on a shared wire that is compared."""
    wire = line or Shared(T)
    transmission = sending(data, Method.LOCAL, confirm=rules(Method.LOCAL, **confirm))
    run = drive(EchoMachine(LineTimes(T, latency=0.0, jitter=0.0)), wire, transmission)
    assert run.told == run.delivered
    return run
