"""Which modules are tried, by which tests, and which mutants nothing can notice."""

from __future__ import annotations

import ast
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.mutation.mutants import Mutant, mutants_of

__all__ = ["ROOT", "Target", "explained", "targets"]

_HERE = Path(__file__).parent
ROOT = _HERE.parents[1]
"""Of the repository: what is measured is run from there."""


@dataclass(frozen=True, slots=True)
class Target:
    """A module whose tests are put to the test."""

    path: Path
    """From the root of the repository."""
    tests: tuple[str, ...]
    """Files."""
    warm: tuple[str, ...]
    """Modules that may be imported once for all its mutants: none of them stands on it."""

    @property
    def module(self) -> str:
        """Its dotted name."""
        return ".".join(self.path.with_suffix("").parts)

    def mutants(self) -> tuple[ast.Module, list[Mutant]]:
        """Its tree, and all that can be made wrong in it."""
        tree = ast.parse((ROOT / self.path).read_text(encoding="utf-8"))
        return tree, mutants_of(tree)


def targets() -> list[Target]:
    """All of them, as targets.toml names them."""
    groups: dict[str, dict[str, list[str]]] = _toml("targets.toml")
    return [
        Target(Path(path), tuple(group["tests"]), tuple(group["warm"]))
        for group in groups.values()
        for path in group["modules"]
    ]


def explained() -> dict[str, dict[tuple[str, str, int], str]]:
    """By file, and by what a mutant is known by: why nothing can notice it."""
    entries: dict[str, list[dict[str, Any]]] = _toml("explained.toml")
    return {
        path: {(entry["in"], entry["change"], entry.get("nth", 1)): entry["why"] for entry in listed}
        for path, listed in entries.items()
    }


def _toml(name: str) -> Any:
    return tomllib.loads((_HERE / name).read_text(encoding="utf-8"))
