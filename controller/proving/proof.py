"""The proof: a box's source built, put through every story on a simulated chip, and judged.

For front ends::

    export = export_firmware(FirmwareRequest(...))      # profiles.firmware.export; nothing is written yet
    write_firmware(export, folder)                      # profiles.firmware.writing
    proof = prove(folder, progress)                     # blocks for seconds: call it in a thread
"""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.proving.judging import Case, judge
from controller.proving.rig import run_box
from controller.proving.stories import stories
from controller.proving.story import Story
from controller.proving.toolchain import Built, build_box, build_rig
from profiles.errors import BadValue
from profiles.firmware.chips import CHIPS
from profiles.firmware.manifest import Box, read_box

__all__ = ["Progress", "Proof", "prove"]

Progress = Callable[[int, int, str], None]
"""Called with how much is done, of how much, and what is done now."""

_TOGETHER = 2
"""Simulators that run at once."""
LONG_DELAY = 5.0
"""Seconds. Longer delays are waited for once; the other stories are run with this one in their place."""


@dataclass(frozen=True, slots=True)
class Proof:
    """What came of it."""

    box: Box
    built: Built
    cases: tuple[Case, ...]
    ram: int
    """The most bytes of RAM that were ever used, the stack included."""

    @property
    def passed(self) -> bool:
        """Whether all was as it has to be."""
        return all(case.passed for case in self.cases)

    def document(self) -> dict[str, Any]:
        """As JSON has it: sizes in bytes, errors as parts, times in seconds."""
        return {
            "passed": self.passed,
            "flash_bytes": self.built.flash,
            "ram_bytes": self.ram,
            "evidence": {"on": self.box.on.evidence, "off": self.box.off.evidence},
            "cases": [case.document() for case in self.cases],
        }


def prove(folder: Path, progress: Progress = lambda _done, _of, _what: None) -> Proof:
    """Build a box and run it on a simulated chip; what its pin says is decoded and compared.

    Args:
        folder: a box that ``write_firmware`` wrote; box.elf and box.hex are made in it.
        progress: is told how far it is; called in this thread.

    Raises:
        FileUnreadable: there is no box in the folder.
        ToolMissing: avr-gcc, the host's compiler or the simulator's library is not installed.
        ToolTrouble: the source does not build, or the box crashes.
    """
    box = read_box(folder)
    chip = next((chip for chip in CHIPS if chip.name == box.chip), None)
    if chip is None:
        raise BadValue(f"there is no proof for a chip {box.chip!r}", where=str(folder))
    with tempfile.TemporaryDirectory(prefix="linewarden-box-") as name:
        work = Path(name)
        told = stories(_shortened(box))
        steps = len(told) + 2
        progress(0, steps, "building the box")
        built = build_box(folder, work)
        progress(1, steps, "building the rig")
        rig = build_rig(work)
        short, image = _shortened(box), built.image
        if short != box:
            image = _build_shortened(folder, work, short)
        told[0] = stories(box)[0]
        images = [built.image, *[image] * (len(told) - 1)]
        cases, ram = [], 0
        with ThreadPoolExecutor(_TOGETHER, thread_name_prefix="proof") as pool:
            runs = [
                pool.submit(run_box, rig, flash, story, _folder(work, story))
                for flash, story in zip(images, told, strict=True)
            ]
            try:
                for number, (story, run) in enumerate(zip(told, runs, strict=True)):
                    progress(2 + number, steps, story.title)
                    done = run.result()
                    ram = max(ram, done.ram)
                    cases.append(judge(story, done))
            except BaseException:
                pool.shutdown(wait=False, cancel_futures=True)
                raise
        progress(steps, steps, "done")
        return Proof(box, built, tuple(cases), ram)


def _folder(work: Path, story: Story) -> Path:
    folder = work / story.name
    folder.mkdir()
    return folder


def _shortened(box: Box) -> Box:
    return box.model_copy(
        update={
            "delay_on_s": min(box.delay_on_s, LONG_DELAY),
            "delay_off_s": min(box.delay_off_s, LONG_DELAY),
        }
    )


def _build_shortened(folder: Path, work: Path, short: Box) -> Path:
    """Build a copy of the box with shorter delays."""
    copy = work / "short"
    copy.mkdir()
    for path in folder.iterdir():
        if path.is_file() and path.suffix in (".c", ".h", ".mk", ""):
            shutil.copyfile(path, copy / path.name)
    config = copy / "config.h"
    text = config.read_text(encoding="utf-8")
    for name, delay in (("ON", short.delay_on_s), ("OFF", short.delay_off_s)):
        ticks = round(delay / short.tick_s)
        text = re.sub(rf"(#define DELAY_{name}_TICKS) \d+UL", rf"\1 {ticks}UL", text)
    config.write_text(text, encoding="utf-8")
    return build_box(copy, copy).image
