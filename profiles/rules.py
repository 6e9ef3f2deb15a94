"""What the rules in rules_bytes.py and rules_meaning.py share: what they look at, and how they say it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from profiles.errors import Fault
from profiles.locating import Step
from profiles.model import Profile
from profiles.shape import Shown

__all__ = ["Looked", "Path"]

Path = tuple[Step, ...]


@dataclass(slots=True)
class Looked:
    """A profile under the rules, and what they found.

    Where the file had faults of shape, the profile is what is left of it: entries that could not be read are
    not in ``profile``, but their names are known, so that what refers to them is no fault as well.
    """

    profile: Profile
    shown: Shown
    broken: frozenset[Path] = frozenset()
    """What could not be read: keys of the file, or entries of its tables and lists."""
    kept: Mapping[str, Sequence[int]] = field(default_factory=dict)
    """For each list of the profile, where in the file its entries stand; all of them where it is not here."""
    faults: list[Fault] = field(default_factory=list)

    def fault(self, path: Path, what: str, todo: str = "") -> None:
        """Say what is wrong."""
        self.faults.append(self.shown.fault(path, what, todo))

    def warn(self, path: Path, what: str, todo: str = "") -> None:
        """Say what is worth knowing."""
        self.faults.append(self.shown.fault(path, what, todo, warning=True))

    def entries(self, key: str) -> list[tuple[Path, Any]]:
        """The entries of a list of the profile, each with its place in the file."""
        values: Sequence[Any] = getattr(self.profile, key)
        return [
            ((key, index), value)
            for index, value in zip(self.kept.get(key, range(len(values))), values, strict=True)
        ]

    def sound(self, key: str) -> bool:
        """Whether this key of the file could be read, as a whole."""
        return (key,) not in self.broken

    def names(self, table: str) -> list[str]:
        """All names in ``actions`` or ``states``, those of entries that could not be read included."""
        readable: dict[str, object] = getattr(self.profile, table)
        return [*readable, *(str(path[1]) for path in self.broken if path[0] == table and len(path) > 1)]

    def knows(self, table: str, name: str) -> bool:
        """Whether there is such a name in a table, as far as can be told."""
        return not self.sound(table) or name in self.names(table)
