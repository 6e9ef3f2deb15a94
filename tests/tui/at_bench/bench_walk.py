"""The bench by its keys: what it is put on, and what is read from it."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from tests.tui.dashboard_bench import Bench, bench
from tui.bench_model import Reader
from tui.commands.bench import no_site
from tui.screens.bench import BenchScreen
from tui.widgets.strip_view import StripView

__all__ = ["EXAMPLES", "at_the_bench", "reader", "rest", "screen", "strip", "text"]


EXAMPLES = Path(__file__).parents[2] / "data" / "captures"


def screen(b: Bench) -> BenchScreen:
    found = b.app.main_screen
    assert isinstance(found, BenchScreen)
    return found


def strip(b: Bench) -> str:
    return screen(b).query_one(StripView).words


def text(b: Bench, name: str) -> str:
    return str(screen(b).query_one(f"#{name}").render())


def reader(b: Bench) -> Reader:
    found = screen(b).desk.reader
    assert found is not None
    return found


async def rest(b: Bench) -> None:
    """Until nothing is decoded any more and all is painted."""
    await b.until(lambda: not screen(b).turns.busy, "the decoding")
    await b.pilot.pause()


@asynccontextmanager
async def at_the_bench(folder: Path, *captures: Path, **more: Any) -> AsyncIterator[Bench]:
    """The bench with captures on it, without a site where no other is given."""
    more.setdefault("loaded", no_site())
    state = folder / "state"
    state.mkdir(exist_ok=True)
    async with bench(state, **more) as b:
        await b.press("f7")
        await b.until(lambda: isinstance(b.app.screen, BenchScreen))
        for capture in captures:
            screen(b).open(capture)
        if captures:
            await b.press("1")
        await rest(b)
        yield b
