"""The programs that a proof needs: avr-gcc builds the box, the host's compiler the rig that simulates it."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from profiles.errors import ToolMissing, ToolTrouble

__all__ = ["Built", "build_box", "build_rig", "run_tool"]

_PACKAGES = {
    "avr-gcc": "gcc-avr, binutils-avr and avr-libc",
    "avr-objcopy": "binutils-avr",
    "avr-size": "binutils-avr",
    "make": "make",
    "cc": "gcc and libc6-dev",
}
_SOURCES = ("rig.c", "ring.c", "ring.h")
_SIMULATOR = Path("simavr/sim_avr.h")


@dataclass(frozen=True, slots=True)
class Built:
    """A box that was built."""

    image: Path
    """What stands in flash, byte by byte."""
    flash: int
    """Bytes of flash: program, tables and initial values."""
    ram: int
    """Bytes of RAM with a place of their own; the stack comes to it."""


def build_box(folder: Path, work: Path) -> Built:
    """Build a box's source with its own Makefile.

    Args:
        folder: the box; box.elf and box.hex are made in it.
        work: a folder for what nobody else needs.

    Raises:
        ToolMissing: a program is not installed.
        ToolTrouble: the source does not build.
    """
    for tool in ("avr-gcc", "avr-objcopy", "avr-size", "make"):
        _find(tool)
    run_tool(["make", "--always-make", "-C", str(folder), "box.hex"], "the source does not build", 120)
    image = work / "box.bin"
    elf = str(folder / "box.elf")
    run_tool(["avr-objcopy", "-O", "binary", "-R", ".eeprom", elf, str(image)], "box.elf can't be read", 60)
    said = run_tool(["avr-size", elf], "box.elf can't be read", 60)
    found = re.search(r"^\s*(\d+)\s+(\d+)\s+(\d+)\s", said.splitlines()[-1])
    if found is None:
        raise ToolTrouble(f"avr-size says {said!r}, which is no size", where=elf)
    text, data, bss = (int(number) for number in found.groups())
    return Built(image, text + data, data + bss)


def build_rig(work: Path) -> Path:
    """Build the rig: a small C program around the simulator's library.

    Raises:
        ToolMissing: the compiler or the library is not installed.
        ToolTrouble: it does not build.
    """
    compiler = _find("cc")
    rig = work / "rig"
    for name in _SOURCES:
        (work / name).write_bytes((resources.files("controller.proving") / name).read_bytes())
    probe = [compiler, "-E", "-x", "c", "-include", str(_SIMULATOR), os.devnull, "-o", os.devnull]
    if subprocess.run(probe, capture_output=True, check=False, timeout=60).returncode:  # noqa: S603 -- no shell
        raise ToolMissing(
            "the simulator's library simavr is not installed",
            todo="install libsimavr-dev and libelf-dev (Debian, Ubuntu), and prove it again",
        )
    command = [compiler, "-std=gnu11", "-O2", "-o", str(rig)]
    command += [str(work / name) for name in _SOURCES if name.endswith(".c")]
    run_tool([*command, "-lsimavr", "-lelf"], "the rig does not build", 120)
    return rig


def run_tool(command: Sequence[str], trouble: str, timeout: float) -> str:
    """Run a program to its end; gives what it printed.

    Args:
        command: the program and its arguments.
        trouble: what is wrong if it fails.
        timeout: seconds.

    Raises:
        ToolTrouble: it failed, or took too long.
    """
    try:
        done = subprocess.run(  # noqa: S603 -- no shell; the program was found on the path
            list(command),
            capture_output=True,
            text=True,
            errors="replace",
            check=False,
            timeout=timeout,
            env={**os.environ, "LC_ALL": "C"},
        )
    except subprocess.TimeoutExpired:
        raise ToolTrouble(f"{trouble}: {Path(command[0]).name} took more than {timeout:g} s") from None
    except OSError as error:
        raise ToolTrouble(f"{trouble}: {command[0]} can't be run ({error.strerror})") from error
    if done.returncode:
        lines = [line for line in (done.stderr or done.stdout).splitlines() if line.strip()]
        telling = next((line for line in lines if "error" in line.lower()), lines[-1] if lines else "no word")
        raise ToolTrouble(f"{trouble}: {telling.strip()}")
    return done.stdout


def _find(tool: str) -> str:
    found = shutil.which(tool)
    if found is None:
        raise ToolMissing(
            f"{tool} is not installed, so the box can't be built here",
            todo=f"install {_PACKAGES[tool]} (Debian, Ubuntu), then `make` in its folder",
        )
    return found
