"""The unit file for systemd, with the path of this installation in it."""

from __future__ import annotations

import shutil
import sys
from importlib import resources
from pathlib import Path

__all__ = ["unit_file"]


def unit_file() -> str:
    """``linewarden@.service`` as it is to be put into /etc/systemd/system."""
    text = (resources.files("tui") / "linewarden@.service").read_text(encoding="utf-8")
    return text.replace("@LINEWARDEN@", _program())


def _program() -> str:
    """The path of the ``linewarden`` command of this installation."""
    beside = Path(sys.executable).with_name("linewarden")
    found = str(beside) if beside.exists() else shutil.which("linewarden")
    # A service manager does not search for a program, and takes no spaces for part of a path.
    return f'"{found}"' if found and " " in found else found or f"{sys.executable} -m tui.cli"
