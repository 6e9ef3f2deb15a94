"""``python -m tests.mutation``: makes modules wrong, one thing at a time, and runs their tests.

Exit code 0: every mutant was noticed by a test, or is explained in explained.toml; 1: one was not.
"""

from __future__ import annotations

import argparse
import importlib
import json
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from tests.mutation.mutants import Mutant
from tests.mutation.targets import Target, explained, targets
from tests.mutation.trial import Trial, Verdict, quickly, thoroughly

_KILLERS_REMEMBERED = 8
_PATIENCE = 1.5
"""How many times the processor time that the tests need without a mutant, traced, they may take with one."""
_IMPORTS = 4.0
"""Seconds of processor time for importing everything anew."""
_BECAME = ("noticed", "stopped", "explained", "survived")


def _try_all(target: Target, chosen: set[str] | None, *, quick: bool) -> Iterator[tuple[Mutant, str, str]]:
    for name in target.warm:
        importlib.import_module(name)
    if target.module in sys.modules:
        raise SystemExit(f"{target.module} is imported already: what is warm stands on it")
    tree, mutants = target.mutants()
    trial = Trial(target.module, target.path, tree, target.tests, quick)
    plain = thoroughly(trial, None, None, 600)
    if plain.code != 0:
        raise SystemExit(f"{target.path}: its tests fail without any mutant, at {plain.failed}")
    count = f"{len(plain.seconds)} tests of {sum(plain.seconds.values()):.1f} s"
    print(f"{target.path}: {len(mutants)} mutants, {count}", flush=True)
    choice = _Choice(plain)
    wanted = [mutant for mutant in mutants if chosen is None or _name(target, mutant) in chosen]
    for mutant, verdict in quickly(trial, wanted, choice.tests):
        if verdict is None or (verdict.code == 0 and not quick):
            tests, limit = choice.tests(mutant)
            verdict = thoroughly(trial, mutant, tests, limit + _IMPORTS)
        choice.noticed(verdict.failed)
        yield mutant, verdict.became, verdict.failed


class _Choice:
    """Which tests are run with a mutant, and in what order.

    Args:
        plain: how they did without one.
    """

    def __init__(self, plain: Verdict) -> None:
        self._seconds = plain.seconds
        self._by_time = sorted(plain.seconds, key=lambda name: plain.seconds[name])
        self._lines = {name: set(lines) for name, lines in plain.lines.items()}
        self._killers: list[str] = []

    def tests(self, mutant: Mutant) -> tuple[list[str], float]:
        """Those that come by it, or all where it is come by on import; first those that noticed others.

        And the seconds of processor time that they may take.
        """
        names = list(dict.fromkeys([*self._killers, *self._by_time]))
        if not self._lines[""].intersection(mutant.lines):
            names = [name for name in names if self._lines[name].intersection(mutant.lines)]
        return names, 1.0 + _PATIENCE * sum(self._seconds[name] for name in names)

    def noticed(self, test: str) -> None:
        """It noticed a mutant, and may notice the next one."""
        if test in self._seconds:
            others = (name for name in self._killers if name != test)
            self._killers = [test, *others][:_KILLERS_REMEMBERED]


def _name(target: Target, mutant: Mutant) -> str:
    return f"{target.path}|{mutant.where}|{mutant.change}|{mutant.nth}"


def _report(target: Target, chosen: set[str] | None, results: Path | None, *, quick: bool) -> int:
    known, tally = explained().get(str(target.path), {}), Counter[str]()
    for mutant, became, by in _try_all(target, chosen, quick=quick):
        if became == "survived" and mutant.key in known:
            became = "explained"
        tally[became] += 1
        place = (
            f"{target.path}:{mutant.lines.start}: {mutant.where or 'module'}: {mutant.change} ({mutant.nth})"
        )
        if became == "survived":
            print(f"  {place}", flush=True)
        elif became != "explained" and mutant.key in known:
            print(f"  {place}: {became}, though explained", flush=True)
        if results:
            with results.open("a", encoding="utf-8") as file:
                line = {"name": _name(target, mutant), "line": mutant.lines.start, "became": became, "by": by}
                print(json.dumps(line), file=file)
    counts = ", ".join(f"{tally[became]} {became}" for became in _BECAME)
    print(f"{target.path}: {sum(tally.values())} tried, {counts}", flush=True)
    return 1 if tally["survived"] else 0


def _each_by_itself(wanted: list[Target], arguments: list[str]) -> int:
    """In processes of their own: what one target may import beforehand is another one's target."""
    commands = ([sys.executable, "-m", "tests.mutation", str(target.path), *arguments] for target in wanted)
    return max((subprocess.run(command, check=False).returncode for command in commands), default=0)


def main() -> int:
    """Try them; what became of each."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("paths", nargs="*", help="modules, as paths; all where none is named")
    parser.add_argument("--quick", action="store_true", help="leave out generated examples, and second looks")
    parser.add_argument("--results", type=Path, help="add what became of each, one JSON document a line")
    parser.add_argument("--again", type=Path, help="try only those that survived in this file of results")
    arguments = parser.parse_args()
    known = {str(target.path): target for target in targets()}
    if not known.keys() >= set(arguments.paths):
        parser.error(f"known are {', '.join(known)}")
    wanted = [known[path] for path in arguments.paths or known]
    if len(wanted) > 1:
        return _each_by_itself(wanted, [a for a in sys.argv[1:] if a not in arguments.paths])
    chosen: set[str] | None = None
    if arguments.again:
        lines = map(json.loads, arguments.again.read_text(encoding="utf-8").splitlines())
        chosen = {line["name"] for line in lines if line["became"] == "survived"}
    return _report(wanted[0], chosen, arguments.results, quick=arguments.quick)


if __name__ == "__main__":
    raise SystemExit(main())
