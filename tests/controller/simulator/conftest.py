"""Lines that run in real time must not outlive their test."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from controller.simulator import register
from controller.simulator.registry import stop_all
from tests.controller.simulator.benches import chain_profile


@pytest.fixture
def simulated_ports() -> Iterator[None]:
    """``sim://pellgate-chain-BAUD`` for the tests that open ports; every line ends with the test."""
    register(lambda name: chain_profile(float(name.rpartition("-")[2])))
    yield
    stop_all()
