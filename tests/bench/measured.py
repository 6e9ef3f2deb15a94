"""The page of what was measured: a section a table, each with the day and the machine of its own run.

A run of a part replaces that part's sections and leaves the others as they stand, so that a figure is never
told beside a machine that did not give it.
"""

from __future__ import annotations

import os
import platform
import re
import subprocess
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path

from tests.bench.figures import HEADS, Table

__all__ = ["circumstances", "merged", "section"]

HEADING = """# What was measured

`make bench` writes this page: each table is one run, ours and its reference in turns on the same machine.
"x" is times the reference; nothing may be above its bar. Figures with a bar in seconds or bytes depend on
the machine; each table names its own.
"""


def section(table: Table, when: str) -> str:
    """A table as a section of the page, in Markdown."""
    lines = [f"## {table.title}", "", when, "", f"| {' | '.join(HEADS)} |", "|" + " --- |" * len(HEADS)]
    for figure in table.figures:
        cells = (cell.replace("|", "\\|") for cell in figure.cells)
        lines.append(f"| {' | '.join(cells)} |".replace("  |", " |"))
    if table.note:
        lines += ["", table.note]
    return "\n".join(lines) + "\n"


def merged(page: str, tables: Sequence[Table], when: str) -> str:
    """The page with these tables in it: in the place of their own older ones, else at its end."""
    sections: dict[str, str] = {}
    for text in re.split(r"^(?=## )", page, flags=re.MULTILINE)[1:]:
        sections[text.splitlines()[0].removeprefix("## ")] = text.rstrip("\n") + "\n"
    for table in tables:
        sections[table.title] = section(table, when)
    return "\n".join([HEADING, *sections.values()])


def circumstances(day: str, load: float) -> str:
    """Day, machine and versions of a run, in one line.

    Args:
        day: its date.
        load: the load average of a minute before it, in cores.
    """
    model = "a processor of unknown make"
    cpu = Path("/proc/cpuinfo")
    if cpu.exists():
        found = re.search(r"^model name\s*:\s*(.+)$", cpu.read_text(), re.MULTILINE)
        model = found[1].strip() if found else model
    libraries = ", ".join(f"{name} {version(name)}" for name in ("paho-mqtt", "pyserial", "textual", "numpy"))
    system = f"{platform.system()} {platform.release().partition('-')[0]}"
    return (
        f"{day}; {os.cpu_count()} cores of {model}; {system}; "
        f"Python {platform.python_version()}; {libraries}{_mosquitto()}; load before: {load:.1f}."
    )


def _mosquitto() -> str:
    try:
        told = subprocess.run(["mosquitto", "-h"], capture_output=True, text=True, check=False, timeout=10)
    except OSError:
        return ""
    found = re.search(r"mosquitto version (\S+)", told.stdout + told.stderr)
    return f", Mosquitto {found[1]}" if found else ""
