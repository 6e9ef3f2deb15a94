"""The Controller API over a local socket: the controller's end.

A front end that reads slowly never slows the controller. Its records wait in the API's own bounded
subscription, which drops and counts them; its answers wait in memory up to a limit; and when nothing was
taken from it for a while, or the limit is passed, it is cut off. A call that was begun is carried to its end
even when the one who asked has gone: a command is not taken back by a lost connection.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import logging
from collections.abc import AsyncIterator, Iterator
from typing import Any, Self

from controller.api import ControllerApi
from controller.local_endpoint import listen, withdraw
from controller.local_wire import (
    LONGEST_ANSWER,
    LONGEST_REQUEST,
    VERSION,
    Call,
    calls,
    decoded,
    encoded,
    error_to_plain,
)
from controller.plain import to_plain
from controller.records import Record, to_json
from controller.state_folder import Claim
from profiles.errors import ControllerAway, ControllerError, InputError, LinewardenError

__all__ = ["LocalServer"]

log = logging.getLogger(__name__)

_MOST_FRONT_ENDS = 64
_MOST_CALLS = 256
"""Under way for one front end."""
_MOST_STREAMS = 32
_STREAM_BUFFER = 256 << 10
"""Bytes on their way to a front end above which its subscriptions wait."""
_ANSWER_BUFFER = 4 << 20
"""Bytes on their way above which nothing more is read from it."""
_MOST_BUFFERED = 64 << 20
"""Bytes on their way above which it is cut off."""
_RECORDS_AT_ONCE = 32
"""Records of one subscription before others have their turn."""
_LONG_LIST = 100
"""Items above which an answer is put into words in another thread."""
_TOKEN_WITHIN = 5.0
"""Seconds that a front end has to show the token."""

_Identity = int | str


class LocalServer:
    """Lets front ends on this machine use a controller.

    Args:
        api: the controller.
        claim: of the state folder, which stays the caller's to release.
        loopback: whether to take a loopback port where there could be a Unix socket.
        patience_s: seconds after which a front end that takes nothing is cut off.
    """

    def __init__(
        self, api: ControllerApi, claim: Claim, *, loopback: bool = False, patience_s: float = 30.0
    ) -> None:
        self._api = api
        self._folder = claim.folder
        self._loopback = loopback
        self._patience = patience_s
        self._server: asyncio.Server | None = None
        self._token = ""
        self._front_ends: set[_FrontEnd] = set()

    async def start(self) -> None:
        """Listen; calls are answered from now on.

        Raises:
            ControllerError: it can't listen.
        """
        listening, self._token = listen(self._folder, loopback=self._loopback)
        self._server = await asyncio.start_server(self._connected, sock=listening, limit=LONGEST_REQUEST)

    async def close(self, *, grace_s: float = 2.0) -> None:
        """Listen no more; calls under way may still end within ``grace_s`` seconds, then all are cut off."""
        if self._server is None:
            return
        self._server.close()
        # What stays behind is replaced by the next controller.
        with contextlib.suppress(OSError):
            withdraw(self._folder)
        await asyncio.gather(*(front_end.close(grace_s) for front_end in list(self._front_ends)))
        await self._server.wait_closed()
        self._server = None

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        front_end = _FrontEnd(self._api, reader, writer, self._token, self._patience)
        if len(self._front_ends) >= _MOST_FRONT_ENDS:
            front_end.refuse(ControllerError("too many front ends are connected", todo="close some"))
            return
        self._front_ends.add(front_end)
        try:
            await front_end.serve()
        except asyncio.CancelledError:
            # The server is closing. Left to asyncio's streams, it would be logged as a fault.
            pass
        except Exception:
            log.exception("a front end's connection ended in a fault of this program")
        finally:
            self._front_ends.discard(front_end)


class _FrontEnd:
    """One connection."""

    def __init__(
        self,
        api: ControllerApi,
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
        token: str,
        patience: float,
    ) -> None:
        self._api = api
        self._reader = reader
        self._writer = writer
        self._token = token
        self._patience = patience
        self._lines: list[bytes] = []
        self._calls: set[asyncio.Task[None]] = set()
        self._streams: dict[_Identity, asyncio.Task[None]] = {}
        self._serving: asyncio.Task[None] | None = None
        writer.transport.set_write_buffer_limits(high=_STREAM_BUFFER)

    # Life

    async def serve(self) -> None:
        """Answer calls until the front end hangs up or is cut off."""
        self._serving = asyncio.current_task()
        try:
            await self._greet()
            while line := await self._next_line():
                self._take(line)
                if self._buffered() > _ANSWER_BUFFER:
                    await self._room()
            await self._end_streams()
            # One that has only closed its sending end still gets its answers.
            await self._end_calls()
        except _CutOffError as cut_off:
            self.refuse(cut_off.error)
        except ConnectionError:
            pass
        finally:
            await self._end_streams()
            await self._hang_up()
            await self._end_calls()

    async def close(self, grace: float) -> None:
        """Let calls end, then hang up."""
        if self._calls:
            await asyncio.wait(self._calls, timeout=grace)
        for task in self._calls:
            task.cancel()
        if self._serving is not None:
            self._serving.cancel()
            await asyncio.wait([self._serving])

    async def _end_calls(self) -> None:
        if self._calls:
            await asyncio.wait(self._calls)

    def refuse(self, error: LinewardenError) -> None:
        """Say why, and hang up."""
        self._send({"id": None, "error": error_to_plain(error)})
        self._flush()
        self._writer.close()

    async def _hang_up(self) -> None:
        self._flush()
        self._writer.close()
        with contextlib.suppress(ConnectionError, TimeoutError):
            async with asyncio.timeout(1.0):
                await self._writer.wait_closed()
            return
        self._writer.transport.abort()

    async def _greet(self) -> None:
        if self._token:
            try:
                async with asyncio.timeout(_TOKEN_WITHIN):
                    shown = decoded(await self._next_line() or b"").get("token")
            except (TimeoutError, InputError) as error:
                raise _CutOffError(ControllerError("shows no token")) from error
            if not hmac.compare_digest(str(shown).encode(), self._token.encode()):
                raise _CutOffError(ControllerError("shows a wrong token"))
        self._send({"linewarden": VERSION})

    # Coming in

    async def _next_line(self) -> bytes | None:
        try:
            return await self._reader.readuntil()
        except asyncio.IncompleteReadError as end:
            return end.partial or None
        except asyncio.LimitOverrunError as error:
            raise _CutOffError(InputError(f"a line is longer than {LONGEST_REQUEST} bytes")) from error

    def _take(self, line: bytes) -> None:
        identity: _Identity | None = None
        try:
            document = decoded(line)
            given = document.get("id")
            if not isinstance(given, int | str) or isinstance(given, bool):
                raise InputError("a call has no id", todo="give it a number or a text")
            identity = given
            self._begin(identity, document.get("call"), document.get("arguments", {}))
        except LinewardenError as error:
            self._send({"id": identity, "error": error_to_plain(error)})

    def _begin(self, identity: _Identity, name: object, arguments: object) -> None:
        if name == "unsubscribe":
            ends = arguments.get("id") if isinstance(arguments, dict) else None
            stream = self._streams.get(ends) if isinstance(ends, int | str) else None
            if stream is not None:
                stream.cancel()
            self._send({"id": identity, "result": stream is not None})
            return
        call = calls().get(name) if isinstance(name, str) else None
        if call is None:
            raise InputError(f"there is no call {str(name)[:40]!r}", todo=f"use one of {', '.join(calls())}")
        values = call.read_arguments(arguments)
        if call.name == "subscribe":
            if identity in self._streams:
                raise InputError("a subscription has that id already")
            if len(self._streams) >= _MOST_STREAMS:
                raise ControllerError("too many subscriptions", todo="end one of them")
            # At once and not in its task: what a later call brings about must be in it.
            stream = asyncio.create_task(self._pump(identity, self._api.subscribe(**values)))
            self._streams[identity] = stream
            stream.add_done_callback(lambda _: self._ended(identity))
            return
        if len(self._calls) >= _MOST_CALLS:
            raise ControllerError("too many calls are under way", todo="wait for some of them")
        task = asyncio.create_task(self._answer(identity, call, values))
        self._calls.add(task)
        task.add_done_callback(self._calls.discard)

    async def _answer(self, identity: _Identity, call: Call, values: dict[str, Any]) -> None:
        with self._telling_errors(identity):
            result = await getattr(self._api, call.name)(**values)
            if isinstance(result, list) and len(result) > _LONG_LIST:
                line = await asyncio.to_thread(_answer_line, identity, result)
            else:
                line = _answer_line(identity, result)
            self._send_line(line)

    # Subscriptions

    async def _pump(self, identity: _Identity, records: AsyncIterator[Record]) -> None:
        number = 0
        try:
            with self._telling_errors(identity):
                async for record in records:
                    self._send({"id": identity, "record": to_json(record)})
                    number += 1
                    if number % _RECORDS_AT_ONCE == 0:
                        await asyncio.sleep(0)
                    await self._room()
                self._send({"id": identity, "result": None})
        except (ConnectionError, _CutOffError):
            self._writer.transport.abort()
        finally:
            close = getattr(records, "aclose", None)
            if close is not None:
                await close()

    def _ended(self, identity: _Identity) -> None:
        stream = self._streams.pop(identity, None)
        if stream is not None and stream.cancelled():
            self._send({"id": identity, "result": None})

    async def _end_streams(self) -> None:
        # Forgotten first: their end is that of the connection, and the front end is not told of another one.
        streams, self._streams = list(self._streams.values()), {}
        for stream in streams:
            stream.cancel()
        await asyncio.gather(*streams, return_exceptions=True)

    # Going out

    @contextlib.contextmanager
    def _telling_errors(self, identity: _Identity) -> Iterator[None]:
        try:
            yield
        except (ConnectionError, _CutOffError):
            raise
        except LinewardenError as error:
            self._send({"id": identity, "error": error_to_plain(error)})
        except Exception:
            log.exception("a call of a front end met a fault of this program")
            fault = ControllerError("a fault of the controller's program", todo="its log says more")
            self._send({"id": identity, "error": error_to_plain(fault)})

    def _send(self, document: dict[str, Any]) -> None:
        self._send_line(encoded(document, LONGEST_ANSWER))

    def _send_line(self, line: bytes) -> None:
        # Lines of one turn of the event loop go out in one write.
        if not self._lines:
            asyncio.get_running_loop().call_soon(self._flush)
        self._lines.append(line)

    def _flush(self) -> None:
        lines, self._lines = self._lines, []
        if lines and not self._writer.is_closing():
            self._writer.write(b"".join(lines))
            if self._buffered() > _MOST_BUFFERED:
                self._writer.transport.abort()

    def _buffered(self) -> int:
        return self._writer.transport.get_write_buffer_size()

    async def _room(self) -> None:
        """Wait until the front end has taken enough of what is on its way."""
        if self._buffered() <= _STREAM_BUFFER:
            return
        try:
            async with asyncio.timeout(self._patience):
                await self._writer.drain()
        except TimeoutError as error:
            raise _CutOffError(ControllerAway("took nothing for too long")) from error


class _CutOffError(Exception):
    """The front end is to be cut off."""

    def __init__(self, error: LinewardenError) -> None:
        super().__init__(error.what)
        self.error = error


def _answer_line(identity: _Identity, result: Any) -> bytes:
    return encoded({"id": identity, "result": to_plain(result)}, LONGEST_ANSWER)
