"""A box's source: every file of the folder, and what it costs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from importlib import resources
from typing import Any

from profiles.firmware.manifest import NAME, Box, box_of
from profiles.firmware.plan import Plan, plan
from profiles.firmware.readme import readme
from profiles.firmware.request import FirmwareRequest
from profiles.firmware.sources import chip_mk, config_h, tables_c
from profiles.template import Pause

__all__ = ["Budget", "FirmwareExport", "export_firmware"]


@dataclass(frozen=True, slots=True)
class Budget:
    """What the box's time is spent on."""

    bit_cycles: int
    loop_cycles: int
    """Of those the cycles that sending itself takes; the rest is waited."""
    achieved_baud: float
    error: float
    """Of the bit rate, as a part of it; the clock's own is not in it."""
    clock_tolerance: float
    message_s: tuple[float, float]
    """The least time that the messages on and off take on the line; with an echo the ring adds to it."""
    tables: int
    """Bytes of flash for the messages."""

    def document(self) -> dict[str, Any]:
        """As JSON has it."""
        return {
            "bit_cycles": self.bit_cycles,
            "loop_cycles": self.loop_cycles,
            "achieved_baud": self.achieved_baud,
            "error": self.error,
            "clock_tolerance": self.clock_tolerance,
            "message_s": {"on": self.message_s[0], "off": self.message_s[1]},
            "tables_bytes": self.tables,
        }


@dataclass(frozen=True)
class FirmwareExport:
    """All that is written, not written yet."""

    plan: Plan
    files: Mapping[str, str]
    """Each file's text, by its name."""

    @property
    def warnings(self) -> tuple[str, ...]:
        """What a person should know before using it, one sentence each."""
        return self.plan.warnings

    @cached_property
    def box(self) -> Box:
        """What the box is to do."""
        return box_of(self.plan)

    @property
    def budget(self) -> Budget:
        """What its time is spent on."""
        made = self.plan
        timing = made.timing
        return Budget(
            timing.cycles,
            _LOOP_CYCLES,
            timing.achieved,
            timing.error,
            timing.tolerance,
            (_least(made, made.on.data, made.on.pauses), _least(made, made.off.data, made.off.pauses)),
            made.tables,
        )


_LOOP_CYCLES = 8


def _least(made: Plan, data: bytes, pauses: Sequence[Pause]) -> float:
    frame = made.frame.bits * made.timing.bit_time
    return len(data) * frame + (len(data) - 1) * made.line.dead_time + sum(p.seconds for p in pauses)


def export_firmware(request: FirmwareRequest) -> FirmwareExport:
    """Write the source of a box, in memory.

    Args:
        request: what is asked for.

    Returns:
        The files, what the box is to do, warnings, and its budget of cycles.

    Raises:
        BadValue: it can't be done: a parameter is missing, the clock can't make the rate, an action waits for
            an answer, the tables do not fit.
        NotKnown: there is no such action or chip.
    """
    made = plan(request)
    files = {path.name: path.read_text(encoding="utf-8") for path in _templates()}
    files["config.h"] = config_h(made)
    files["tables.c"] = tables_c(made)
    files["chip.mk"] = chip_mk(made)
    files["README.md"] = readme(made, files["README.md"])
    files[NAME] = box_of(made).model_dump_json(indent=2) + "\n"
    return FirmwareExport(made, files)


def _templates() -> list[Any]:
    folder = resources.files("profiles.firmware") / "templates"
    return sorted((path for path in folder.iterdir() if path.is_file()), key=lambda path: path.name)
