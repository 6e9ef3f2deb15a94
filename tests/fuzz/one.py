"""One target in a process of its own: ``python -m tests.fuzz.one TARGET FOLDER WORK SECONDS``."""

from __future__ import annotations

import contextlib
import resource
import sys
import warnings
from pathlib import Path
from random import Random

import atheris

_MEMORY = 3 << 30
"""Bytes beyond which a trial gets a ``MemoryError``."""


def main() -> None:
    """Fuzz until the time is over; libFuzzer ends the process."""
    name, folder, work, seconds = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]), int(sys.argv[4])
    with (
        atheris.instrument_imports(include=["profiles", "controller", "tui", "tomllib"]),
        contextlib.ExitStack() as stack,
    ):
        from tests.fuzz.findings import Findings
        from tests.fuzz.mutating import mutated
        from tests.fuzz.table import TARGETS

        target = TARGETS[name]
        corpus, seeds = folder / name / "corpus", folder / name / "seeds"
        for each in (corpus, seeds):
            each.mkdir(parents=True, exist_ok=True)
        good = list(target.seeds(work))
        for number, data in enumerate(good):
            (seeds / f"{number:03d}").write_bytes(data)
        words = [word.encode("latin-1", "replace") for word in target.words.split()]
        findings = Findings(stack.enter_context(target.prepare(work)), folder / name / "findings")
        warnings.simplefilter("error")

        def changed(data: bytes, most: int, seed: int) -> bytes:
            random = Random(seed)
            if random.randrange(5) == 0:
                return bytes(atheris.Mutate(data, most))
            return mutated(data, random, words, good)[:most]

        _, hard = resource.getrlimit(resource.RLIMIT_DATA)
        resource.setrlimit(resource.RLIMIT_DATA, (_MEMORY, hard))
        options = (
            *(f"-max_total_time={seconds}", f"-max_len={target.longest}", "-len_control=0", "-timeout=3600"),
            *("-rss_limit_mb=3000", "-print_final_stats=1", f"-artifact_prefix={folder / name}/"),
        )
        atheris.Setup([sys.argv[0], *options, str(corpus), str(seeds)], findings.take, custom_mutator=changed)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
