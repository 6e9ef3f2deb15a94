"""How long a command takes from its start to its exit."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench.figures import Figure, medians, print_table
from tests.tui.conftest import Desk

pytestmark = pytest.mark.bench

_RUNS = 20


def _environment(desk: Desk) -> dict[str, str]:
    # As it is installed: compiled once, not anew in each run.
    return {name: value for name, value in desk.environment.items() if name != "PYTHONDONTWRITEBYTECODE"}


def test_help_and_one_action(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    environment = _environment(desk)
    try:
        desk.chain(units=4)

        def run(*words: str) -> None:
            subprocess.run(words, cwd=tmp_path, env=environment, check=True, stdout=subprocess.DEVNULL)

        python = sys.executable
        linewarden = os.path.join(os.path.dirname(python), "linewarden")  # noqa: PTH118, PTH120 -- keeps the venv's own path
        act = (linewarden, "act", "unit-4", "set-volume", "level=4")
        run(*act)
        bare, helped, acted = medians(
            _RUNS,
            lambda: run(python, "-c", "pass"),
            lambda: run(linewarden, "--help"),
            lambda: run(*act),
        )
    finally:
        desk.close()
    # 5 frames x (4 + 1) x 10 bits at 4800 baud.
    wire = 5 * 5 * 10 / 4800
    figures = [
        Figure(
            "linewarden --help, more than python -c pass",
            f"{helped * 1000:.0f} ms",
            f"{bare * 1000:.0f} ms",
            (helped - bare) * 1000,
            150,
            "ms",
        ),
        Figure(
            "linewarden act on a pty, more than its wire time",
            f"{acted * 1000:.0f} ms",
            f"{wire * 1000:.0f} ms",
            (acted - wire) * 1000,
            400,
            "ms",
        ),
    ]
    print_table("Starting", figures)
    assert all(figure.holds for figure in figures)
