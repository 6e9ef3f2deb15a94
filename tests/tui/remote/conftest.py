"""A hall as it announces itself at a broker."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.tui.remote.announced import Announced


@pytest.fixture
def hall(tmp_path: Path) -> Announced:
    """Larkfield Hall."""
    return Announced(tmp_path)
