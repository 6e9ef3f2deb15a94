"""Every target in turn, for a bounded time: ``python -m tests.fuzz [TARGET ...] --seconds N``."""

from __future__ import annotations

import argparse
import importlib.util
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.fuzz.table import TARGETS

_FIGURES = re.compile(r"cov: (\d+) ft: (\d+) corp: (\d+)")
_RUNS = re.compile(r"stat::number_of_executed_units:\s*(\d+)")


def main() -> int:
    """Fuzz; 1 where something was found."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument(
        "targets", nargs="*", metavar="TARGET", help=f"of {', '.join(TARGETS)}; by default all"
    )
    parser.add_argument("--seconds", type=int, default=600, help="in all (default: 600)")
    parser.add_argument("--folder", type=Path, default=Path(".fuzz"), help="corpus and findings")
    arguments = parser.parse_args()
    names = arguments.targets or list(TARGETS)
    unknown = [name for name in names if name not in TARGETS]
    if unknown:
        parser.error(f"there is no target {unknown[0]}; there are {', '.join(TARGETS)}")
    if importlib.util.find_spec("atheris") is None:
        parser.error("atheris is not installed; `make fuzz` installs it")
    each = max(1, arguments.seconds // len(names))
    found = [name for name in names if not _fuzz(name, arguments.folder, each)]
    return 1 if found else 0


def _fuzz(name: str, folder: Path, seconds: int) -> bool:
    """Fuzz one target; whether nothing was found."""
    log = folder / name / "log"
    log.parent.mkdir(parents=True, exist_ok=True)
    # Threads of a library for sums would only be counted as work, and take the time of other programs.
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    with log.open("wb") as file, tempfile.TemporaryDirectory(prefix="fuzz-") as work:
        command = [sys.executable, "-m", "tests.fuzz.one", name, str(folder), work, str(seconds)]
        code = subprocess.run(command, stdout=file, stderr=file, env=environment, check=False).returncode
    text = log.read_text(encoding="utf-8", errors="replace")
    figures, runs = _FIGURES.findall(text), _RUNS.findall(text)
    covered, features, corpus = figures[-1] if figures else ("?", "?", "?")
    findings = sorted(path.name for path in (folder / name / "findings").glob("*") if path.suffix != ".txt")
    print(
        f"{name}: {seconds} s, {runs[-1] if runs else '?'} inputs, {covered} places reached"
        f" ({features} features, {corpus} inputs kept), exit code {code}, {len(findings)} findings",
        flush=True,
    )
    for finding in findings:
        print(f"  {folder / name / 'findings' / finding}")
    if code:
        print(f"  it ended early: see {log}")
    return code == 0 and not findings


if __name__ == "__main__":
    sys.exit(main())
