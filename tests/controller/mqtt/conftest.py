"""A broker for each test, and no simulated line that outlives it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.simulator.registry import stop_all
from tests.peers.mosquitto import Mosquitto


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """Mosquitto, open to everybody on loopback."""
    with Mosquitto(tmp_path / "mosquitto") as found:
        yield found


@pytest.fixture(autouse=True)
def _no_lines_left() -> Iterator[None]:
    yield
    stop_all()
