"""Recordings of live traffic, for ``decode`` and ``learn`` to read; see profiles/bench/recording_text.py."""

from __future__ import annotations

import contextlib
import datetime as dt
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import IO, Self

from controller.records import Traffic
from profiles.bench.recording_text import header_line, record_line
from profiles.errors import FileUnwritable, InputError
from profiles.model import Profile

__all__ = ["Recorder"]

_UNORDERED = 0.5
"""Seconds by which a record may be older than the one before it: sent and heard bytes are gathered apart."""


class Recorder:
    """Writes one recording; a context manager.

    Args:
        path: the file; it must not be there yet.
        bus: the bus that is recorded.
        profile: its profile, for the line settings.
        utc: UTC seconds, for when it began.

    Raises:
        InputError: the file is there already.
        FileUnwritable: it can't be written.
    """

    def __init__(
        self, path: Path, bus: str, profile: Profile, *, utc: Callable[[], float] = time.time
    ) -> None:
        self._path = path
        self._bus = bus
        self._profile = profile
        self._utc = utc
        self._began = 0.0
        self._latest = 0.0
        self._file: IO[str] | None = None
        self.count = 0
        """Records written."""

    def __enter__(self) -> Self:
        try:
            # What others say may have halves of characters in it, which no file can hold.
            self._file = self._path.open("x", encoding="utf-8", errors="replace", newline="\n")
        except FileExistsError:
            raise InputError("is there already", where=str(self._path), todo="choose another name") from None
        except OSError as error:
            raise self._unwritable(error) from error
        self._began = self._utc()
        started = dt.datetime.fromtimestamp(self._began, dt.UTC).isoformat(timespec="microseconds")
        self._write(header_line(self._bus, self._profile.name, self._profile.line, started))
        return self

    def add(self, record: Traffic) -> None:
        """Write one record, if it has bytes; it is with the operating system when this returns.

        Raises:
            FileUnwritable: the disk does not take it.
        """
        if not record.data:
            return  # it says what earlier bytes meant
        # Bytes may have gone by shortly before it began; and a wall clock that is set back is no reason to
        # write a file in which time runs backwards.
        at = max(record.at - self._began, self._latest - _UNORDERED, 0.0)
        self._latest = max(self._latest, at)
        self._write(
            record_line(
                at,
                record.direction.value,
                record.data,
                record.lags,
                meaning=record.meaning,
                fault=record.fault,
            )
        )
        self.count += 1

    def _write(self, line: str) -> None:
        if self._file is None:
            raise ValueError("a recorder is a context manager: enter it first")
        try:
            self._file.write(line + "\n")
            self._file.flush()
        except OSError as error:
            raise self._unwritable(error) from error

    def _unwritable(self, error: OSError) -> FileUnwritable:
        return FileUnwritable(
            f"can't be written ({error.strerror or error})",
            where=str(self._path),
            todo="look at the disk's free space and at the folder's permissions",
        )

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        file, self._file = self._file, None
        if file is not None:
            # What could not be written was told by `add`, and closing tries to write it once more.
            with contextlib.suppress(OSError):
                file.close()
