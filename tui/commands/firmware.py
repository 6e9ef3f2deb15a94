"""``linewarden firmware``: C source of a stand-alone trigger adapter, and its proof."""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from controller.proving.proof import Proof, prove
from controller.proving.toolchain import Built, build_box
from profiles.compiled import CompiledProfile
from profiles.errors import BadValue, ToolMissing
from profiles.firmware.chips import ClockSource
from profiles.firmware.export import FirmwareExport, export_firmware
from profiles.firmware.request import AtStart, FirmwareRequest, Telling
from profiles.firmware.writing import must_be_free, write_firmware
from profiles.library import find
from tui.parameters import read_words
from tui.progress_line import ProgressLine
from tui.telling import as_json, plain, table

__all__ = ["proven", "run", "telling", "written"]


def run(arguments: argparse.Namespace) -> int:
    """Write the source; with --prove also prove it: 1 where the proof fails."""
    folder = Path(arguments.output)
    source = find(arguments.profile)
    profile = source.load()
    export = export_firmware(
        FirmwareRequest(
            profile=profile,
            on=telling(arguments.on, profile),
            off=telling(arguments.off, profile),
            text=source.text(),
            address=_address(arguments.address, profile),
            chip=arguments.chip,
            clock=arguments.clock,
            clock_source=ClockSource(arguments.clock_source),
            trigger_high=arguments.trigger == "high",
            debounce=arguments.debounce,
            delay_on=arguments.delay_on,
            delay_off=arguments.delay_off,
            at_start=AtStart(arguments.at_start),
            echo=arguments.echo,
        )
    )
    must_be_free(folder, replace=arguments.replace)
    write_firmware(export, folder, replace=arguments.replace)
    if not arguments.json:
        print("\n".join(plain(line) for line in written(export, folder)))
    missing, built, proof = None, None, None
    try:
        if arguments.prove:
            with ProgressLine(quiet=arguments.json) as progress:
                proof = prove(folder, lambda done, of, what: progress.say(f"proof {done} of {of}: {what}"))
            built = proof.built
        else:
            with tempfile.TemporaryDirectory(prefix="linewarden-box-") as work:
                built = build_box(folder, Path(work))
    except ToolMissing as error:
        missing = error
    if arguments.json:
        print(as_json(_document(export, folder, built, proof, missing)))
    else:
        print("\n".join(plain(line) for line in _judged(export, built, proof, missing)))
    if arguments.prove:
        return 0 if proof is not None and proof.passed else 1
    return 0


def telling(words: Sequence[str], profile: CompiledProfile) -> Telling:
    """An action and its parameters, as they were typed."""
    name, *given = words
    known = profile.action(name).spec.parameters
    return Telling(name, read_words(given, {key: spec.type.value for key, spec in known.items()}))


def _address(given: int | str | None, profile: CompiledProfile) -> int | None:
    if given != "all":
        return given if isinstance(given, int) else None
    known = profile.profile.address
    if known is None or known.all is None:
        raise BadValue(f"{profile.profile.name} has no address for all", todo="give --address a number")
    return known.all


def written(export: FirmwareExport, folder: Path) -> list[str]:
    """What was written and what it costs, line by line."""
    box, budget, made = export.box, export.budget, export.plan
    rows = []
    for when, tells, delay, took in (
        ("on", box.on, box.delay_on_s, budget.message_s[0]),
        ("off", box.off, box.delay_off_s, budget.message_s[1]),
    ):
        shown = tells.hex if len(tells.data) <= 16 else f"{tells.hex[:47]} ... ({len(tells.data)} bytes)"
        rows.append((when, tells.action, shown, f"{delay:g} s", f"{took * 1000:.1f} ms"))
    worst = made.timing.worst
    fuses = made.chip.fuses(made.timing.clock, made.request.clock_source)
    return [
        f"{folder}: source for an {made.chip.title} at {made.timing.clock / 1e6:g} MHz",
        *(f"  {line}" for line in table(rows, ("", "action", "bytes", "delay", "on the line"))),
        (
            f"  bit: {budget.bit_cycles} cycles, {budget.loop_cycles} of them for sending; "
            f"{budget.achieved_baud:.2f} baud, {budget.error * 100:+.3f} % off, at most {worst * 100:.2f} % "
            "with the clock"
        ),
        f"  echo: {'each frame waits for that of the one before' if box.echo else 'none'}",
        f"  after a reset: {_START[box.at_start]}",
        (
            f"  fuses: low {fuses.low:02X}, high {fuses.high:02X}, extended {fuses.extended:02X} hex; the "
            "factory's CKDIV8 divides the clock by 8, these do not"
        ),
        *(f"  note: {warning}" for warning in export.warnings),
    ]


_START = {
    AtStart.NOTHING: "nothing is said until the trigger changes",
    AtStart.OFF: "off is said where the trigger is not there",
    AtStart.FOLLOW: "what the trigger asks for is said",
}


def _judged(
    export: FirmwareExport, built: Built | None, proof: Proof | None, missing: ToolMissing | None
) -> list[str]:
    lines = []
    chip = export.plan.chip
    if built is not None:
        lines.append(
            f"  size: {built.flash} of {chip.flash} bytes of flash, {export.budget.tables} of them tables; "
            f"{built.ram} of {chip.ram} bytes of RAM and the stack"
        )
    if missing is not None:
        lines.append(f"  not built: {missing}")
    if proof is None:
        return lines
    lines.append(f"  RAM with the stack, at most: {proof.ram} bytes")
    return [*lines, "", *proven(proof)]


def proven(proof: Proof) -> list[str]:
    """What a proof showed, line by line; the last says whether the box does what it has to."""
    lines = []
    for case in proof.cases:
        lines.append(
            f"{'ok  ' if case.passed else 'FAIL'} {case.title}: {_figures(case.heard, case.figures)}"
        )
        lines += [f"       {problem}" for problem in case.problems]
    for what, tells in (("on", proof.box.on), ("off", proof.box.off)):
        against = "the profile's evidence" if tells.evidence else "the profile's action; it has no evidence"
        lines.append(f"{what} was compared with {against}")
    lines.append("proven" if proof.passed else "NOT proven: the box does not do what it has to")
    return lines


def _figures(heard: Sequence[str], figures: dict[str, float]) -> str:
    words = [", ".join(_short(data) for data in heard) or "nothing said"]
    if "bit_error" in figures:
        words.append(f"rate {figures['bit_error'] * 100:+.3f} %")
    if "late_s" in figures:
        words.append(f"begins {figures['late_s'] * 1000:+.1f} ms from due")
    return "; ".join(words)


def _short(data: str) -> str:
    if not data:
        return "nothing"
    return data if len(data) <= 23 else f"{data[:23]} ..."


def _document(
    export: FirmwareExport,
    folder: Path,
    built: Built | None,
    proof: Proof | None,
    missing: ToolMissing | None,
) -> dict[str, Any]:
    made = export.plan
    fuses = made.chip.fuses(made.timing.clock, made.request.clock_source)
    return {
        "folder": str(folder),
        "files": sorted(export.files),
        "box": export.box.model_dump(mode="json"),
        "budget": export.budget.document(),
        "fuses": {"low": fuses.low, "high": fuses.high, "extended": fuses.extended},
        "warnings": list(export.warnings),
        "size": {"flash_bytes": built.flash, "ram_bytes": built.ram} if built is not None else None,
        "missing": str(missing) if missing is not None else None,
        "proof": proof.document() if proof is not None else None,
    }
