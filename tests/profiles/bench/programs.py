"""Programs that tests are held against: skipped with a reason where they are missing, and a failure in CI."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest


def need(program: str, package: str) -> str:
    """The path of a program that the system's package manager brings."""
    found = shutil.which(program)
    if found is None:
        reason = f"{program} is not installed (the Debian package {package} has it)"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    return found


def run(*command: str | Path, folder: Path) -> str:
    """Run a program to its end within a minute; its output."""
    done = subprocess.run(
        [str(part) for part in command], cwd=folder, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr
