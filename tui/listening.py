"""From the controller to the app: records as they come, handed over in batches."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from textual.message import Message

from controller.api import ControllerApi
from controller.records import Record
from profiles.errors import LinewardenError
from tui.messages import ControllerGone, RecordsCame

__all__ = ["listen"]

_REFRESH = 0.04
"""Seconds between two batches of records: 25 a second are as many as a person can follow."""


async def listen(
    api: ControllerApi, catch_up: Callable[[], Awaitable[None]], post: Callable[[Message], object]
) -> None:
    """Gather records, and hand them over in batches, until the controller is gone.

    Args:
        api: the controller.
        catch_up: reads what happened since the last time it was read, once records are gathered.
        post: takes ``RecordsCame``, and at the end ``ControllerGone``.
    """
    gathered: list[Record] = []
    came = asyncio.Event()

    try:
        records = api.subscribe()
        # What happened since the model was read, and before this moment, is told by no record.
        await catch_up()
    except LinewardenError as error:
        post(ControllerGone(str(error)))
        return

    async def gather() -> None:
        async for record in records:
            gathered.append(record)
            came.set()

    reading = asyncio.create_task(gather(), name="gather records")
    try:
        while not reading.done() or gathered:
            waiting = asyncio.create_task(came.wait())
            await asyncio.wait((reading, waiting), return_when=asyncio.FIRST_COMPLETED)
            waiting.cancel()
            came.clear()
            batch, gathered[:] = list(gathered), []
            if batch:
                post(RecordsCame(batch))
            await asyncio.sleep(_REFRESH)
        reading.result()
        post(ControllerGone("the controller has ended"))
    except LinewardenError as error:
        post(ControllerGone(str(error)))
    finally:
        reading.cancel()
