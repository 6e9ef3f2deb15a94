"""A dashboard as the one app of its process."""

from __future__ import annotations

import asyncio
import gc
import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tui.app import DashboardApp

__all__ = ["run_alone"]

_THRESHOLDS = (1000, 10, 100)
"""How seldom Python looks for garbage in circles: what is heard on full lines is dropped without any."""


async def run_alone(app: DashboardApp) -> int:
    """Run a dashboard to its end; gives its exit code.

    What is loaded by the first paint stays for good: it is taken out of what Python looks through for things
    that nobody needs any more. That look takes 60 to 80 ms with it, in which no key is answered.
    """
    settled = asyncio.create_task(_settle_what_is_loaded(app), name="what stays")
    try:
        return await app.run_async() or 0
    finally:
        settled.cancel()
        await asyncio.gather(settled, return_exceptions=True)


async def _settle_what_is_loaded(app: DashboardApp) -> None:
    await app.painted.wait()
    # What the traffic's filters need takes long to load: now, and not between two keys on full lines.
    await asyncio.to_thread(importlib.import_module, "numpy")
    gc.collect()
    gc.freeze()
    gc.set_threshold(*_THRESHOLDS)
