"""One table for all measurements: what, ours, the reference of the same run, what came of it, the bar."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

__all__ = ["Figure", "medians", "print_table"]


@dataclass(frozen=True)
class Figure:
    """One measured thing; ``got`` must not be above ``bar``."""

    what: str
    ours: str
    reference: str
    got: float
    bar: float
    unit: str = "x"

    @property
    def holds(self) -> bool:
        """Whether it is within its bar."""
        return self.got <= self.bar


def medians(runs: int, *works: Callable[[], object]) -> list[float]:
    """Median seconds of each piece of work; they take turns, so that a busy machine hits all alike."""
    times: list[list[float]] = [[] for _ in works]
    for _ in range(runs):
        for place, work in enumerate(works):
            began = time.perf_counter()
            work()
            times[place].append(time.perf_counter() - began)
    return [statistics.median(each) for each in times]


def print_table(title: str, figures: Sequence[Figure]) -> None:
    """Print the table; a bar that is missed is marked in words."""
    heads = ("what", "ours", "reference", "got", "bar", "")
    rows = [
        (
            f.what,
            f.ours,
            f.reference,
            f"{f.got:.3g} {f.unit}",
            f"{f.bar:.3g} {f.unit}",
            "" if f.holds else "OVER ITS BAR",
        )
        for f in figures
    ]
    widths = [max(len(row[n]) for row in (heads, *rows)) for n in range(len(heads))]
    print(f"\n{title}")
    for row in (heads, *rows):
        print("  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
