"""One table for all measurements: what, ours, the reference of the same run, what came of it, the bar."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

__all__ = ["TABLES", "Figure", "Table", "medians", "print_table"]


@dataclass(frozen=True)
class Figure:
    """One measured thing; ``got`` must not be above ``bar``.

    Args:
        what: the thing.
        ours: what was measured of ours, in words.
        reference: what was measured beside it in the same run, in words; empty where there is none.
        got: the figure that is held against the bar.
        bar: what it may be at most; None where it is told for what it is worth.
        unit: of ``got`` and ``bar``; "x" is times the reference.
    """

    what: str
    ours: str
    reference: str
    got: float
    bar: float | None
    unit: str = "x"

    @property
    def holds(self) -> bool:
        """Whether it is within its bar."""
        return self.bar is None or self.got <= self.bar

    @property
    def cells(self) -> tuple[str, ...]:
        """The row as text, a missed bar in words."""
        bar = "none" if self.bar is None else f"{self.bar:.3g} {self.unit}".rstrip()
        verdict = "" if self.holds else "OVER ITS BAR"
        return (self.what, self.ours, self.reference, f"{self.got:.3g} {self.unit}".rstrip(), bar, verdict)


HEADS = ("what", "ours", "reference", "got", "bar", "")


@dataclass(frozen=True)
class Table:
    """Figures that were measured together, and what has to be said of them."""

    title: str
    figures: tuple[Figure, ...]
    note: str = ""


TABLES: list[Table] = []
"""All that were printed in this run: `make bench` writes them down at its end (tests/bench/measured.py)."""


def medians(runs: int, *works: Callable[[], object]) -> list[float]:
    """Median seconds of each piece of work; they take turns, so that a busy machine hits all alike."""
    times: list[list[float]] = [[] for _ in works]
    for _ in range(runs):
        for place, work in enumerate(works):
            began = time.perf_counter()
            work()
            times[place].append(time.perf_counter() - began)
    return [statistics.median(each) for each in times]


def print_table(title: str, figures: Sequence[Figure], note: str = "") -> None:
    """Print the table and keep it for the page; a bar that is missed is marked in words."""
    TABLES.append(Table(title, tuple(figures), note))
    rows = [HEADS, *(figure.cells for figure in figures)]
    widths = [max(len(row[n]) for row in rows) for n in range(len(HEADS))]
    print(f"\n{title}")
    for row in rows:
        print("  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
    if note:
        print(f"  {note}")
