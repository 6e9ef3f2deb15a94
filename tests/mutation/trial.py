"""One mutant, one process: a fork in which the module is wrong and its tests run.

Nothing is written: a mutant is compiled from the tree in memory, so that other work on the same files is not
disturbed. There are two ways. The quick one collects the tests once and exchanges the code of one function.
The thorough one imports the mutant anew in the module's place: for what is worked out while a module is
imported, and for every mutant that nothing has noticed the quick way.
"""

from __future__ import annotations

import ast
import contextlib
import gc
import importlib.machinery
import importlib.util
import itertools
import json
import os
import resource
import signal
import sys
import time
import types
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings

from tests.mutation.mutants import Mutant, Mutated

__all__ = ["Trial", "Verdict", "quickly", "thoroughly"]

_MEMORY = 4 << 30
_ALARM_AFTER = 20
"""Wall seconds for each second of processor time that a trial may take: for a mutant that only waits."""
_ARGUMENTS = (
    *("-x", "-q", "--tb=no", "--assert=plain", "-p", "no:cacheprovider", "-p", "no:xdist", "-o", "timeout=0"),
    # What is imported before pytest looks is no test.
    *("-W", "ignore::pytest.PytestAssertRewriteWarning"),
)
_NOT_SO = 71
"""Exit code of a child that could not be made wrong the quick way."""


@dataclass(frozen=True, slots=True)
class Trial:
    """A module, and the tests that should notice what is wrong with it."""

    module: str
    path: Path
    tree: ast.Module
    tests: tuple[str, ...]
    """Files."""
    quick: bool = False
    """Whether generated examples are left out, and what was not noticed is not looked at a second time."""


@dataclass(slots=True)
class Verdict:
    """How a trial ended."""

    code: int | None
    """Exit code of the tests; None where they had to be stopped."""
    failed: str = ""
    """The test that noticed."""
    seconds: dict[str, float] = field(default_factory=dict)
    """Processor time of each test that ran."""
    lines: dict[str, list[int]] = field(default_factory=dict)
    """Lines of the module that each test came by; under the empty name those of all imports."""

    @property
    def became(self) -> str:
        """``survived``, ``noticed`` or ``stopped``."""
        return "stopped" if self.code is None else "noticed" if self.code else "survived"


class _Watcher:
    """A pytest plugin: the same examples each time, the order of the tests, and what became of them."""

    def __init__(self, only: Sequence[str] | None = None, *, quick: bool = False, trace: str = "") -> None:
        self._only, self._quick, self._trace = only, quick, trace
        self._seen: set[int] = set()
        self.failed = ""
        self.seconds: dict[str, float] = {}
        self.lines: dict[str, list[int]] = {}

    @pytest.hookimpl(trylast=True)
    def pytest_configure(self) -> None:
        settings.register_profile(
            "mutation",
            deadline=None,
            derandomize=True,
            database=None,
            max_examples=25,
            phases=(Phase.explicit, Phase.generate),
            suppress_health_check=[HealthCheck.too_slow],
        )
        settings.load_profile("mutation")
        self._look()

    def _look(self) -> None:
        if self._trace:
            self._seen = set()
            sys.settrace(self._called)

    def _called(self, frame: types.FrameType, _event: str, _argument: object) -> Any:
        return self._line if frame.f_code.co_filename == self._trace else None

    def _line(self, frame: types.FrameType, _event: str, _argument: object) -> Any:
        self._seen.add(frame.f_lineno)
        return self._line

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self._look()
        began = time.process_time()
        try:
            return (yield)
        finally:
            sys.settrace(None)
            self.seconds[item.nodeid] = time.process_time() - began
            self.lines[item.nodeid] = sorted(self._seen)

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        if self._quick:
            items[:] = [item for item in items if item.get_closest_marker("hypothesis") is None]
        if self._only is not None:
            items[:] = _in_order(items, self._only)
        sys.settrace(None)
        self.lines[""] = sorted(self._seen)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed and not self.failed:
            self.failed = report.nodeid

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed and not self.failed:
            self.failed = report.nodeid


def _in_order(items: Sequence[pytest.Item], names: Sequence[str]) -> list[pytest.Item]:
    known = {item.nodeid: item for item in items}
    return [known[name] for name in names if name in known]


def thoroughly(trial: Trial, mutant: Mutant | None, only: Sequence[str] | None, limit: float) -> Verdict:
    """Import the mutant in the module's place, and run the tests.

    Args:
        trial: what is tried.
        mutant: what is made wrong; None to see how the tests do without.
        only: the tests that are to run, in this order; None for all.
        limit: seconds of processor time.
    """

    def run() -> tuple[int, _Watcher]:
        sys.meta_path.insert(0, _Finder(trial, mutant))
        watcher = _Watcher(only, quick=trial.quick, trace="" if mutant else str(trial.path))
        return int(pytest.main([*_ARGUMENTS, *trial.tests], plugins=[watcher])), watcher

    return _in_a_fork(run, limit)


def quickly(
    trial: Trial, mutants: Sequence[Mutant], choose: Callable[[Mutant], tuple[Sequence[str], float]]
) -> Iterator[tuple[Mutant, Verdict | None]]:
    """Exchange the code of one function at a time, and run the tests.

    Yields:
        Each mutant with what became of it; None where it can't be tried in this way.
    """
    reading, writing = os.pipe()
    answering, asking = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(reading)
            os.close(asking)
            _quiet()
            plugin = _Exchange(trial, mutants, writing, answering)
            pytest.main([*_ARGUMENTS, *trial.tests], plugins=[plugin, _Watcher(quick=trial.quick)])
        finally:
            os._exit(0)
    os.close(writing)
    os.close(answering)
    with os.fdopen(reading, encoding="utf-8") as pipe, os.fdopen(asking, "w", encoding="utf-8") as ask:
        for mutant in mutants:
            print(json.dumps(choose(mutant)), file=ask, flush=True)
            line = pipe.readline()
            said = json.loads(line)
            yield mutant, Verdict(**said) if said is not None else None
    os.waitpid(child, 0)


class _Exchange:
    """A pytest plugin: the collected tests run once for each mutant, in forks."""

    def __init__(self, trial: Trial, mutants: Sequence[Mutant], writing: int, answering: int) -> None:
        self._trial, self._mutants = trial, mutants
        self._tell = os.fdopen(writing, "w", encoding="utf-8")
        self._hear = os.fdopen(answering, encoding="utf-8")

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        gc.freeze()
        functions = _functions(sys.modules[self._trial.module])
        for mutant in self._mutants:
            only, limit = json.loads(self._hear.readline())
            verdict = self._try(session, functions, mutant, only, limit)
            said = None
            if verdict is not None:
                said = {"code": verdict.code, "failed": verdict.failed}
            print(json.dumps(said), file=self._tell, flush=True)
        return True

    def _try(
        self,
        session: pytest.Session,
        functions: dict[str, types.FunctionType],
        mutant: Mutant,
        only: Sequence[str],
        limit: float,
    ) -> Verdict | None:
        with Mutated(self._trial.tree, mutant) as tree:
            try:
                module = compile(tree, str(self._trial.path), "exec", dont_inherit=True)
            except (SyntaxError, ValueError):
                return None
        codes = _codes(module)
        name = max((name for name in functions if f"{mutant.where}.".startswith(f"{name}.")), default="")
        if name not in codes or len(codes[name].co_freevars) != len(functions[name].__code__.co_freevars):
            return None
        if codes[name] == functions[name].__code__ and not _differs(codes[name], functions[name].__code__):
            return None

        def run() -> tuple[int, _Watcher]:
            functions[name].__code__ = codes[name]
            watcher = _Watcher()
            session.config.pluginmanager.register(watcher)
            items = _in_order(session.items, only)
            for item, following in itertools.zip_longest(items, items[1:]):
                session.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
                if watcher.failed:
                    return 1, watcher
            return 0, watcher

        return _in_a_fork(run, limit)


def _differs(one: types.CodeType, other: types.CodeType) -> bool:
    return one.co_consts != other.co_consts or one.co_code != other.co_code


def _functions(module: types.ModuleType) -> dict[str, types.FunctionType]:
    """All functions and methods that a module defines, by their dotted name."""
    found: dict[str, types.FunctionType] = {}

    def look(held: object) -> None:
        match held:
            case types.FunctionType() if held.__module__ == module.__name__:
                found.setdefault(held.__qualname__, held)
            case staticmethod() | classmethod():
                look(held.__func__)
            case property():
                look(held.fget)
            case type() if held.__module__ == module.__name__:
                for inner in vars(held).values():
                    look(inner)
            case _ if hasattr(held, "__wrapped__"):
                look(held.__wrapped__)

    for held in list(vars(module).values()):
        look(held)
    return found


def _codes(module: types.CodeType) -> dict[str, types.CodeType]:
    """The code of all functions and methods of a compiled module, by dotted name."""
    found = {}
    for held in module.co_consts:
        if isinstance(held, types.CodeType):
            found[held.co_qualname] = held
            if not held.co_flags & 1:  # a class's body: what it holds are its methods
                found.update(_codes(held))
    return found


def _in_a_fork(run: Callable[[], tuple[int, _Watcher]], limit: float) -> Verdict:
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        code = 70
        try:
            os.close(reading)
            signal.alarm(int(limit * _ALARM_AFTER))
            used = int(sum(os.times()[:2]))
            resource.setrlimit(resource.RLIMIT_CPU, (used + int(limit) + 1, used + int(limit) + 2))
            resource.setrlimit(resource.RLIMIT_AS, (_MEMORY, _MEMORY))
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
            _quiet()
            code, watcher = run()
            said = {"failed": watcher.failed, "seconds": watcher.seconds, "lines": watcher.lines}
            with os.fdopen(writing, "wb") as pipe:
                pipe.write(json.dumps(said).encode())
        finally:
            os._exit(code)
    os.close(writing)
    with os.fdopen(reading, "rb") as pipe:
        told = pipe.read()
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return Verdict(None)
    said = json.loads(told) if told else {}
    return Verdict(os.waitstatus_to_exitcode(status), **said)


def _quiet() -> None:
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(nowhere, stream)


class _Finder:
    """Finds the mutant where the module is asked for."""

    def __init__(self, trial: Trial, mutant: Mutant | None) -> None:
        self._trial, self._mutant = trial, mutant

    def find_spec(self, name: str, *_: object) -> importlib.machinery.ModuleSpec | None:
        if name != self._trial.module:
            return None
        loader = _Loader(name, str(self._trial.path), self._trial.tree, self._mutant)
        return importlib.util.spec_from_file_location(name, self._trial.path, loader=loader)


class _Loader(importlib.machinery.SourceFileLoader):
    def __init__(self, name: str, path: str, tree: ast.Module, mutant: Mutant | None) -> None:
        super().__init__(name, path)
        self._tree, self._mutant = tree, mutant

    def get_code(self, fullname: str) -> types.CodeType:
        mutated = Mutated(self._tree, self._mutant) if self._mutant else contextlib.nullcontext(self._tree)
        with mutated as tree:
            return compile(tree, self.path, "exec", dont_inherit=True)
