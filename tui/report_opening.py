"""Opening a report with whatever this machine opens pages with, where there is such a thing."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Mapping
from pathlib import Path

__all__ = ["open_report", "opener"]


def opener(environment: Mapping[str, str] | None = None, platform: str = sys.platform) -> str | None:
    """The program that opens a file as its owner likes it; None where there is none, or no screen for it.

    Args:
        environment: by default the process's own.
        platform: as ``sys.platform`` has it.
    """
    environment = os.environ if environment is None else environment
    path = environment.get("PATH")
    if platform == "darwin":
        return shutil.which("open", path=path)
    if platform == "win32":
        return shutil.which("explorer.exe", path=path)
    if not (environment.get("DISPLAY") or environment.get("WAYLAND_DISPLAY")):
        return None
    return shutil.which("xdg-open", path=path)


def open_report(path: Path) -> str:
    """Open it; gives what was done, in words. Never waits for the program."""
    program = opener()
    if program is None:
        return f"open {path} in a browser: there is nothing here that would"
    try:
        process = subprocess.Popen(  # noqa: S603 -- no shell; the program was found on the path, the file is ours
            [program, str(path.resolve())],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
    except OSError as error:
        return f"open {path} in a browser: {program} can't be run ({error.strerror})"
    # Somebody has to take note of its end, and nobody is to wait for it.
    threading.Thread(target=process.wait, name="report opener", daemon=True).start()
    return f"{path} is being opened"
