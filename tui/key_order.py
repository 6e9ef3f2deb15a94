"""Keys in the order in which they were typed: none is looked at before the one before it is done with.

Textual hands a key to whatever has the cursor at that moment, and moves the cursor a little later. Typed
fast, over a slow line or on a busy machine, `/ foyer` would have its `f` and `o` taken for off and on. Here
each key waits until the one before it is handled whole: its screen is there, and the cursor where it belongs.
A key that waits for nothing has the last word all the same: what waits is dropped, and it is done once more
behind the key, or the click, that is under way.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import Iterator
from typing import ClassVar, Generic, TypeGuard, TypeVar

from textual import events
from textual.app import App
from textual.dom import DOMNode
from textual.errors import NoWidget
from textual.message_pump import MessagePump

__all__ = ["KeysInOrder"]

R = TypeVar("R")

_PATIENCE = 1.0
"""Seconds after which the next key is looked at in any case: no part of the screen that hangs may hold it."""
_QUIET_ROUNDS = 2
"""Rounds without any change after which a key has been handled: one for it, one for what it has posted."""


class KeysInOrder(App[R], Generic[R]):
    """An app whose keys, and pasted texts, never overtake each other."""

    AT_ONCE: ClassVar[frozenset[str]] = frozenset()
    """Keys that wait for nothing: what they do is the same wherever one is, and does no harm done twice."""

    _waiting: deque[events.Key | events.Paste] | None = None
    """What came while an earlier key is under way; None while none is."""
    _settling: asyncio.Task[None] | None = None

    def __init__(self) -> None:
        super().__init__()
        self._clicked: list[DOMNode] = []
        """Where was clicked while what the click does may still be under way."""

    @property
    def settled(self) -> bool:
        """Whether all keys that were typed have done all that they do."""
        return self._waiting is None

    @property
    def once_more(self) -> bool:
        """Whether a key that was done at once is still to be done behind the one that was under way."""
        waiting = self._waiting
        return bool(waiting and self._is_at_once(waiting[0]))

    async def on_event(self, event: events.Event) -> None:
        """Take an event; a key that comes while another is under way is kept."""
        if self._is_at_once(event):
            if self._waiting is not None:
                self._waiting.clear()
                self._waiting.append(events.Key(event.key, event.character))
            await super().on_event(event)
        elif isinstance(event, events.MouseUp) and not event.is_forwarded:
            await self._click(event)
        elif not self._keeps_order(event):
            await super().on_event(event)
        elif self._waiting is not None:
            self._waiting.append(event)
        else:
            self._waiting = deque()
            await self._hand_over(event)

    def _is_at_once(self, event: events.Event) -> TypeGuard[events.Key]:
        return isinstance(event, events.Key) and not event.is_forwarded and event.key in self.AT_ONCE

    def _keeps_order(self, event: events.Event) -> TypeGuard[events.Key | events.Paste]:
        return isinstance(event, events.Key | events.Paste) and not event.is_forwarded

    async def _click(self, event: events.MouseUp) -> None:
        """A click waits for no key, and keys wait for what it does."""
        with contextlib.suppress(NoWidget):
            self._clicked.append(self.get_widget_at(event.x, event.y)[0])
        if self._waiting is not None:
            await super().on_event(event)
        else:
            self._waiting = deque()
            await self._hand_over(event)

    async def _hand_over(self, event: events.Event) -> None:
        before = self._cursor
        try:
            await super().on_event(event)
        finally:
            self._settling = asyncio.create_task(self._settle(before), name="keys in order")

    @property
    def _cursor(self) -> DOMNode | None:
        """Where keys go."""
        return (self.focused or self.screen) if self.screen_stack else None

    async def _settle(self, cursor: DOMNode | None) -> None:
        try:
            async with asyncio.timeout(_PATIENCE):
                quiet = 0
                while quiet < _QUIET_ROUNDS:
                    clicked = list(self._clicked)
                    for place in (*clicked, cursor):
                        for pump in list(_upwards(place, self)):
                            await _reached(pump)
                    now = self._cursor
                    quiet = quiet + 1 if now is cursor and self._clicked == clicked else 0
                    cursor = now
        except TimeoutError:
            pass
        finally:
            self._clicked.clear()
            self.call_later(self._next_key)

    async def _next_key(self) -> None:
        if self._clicked:
            self._settling = asyncio.create_task(self._settle(self._cursor), name="keys in order")
        elif not self._waiting:
            self._waiting = None
        else:
            await self._hand_over(self._waiting.popleft())


def _upwards(cursor: DOMNode | None, app: App[R]) -> Iterator[MessagePump]:
    """The way that a key takes: from where the cursor is up to the app."""
    while cursor is not None and cursor is not app:
        yield cursor
        cursor = cursor.parent
    yield app


async def _reached(pump: MessagePump) -> None:
    """Wait until all that a part of the screen was sent before now has been handled."""
    done = asyncio.Event()
    if pump.call_later(done.set):
        await done.wait()
