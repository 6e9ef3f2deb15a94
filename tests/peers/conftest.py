"""The command line as a person calls it, beside the peers."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.tui.conftest import Desk


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """An empty folder and the command line."""
    made = Desk(tmp_path)
    yield made
    made.close()
