"""What came of trials: each fault once, with the first input that led to it."""

from __future__ import annotations

import contextlib
import hashlib
import signal
import sys
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tests.fuzz.target import Trial

__all__ = ["LONGEST", "Findings", "HangsError"]

LONGEST = 10.0
"""Seconds of work that an input may take; noting what it reaches makes all of it twice as slow."""
_HANGS = 60.0
"""Seconds of work after which it is taken for one that never ends."""
_ROOT = Path(__file__).resolve().parents[2]
_HERE = Path(__file__).resolve().parent


@dataclass(slots=True)
class Findings:
    """Tries inputs, goes on after a fault, and keeps what led to it.

    Args:
        trial: tries one.
        folder: where findings are kept, each with its traceback beside it.
        clock: seconds of work done by this process.
    """

    trial: Trial
    folder: Path
    clock: Callable[[], float] = time.process_time
    known: set[str] = field(default_factory=set)

    def take(self, data: bytes) -> None:
        """Try an input."""
        before = self.clock()
        try:
            with _alarm():
                self.trial(data)
        except Exception as error:  # noqa: BLE001 -- every fault is a finding
            self._keep(data, _name(error), "".join(traceback.format_exception(error)))
        took = self.clock() - before
        if took > LONGEST:
            self._keep(data, f"slow-{len(data).bit_length()}", f"{took:.1f} seconds for {len(data)} bytes\n")

    def _keep(self, data: bytes, name: str, story: str) -> None:
        if name in self.known:
            return
        self.known.add(name)
        self.folder.mkdir(parents=True, exist_ok=True)
        (self.folder / name).write_bytes(data)
        (self.folder / f"{name}.txt").write_text(story, encoding="utf-8", errors="backslashreplace")
        print(f"finding {name}: {story.splitlines()[-1][:300]}", file=sys.stderr, flush=True)


class HangsError(Exception):
    """An input that seems to go on for ever; the traceback says where."""


@contextlib.contextmanager
def _alarm() -> Iterator[None]:
    """Interrupt work that does not end, by the processor's time: a busy machine is no fault."""
    if sys.platform == "win32":  # no such timer; work without an end is then for a person to see
        yield
        return

    def ring(*_: object) -> None:
        raise HangsError(f"no end after {_HANGS:g} seconds of work")

    before = signal.signal(signal.SIGPROF, ring)
    signal.setitimer(signal.ITIMER_PROF, _HANGS)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def _name(error: Exception) -> str:
    """A fault's kind and place: the innermost line of the product, of the tests only where there is none."""
    places = [
        (Path(frame.filename), frame.lineno or 0)
        for frame in traceback.extract_tb(error.__traceback__)
        if Path(frame.filename).is_relative_to(_ROOT) and ".venv" not in frame.filename
    ]
    product = [place for place in places if not place[0].is_relative_to(_ROOT / "tests")]
    path, line = (product or [place for place in places if place[0] != _HERE] or [(Path("none"), 0)])[-1]
    if isinstance(error, AssertionError):
        path, line = places[-1]
    digest = hashlib.sha256(f"{path}:{line}".encode()).hexdigest()[:6]
    return f"{type(error).__name__}-{path.stem}-{line}-{digest}"
