"""Recordings of live traffic: JSON lines that ``decode`` and ``learn`` read.

The first line says what was recorded; each line after it is one traffic record. Times are seconds from the
recording's start; a UART's bytes carry no waveform, so a recording has bytes and times, and no edges.
"""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from controller.records import Traffic
from profiles.errors import FileUnreadable
from profiles.model import Profile

__all__ = ["RECORDING_VERSION", "Recorder"]

RECORDING_VERSION = 1


class Recorder:
    """Writes one recording; a context manager.

    Args:
        path: the file; it must not be there yet.
        bus: the bus that is recorded.
        profile: its profile, for the line settings.

    Raises:
        FileUnreadable: the file is there already, or can't be written.
    """

    def __init__(self, path: Path, bus: str, profile: Profile) -> None:
        self._path = path
        self._bus = bus
        self._profile = profile
        self._began: float | None = None
        self._file: IO[str] | None = None
        self.count = 0
        """Records written."""

    def __enter__(self) -> Recorder:
        try:
            self._file = self._path.open("x", encoding="utf-8")
        except FileExistsError:
            raise FileUnreadable(
                "is there already", where=str(self._path), todo="choose another name"
            ) from None
        except OSError as error:
            raise FileUnreadable(f"can't be written ({error.strerror})", where=str(self._path)) from error
        return self

    def add(self, record: Traffic) -> None:
        """Write one record; it is on the disk as far as the system is concerned when this returns."""
        if self._file is None:
            return
        if self._began is None:
            self._began = record.at
            self._write(self._header(record.at))
        document: dict[str, Any] = {
            "t": round(record.at - self._began, 6),
            "direction": record.direction.value,
            "data": record.data.hex(),
        }
        if record.lags is not None:
            document["lags"] = record.lags
        if record.meaning is not None:
            document["meaning"] = record.meaning
        if record.fault is not None:
            document["fault"] = record.fault
        self._write(document)
        self._file.flush()
        self.count += 1

    def _header(self, began: float) -> dict[str, Any]:
        line = self._profile.line
        started = dt.datetime.fromtimestamp(began, dt.UTC).isoformat(timespec="microseconds")
        return {
            "linewarden_recording": RECORDING_VERSION,
            "bus": self._bus,
            "profile": self._profile.name,
            "line": {
                "baud": line.baud,
                "frame": line.frame,
                "bit_order": line.bit_order,
                "idle": line.idle,
            },
            "started": started,
        }

    def _write(self, document: dict[str, Any]) -> None:
        if self._file is not None:
            try:
                self._file.write(json.dumps(document, ensure_ascii=False) + "\n")
            except OSError as error:
                raise FileUnreadable(f"can't be written ({error.strerror})", where=str(self._path)) from error

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None
