"""The bench's screen is tried with nobody's own profiles."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(autouse=True)
def nobodys_profiles(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
