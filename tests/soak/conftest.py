"""Soak tests print their figures at the end; LINEWARDEN_SOAK_SCALE makes them shorter or longer."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

import pytest


@pytest.fixture
def scale() -> float:
    """1.0 for twenty minutes; 0.05 for one."""
    return float(os.environ.get("LINEWARDEN_SOAK_SCALE", "1.0"))


@pytest.fixture
def figures(record_property: Callable[[str, object], None]) -> Callable[[str], None]:
    """Keeps a line for the end of the run."""
    return lambda line: record_property("figures", line)


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """What was measured, whichever process it was measured in."""
    lines = [
        str(value)
        for reports in terminalreporter.stats.values()
        for report in reports
        for name, value in getattr(report, "user_properties", ())
        if name == "figures" and getattr(report, "when", "") == "call"
    ]
    if lines:
        terminalreporter.section("figures of the soak")
        for line in lines:
            terminalreporter.write_line(line)
